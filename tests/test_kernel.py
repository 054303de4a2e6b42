"""The compiled density against its plain definition in `model` and `likelihood`, and the sum over cells by itself."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytensor
import pytensor.tensor as pt
import pytest
from builders import effect, fixed, measure, priors, quantity
from pytensor.graph.replace import clone_replace
from scipy import special
from test_likelihood import MODE, draws_of, plain, records

from riskmodel import kernelroom, vectormath
from riskmodel.cells import AgeGrid, CellData
from riskmodel.density import LogDensity, point_of
from riskmodel.kernelcall import run_kernel
from riskmodel.lifesettings import LifeSettings
from riskmodel.model import build_model
from riskmodel.parameters import Layout
from riskmodel.raters import NOT_RECORDED

GRID = LifeSettings(grid=AgeGrid(cells=48))


def with_everything(p=None, count=14, seed=1):
    """Records with an interval, a verified measure, several labels, readings capped and far below. Invented data."""
    r = records(count, p, seed=seed)
    r.sections["age_lower"][0], r.sections["age_upper"][0] = 2.0, 7.5
    r.sections["age_in_service"][0], r.sections["age_removed"][0] = 12.0, np.nan
    r.sections["named"][0, 0], r.sections["named"][0, -1] = True, True
    r.sections["named"][1, 1] = True
    r.sections["verified"][1, 0], r.sections["required"][1, 0] = True, 1.0
    r.readings = r.readings.isel(reading=(r.readings["section_index"].values != 0) | (r.readings["age"].values < 7.0))
    top = r.readings["z"].max()
    status = r.readings["status"].values.astype("U9")
    status[np.arange(len(status)) % 4 == 1] = "capped"
    section = r.readings["section_index"].values
    status[[np.flatnonzero(section == i)[-1] for i in set(section[section % 3 == 2])]] = "far_below"
    r.readings = r.readings.assign(status=("reading", status), z=r.readings["z"].clip(max=top))
    return r


def without(r, **changes):
    """The same records with other values of some columns."""
    out = SimpleNamespace(**vars(r))
    out.sections = r.sections.assign(
        {k: r.sections[k].copy(data=np.full(r.sections[k].shape, v)) for k, v in changes.items()}
    )
    return out


def slowed():
    """Hazard ratios (patterns), a score shift, and a measure on the wear-out age: states of unknown measures."""
    return priors(
        measures=(
            measure(
                "pre_survey", [effect(["support_loss"], 0.5, "hazard_ratio"), effect(["reflective_cracking"], 0.6)]
            ),
            measure(
                "prompt_sawing", [effect(["random_cracking"], 0.4)], time_ratio=quantity("lognormal", np.log(1.1), 0.1),
                score_shift={"workmanship": quantity("normal", 0.4, 0.2)},
            ),
        )
    )  # fmt: skip


def on_path(path: str, stretch: float = 0.04):
    r = with_everything()
    r.condition = replace(r.condition, path=path, stretch=stretch)
    return r, priors()


def hard():
    p = priors(removal_lag=fixed(0.0))
    r = with_everything(p)
    r.sections["age_in_service"][0] = 5.0  # between the bounds of its age at failure
    return r, p


def bare():
    p = plain()
    r = records(10, p)
    return r, p


def rated(case):
    """The same records, each reading by one of three raters or by nobody known."""
    r, p = case
    names = np.array(["Ardel", "Bry", "crew 7", NOT_RECORDED])
    r.readings = r.readings.assign(rater=("reading", names[np.arange(r.readings.sizes["reading"]) * 7 % 11 % 4]))
    return r, p


CASES = {
    "everything": lambda: (with_everything(), priors()),
    "hazard ratios, score shifts, time ratios": lambda: (with_everything(slowed()), slowed()),
    "no mechanisms": bare,
    "no readings": lambda: (records(10, surveys=False), priors()),
    "power path on the index": lambda: on_path("power_y"),
    "power path on the index, no stretch": lambda: on_path("power_y", 0.0),
    "reverse S": lambda: on_path("reverse_s"),
    "removal at the threshold": hard,
    "no labels": lambda: (without(with_everything(), named=False), priors()),
    "no late entry": lambda: (without(with_everything(), age_entry=0.0), priors()),
    "one section": lambda: (records(1), priors()),
    "lognormal ages": lambda: (with_everything(), priors()),
    "lognormal ages, hazard ratios, time ratios": lambda: (with_everything(slowed()), slowed()),
    "lognormal ages, removal at the threshold": hard,
    "fine grid": lambda: (with_everything(), priors()),
    "raters": lambda: rated((with_everything(), priors())),
    "raters, power path on the index": lambda: rated(on_path("power_y")),
    "raters, power path on the index, no stretch": lambda: rated(on_path("power_y", 0.0)),
    "raters, reverse S": lambda: rated(on_path("reverse_s")),
    "raters, no mechanisms": lambda: rated(bare()),
}


def evaluator(model):
    """Values by section, total and gradient of the definition as a function of the free variables."""
    free = [v.clone() for v in model.value_vars]
    outputs = [model.riskmodel_per_section, model.potentials[0]]
    per_section, total = clone_replace(outputs, dict(zip(model.free_RVs, free, strict=True)))
    gradient = pytensor.grad(total, free, disconnected_inputs="ignore")
    run = pytensor.function(free, [per_section, total, *gradient], mode=MODE, on_unused_input="ignore")
    names = [v.name for v in model.free_RVs]

    def evaluate(values):
        by_section, whole, *slopes = run(*(values[n] for n in names))
        return by_section, float(whole), dict(zip(names, slopes, strict=True))

    return evaluate


def compiled(density):
    """The same of the compiled density, whose gradient is to the reals behind the variables."""
    layout = density.layout
    skewed = np.array([law.family == "skewed" for law in layout.laws])

    def evaluate(values):
        x = layout.real(values)
        value, slope = layout.natural(x)
        total, gradient = density.value_and_gradient(x)
        prior, prior_gradient = layout.log_prior(x, value)
        by_variable = (gradient - prior_gradient) / np.where(skewed, 1.0, slope)
        slopes = {name: by_variable[span] for name, span in layout.spans.items()}
        return density.by_section(x), total - prior, slopes

    return evaluate


FIRST = (
    "everything",
    "raters",
    "hazard ratios, score shifts, time ratios",
    "lognormal ages, hazard ratios, time ratios",
)
MARKED = [pytest.param(name, marks=() if name in FIRST else pytest.mark.slow) for name in CASES]


@pytest.fixture(scope="module", params=MARKED)
def pair(request):
    """Compiled and plain evaluators of one case."""
    r, p = CASES[request.param]()
    law = "lognormal" if request.param.startswith("lognormal") else "weibull"
    grid = AgeGrid(cells=130) if request.param == "fine grid" else GRID.grid  # rows of the second length
    settings = replace(GRID, age_law=law, grid=grid)
    model, density = build_model(r, p, settings=settings), LogDensity.of(r, p, settings=settings)
    return SimpleNamespace(model=model, density=density, compiled=compiled(density), definition=evaluator(model))


@pytest.mark.parametrize("seed", [1, 2])
def test_values_and_gradients_equal_the_definition(pair, seed):
    """To 1e-9 in every section, and to 1e-9 of the largest element of every gradient."""
    values = draws_of(pair.model, seed)
    found, whole, slopes = pair.compiled(values)
    expected, total, gradients = pair.definition(values)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)
    assert whole == pytest.approx(total, rel=1e-10)
    for name, gradient in gradients.items():
        scale = max(1.0, float(np.abs(gradient).max()))
        np.testing.assert_allclose(slopes[name], np.ravel(gradient), rtol=1e-9, atol=1e-9 * scale, err_msg=name)


FAR = [
    {"noise": 0.3, "start_spread": 0.01, "wear_out_shape": 12.0},
    {"rater_sd": 8.0, "noise": 10.0},
    {"noise": 30.0, "start_spread": 15.0, "kappa": 5.0, "removal_lag": 0.05},
    {"wear_out_common": -2.0, "early_failure": 1e-6, "label_error": 1e-6},
    {"wear_out_common": 2.0, "early_failure": 0.999, "removal_lag": 60.0, "kappa": 0.3},
    {"score_effect_part": 8.0, "share_offset": 4.0, "age_shape": 9.0, "age_median": 0.4},
    {"kappa_early_log_ratio": 2.6, "kappa": 4.0},
    {"kappa_early_log_ratio": 3.0, "kappa": 4.0},
]


@pytest.mark.parametrize("far", FAR, ids=[" ".join(f) for f in FAR])
def test_far_from_the_prior_it_agrees_and_is_finite(pair, far):
    """Values many standard deviations out, as a sampler tries them in its first steps."""
    values = draws_of(pair.model, 6)
    values |= {k: np.full_like(values[k], v) for k, v in far.items() if k in values}
    found, _, slopes = pair.compiled(values)
    assert np.isfinite(found).all()
    assert all(np.isfinite(slope).all() for slope in slopes.values())
    if pair.density.raters is not None and far.get("noise") == 0.3:
        return  # these draws leave a section to a cell whose mass is the last digit of a survival: 1 or 2 units
    np.testing.assert_allclose(found, pair.definition(values)[0], rtol=1e-6, atol=1e-6)


def kernel_case():
    """Arguments of the kernel for the case with everything and patterns."""
    p = slowed()
    density = LogDensity.of(with_everything(p), p, settings=GRID)
    model = build_model(None, p, levels=density.levels)
    return point_of(density, density.layout.real(draws_of(model, 3))).kernel, density.given


def test_every_derivative_agrees_with_finite_differences():
    """Central differences of the kernel itself, one element of each array that is not zero."""
    parameters, given = kernel_case()
    share = np.linspace(0.5, 1.5, len(given[4]))
    _, bars = run_kernel(parameters, share, given, wanted=True)
    rng = np.random.default_rng(5)
    for n, (array, bar) in enumerate(zip(parameters, bars, strict=True)):
        for place in rng.choice(np.flatnonzero(np.abs(bar).ravel() > 1e-6 * np.abs(bar).max()), 6):
            step = 1e-6 * max(1.0, abs(array.flat[place]))
            sides = []
            for sign in (1, -1):
                moved = [a.copy() for a in parameters]
                moved[n].flat[place] += sign * step
                sides.append(share @ run_kernel(moved, share, given, wanted=False)[0])
            assert bar.flat[place] == pytest.approx((sides[0] - sides[1]) / (2 * step), rel=1e-4, abs=1e-4), (n, place)


def test_a_root_that_nobody_outlives_leaves_derivatives_finite():
    """Sections with a recorded cause of which one root's mechanism has surely taken every one, to the last digit."""
    parameters, given = kernel_case()
    moments, median, shape = parameters[:3]
    labelled = np.flatnonzero(given[4][:, kernelroom.LABEL] >= 0)
    moments[0, labelled], median[0], shape[0] = 0.0, 0.3, 9.0
    moments[0, labelled, :2] = 1.0, -1.0
    sums, bars = run_kernel(parameters, np.ones(len(given[4])), given, wanted=True)
    assert len(labelled)
    assert np.isfinite(sums).all()
    assert all(np.isfinite(bar).all() for bar in bars)


def test_cells_beside_those_that_count_are_nothing():
    """Loops take whole vectors of cells: what a section gets for its neighbours must not show, wherever its cells begin
    and end."""
    parameters, given = kernel_case()
    spans, share = given[4], np.ones(len(given[4]))
    i = int(np.argmax(spans[:, kernelroom.HIGH] - spans[:, kernelroom.LOW]))
    low, high = spans[i, kernelroom.LOW], spans[i, kernelroom.HIGH]

    def weight(first, last):
        cut = spans.copy()
        cut[i, kernelroom.LOW], cut[i, kernelroom.HIGH] = first, last
        return np.exp(run_kernel(parameters, share, [*given[:4], cut, *given[5:]], wanted=False)[0][i])

    middle, ends = (low + high) // 2, range(low + 1, high)
    parts = [weight(low, end) + weight(end, high) for end in ends]
    np.testing.assert_allclose(parts, weight(low, high), rtol=1e-10)
    assert weight(low, middle) != weight(middle, high)


@pytest.mark.parametrize("path", ["power_z", "power_y", "reverse_s"])
def test_the_derivatives_to_raters_agree_with_finite_differences(path):
    """Central differences of the whole density, to each rater's offset and to their spread, and of each reading."""
    density = LogDensity.of(*rated(on_path(path)), settings=GRID)
    x = density.layout.centre + 0.3 * np.random.default_rng(2).standard_normal(density.layout.size)
    _, gradient = density.value_and_gradient(x)
    for name in ("rater_sd", "rater_raw"):
        for i in range(density.layout.size)[density.layout.spans[name]]:
            step = 1e-5 * np.eye(len(x))[i]
            sides = [density.value_and_gradient(x + sign * step)[0] for sign in (1, -1)]
            assert gradient[i] == pytest.approx((sides[0] - sides[1]) / 2e-5, rel=1e-5, abs=1e-5), name
    point, ones = point_of(density, x), np.ones(len(density.sections))
    *_, to_used, to_sided = point.run(wanted=True)[1]
    for n, bar in enumerate((to_used, to_sided)):
        for i in range(0, len(bar), 5):
            sides = []
            for step in (1e-5, -1e-5):
                moved = [offset.copy() for offset in point.offsets]
                moved[n][i] += step
                sides.append(run_kernel(point.kernel, ones, density.given, wanted=False, offsets=moved)[0].sum())
            assert bar[i] == pytest.approx((sides[0] - sides[1]) / 2e-5, rel=1e-5, abs=1e-5)


def test_offsets_of_nought_and_no_raters_are_the_same():
    """To the last digit: values and all other derivatives."""
    parameters, given = kernel_case()
    share, offsets = np.ones(len(given[4])), [np.zeros(len(given[n])) for n in (6, 7)]
    plain, bars = run_kernel(parameters, share, given, wanted=True)
    found, more = run_kernel(parameters, share, given, wanted=True, offsets=offsets)
    np.testing.assert_array_equal(found, plain)
    for bar, same in zip(bars, more, strict=False):
        np.testing.assert_array_equal(bar, same)


def test_sections_do_not_touch_each_other():
    """The derivative of a total with weight 0 elsewhere is that of the section alone."""
    parameters, given = kernel_case()
    count = len(given[4])
    everyone, whole = run_kernel(parameters, np.ones(count), given, wanted=True)
    parts = [run_kernel(parameters, row, given, wanted=True) for row in np.eye(count)]
    for sums, _ in parts:
        np.testing.assert_array_equal(sums, everyone)
    for n, bar in enumerate(whole):
        np.testing.assert_allclose(sum(bars[n] for _, bars in parts), bar, rtol=1e-10, atol=1e-10)


def test_the_order_of_the_sections_does_not_matter():
    r, p = with_everything(count=12), priors(groups=())
    order = np.random.default_rng(4).permutation(12)
    turned = SimpleNamespace(sections=r.sections.isel(section=order), readings=r.readings, condition=r.condition)
    turned.readings = r.readings.assign(
        section_index=("reading", np.argsort(order)[r.readings["section_index"].values])
    )
    turned.readings = turned.readings.isel(reading=np.argsort(turned.readings["section_index"].values, kind="stable"))
    first, second = (compiled(LogDensity.of(x, p, settings=GRID)) for x in (r, turned))
    values = draws_of(build_model(None, p), 1)
    a, total, slopes = first(values)
    b, again, turned_slopes = second(values)
    np.testing.assert_allclose(a[order], b, rtol=1e-12)
    assert total == pytest.approx(again, rel=1e-12)
    for name, slope in slopes.items():
        np.testing.assert_allclose(slope, turned_slopes[name], rtol=1e-9, atol=1e-9)


def test_the_span_of_cells_is_the_mask():
    for r in (with_everything(), records(30, seed=8)):
        data = CellData.of(r, AgeGrid())
        cell = np.arange(data.grid.cells)
        np.testing.assert_array_equal((cell >= data.span[:, :1]) & (cell < data.span[:, 1:]), data.mask == 0.0)


def test_the_prior_density_is_that_of_the_model():
    """Differences between two points and the gradient, for families of every kind, against PyMC."""
    p = slowed()
    model, layout = build_model(None, p), Layout.of(p, {})
    at = [layout.centre + 0.5 * np.random.default_rng(n).standard_normal(layout.size) for n in (1, 2)]
    values = [model.rvs_to_values[v] for v in model.free_RVs]
    total = pt.stack([part.sum() for part in model.logp(sum=False)]).sum()
    plain = pytensor.compile.mode.Mode(linker="py", optimizer=None)
    run = pytensor.function(values, [total, *pytensor.grad(total, values)], mode=plain)
    expected = [run(*(x[layout.spans[v.name]].reshape(v.shape.eval()) for v in model.free_RVs)) for x in at]
    found = [layout.log_prior(x, layout.natural(x)[0]) for x in at]
    assert found[1][0] - found[0][0] == pytest.approx(float(expected[1][0] - expected[0][0]), abs=1e-9)
    for (_, gradient), (_, *slopes) in zip(found, expected, strict=True):
        for variable, slope in zip(model.free_RVs, slopes, strict=True):
            np.testing.assert_allclose(gradient[layout.spans[variable.name]], np.ravel(slope), rtol=1e-9, atol=1e-9)


def test_draws_hold_what_the_model_reports():
    """Every variable and every deterministic quantity of the model, with its dims, at the same values."""
    p = slowed()
    r, _ = rated((with_everything(p), p))
    density, model = LogDensity.of(r, p, settings=GRID), build_model(r, p, settings=GRID)
    x = density.layout.centre + 0.5 * np.random.default_rng(3).standard_normal((2, 1, density.layout.size))
    drawn = density.dataset(x)
    assert set(drawn.data_vars) == {v.name for v in (*model.free_RVs, *model.deterministics)}
    run = pytensor.function(model.free_RVs, model.deterministics, mode=MODE, on_unused_input="ignore")
    found = run(*(drawn[v.name].values[1, 0] for v in model.free_RVs))
    for quantity_, value in zip(model.deterministics, found, strict=True):
        array = drawn[quantity_.name]
        np.testing.assert_allclose(array.values[1, 0], value, rtol=1e-9, err_msg=quantity_.name)
        assert array.dims[2:] == model.named_vars_to_dims.get(quantity_.name, ())
    np.testing.assert_allclose(density.layout.real({n: drawn[n].values for n in density.layout.spans}), x, rtol=1e-9)


@pytest.mark.parametrize(
    ("function", "reference", "at"),
    [
        (vectormath.exp, np.exp, np.linspace(-689.0, 709.0, 4001)),
        (vectormath.expm1, np.expm1, np.concatenate([-np.geomspace(1e-300, 700.0, 2000), np.linspace(-2, 2, 2001)])),
        (vectormath.log, np.log, np.concatenate([np.geomspace(1e-300, 1e300, 2000), np.linspace(0.5, 2.0, 2001)])),
        (vectormath.erfcx, special.erfcx, np.concatenate([np.linspace(0.0, 10.0, 2001), np.geomspace(10, 1e9, 2000)])),
    ],
    ids=["exp", "expm1", "log", "erfcx"],
)
def test_elementary_functions_agree_with_numpy_and_scipy(function, reference, at):
    np.testing.assert_allclose([function(float(x)) for x in at], reference(at), rtol=1e-14, atol=0)


def test_not_a_number_stays_so():
    assert all(np.isnan(f(np.nan)) for f in (vectormath.exp, vectormath.expm1, vectormath.log, vectormath.erfcx))
