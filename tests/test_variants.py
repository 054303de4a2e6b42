"""Other models of the same records: one change each, comparisons as the library makes them, and refused ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import arviz as az
import numpy as np
import pytest
import xarray as xr
from builders import effect, fixed, measure
from recovery import small_priors
from surveyed import records_of

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.condition import Condition
from riskmodel.leaveout import leave_out
from riskmodel.lifesettings import LifeSettings
from riskmodel.model import build_model
from riskmodel.variants import (
    NO_LABELS,
    STUDY,
    Variant,
    compared,
    fitted_records,
    pooled,
    threshold_variant,
    variant_verdict,
    variants_of,
)

PRIORS = small_priors()
RECORDS = records_of(PRIORS, 30, seed=2)
EVERY = {v.name: v for v in variants_of(PRIORS, LifeSettings(), RECORDS)}


def test_each_variant_changes_one_thing() -> None:
    assert list(EVERY) == [
        NO_LABELS, "no_early_mechanisms", "one_early_mechanism", "no_selection", "one_path_exponent", "path_power_y",
        "path_reverse_s", "lognormal_ages",
    ]  # fmt: skip
    assert not EVERY["no_early_mechanisms"].priors.mechanisms
    assert len(EVERY["one_early_mechanism"].priors.mechanisms) == 1
    assert EVERY["lognormal_ages"].settings.age_law == "lognormal"
    selection = [q for m in EVERY["no_selection"].priors.measures for q in m.selection.values()]
    assert {q.distribution.family for q in selection} == {"fixed"}
    assert EVERY["one_path_exponent"].priors.path.kappa_early_ratio.distribution.family == "fixed"
    assert fitted_records(EVERY["path_power_y"], RECORDS).condition.path == "power_y"
    assert not any(v.why_not for v in EVERY.values())


def test_causes_are_withheld_where_models_do_not_share_them() -> None:
    """A label names a cause that the variant may not know: both are then fitted without labels."""
    assert RECORDS.sections["named"].values.any()
    for name, against in ((NO_LABELS, ""), ("no_early_mechanisms", NO_LABELS), ("one_early_mechanism", NO_LABELS)):
        assert EVERY[name].against == against
        blind = fitted_records(EVERY[name], RECORDS).sections
        assert not blind["named"].values.any()
        assert blind.sizes["cause"] == len(EVERY[name].priors.mechanisms) + 1
    assert EVERY["no_selection"].against == STUDY
    assert fitted_records(EVERY["no_selection"], RECORDS) is RECORDS
    bare = replace(RECORDS, sections=RECORDS.sections.assign(named=xr.zeros_like(RECORDS.sections["named"])))
    names = {v.name: v.against for v in variants_of(PRIORS, LifeSettings(), bare)}
    assert NO_LABELS not in names
    assert set(names.values()) == {STUDY}


@pytest.mark.parametrize("name", [n for n in EVERY if n != "lognormal_ages"])
def test_every_variant_is_a_model_of_the_records(name: str) -> None:
    variant = EVERY[name]
    model = build_model(fitted_records(variant, RECORDS), variant.priors, settings=variant.settings)
    assert model.coords["section"] == tuple(RECORDS.sections["section"].values)


def test_pooling_keeps_age_and_effect() -> None:
    """Shares 0.5, 0.35, 0.15 of mechanisms with ln medians ln 5, ln 2.5, ln 1.2; a measure on half, leaving 0.6."""
    p = pooled(PRIORS)
    share, logs = np.array([0.5, 0.35, 0.15]), np.log([5.0, 2.5, 1.2])
    median = p.mechanisms[0].median.distribution
    assert median.parameters[0] == pytest.approx(share @ logs)
    assert median.parameters[1] ** 2 == pytest.approx(share @ (0.18**2 + (logs - share @ logs) ** 2), rel=1e-6)
    left = p.measure("pre_survey").effects[0].ratio.distribution
    low, high = PRIORS.measure("pre_survey").effects[0].ratio.distribution.interval()
    assert left.interval() == pytest.approx((1 - 0.5 * (1 - low), 1 - 0.5 * (1 - high)))
    assert {g.roots for g in p.groups} == {("other",)}
    assert pooled(replace(PRIORS, mechanisms=())).mechanisms == ()


def test_what_is_not_there_is_not_taken_away() -> None:
    plain = replace(PRIORS, measures=(measure("m", [effect(["debonding"])], selection={"workmanship": fixed(0.0)}),))
    found = {v.name: v.why_not for v in variants_of(plain, LifeSettings(), RECORDS)}
    assert found["no_selection"]
    none = {v.name: v.why_not for v in variants_of(replace(PRIORS, mechanisms=()), LifeSettings(), RECORDS)}
    assert all(none[name] for name in ("no_early_mechanisms", "one_early_mechanism", "one_path_exponent"))


@pytest.mark.parametrize(
    ("threshold", "why"),
    [
        (50.0, ""),
        (70.0, ""),
        (40.0, "readings below 40"),
        (60.0, "it is the study's own"),
        (120.0, "it lies off the scale"),
    ],
)
def test_thresholds_compare_the_same_readings_or_nothing(threshold: float, why: str) -> None:
    """At 60 less 20 a reading says only "so low": that level stays, whatever the threshold."""
    variant = threshold_variant(PRIORS, LifeSettings(), RECORDS, threshold)
    assert variant.why_not.startswith(why)
    assert bool(variant.why_not) == bool(why)
    if not why:
        assert variant.threshold - variant.far_below == 40.0


def test_a_threshold_below_the_agencys_own_is_no_comparison() -> None:
    agency = replace(RECORDS, condition=Condition(removal_level=55.0))
    assert "removes sections at 55" in threshold_variant(PRIORS, LifeSettings(), agency, 50.0).why_not
    sections = RECORDS.sections.assign(age_upper=("section", np.full(30, 12.0)))
    stated = replace(RECORDS, sections=sections)
    assert "by its own threshold" in threshold_variant(PRIORS, LifeSettings(), stated, 50.0).why_not


# -------------------------------------------------------------------------------- comparison


def likelihoods(shift: float) -> xr.DataArray:
    rng = np.random.default_rng(1)
    values = -1.0 + shift + 0.3 * rng.standard_normal((1, 1, 60)) + 0.1 * rng.standard_normal((2, 300, 60))
    return xr.DataArray(values, dims=("chain", "draw", "section"), coords={"section": [f"s{i}" for i in range(60)]})


def test_differences_are_those_of_the_library() -> None:
    both = {name: likelihoods(shift) + 0.05 * i * np.arange(60) / 60
            for i, (name, shift) in enumerate({"a": 0.0, "b": 0.1}.items())}  # fmt: skip
    found = compared(*(leave_out(both[name]) for name in ("a", "b")))
    posterior = xr.Dataset({"m": (("chain", "draw"), np.zeros((2, 300)))})
    trees = {name: xr.DataTree.from_dict({"log_likelihood": one.to_dataset(name="y"), "posterior": posterior})
             for name, one in both.items()}  # fmt: skip
    library = az.compare({name: az.loo(tree, reff=1.0) for name, tree in trees.items()}).loc["a"]
    assert abs(found[0]) == pytest.approx(abs(float(library["elpd_diff"])), rel=0.02)
    assert found[1] == pytest.approx(float(library["dse"]), abs=0.006)  # the library rounds


@pytest.mark.parametrize(
    ("difference", "error", "verdict", "words"),
    [
        (20.0, 5.0, "failed", "+20.0"),
        (20.0, 15.0, "passed", "cannot tell"),
        (3.0, 0.5, "passed", "cannot tell"),
        (-20.0, 5.0, "passed", "speak against it"),
    ],
)
def test_a_variant_that_predicts_better_fails_the_study(
    difference: float, error: float, verdict: str, words: str
) -> None:
    found = variant_verdict(EVERY["no_selection"], difference, error, passed_gate=True, distrusted=0)
    assert found.verdict == verdict
    assert words in found.finding
    assert bool(found.what_to_do) == (verdict == "failed")


def test_a_variant_that_fails_its_gate_is_not_compared() -> None:
    found = variant_verdict(EVERY["no_selection"], 20.0, 1.0, passed_gate=False, distrusted=0)
    assert (found.verdict, found.what_to_do) == ("not applicable", "raise `draws` and `tune` under [sampling]")
    yardstick = variant_verdict(EVERY[NO_LABELS], np.nan, np.nan, passed_gate=True, distrusted=0)
    assert yardstick.verdict == "not applicable"


# ------------------------------------------------------------------------------ lognormal ages


def test_lognormal_ages_have_the_median_and_spread_of_weibull_ones() -> None:
    """Against scipy: F of both laws at the median, and the sd of ln age."""
    import pytensor.tensor as pt
    from scipy import stats

    from riskmodel.agelaws import cumulative_hazard

    shape, median = 2.5, 8.0
    age = np.geomspace(0.5, 60.0, 40)
    exponent = pt.as_tensor(shape * np.log(age / median))
    law = stats.lognorm(s=np.pi / np.sqrt(6.0) / shape, scale=median)
    found = cumulative_hazard(exponent, "lognormal").eval(mode="FAST_COMPILE")
    np.testing.assert_allclose(found, -law.logsf(age), rtol=1e-8)
    weibull = stats.weibull_min(shape, scale=median / np.log(2.0) ** (1.0 / shape))
    found = cumulative_hazard(exponent, "weibull").eval(mode="FAST_COMPILE")
    np.testing.assert_allclose(found, -weibull.logsf(age), rtol=1e-10)
    draws = np.log(weibull.rvs(200_000, random_state=1))
    assert draws.std() == pytest.approx(law.kwds["s"], rel=0.01)


def test_lognormal_likelihood_is_a_density_of_the_same_records() -> None:
    """Finite at the starting point, and not that of Weibull ages."""
    import pytensor

    values = []
    for law in ("weibull", "lognormal"):
        model = build_model(RECORDS, PRIORS, settings=LifeSettings(age_law=law))
        point = model.initial_point()
        run = pytensor.function(model.value_vars, model.replace_rvs_by_values([model.riskmodel_per_section])[0],
                                mode="FAST_COMPILE", on_unused_input="ignore")  # fmt: skip
        values.append(run(*(point[v.name] for v in model.value_vars)))
    assert np.isfinite(values[1]).all()
    assert 0.01 < np.abs(values[1] - values[0]).max() < 20.0


# ------------------------------------------------------------------------------------- slow


@pytest.mark.slow
def test_records_with_early_failures_speak_for_them() -> None:
    """Sixty sections of a truth with early mechanisms: wear-out alone predicts them worse, the rest within error."""
    records = records_of(PRIORS, 60, seed=2)
    sampling = Sampling(chains=2, draws=150, tune=200, seed=1, cores=1)

    def left_out(variant: Variant) -> Any:
        found = calibrate(fitted_records(variant, records), variant.priors, settings=variant.settings,
                          sampling=sampling, gate=False)  # fmt: skip
        return leave_out(found.tree["log_likelihood"].to_dataset()["records"])

    every = {v.name: v for v in variants_of(PRIORS, LifeSettings(), records)}
    blind = left_out(every[NO_LABELS])
    difference, error = compared(left_out(every["no_early_mechanisms"]), blind)
    assert difference < -2.0 * error
    difference, error = compared(left_out(every["one_early_mechanism"]), blind)
    assert abs(difference) < 4.0 * error + 4.0
