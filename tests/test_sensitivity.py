"""Power-scaling of what is decided: known answers, and the library's own on a parameter."""

from __future__ import annotations

import arviz as az
import numpy as np
import pytest
import xarray as xr
from builders import priors
from scipy import stats
from surveyed import full_prior

from riskmodel.baseline import Baseline, delta_distributions
from riskmodel.lives import Draws
from riskmodel.measures import deltas_of
from riskmodel.priordensity import prior_densities
from riskmodel.sensitivity import (
    LIKELIHOOD,
    PRIOR,
    decision_quantities,
    densities_at,
    diagnosis,
    first_places,
    power_sensitivity,
    sensitivity_table,
)
from riskmodel.trustchecks import sensitivity_verdicts

COUNT = 4000


def conjugate(prior_mean: float, spread: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draws of a normal mean with a normal prior and one reading 0 of sd 1; ln prior and ln likelihood."""
    precision = 1.0 / spread**2
    mean, sd = prior_mean * precision / (1.0 + precision), 1.0 / np.sqrt(1.0 + precision)
    x = mean + sd * np.random.default_rng(2).standard_normal(COUNT)
    return x, stats.norm.logpdf(x, prior_mean, spread), stats.norm.logpdf(x)


def table(x: np.ndarray, prior: np.ndarray, likelihood: np.ndarray):
    densities = {PRIOR: {COUNT: prior}, LIKELIHOOD: {COUNT: likelihood}}
    return sensitivity_table({("b10_age", "current_practice"): ("years", x)}, densities)


def test_the_same_as_the_library_on_a_parameter() -> None:
    x, prior, likelihood = conjugate(1.0)
    shape = (4, COUNT // 4)
    one = {"posterior": xr.Dataset({"x": (("chain", "draw"), x.reshape(shape))}),
           "log_prior": xr.Dataset({"x": (("chain", "draw"), prior.reshape(shape))}),
           "log_likelihood": xr.Dataset({"y": (("chain", "draw"), likelihood.reshape(shape))})}  # fmt: skip
    tree = xr.DataTree.from_dict(one)
    for group, density in (("prior", prior), ("likelihood", likelihood)):
        library = float(az.psense(tree, group=group, alphas=(0.8, 1.25))["x"])
        assert power_sensitivity(x, density) == pytest.approx(library, rel=1e-9)


def test_means_move_as_they_must() -> None:
    """The prior N(1, 1) to the power a and one reading 0: the mean is a / (1 + a)."""
    row = table(*conjugate(1.0)).set_index("component").loc[PRIOR]
    assert row["mean_less"] == pytest.approx(0.8 / 1.8, abs=0.03)
    assert row["mean_more"] == pytest.approx(1.25 / 2.25, abs=0.03)
    assert row["k_hat"] < 0.5


def test_conflict_fails_and_agreement_passes() -> None:
    agree, apart = (next(iter(sensitivity_verdicts(table(*conjugate(mean)), None))) for mean in (0.5, 8.0))
    assert agree.verdict == "passed"
    assert apart.verdict == "failed"
    assert "Farthest apart: b10 age of current practice" in apart.finding
    assert apart.what_to_do


def test_what_only_one_moves() -> None:
    vague = table(*conjugate(1.0, spread=30.0)).set_index("component")["sensitivity"]
    assert diagnosis(vague[PRIOR], vague[LIKELIHOOD]) == "rests on the records"
    sure = table(*conjugate(1.0, spread=0.05)).set_index("component")["sensitivity"]
    assert diagnosis(sure[PRIOR], sure[LIKELIHOOD]) == "rests on the priors"
    assert power_sensitivity(np.ones(COUNT), np.linspace(0, 1, COUNT)) == 0.0


def decision(gap: float) -> tuple[xr.Dataset, dict[str, dict[int, np.ndarray]]]:
    """Two portfolios; what the second saves falls with the parameter that the prior is about. Invented."""
    x, prior, likelihood = conjugate(1.0)
    benefit = np.stack([np.zeros(COUNT), gap - x], axis=1)
    found = xr.Dataset({"net_benefit": (("sample", "portfolio"), benefit)},
                       coords={"portfolio": ["current_practice", "prompt_sawing"]})  # fmt: skip
    return found, {PRIOR: {COUNT: prior}, LIKELIHOOD: {COUNT: likelihood}}


@pytest.mark.parametrize(("gap", "verdict"), [(0.52, "failed"), (2.0, "passed")])
def test_the_first_place_is_found_again(gap: float, verdict: str) -> None:
    """Expected saving gap - a / (1 + a): at 0.52 it turns when the prior counts more."""
    places = first_places(*decision(gap))
    found = list(sensitivity_verdicts(table(*conjugate(1.0)), places))[1]
    assert found.verdict == verdict
    assert ("priors to the power 1.25: current_practice" in found.finding) == (verdict == "failed")


def test_without_costs_or_likelihood_it_says_so() -> None:
    x, prior, _ = conjugate(1.0)
    only = sensitivity_table({("b10_age", "current_practice"): ("years", x)}, {PRIOR: {COUNT: prior}})
    assert [v.verdict for v in sensitivity_verdicts(only, None)] == ["not applicable"] * 2


def test_quantities_are_those_of_the_simulation() -> None:
    value = np.arange(2 * 3 * 4, dtype=float).reshape(2, 3, 4)
    value[0, 0, 1] = np.inf
    names = ["early_failure_probability", "b10_age", "restricted_mean_age", "life_gain"]
    simulation = xr.Dataset(
        {"value": (("sample", "portfolio", "quantity"), value)},
        coords={"portfolio": ["current_practice", "sawing", "sawing + curing"], "quantity": names,
                "unit": ("quantity", ["1", "years", "years", "years"]), "reference": ["current_practice"]},
    )  # fmt: skip
    found = decision_quantities(simulation)
    assert list(found) == [(name, "current_practice") for name in names[:3]] + [("life_gain", "sawing")]
    assert found["b10_age", "current_practice"][1].tolist() == [1000.0, 13.0]


def test_draws_and_densities_are_paired() -> None:
    """A result of fewer samples takes them evenly from the posterior; so do its densities."""
    posterior = xr.Dataset({"x": (("chain", "draw"), np.arange(20.0).reshape(2, 10))})
    likelihood = xr.DataArray(np.arange(40.0).reshape(2, 10, 2), dims=("chain", "draw", "section"))
    found = densities_at(posterior, likelihood, {"one": np.arange(20.0)}, {20, 7})
    picked = Draws.of(posterior, 7)["x"]
    np.testing.assert_array_equal(found["one"][7], picked)
    np.testing.assert_array_equal(found[PRIOR][7], picked)
    np.testing.assert_array_equal(found[LIKELIHOOD][7], 4.0 * picked + 1.0)


def test_log_priors_are_those_of_the_model() -> None:
    """The sum over groups differs from the model's own log density of its parameters by a constant.

    The model's parameters are taken as they are stated; wear-out by type and what types share are one
    multivariate normal here, and the standardised scores of effects are the effects themselves there.
    """
    from riskmodel.model import build_model

    p = priors()
    drawn = full_prior(p, draws=12, seed=5)
    draws = Draws.of(drawn)
    found = prior_densities(draws, p, mix=np.ones(len(p.types)), early_age=10.0)
    skipped = {"wear_out_common", "wear_out_by_type", "effect_score"}
    with build_model(None, p) as model:
        kept = [v for v in model.free_RVs if v.name not in skipped]
        logp = model.compile_fn(
            [model.logp(v, jacobian=False).sum() for v in kept], inputs=model.value_vars, point_fn=False,
            on_unused_input="ignore", mode="FAST_COMPILE",
        )  # fmt: skip
    own = []
    for s in range(draws.count):
        values = [
            model.rvs_to_transforms[v].forward(draws[v.name][s], *v.owner.inputs).eval()
            if model.rvs_to_transforms[v] is not None else draws[v.name][s]
            for v in model.free_RVs
        ]  # fmt: skip
        own.append(float(np.sum(logp(*values))))
    total = sum(v for name, v in found.items() if name not in ("ages of wear-out", "effects of measures"))
    gap = np.asarray(own) - total
    np.testing.assert_allclose(gap, gap[0], atol=1e-5)
    every, first = delta_distributions(p, Baseline.of(p, 10.0), np.ones(len(p.types))), {}
    for i, delta in enumerate(deltas_of(p)):
        first.setdefault(delta.effect, i)  # an effect on two mechanisms counts once
    expected = sum(every[i].logpdf(draws["delta"][:, i]) for i in first.values())
    np.testing.assert_allclose(found["effects of measures"], expected)
