"""Effects from mechanics: reference runs, plain Monte Carlo, textbook laws of pools and tails, and the demo's table."""

from __future__ import annotations

import dataclasses
import importlib.util
import math
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants, stats
from scipy.special import logit

from riskmodel.distribution import Distribution
from riskmodel.errors import PriorError
from riskmodel.measures import Portfolio, deltas_of, in_play
from riskmodel.physicalpriors import (
    LEAST_SD,
    as_odds_ratio,
    compare_effects,
    physical_ratio,
    pooled_ratio,
    raw_change,
    tail_area,
)
from riskmodel.physics import fatigue, survey
from riskmodel.preview import preview
from riskmodel.priors import PhysicalInputs, PriorSet, Quantity, default_directory, load_priors
from riskmodel.study import read_study
from riskmodel.submodels import SUBMODELS

PRIORS = load_priors()
DEMO = Path(__file__).resolve().parent.parent / "studies" / "skelderay"
FIVE = (
    ("pre_survey", 1),
    ("separation_fabric", 1),
    ("prompt_sawing", 1),
    ("internal_curing", 1),
    ("internal_curing", 2),
)


def stated(measure: str, number: int) -> PhysicalInputs:
    physics = PRIORS.measure(measure).effects[number - 1].physics
    assert physics is not None
    return physics


def fixed(physics: PhysicalInputs, **values: float) -> PhysicalInputs:
    """The inputs held at their medians, or at the values given."""
    assert set(values) <= set(physics.inputs)
    held = {
        name: dataclasses.replace(q, distribution=Distribution("fixed", (values.get(name, q.distribution.median),)))
        for name, q in physics.inputs.items()
    }
    return dataclasses.replace(physics, inputs=held)


def switched(measure: str, number: int, **keys: Any) -> PriorSet:
    return load_priors(overrides={"measure": {measure: {"effect": {str(number): keys}}}})


# --------------------------------------------------------------------------------- sub-models


@pytest.mark.parametrize(("cores", "expected"), [(5, -0.21), (10, -0.34), (20, -0.48), (40, -0.60), (80, -0.70)])
def test_the_survey_s_reference_run(cores, expected):
    # 5 lane-miles, 1 to 16 cores on each, against none: the equations worked once by hand
    run = fixed(
        stated("pre_survey", 1), cores_with=cores, cores_without=0, prevalence=0.10, clustering=0.10, sensitivity=0.85,
        hidden=0.40, untreated=0.35, treated=0.12, sound=0.06,
    )  # fmt: skip
    assert raw_change(run, draws=3) == pytest.approx([expected] * 3, abs=0.006)


@pytest.mark.parametrize(("lock_up", "expected"), [(0.10, -2.20 - 1.39), (0.03, -3.48 - 1.39)])
def test_the_separation_s_reference_run(lock_up, expected):
    # 15 ft of old slab, 40 F, 3.5e6 psi, 400 psi, gauge length 24 in, against lock-up of 0.80: worked once by hand
    psi = constants.psi / 1e6
    run = fixed(
        stated("separation_fabric", 1), lock_up_with=lock_up, lock_up_without=0.80, slab_length=15 * constants.foot,
        temperature_drop=40 / 1.8, expansion=9.9e-6, restraint=0.65, modulus=3.5e6 * psi, strength=400 * psi,
        overlay_length=15 * constants.foot, friction=1.5, gauge_length=24 * constants.inch, relaxation=0.5,
    )  # fmt: skip
    assert raw_change(run, draws=2) == pytest.approx([expected] * 2, abs=0.02)


def test_warping_s_reference_run_and_the_law_is_drawn():
    # w/c 0.42, 335 kg/m3, 120 kg of aggregate: life x 1.40 by the power law, worked once by hand
    run = fixed(
        stated("internal_curing", 2), aggregate=120, cementitious=335, w_cm=0.42, absorption=0.18, desorption=0.9,
        saturation=1.0, strength=38, expansion=1e-5, warping=6.4, stress_ratio=0.54, curling=0.30, warping_share=0.25,
        exponent=1.0,
    )  # fmt: skip
    lives = np.unique(np.round(np.exp(-raw_change(run, draws=300)), 6))
    assert lives.size == len(fatigue.LAWS)
    assert np.abs(lives - 1.40).min() < 0.03
    assert (lives > 1).all()


def test_odds_of_a_cracked_slab_go_with_damage_to_the_power_of_the_published_curve():
    """Share cracked = 1 / (1 + FD^-1.98), NCHRP 1-37A 2004 (from memory): a life m times as long moves its log-odds."""
    damage, longer = np.array([0.2, 1.0, 3.0]), 1.4
    change = logit(fatigue.share_cracked(damage / longer)) - logit(fatigue.share_cracked(damage))
    np.testing.assert_allclose(change, -1.98 * math.log(longer), rtol=1e-9)
    assert stated("internal_curing", 2).inputs["exponent"].distribution.median == pytest.approx(1.98)


@settings(max_examples=15, deadline=None)
@given(st.floats(1, 6), st.floats(0.5, 12))
def test_a_sooner_cut_never_cracks_more(sooner, later):
    run = fixed(stated("prompt_sawing", 1), delay_with=sooner, delay_without=sooner + later)
    assert raw_change(run, draws=1)[0] <= 1e-9


@settings(max_examples=15, deadline=None)
@given(st.floats(0, 1), st.floats(2, 20))
def test_curing_water_never_cracks_more_and_none_changes_nothing(supplied, delay):
    run = fixed(stated("internal_curing", 1), supplied=supplied, delay=delay)
    assert raw_change(run, draws=1)[0] <= 1e-9
    assert raw_change(fixed(stated("internal_curing", 1), supplied=0.0, delay=delay), draws=1)[0] == 0.0


def test_a_fabric_that_locks_up_like_the_asphalt_brings_nothing():
    run = fixed(stated("separation_fabric", 1), lock_up_with=0.12, lock_up_without=0.12)
    assert raw_change(run, draws=1)[0] == 0.0


# ------------------------------------------------------------------------ Monte Carlo and modesty


def test_the_physical_ratio_is_plain_monte_carlo_shrunk_and_widened():
    """The same inputs drawn by scipy.stats; mean within four standard errors of both runs."""
    physics, rng, size = stated("pre_survey", 1), np.random.default_rng(11), 20_000
    law = {
        "normal": lambda m, s: stats.norm(m, s),
        "lognormal": lambda m, s: stats.lognorm(s, scale=math.exp(m)),
        "beta": stats.beta,
    }
    x = {
        name: law[q.distribution.family](*q.distribution.parameters).rvs(size, random_state=rng)
        for name, q in physics.inputs.items()
    }
    rest = {name: value for name, value in x.items() if not name.startswith("cores")}
    change = (
        survey.pre_survey_effect(x["cores_with"].round(), **rest).log_odds
        - survey.pre_survey_effect(x["cores_without"].round(), **rest).log_odds
    )
    mu, sigma = physical_ratio(physics).parameters
    error = change.std() * math.sqrt(1 / size + 1 / SUBMODELS["pre_survey"].draws)
    assert mu * physics.shrink == pytest.approx(change.mean(), abs=4 * error)
    assert sigma == LEAST_SD > change.std() / physics.shrink


@pytest.mark.parametrize(("measure", "number"), FIVE)
def test_draws_are_seeded_finite_and_helpful_on_average(measure, number):
    physics = stated(measure, number)
    change = raw_change(physics)
    assert np.isfinite(change).all()
    assert change.mean() < 0
    np.testing.assert_array_equal(change, raw_change(physics))
    other = raw_change(physics, seed=5)
    error = math.sqrt((change.var() + other.var()) / change.size)
    assert other.mean() != change.mean()
    assert other.mean() == pytest.approx(change.mean(), abs=4.5 * error)
    mu, sigma = physical_ratio(physics).parameters
    assert (mu, sigma) == pytest.approx(
        (change.mean() / physics.shrink, max(change.std() / physics.shrink, LEAST_SD)), rel=1e-12
    )


def test_a_wide_sub_model_keeps_its_own_spread():
    wide = dataclasses.replace(stated("separation_fabric", 1), shrink=1.0)
    assert physical_ratio(wide).parameters[1] == pytest.approx(raw_change(wide).std())
    assert raw_change(wide).std() > LEAST_SD


# ----------------------------------------------------------------------- comparing and pooling


def test_a_risk_ratio_as_odds_by_hand():
    # 20 % fail; half of them still do: 0.1 / 0.9 over 0.2 / 0.8
    got = as_odds_ratio(Distribution("fixed", (0.5,)), "risk_ratio", 0.2)
    assert got.parameters == pytest.approx(((0.1 / 0.9) / (0.2 / 0.8),))
    spread = as_odds_ratio(Distribution("lognormal", (math.log(0.6), 0.2)), "risk_ratio", 0.1)
    r = stats.lognorm(0.2, scale=0.6).ppf([0.05, 0.5, 0.95])
    np.testing.assert_allclose(spread.ppf([0.05, 0.5, 0.95]), r * 0.9 / (1 - 0.1 * r), rtol=0.01)
    same = Distribution("lognormal", (-0.3, 0.4))
    assert as_odds_ratio(same, "odds_ratio", 0.3) is same


@settings(max_examples=30)
@given(st.floats(-2, 2), st.floats(0.1, 1.5), st.floats(-2, 2), st.floats(0.1, 1.5))
def test_tail_area_of_normal_logs_is_the_closed_form(m1, s1, m2, s2):
    expected = 2 * stats.norm.sf(abs(m1 - m2) / math.hypot(s1, s2))
    got = tail_area(Distribution("lognormal", (m1, s1)), Distribution("lognormal", (m2, s2)))
    assert got == pytest.approx(expected, abs=2e-3)


def test_a_conflict_is_found_and_agreement_is_not():
    far, near = Distribution("lognormal", (math.log(0.2), 0.1)), Distribution("lognormal", (math.log(1.5), 0.2))
    assert tail_area(far, near) < 1e-3
    assert tail_area(far, far) == pytest.approx(1.0, abs=1e-3)


def test_a_linear_pool_is_the_mixture_of_both():
    one, other, weight = Distribution("lognormal", (-0.6, 0.3)), Distribution("lognormal", (-0.4, 0.7)), 0.3
    pooled = pooled_ratio(one, other, weight=weight, method="linear")
    low, middle, high = pooled.ppf([0.05, 0.5, 0.95])
    first, second = stats.lognorm(0.3, scale=math.exp(-0.6)), stats.lognorm(0.7, scale=math.exp(-0.4))
    mixture = [(1 - weight) * first.cdf(x) + weight * second.cdf(x) for x in (low, middle, high)]
    np.testing.assert_allclose(mixture, [0.05, 0.5, 0.95], atol=0.012)  # nearest of the families


def test_a_logarithmic_pool_of_normal_logs_adds_precisions():
    one, other, weight = (-0.6, 0.3), (-0.4, 0.7), 0.5
    precision = [(1 - weight) / one[1] ** 2, weight / other[1] ** 2]
    mean = (precision[0] * one[0] + precision[1] * other[0]) / sum(precision)
    pooled = pooled_ratio(
        Distribution("lognormal", one), Distribution("lognormal", other), weight=weight, method="logarithmic"
    )
    expected = stats.lognorm(sum(precision) ** -0.5, scale=math.exp(mean)).ppf([0.05, 0.5, 0.95])
    np.testing.assert_allclose(pooled.ppf([0.05, 0.5, 0.95]), expected, rtol=0.01)


def test_every_effect_with_both_priors_is_compared():
    compared = compare_effects(PRIORS)
    assert tuple((c.measure, c.number) for c in compared) == FIVE
    for found in compared:
        assert found.origin == "elicited"
        assert list(found.elicited) == sorted(found.elicited)
        assert found.physical == pytest.approx(
            physical_ratio(stated(found.measure, found.number)).ppf([0.05, 0.5, 0.95])
        )
        assert not found.conflict


# -------------------------------------------------------------------------------- prior files


def test_a_study_takes_the_physical_prior_of_one_effect():
    changed = switched("prompt_sawing", 1, **{"from": "physics"})
    effect = changed.measure("prompt_sawing").effects[0]
    assert (effect.origin, effect.scale, effect.ratio.unit) == ("physics", "odds_ratio", "odds ratio")
    assert effect.ratio.distribution == physical_ratio(stated("prompt_sawing", 1))
    assert effect.ratio.status == "judgement"  # as its weakest input
    assert "prompt_sawing" in effect.ratio.rationale
    assert effect.elicited == PRIORS.measure("prompt_sawing").effects[0].ratio
    for measure in ("pre_survey", "separation_fabric", "internal_curing"):
        assert changed.measure(measure) == PRIORS.measure(measure)
    keys = {q.key for q in changed.quantities()}
    assert {"measure.prompt_sawing.effect.1.physics", "measure.prompt_sawing.effect.1.ratio"} <= keys


def test_an_effect_may_rest_on_mechanics_alone(tmp_path):
    shutil.copytree(default_directory(), tmp_path / "priors")
    file = tmp_path / "priors" / "measures.toml"
    before, after = file.read_text(encoding="utf-8").split("[[measure.prompt_sawing.effect]]")
    ratio = after.index("[measure.prompt_sawing.effect.ratio]")
    after = after[:ratio] + after[after.index("[measure.prompt_sawing.effect.inputs]") :]
    after = after.replace("risk_ratio", "odds_ratio", 1).replace('"elicited"', '"physics"', 1)
    file.write_text(f"{before}[[measure.prompt_sawing.effect]]{after}", encoding="utf-8")
    alone = load_priors(tmp_path / "priors")
    effect = alone.measure("prompt_sawing").effects[0]
    assert (effect.elicited, effect.scale) == (None, "odds_ratio")
    assert effect.ratio.distribution == physical_ratio(stated("prompt_sawing", 1))
    assert "prompt_sawing" not in [c.measure for c in compare_effects(alone)]  # nothing to compare it with


def test_pooling_lies_between_both_priors_and_names_them():
    pooled = switched("prompt_sawing", 1, **{"from": "pooled", "pooling": "logarithmic", "weight": 0.4})
    effect = pooled.measure("prompt_sawing").effects[0]
    both = compare_effects(PRIORS)[2]
    low, high = sorted((both.elicited[1], both.physical[1]))
    assert low <= effect.ratio.distribution.median <= high
    assert effect.scale == "odds_ratio"
    assert "logarithmic, weight 0.4" in effect.ratio.rationale


def test_the_model_takes_a_physical_effect_as_it_is():
    """On odds the lowering of the log-odds is minus the log of the ratio."""
    from riskmodel.baseline import Baseline, delta_distributions

    changed = switched("prompt_sawing", 1, **{"from": "physics"})
    baseline = Baseline.of(changed, 10.0)
    weight = np.full(len(changed.types), 1 / len(changed.types))
    place = [d.name for d in deltas_of(changed)].index("prompt_sawing on random_cracking")
    mu, sigma = physical_ratio(stated("prompt_sawing", 1)).parameters
    got = delta_distributions(changed, baseline, weight)[place]
    np.testing.assert_allclose(got.ppf([0.05, 0.5, 0.95]), stats.norm(-mu, sigma).ppf([0.05, 0.5, 0.95]), atol=1e-6)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"9": {"from": "physics"}}, "`measure.prompt_sawing.effect.9`: no entry has that number. Known: 1."),
        ({"first": {"from": "physics"}}, "`measure.prompt_sawing.effect.first`: no entry has that number."),
        ({"1": {"form": "physics"}}, "`measure.prompt_sawing.effect.1.form`: the key is not known here. Did you mean"),
        ({"1": {"from": "lab"}}, "`measure.prompt_sawing.effect.1.from`: one of elicited, physics, pooled is expected"),
        ({"1": "physics"}, "`measure.prompt_sawing.effect.1`: a table of changes is expected; got 'physics'."),
    ],
)  # fmt: skip
def test_overrides_of_an_entry_that_fit_nothing(change, message):
    with pytest.raises(PriorError, match=re.escape(f"[priors.override], {message}")):
        load_priors(overrides={"measure": {"prompt_sawing": {"effect": change}}})


def test_an_input_of_one_s_own_moves_the_prior():
    later = {"distribution": "lognormal", "parameters": {"median": 15.0, "sigma": 0.1}, "unit": "h"}
    later |= {"status": "elicited", "source": "our own night crews"}
    changed = switched("prompt_sawing", 1, **{"from": "physics", "inputs": {"delay_without": later}})
    assert (
        changed.measure("prompt_sawing").effects[0].ratio.distribution.median
        < physical_ratio(stated("prompt_sawing", 1)).median
    )


def test_a_conflict_shows_in_the_comparison():
    ratio = {"distribution": "lognormal", "parameters": {"median": 6.0, "sigma": 0.1}, "unit": "risk ratio"}
    ratio |= {"status": "elicited", "source": "a contrary expert, invented"}
    found = compare_effects(switched("prompt_sawing", 1, ratio=ratio))[2]
    assert found.conflict
    assert found.tail_area < 0.05


# --------------------------------------------------------------------------- measures in play


def records_of(**required: float) -> xr.Dataset:
    names = [m.name for m in PRIORS.measures]
    cells = np.full((2, len(names)), np.nan)
    for name, value in required.items():
        cells[0, names.index(name)] = value
    return xr.Dataset({"required": (("section", "measure"), cells)}, coords={"section": ["a", "b"], "measure": names})


def test_a_measure_nobody_speaks_of_is_not_in_play():
    asked = (Portfolio("fibres", ("fibres",)),)
    play = in_play(PRIORS, asked, [records_of(drainage=1.0, joint_layout=0.0)])
    assert [m.name for m in play.measures] == ["drainage", "fibres", "joint_layout"]
    assert in_play(PRIORS, (), []).measures == ()
    assert dataclasses.replace(play, measures=PRIORS.measures) == PRIORS


# ----------------------------------------------------------------------------------- the demo


def script() -> Any:
    spec = importlib.util.spec_from_file_location("compare_effects", DEMO / "compare_effects.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_demo_s_readme_holds_the_script_s_table():
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    table = readme.split("<!-- effects -->\n")[1].split("\n<!-- end of effects -->")[0]
    assert table == script().effects_table(PRIORS)


def test_the_demo_s_second_study_differs_in_the_effects_alone():
    first, second = read_study(DEMO / "study.toml"), read_study(DEMO / "elicited.toml")
    assert {k: v for k, v in second.settings.items() if k != "overrides"} == {
        k: v for k, v in first.settings.items() if k != "overrides"
    }
    assert second.identity != first.identity  # results of the one never pass for the other's
    physical, elicited = (load_priors(study.priors, study.overrides) for study in (first, second))
    origins = {(m.name, n): e.origin for m in physical.measures for n, e in enumerate(m.effects, start=1)}
    assert tuple(key for key, origin in origins.items() if origin == "physics") == FIVE
    assert {e.origin for m in elicited.measures for e in m.effects} == {"elicited"}


def test_check_shows_both_priors_and_what_is_left_out(tmp_path):
    text = """
    schema = 1
    [portfolios]
    measures = ["prompt_sawing", "fibres"]
    [priors.override.measure.prompt_sawing.effect.1.ratio]
    distribution = "lognormal"
    parameters = { median = 6.0, sigma = 0.1 }
    unit = "risk ratio"
    status = "elicited"
    source = "a contrary expert, invented"
    """
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    said = " ".join(preview(read_study(tmp_path)).split())
    assert "mechanics (prompt_sawing): odds multiplied by 0.12 to 1.87" in said
    assert "THEY CONFLICT (tail area" in said
    assert "Left out, since no table records them and no portfolio names them: pre_survey, separation_fabric," in said
    assert "fibres (done as intended" in said


def test_no_change_is_larger_than_the_limits_of_a_chance_allow():
    """The sub-models hold chances inside 1e-4 to 1 - 1e-4, so that no change exceeds twice their log-odds."""
    most = 2 * logit(1 - 1e-4)
    run = fixed(stated("prompt_sawing", 1), delay_with=0.0, delay_without=24.0)
    change = raw_change(run, draws=1)[0]
    assert -most <= change < -2


def test_a_quantity_of_mechanics_is_a_quantity_like_any_other():
    ratio = switched("separation_fabric", 1, **{"from": "physics"}).measure("separation_fabric").effects[0].ratio
    assert isinstance(ratio, Quantity)
    low, high = stats.lognorm(
        ratio.distribution.parameters[1], scale=math.exp(ratio.distribution.parameters[0])
    ).interval(0.9)
    assert ratio.interval_90 == pytest.approx((low, high))
