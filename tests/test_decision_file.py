"""The tables on money in study.toml: what arrives, and every fault with its place and remedy."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import pytest

from riskmodel.errors import StudyError
from riskmodel.policy import Level, Policy, Survey
from riskmodel.study import Study, read_study

LEAST = """
[decision]
price_year = 2024
reconstruction_life = { p05 = 20, p50 = 30, p95 = 45 }
reconstruction_shape = 3.5
"""


def study_of(folder: Path, text: str) -> Study:
    (folder / "study.toml").write_text(f"schema = 1\n{text}", encoding="utf-8")
    return read_study(folder)


def policy_of(folder: Path, text: str) -> Policy:
    policy = study_of(folder, text).policy
    assert policy is not None
    return policy


def test_without_the_table_nothing_is_weighed(tmp_path: Path) -> None:
    study = study_of(tmp_path, "")
    assert study.policy is None
    assert study.settings["decision"] is None


def test_the_least_that_is_needed(tmp_path: Path) -> None:
    policy = policy_of(tmp_path, LEAST)
    assert policy == Policy(reconstruction_life=(20.0, 30.0, 45.0), reconstruction_shape=3.5)


def test_the_horizon_is_that_of_life_unless_stated(tmp_path: Path) -> None:
    assert policy_of(tmp_path, LEAST + "[life]\nhorizon = 50\n").horizon == 50
    assert policy_of(tmp_path, LEAST + "horizon = 40\n[life]\nhorizon = 50\n").horizon == 40


def test_every_statement_arrives_in_si(tmp_path: Path) -> None:
    text = (
        LEAST
        + """
    analysis_period = 40
    analysis_periods = [30, 40]
    discount_rate = 0.02
    discount_rates = [0.02, 0.05]
    early_ages = [5]
    price_index = { 2019 = 1.2 }
    follow_up = "patch_then_reconstruct"
    patch_interval = 3
    patch_until = 15
    patch_share = 0.1
    overlay = ["a"]
    reconstruction = ["b"]
    patch = ["c"]
    user_delay = ["d"]
    disposal = ["e"]
    material = ["f"]
    measure_costs = { fabric = ["g"] }
    replaces = { fabric = ["h"] }
    numbers = { core = 4 }
    lane_width_ft = 10
    typical_area_yd2 = 1000
    typical_thickness_in = 5
    budget = 1000000
    willingness = [10, 20]
    [decision.survey]
    found_bad = 0.2
    false_alarm = 0.1
    rejected = 0.3
    repair = ["i"]
    [[decision.level]]
    measure = "fabric"
    name = "light"
    effect = 0.5
    cost = "j"
    number = 2
    [[decision.level]]
    measure = "fabric"
    name = "reckoned"
    from = "physics"
    inputs = { friction = 1.2 }
    cost_factor = 1
    [[decision.level]]
    measure = "fabric"
    name = "heavy"
    effect = 1.2
    cost_factor = 1.5
    """
    )
    policy = policy_of(tmp_path, text)
    assert (policy.analysis_period, policy.analysis_periods) == (40, (30,))
    assert (policy.discount_rate, policy.discount_rates) == (0.02, (0.05,))
    assert policy.lane_width == pytest.approx(3.048)
    assert policy.typical_area == pytest.approx(836.12736)
    assert policy.typical_thickness == pytest.approx(0.127)
    assert policy.survey == Survey("pre_survey", 0.2, 0.1, 0.3, ("i",))
    assert policy.survey.alarms == pytest.approx(0.28)
    assert policy.levels == (
        Level("fabric", "light", 0.5, None, "j", 2.0),
        Level("fabric", "reckoned", None, 1.0, origin="physics", inputs={"friction": 1.2}),
        Level("fabric", "heavy", 1.2, 1.5),
    )
    changed = {f.name for f in fields(policy) if getattr(policy, f.name) != f.default}
    assert changed >= {"price_index", "follow_up", "measure_costs", "replaces", "numbers", "budget", "willingness"}
    settings = study_of(tmp_path, text).settings["decision"]
    assert json.loads(json.dumps(settings))["survey"]["repair"] == ["i"]


def test_a_nominal_rate_becomes_a_real_one(tmp_path: Path) -> None:
    policy = policy_of(tmp_path, LEAST + "nominal_rate = 0.0712\ninflation = 0.04\n")
    assert policy.discount_rate == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            LEAST + "discount_rate = 0.03\nnominal_rate = 0.05\ninflation = 0.02",
            "two discount rates are stated",
        ),
        (LEAST + "nominal_rate = 0.05", "a nominal rate goes with inflation"),
        (LEAST + "nominal_rate = 0.01\ninflation = 0.05", "the real discount rate is not below 0"),
        (LEAST + "discount_rat = 0.03", "`decision.discount_rat`: the key is not known.*Write discount_rate"),
        (LEAST + "discount_rate = 3", "`decision.discount_rate`: a number from 0 to 0.25"),
        (LEAST + 'follow_up = "overlay"', "one of overlay_again, reconstruct, patch_then_reconstruct"),
        (LEAST + "budget = -1", "`decision.budget`: a number from 0"),
        (LEAST + "price_index = { last = 1.2 }", "an index is stated by year; got 'last'"),
        (LEAST.replace("p05 = 20", "p05 = 40"), "p05, p50 and p95 that do not fall"),
        (LEAST.replace("p05 = 20, ", ""), "p05, p50 and p95"),
        ("[decision]\n", "`decision.reconstruction_life`: a decision needs it.*`decision.price_year`"),
        ("decision = 3", "`decision`: a table is expected"),
        (
            LEAST + "[decision.survey]\nfound_bad = 0.1",
            "survey.repair`: a survey's consequences are all stated",
        ),
        (
            LEAST + "[decision.survey]\nfound_bd = 0.1",
            "survey.found_bd`: the key is not known.*Write found_bad",
        ),
        (LEAST + "[decision.level]\nname = 'x'", "levels stand in double brackets"),
        (LEAST + "[[decision.level]]\nmeasure = 'x'\nname = 'y'\neffect = 1", "one of cost_factor and cost"),
        (
            LEAST + "[[decision.level]]\nmeasure = 'x'\nname = 'y'\nfrom = 'physics'\ncost = 'z'",
            "decision.level 1.inputs`: a level from mechanics states the inputs",
        ),
        (
            LEAST + "[[decision.level]]\nmeasure = 'x'\nname = 'y'\neffect = 1\ninputs = { a = 1 }\ncost = 'z'",
            "decision.level 1.inputs`: a level from mechanics states the inputs",
        ),
        (LEAST + "[[decision.level]]\nname = 'y'\neffect = 1\ncost = 'z'", "decision.level 1.measure`: a level has"),
    ],
)
def test_faults_are_named(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(StudyError, match=f"(?s){match}"):
        study_of(tmp_path, text)
