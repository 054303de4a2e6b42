"""Levels whose effects come from mechanics: cores of a survey, water in the sand; faults before anything runs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from money_cases import case, policy
from runs import FEW, said, write_study
from test_weighing import MONEY

from riskmodel.decide import decide
from riskmodel.errors import StudyError
from riskmodel.levels import levels_table, parts_of, scaled_effect, validate_levels
from riskmodel.lives import Draws
from riskmodel.measures import all_portfolios, deltas_of
from riskmodel.physicalpriors import raw_change
from riskmodel.physics import survey
from riskmodel.policy import PHYSICS, Level
from riskmodel.priors import Measure, load_priors

PRIORS = load_priors()
MEASURES = {m.name: m for m in PRIORS.measures}


def cores(number: float, *, usual: float = 0.0, effect: float | None = 0.5) -> Level:
    inputs = {"cores_with": number, "cores_without": usual}
    return Level("pre_survey", f"{number:g} cores", effect, 1.0, origin=PHYSICS, inputs=inputs)


def water(supplied: float, aggregate: float) -> Level:
    inputs = {"supplied": supplied, "aggregate": aggregate}
    return Level("internal_curing", f"{supplied:g}", 0.5, 1.0, origin=PHYSICS, inputs=inputs)


def test_more_cores_do_more_and_ever_less_more() -> None:
    """Detection saturates: each core of 0, 10, 20, 40, 80 on five lane-miles brings less than the ones before it."""
    numbers = np.array([0.0, 10.0, 20.0, 40.0, 80.0])
    found = np.array([parts_of(cores(n), MEASURES["pre_survey"]).effects[0] for n in numbers])
    assert found[0] == 0.0
    each = np.diff(found) / np.diff(numbers)
    assert (each > 0).all()
    assert (np.diff(each) < 0).all()
    # the effect that mechanics do not know has the part that the study states
    assert parts_of(cores(10), MEASURES["pre_survey"]).effects[1] == 0.5


def test_the_part_is_that_of_the_survey_s_own_equations() -> None:
    """At fixed inputs the change of the log-odds is `pre_survey_effect`'s, reckoned here without the prior files."""
    physics = MEASURES["pre_survey"].effects[0].physics
    assert physics is not None
    at = {name: q.distribution.mean for name, q in physics.inputs.items()}
    fixed = {
        name: replace(q, distribution=type(q.distribution)("fixed", (at[name],))) for name, q in physics.inputs.items()
    }
    measure = replace(
        MEASURES["pre_survey"],
        effects=(replace(MEASURES["pre_survey"].effects[0], physics=replace(physics, inputs=fixed)),),
    )
    shared = {name: value for name, value in at.items() if not name.startswith("cores_")}

    def change(more: float, usual: float) -> float:
        with_them, without = (survey.pre_survey_effect(np.rint(n), **shared).log_odds for n in (more, usual))
        return float(with_them - without)

    part = parts_of(cores(16, usual=4), measure)
    assert part.main == pytest.approx(change(16, 4) / change(at["cores_with"], at["cores_without"]))


def test_as_many_cores_as_usual_change_nothing_on_average() -> None:
    physics = MEASURES["pre_survey"].effects[0].physics
    assert physics is not None
    whole = raw_change(physics).mean()
    half = replace(physics, inputs={**physics.inputs, "cores_with": physics.inputs["cores_without"]})
    # other random numbers for the same law: no change on average
    assert abs(raw_change(half).mean()) < 0.05 * abs(whole)


def test_more_curing_water_does_more() -> None:
    found = [parts_of(water(s, 300 * s), MEASURES["internal_curing"]) for s in (0.0, 0.25, 0.5, 0.75, 1.0)]
    for effect in (0, 1):
        parts = [p.effects[effect] for p in found]
        assert parts[0] == pytest.approx(0.0, abs=1e-9)
        assert parts == sorted(parts)
        assert parts[-1] > 0.5
    assert {p.effects[2] for p in found} == {0.5}


def test_parts_scale_each_effect_of_every_draw() -> None:
    """Effects of other measures stay; one of mechanics and one that the study states are scaled apart."""
    c = case(draws=20)
    priors = replace(c.priors, measures=tuple(MEASURES[n] for n in ("prompt_sawing", "pre_survey")))
    deltas = deltas_of(replace(priors, mechanisms=PRIORS.mechanisms, types=PRIORS.types))
    values = {"delta": np.ones((4, len(deltas))), "time_ratio": np.full((4, 2), 2.0)}
    parts = parts_of(cores(20), MEASURES["pre_survey"])
    whole = replace(priors, mechanisms=PRIORS.mechanisms, types=PRIORS.types)
    found = scaled_effect(Draws(values, {}, 4), whole, "pre_survey", parts)
    for d, column in zip(deltas, found["delta"].T, strict=True):
        expected = 1.0
        if d.name.startswith("pre_survey"):
            expected = 0.5 if d.name.endswith("old_slab_distress") else parts.effects[0]
        assert column == pytest.approx(expected), d.name
    np.testing.assert_allclose(found["time_ratio"], [[2.0, 2.0**0.5]] * 4)


def test_levels_of_a_survey_in_the_table() -> None:
    """The measure's effect here is one that mechanics know: no cores gain nothing, more cores gain more."""
    c = case(draws=60)
    physics = MEASURES["pre_survey"].effects[0].physics
    measures = tuple(_with_physics(m, physics) if m.name == "pre_survey" else m for m in c.priors.measures)
    c.priors = replace(c.priors, measures=measures)
    levels = tuple(replace(cores(n), cost_factor=n / 50, effect=0.0) for n in (0.0, 10.0, 50.0))
    decision = decide(c.posterior, c.programme, c.priors, portfolios=all_portfolios(("pre_survey",)), seed=7,
                      policy=policy(levels=levels))  # fmt: skip
    table = levels_table(decision, c.posterior).set_index("level")
    assert list(table["effect_from"]) == ["", *[PHYSICS] * 3]
    np.testing.assert_allclose(table.loc["0 cores", "extra_first_cost":"averted_per_100"].astype(float), 0.0, atol=0.1)
    assert table.loc["0 cores", "effect"] == 0.0
    assert table["averted_per_100"].iloc[1:].is_monotonic_increasing
    assert table["averted_per_100"].iloc[-1] > 0
    assert table.loc["10 cores", "effect"] == pytest.approx(parts_of(cores(10), MEASURES["pre_survey"]).main)


def _with_physics(measure: Measure, physics: object) -> Measure:
    effects = tuple(replace(e, physics=physics) if i == 0 else e for i, e in enumerate(measure.effects))
    return replace(measure, effects=effects)


@pytest.mark.parametrize(
    ("level", "match"),
    [
        (replace(cores(5), inputs={"core_with": 5.0}), "no such input; got 'core_with'. Write cores_with"),
        (replace(cores(5), inputs={"cores_with": 5000.0}), "`cores_with` lies from 0 to 1000 number; got '5000'"),
        (cores(5, effect=None), "nothing of the measure's effect on old_slab_distress"),
        (
            Level("fibres", "few", 0.5, 1.0, origin=PHYSICS, inputs={"a": 1.0}),
            "mechanics know no effect of the measure",
        ),
    ],
)
def test_faults_name_the_level(level: Level, match: str) -> None:
    with pytest.raises(StudyError, match=match):
        validate_levels(policy(levels=(level,)), PRIORS)
    validate_levels(policy(levels=(cores(5), water(0.5, 100.0))), PRIORS)


def test_a_study_names_its_level_before_anything_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    level = (
        '[[decision.level]]\nmeasure = "prompt_sawing"\nname = "at once"\nfrom = "physics"\n'
        "inputs = { delay_wth = 1 }\ncost_factor = 1\n"
    )
    folder = write_study(tmp_path / "s", FEW + MONEY + level)
    for name in ("check", "run"):
        status, _, err = said(capsys, name, folder)
        assert status == 2
        assert "`decision.level at once.inputs`" in err
        assert "Write delay_with" in err
    assert not (folder / "results").exists()
