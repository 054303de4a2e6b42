"""Removals of groups and statistics of records, against simulated ones: right at the truth, told where it is not."""

from __future__ import annotations

from functools import partial
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from knowntruth import PRIORS, SECTIONS, records_of_truth, truth_times

from riskmodel.condition import Condition
from riskmodel.groupfit import GroupFit, fit_by_group, incidence_at
from riskmodel.lifetable import cumulative_incidence, survival_at
from riskmodel.predicted import predicted_table, statistics_of
from riskmodel.priordraws import prior_draws
from riskmodel.replicas import draw_replicas
from riskmodel.trustchecks import group_verdicts, predicted_verdicts, threshold_verdicts

SAMPLES = 250


posterior = partial(truth_times, SAMPLES)


@pytest.fixture(scope="module")
def records() -> SimpleNamespace:
    made = records_of_truth()
    names = np.array([f"d{i % 3}" for i in range(SECTIONS)])
    made.sections["district"] = ("section", names)
    return made


def fitted(records: Any, **factors: float) -> Any:
    drawn = posterior(**factors)
    return fit_by_group(drawn, records, PRIORS, draw_replicas(drawn, records, PRIORS, seed=5, samples=SAMPLES), seed=5)


def with_sections(records: Any, sections: xr.Dataset) -> SimpleNamespace:
    return SimpleNamespace(**{**vars(records), "sections": sections})


def verdicts(fit: Any) -> dict[str, str]:
    return {v.check.split(": ")[1]: v.verdict for v in group_verdicts(fit)}


def test_at_the_truth_every_group_fits(records: Any) -> None:
    fit = fitted(records)
    assert set(verdicts(fit).values()) == {"passed"}
    assert set(fit.table["split"]) == {"all", "age", "district", "root"}
    for what, rows in fit.table.groupby("what"):
        inside = rows["recorded"].between(rows["lower"] - 1e-9, rows["upper"] + 1e-9)
        assert inside.mean() > 0.75, what
    assert {v.verdict for v in list(threshold_verdicts(pd.DataFrame({"curve": []}), fit))[1:]} == {"passed"}
    removals = fit.table[fit.table["what"] == "removed for condition"]
    known = {"existing", "design", "workmanship", "other", "wear_out", "no cause recorded"}
    assert set(removals.loc[removals["split"] == "root", "group"]) <= known
    whole = removals[removals["split"] == "all"].set_index("age")["recorded"]
    roots = removals[removals["split"] == "root"].groupby("age")["recorded"].sum()
    np.testing.assert_allclose(roots, whole, atol=1e-12)


def test_lives_that_are_too_short_fail(records: Any) -> None:
    fit = fitted(records, wear_out_median=0.5)
    assert verdicts(fit)["all sections"] == "failed"
    low = {v.check.split(": ")[1]: v.verdict for v in threshold_verdicts(pd.DataFrame({"curve": []}), fit)}
    assert low["districts"] == "failed"


def test_a_district_of_its_own_fails_alone(records: Any) -> None:
    """Every section of one district removed two years before the others' first removals end: nobody told the model."""
    sections = records.sections.copy(deep=True)
    here = (sections["district"] == "d1").values & np.isnan(sections["age_removed"].values)
    here &= sections["age_in_service"].values > sections["age_entry"].values + 3.0
    gone = np.where(here, sections["age_in_service"].values - 1.0, sections["age_removed"].values)
    sections["age_removed"] = ("section", gone)
    sections["age_in_service"] = ("section", np.where(here, np.nan, sections["age_in_service"].values))
    changed = SimpleNamespace(
        sections=sections, readings=records.readings, condition=records.condition, until=records.until
    )
    fit = fitted(changed)
    assert verdicts(fit)["districts"] == "failed"
    assert fit.worst["district"][0] == "d1"


def test_a_root_cause_never_named_fails(records: Any) -> None:
    """Causes on record all exchanged for one: the model expects a mixture."""
    sections = records.sections.copy(deep=True)
    named = sections["named"].values
    told = named.any(axis=1)
    one = np.zeros_like(named)
    one[told, 0] = True
    sections["named"] = (("section", "cause"), one)
    changed = SimpleNamespace(
        sections=sections, readings=records.readings, condition=records.condition, until=records.until
    )
    assert verdicts(fitted(changed, label_error=0.2))["root causes recorded"] == "failed"


def test_without_groups_it_says_so(records: Any) -> None:
    sections = records.sections.assign(district=("section", np.full(SECTIONS, "")))
    sections["named"] = (("section", "cause"), np.zeros_like(sections["named"].values))
    bare = SimpleNamespace(
        sections=sections, readings=records.readings, condition=records.condition, until=records.until
    )
    found = verdicts(fitted(bare))
    assert (found["districts"], found["root causes recorded"]) == ("not applicable", "not applicable")


def test_the_quick_curve_is_the_life_table() -> None:
    """Against `lifetable.cumulative_incidence`, which the reference tests hold to another library."""
    rng = np.random.default_rng(1)
    count = 200
    leave, entry = rng.weibull(1.5, count) * 20.0, np.where(rng.random(count) < 0.3, rng.random(count) * 3.0, 0.0)
    cause = rng.integers(-1, 2, count)
    cause = np.where(leave > entry, cause, -1)
    ages = np.arange(4.0, 25.0)
    seen = leave > entry
    table = cumulative_incidence(leave[seen], np.array(["a", "b", ""])[cause[seen]], entry[seen], causes=["a", "b"],
                                 from_age=4.0)  # fmt: skip
    place = np.searchsorted(table["age"].values, ages, side="right")
    expected = np.concatenate([np.zeros((1, 2)), table["incidence"].values])[place].T
    found = incidence_at(leave, cause, entry, 2, ages)
    np.testing.assert_allclose(found, expected, atol=1e-12)
    survival = survival_at(table, ages)["survival_lower"].values
    np.testing.assert_allclose(1.0 - found.sum(axis=0), survival, atol=1e-12)


# ------------------------------------------------------------------------ statistics of the records


def prediction(records: Any, prior: xr.Dataset | None = None, **factors: float) -> Any:
    drawn = posterior(**factors)
    made = draw_replicas(drawn, records, PRIORS, seed=5, samples=SAMPLES)
    return predicted_table(
        prior_draws(PRIORS, draws=300, seed=9) if prior is None else prior, records, PRIORS, made, seed=5
    )


MOVED = {"quantity": ["early_failure_probability"], "portfolio": ["current_practice"], "prior_lower": [0.031],
         "prior_upper": [0.244], "lower": [0.08], "upper": [0.11]}  # fmt: skip


def test_records_of_the_truth_are_expected(records: Any) -> None:
    table = prediction(records)
    assert len(table) >= 6
    before, after = predicted_verdicts(table, pd.DataFrame(MOVED), 10.0)
    assert (before.verdict, after.verdict) == ("passed", "passed")
    assert before.finding.startswith(
        "The priors say 3 to 24 of 100 fail before age 10; the records made it 8 to 11. Of "
    )
    # priors are wider than what the records leave
    width = (table["prior_upper"] - table["prior_lower"]) / (table["upper"] - table["lower"])
    assert (width > 1.0).mean() > 0.8


def test_priors_that_rule_the_records_out_fail(records: Any) -> None:
    wrong = prior_draws(PRIORS, draws=300, seed=9)
    wrong = wrong.assign(noise=0.2 * wrong["noise"])
    before, after = predicted_verdicts(prediction(records, wrong), pd.DataFrame(MOVED), 10.0)
    assert (before.verdict, after.verdict) == ("failed", "passed")
    assert "mean change of pci" in before.finding
    _, wrong_model = predicted_verdicts(prediction(records, noise=2.0), pd.DataFrame(MOVED), 10.0)
    assert wrong_model.verdict == "failed"


def test_statistics_are_counted_as_they_say(records: Any) -> None:
    made = draw_replicas(posterior(), records, PRIORS, seed=5, samples=4)
    own = statistics_of(made, recorded=records)
    removed = np.isfinite(records.sections["age_removed"].values)
    assert own["removed for condition, of 100"] == pytest.approx(100.0 * removed.mean())
    index = Condition().from_z(made.recorded)
    known = ~np.isnan(made.recorded)
    low = len(set(made.owner[known & (index <= 60.0)])) / len(set(made.owner[known]))
    assert own["read at or below 60, of 100"] == pytest.approx(100.0 * low)


def test_turnbull_counts_ages_outside() -> None:
    curve = {"recorded": 0.9, "lower": 0.85, "upper": 0.95}
    fit = pd.DataFrame({"curve": "above_threshold", "age": np.arange(10.0), **curve})
    none = GroupFit(pd.DataFrame(), {}, {}, {})
    assert [v.verdict for v in threshold_verdicts(fit, none)] == ["passed", "not applicable", "not applicable"]
    fit.loc[:6, "recorded"] = 0.7
    assert next(threshold_verdicts(fit, none)).verdict == "failed"
    assert next(threshold_verdicts(fit.assign(curve="in_service"), none)).verdict == "not applicable"
