"""The density in JAX against the compiled one and the plain definition, on every kind of records that those take.

Needs the extra `gpu` (a CPU will do). With RISKMODEL_NEED_JAX=1 its absence is a failure.
"""

from __future__ import annotations

import os
from dataclasses import replace

# what is tested are the numbers: seconds of optimisation would buy nothing
os.environ.setdefault("XLA_FLAGS", "--xla_backend_optimization_level=0 --xla_llvm_disable_expensive_passes=true")

import numpy as np
import pytest
from builders import priors, quantity
from scipy import special, stats
from test_joint import FOLLOWED, correlated
from test_kernel import CASES, FAR, GRID, evaluator, rated, slowed, with_everything
from test_likelihood import draws_of, records

from riskmodel.density import LogDensity
from riskmodel.model import build_model
from riskmodel.places import marginals_of

if os.environ.get("RISKMODEL_NEED_JAX") == "1":
    import jax
else:
    jax = pytest.importorskip("jax", reason="jax is not installed (the extra `gpu`)")

from riskmodel import jaxcells
from riskmodel.jaxdensity import JaxDensity
from riskmodel.jaxlaws import cumulative_hazard, inverse_mills, log_normal_cdf
from riskmodel.jaxrows import Grouping, collect, spread

ALL_AT_ONCE = "raters, hazard ratios, score shifts, time ratios"
MORE = {name: case for name, case in CASES.items() if name != "fine grid"} | {  # the grid is no matter of code here
    ALL_AT_ONCE: lambda: rated((with_everything(slowed()), slowed()))
}
NEAR = 4  # points near the priors


def densities(name):
    """Compiled and JAX density of a case, and the model."""
    r, p = MORE[name]()
    settings = replace(GRID, age_law="lognormal" if name.startswith("lognormal") else "weibull")
    density = LogDensity.of(r, p, settings=settings)
    return density, JaxDensity.of(density), lambda: build_model(r, p, settings=settings)


def points(layout, model):
    """Reals in the middle of the priors, at three draws near it, and far out."""
    rng = np.random.default_rng(3)
    noise = np.array([0.0, 0.3, 0.5, 1.0])[:, None] * rng.standard_normal((NEAR, layout.size))
    far = []
    for change in FAR:
        values = draws_of(model, 6)
        values |= {k: np.full_like(values[k], v) for k, v in change.items() if k in values}
        far.append(layout.real(values))
    return np.array([*(layout.centre + noise), *far])


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n == ALL_AT_ONCE else pytest.mark.slow) for n in MORE])
def test_value_and_gradient_equal_the_compiled_ones(name):
    """Near the priors to 1e-9, mapped over points as over chains; far out to 1e-6, as the compiled ones are held.

    Where a far point leaves a section to a cell whose mass is the last digit of a survival, the compiled gradient is
    itself no slope of its values: there the values are compared, roughly, and this at two points at most.
    """
    density, found, model = densities(name)
    x = points(density.layout, model())
    values, gradients = (np.asarray(a) for a in found.value_and_gradient(x))
    assert np.isfinite(gradients).all()
    noise = 0
    for n, (at, value, gradient) in enumerate(zip(x, values, gradients, strict=True)):
        expected, slopes = density.value_and_gradient(at)
        if n >= NEAR and not is_slope(density, at, slopes):
            noise += 1
            assert value == pytest.approx(expected, abs=3.0), n  # ln of a few units of the last digit
            continue
        within = 1e-9 if n < NEAR else 1e-6
        assert value == pytest.approx(expected, rel=within), n
        scale = max(1.0, float(np.abs(slopes).max()))
        np.testing.assert_allclose(gradient, slopes, rtol=within, atol=within * scale, err_msg=str(n))
    assert noise <= 2


def is_slope(density, x, gradient):
    """Whether a gradient is that of the compiled values, by central differences in a few directions."""
    steps = 1e-5 * np.random.default_rng(7).standard_normal((3, len(x)))
    rises = [density.value_and_gradient(x + s)[0] - density.value_and_gradient(x - s)[0] for s in steps]
    return np.allclose(rises, 2.0 * steps @ gradient, rtol=1e-3, atol=1e-9 * np.abs(density.value_and_gradient(x)[0]))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["everything", "raters, reverse S", "lognormal ages, hazard ratios, time ratios"])
def test_sections_and_gradient_equal_the_definition(name):
    """To 1e-9, by the plain graph that shares no line with the sum over cells here."""
    density, found, model = densities(name)
    model, layout = model(), density.layout
    values = draws_of(model, 2)
    x = layout.real(values)
    by_section, total, gradients = evaluator(model)(values)
    np.testing.assert_allclose(found.by_section(x), by_section, rtol=1e-9, atol=1e-9)
    value, slope = layout.natural(x)
    prior, prior_slopes = layout.log_prior(x, value)
    whole, slopes = found.value_and_gradient(x)
    assert float(whole) - prior == pytest.approx(total, rel=1e-9)
    skewed = np.array([law.family == "skewed" for law in layout.laws])
    by_variable = (np.asarray(slopes) - prior_slopes) / np.where(skewed, 1.0, slope)
    for variable, gradient in gradients.items():
        scale = max(1.0, float(np.abs(gradient).max()))
        np.testing.assert_allclose(
            by_variable[layout.spans[variable]], np.ravel(gradient), rtol=1e-9, atol=1e-9 * scale, err_msg=variable
        )


@pytest.mark.slow
def test_mapped_over_chains_is_one_by_one():
    density, found, _ = densities(ALL_AT_ONCE)
    x = density.layout.centre + 0.3 * np.random.default_rng(1).standard_normal((3, density.layout.size))
    values, gradients = found.value_and_gradient(x)
    for at, value, gradient in zip(x, values, gradients, strict=True):
        one, slopes = found.value_and_gradient(at)
        assert float(value) == pytest.approx(float(one), rel=1e-12)
        np.testing.assert_allclose(gradient, slopes, rtol=1e-10, atol=1e-10)


@pytest.mark.slow
def test_classes_of_sections_change_nothing(monkeypatch):
    """Cut finely, and one section whose records contradict each other: the same sums, in the records' order."""
    r, p = records(40, seed=8), priors()
    r.sections["age_lower"][5], r.sections["age_removed"][5] = 20.0, 3.0
    density = LogDensity.of(r, p, settings=GRID)
    monkeypatch.setattr(jaxcells, "WORTH", 150)
    found = JaxDensity.of(density)
    assert len(found.windows) > 3
    assert found.order[-1] == 5
    x = density.layout.centre + 0.3 * np.random.default_rng(1).standard_normal(density.layout.size)
    np.testing.assert_allclose(found.by_section(x), density.by_section(x), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found.value_and_gradient(x)[1], density.value_and_gradient(x)[1], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("medians", ["lognormal", "gamma"])
def test_priors_that_go_together(medians):
    """The copula's part against `together`, in the middle and far out; beta, gamma and linear scores."""
    plain = priors(groups=())
    if medians == "gamma":
        kinds = tuple(replace(t, wear_out_median=quantity("gamma", 40.0, 1.0)) for t in plain.types)
        plain = replace(plain, types=kinds)
    p = replace(plain, joint=correlated(FOLLOWED, marginals_of(plain)))
    density = LogDensity.of(records(2, p), p, settings=GRID)
    of = JaxDensity.of(density)._together
    rng = np.random.default_rng(4)
    for far in (0.0, 0.5, 3.0):
        x = density.layout.centre + far * rng.standard_normal(density.layout.size)
        expected, slopes = density.together.log_ratio(x)
        value, gradient = jax.value_and_grad(of)(jax.numpy.asarray(x))
        assert float(value) == pytest.approx(expected, rel=1e-9)
        np.testing.assert_allclose(gradient, slopes, rtol=1e-8, atol=1e-9)


def test_sums_of_groups_are_counts_with_weights():
    """Groups of none, of few and of thousands, and members without a group; each way the other's derivative."""
    rng = np.random.default_rng(1)
    place = np.concatenate([np.full(5000, 3), rng.integers(4, 40, 300), np.full(7, -1)])
    rng.shuffle(place)
    grouping, values = Grouping.of(place, 42), rng.standard_normal((2, len(place)))
    expected = np.array([np.bincount(place[place >= 0], row[place >= 0], minlength=42) for row in values])
    np.testing.assert_allclose(collect(grouping, values), expected, rtol=1e-12, atol=1e-12)
    level = rng.standard_normal(42)
    np.testing.assert_array_equal(spread(grouping, level), np.where(place < 0, 0.0, level[place]))
    back = jax.grad(lambda v: (spread(grouping, v) * values[0]).sum())(level)
    np.testing.assert_allclose(back, expected[0], rtol=1e-12, atol=1e-12)
    back = jax.grad(lambda v: (collect(grouping, v) * level).sum())(values[0])
    np.testing.assert_array_equal(back, np.where(place < 0, 0.0, level[place]))


def test_normal_tails():
    """ln Phi and the inverse Mills ratio in both tails, and their slopes, against SciPy."""
    x = np.concatenate([-np.geomspace(1e-3, 400.0, 300), np.geomspace(1e-3, 37.0, 300)])
    np.testing.assert_allclose(log_normal_cdf(x), special.log_ndtr(x), rtol=1e-11)
    mills = np.exp(stats.norm.logpdf(x) - special.log_ndtr(x))
    np.testing.assert_allclose(inverse_mills(x), mills, rtol=1e-10)
    np.testing.assert_allclose(jax.vmap(jax.grad(log_normal_cdf))(x), mills, rtol=1e-10)
    near = x[np.abs(x) < 5.0]
    step = (inverse_mills(near + 1e-6) - inverse_mills(near - 1e-6)) / 2e-6
    np.testing.assert_allclose(jax.vmap(jax.grad(inverse_mills))(near), step, rtol=1e-6, atol=1e-8)
    assert float(cumulative_hazard(np.array(1e3), "weibull")) == pytest.approx(np.log(2.0) * np.exp(30.0))
