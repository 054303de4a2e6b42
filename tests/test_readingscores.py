"""Readings predicted one by one: right where the records come from the model, and told where they do not.

The bookkeeping is checked with a likelihood of a known form; the slow tests take the model's own likelihood at the
truth, and records of `generator`, which shares no code with it. Invented data.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from generator import Generator, truth_of
from recovery import small_priors
from scipy import stats
from surveyed import full_prior

from riskmodel import readingscores
from riskmodel.condition import Condition
from riskmodel.leaveout import LeftOut
from riskmodel.lifesettings import LifeSettings
from riskmodel.priordraws import prior_draws
from riskmodel.records import Records
from riskmodel.reweigh import with_new_levels
from riskmodel.trustchecks import left_out_verdicts, score_verdicts, sections_table

PRIORS = small_priors()
CONDITION = Condition()


def even(names: list[str], draws: int) -> LeftOut:
    """Weights of draws that no section moves."""
    count = len(names)
    return LeftOut(tuple(names), np.zeros(count), np.zeros(count), np.full((draws, count), -np.log(draws)))


def records_of(truth: dict[str, Any], count: int, seed: int) -> tuple[Generator, Records]:
    generator = Generator(PRIORS, truth, np.random.default_rng(seed), CONDITION)
    made = generator.records(count)
    return generator, Records(made.sections, made.readings, None, CONDITION, None, {})  # type: ignore[arg-type]


# ------------------------------------------------------------------------------- bookkeeping


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Scores by a likelihood in which readings are N(0, 1) on z and service has no chance; what it was given."""
    truth = truth_of(prior_draws(PRIORS, draws=1, seed=3), 0)
    _, records = records_of(truth, 60, 3)
    seen = SimpleNamespace(records=records)

    def likelihood(table: Records, priors: object, draws: xr.Dataset, **rest: Any) -> xr.DataArray:
        seen.cells, seen.table = rest["cells"], table
        values = np.zeros(seen.cells.sections)
        below = seen.cells.sided.side < 0
        np.add.at(values, seen.cells.sided.section[below], stats.norm.logcdf(seen.cells.sided.limit[below]))
        shape = (draws.sizes["chain"], draws.sizes["draw"], len(values))
        return xr.DataArray(np.broadcast_to(values, shape), dims=("chain", "draw", "section"))

    monkeypatch.setattr(readingscores, "records_log_likelihood", likelihood)
    posterior = prior_draws(PRIORS, draws=4, seed=1)
    names = [str(n) for n in records.sections["section"].values]
    seen.table_of = readingscores.reading_scores(
        posterior, even(names, 4), records, PRIORS, settings=LifeSettings(), seed=1
    )
    return seen


def test_each_reading_is_asked_once_with_what_came_before(asked: SimpleNamespace) -> None:
    table, cells = asked.table_of, asked.cells
    count = len(table)
    assert cells.sections == 2 * count == asked.table.sections.sizes["section"]
    readings = table["what"] == "reading"
    for row in range(0, count, 7):
        used = cells.used[row] > 0
        age = table["age"].iloc[row]
        assert (cells.time[row][used] < age).all()
        before = used.sum() + ((cells.sided.section == row) & (cells.sided.time < age)).sum()
        assert before == table["number"].iloc[row]
        if readings.iloc[row]:
            assert cells.in_service[row] == age  # given that it is still there
            assert cells.in_service[count + row] == age
        else:
            assert cells.in_service[count + row] == age > (cells.in_service[row] if used.any() else 0.0)
    assert not cells.named.any()
    assert np.isnan(cells.removed).all()


def test_chances_are_ratios_of_the_likelihood(asked: SimpleNamespace) -> None:
    table = asked.table_of
    plain = table[(table["what"] == "reading") & (table["chance"] == table["upper_chance"])]
    z = CONDITION.to_z(plain["recorded"].to_numpy())
    np.testing.assert_allclose(plain["chance"], stats.norm.cdf(z), rtol=1e-9)
    np.testing.assert_allclose(plain["score"], np.maximum(z, -6.0), atol=0.01)
    capped = table[table["upper_chance"] == 1.0]
    assert len(capped)
    top = stats.norm.cdf(CONDITION.to_z(CONDITION.highest))
    np.testing.assert_allclose(capped["chance"], top)
    assert (capped["score"] >= stats.norm.ppf(top) - 1e-9).all()


def test_a_history_ends_with_the_first_reading_far_below(asked: SimpleNamespace) -> None:
    """Of readings far below only the first counts, as anywhere up to its chance."""
    status = asked.records.readings["status"].values
    owner = asked.records.readings["section_index"].values
    first = len(np.unique(owner[status == "far_below"]))
    low = asked.table_of[(asked.table_of["what"] == "reading") & (asked.table_of["chance"] == 0.0)]
    assert len(low) == first > 0


# ------------------------------------------------------------------------- verdicts from scores


def scores(noise: np.ndarray, *, sections: int = 150) -> pd.DataFrame:
    """Scores of readings as they would be, ten a section."""
    count = len(noise)
    owner = np.repeat(np.arange(count // 10), 10)
    number = np.tile(np.arange(10), count // 10)
    return pd.DataFrame({
        "section": [f"s{i}" for i in owner], "what": "reading", "number": number, "age": 1.0 + 2.0 * number,
        "year": 2000 + number + owner % 7, "recorded": 80.0, "chance": stats.norm.cdf(noise),
        "upper_chance": stats.norm.cdf(noise), "score": noise, "tail_area": 2.0 * stats.norm.sf(np.abs(noise)),
    })  # fmt: skip


def groups(count: int = 150) -> pd.DataFrame:
    return pd.DataFrame({"section": [f"s{i}" for i in range(count)], "district": [f"d{i % 3}" for i in range(count)],
                         "contractor": ""})  # fmt: skip


def failed(noise: np.ndarray) -> set[str]:
    return {v.check for v in score_verdicts(scores(noise), groups()) if v.verdict == "failed"}


NOISE = np.random.default_rng(4).standard_normal(1500)
TABLE = scores(NOISE)


def test_independent_normal_scores_pass() -> None:
    found = list(score_verdicts(TABLE, groups()))
    assert {v.verdict for v in found if "contractor" not in v.check} == {"passed"}
    assert next(v for v in found if "contractor" in v.check).verdict == "not applicable"
    assert all(v.finding for v in found)


def test_false_alarms_are_rare() -> None:
    """Six checks at one in a thousand: of 50 right sets three fail once in 300 times."""
    rng = np.random.default_rng(7)
    assert sum(bool(failed(rng.standard_normal(1500))) for _ in range(50)) < 3


@pytest.mark.parametrize(
    ("changed", "check"),
    [
        (stats.t.ppf(stats.norm.cdf(NOISE), 3), "no more wild readings than expected"),
        (NOISE + 0.7 * np.repeat(NOISE[::10], 10), "readings of a section independent of each other"),
        (NOISE + 0.8 * (TABLE["age"] > 15), "readings not shifted by age of the reading"),
        (NOISE - 0.7 * (TABLE["year"] == 2005), "readings not shifted by survey year"),
        (NOISE + 0.5 * TABLE["section"].str[1:].astype(int).mod(3).eq(1), "readings not shifted by district"),
        (1.4 * NOISE, "chances of readings are uniform (LOO-PIT)"),
    ],
    ids=["heavy tails", "one rater a road", "late onset", "one survey", "one district", "scatter too small"],
)
def test_wrong_records_are_noticed_and_told_apart(changed: Any, check: str) -> None:
    assert check in failed(np.asarray(changed, float))


def test_few_readings_are_not_judged() -> None:
    assert [v.verdict for v in score_verdicts(TABLE.head(10), groups())] == ["not applicable"]


def test_the_worst_section_says_which_reading() -> None:
    noise = NOISE.copy()
    noise[[37, 52]] = -4.5, 4.2
    left_out = even([f"s{i}" for i in range(150)], 100)
    table = sections_table(left_out, scores(noise), np.full(150, "p1"))
    assert table["section"].tolist()[:2] == ["s3", "s5"]
    assert table["why"].iloc[0] == (
        "read 80 at age 15.0; given its 7 earlier readings and all other sections the chance of so low a reading was "
        "under 0.01 %"
    )
    assert "its 2 earlier readings" in table["why"].iloc[1]
    assert "so high a reading" in table["why"].iloc[1]
    assert (table["readings"] == 10).all()


def test_a_section_that_steers_the_result_is_named() -> None:
    names = [f"s{i}" for i in range(5)]
    k = np.array([0.1, 0.2, 0.9, 0.1, 0.0])
    steered = LeftOut(tuple(names), np.zeros(5), k, np.zeros((4000, 5)))
    one, contracts = left_out_verdicts(steered, steered)
    assert (one.verdict, contracts.verdict) == ("failed", "not applicable")
    assert "s2" in one.what_to_do
    assert "1 of 5 contracts" in contracts.finding
    assert [v.verdict for v in left_out_verdicts(even(names, 4000), None)] == ["passed", "not applicable"]


# ------------------------------------------------------------------------ the model's own likelihood


def at_truth(count: int, seed: int, change: Any = None) -> tuple[Records, pd.DataFrame]:
    """Scores of records of a known truth by the model at that truth; `change` moves the readings on z."""
    drawn = full_prior(PRIORS, draws=1, seed=seed)
    truth = truth_of(drawn, 0)
    generator, records = records_of(truth, count, seed)
    if change is not None:
        readings = records.readings
        z = np.minimum(change(readings, records.sections), CONDITION.to_z(CONDITION.highest))
        records = Records(records.sections, readings.assign(z=("reading", z)), None, CONDITION, None, {})  # type: ignore[arg-type]
    posterior = with_new_levels(drawn.isel(draw=[0, 0]).assign_coords(draw=[0, 1]), records.sections, PRIORS, seed=1)
    terms = np.array([generator.contractors[name] for name in posterior["contractor"].values])
    for name, values in (("effect", terms), ("raw", terms / float(truth["contractor_sd"]))):
        posterior[f"contractor_{name}"] = posterior[f"contractor_{name}"].copy(data=np.tile(values, (1, 2, 1)))
    names = [str(n) for n in records.sections["section"].values]
    table = readingscores.reading_scores(posterior, even(names, 2), records, PRIORS, settings=LifeSettings(), seed=1)
    return records, table


def failures(records: Records, table: pd.DataFrame) -> set[str]:
    sections = records.sections
    who = pd.DataFrame({"section": sections["section"].values.astype(str), "district": "",
                        "contractor": sections["contractor"].values.astype(str)})  # fmt: skip
    return {v.check for v in score_verdicts(table, who) if v.verdict == "failed"}


@pytest.mark.slow
def test_at_the_truth_scores_are_standard_normal_and_independent() -> None:
    records, table = at_truth(600, 3)
    assert not failures(records, table)
    score = table.loc[table["what"] == "reading", "score"]
    assert score.mean() == pytest.approx(0.0, abs=3.5 / np.sqrt(len(score)))
    assert score.std() == pytest.approx(1.0, abs=3.5 / np.sqrt(2 * len(score)))


def one_survey(readings: xr.Dataset, sections: xr.Dataset) -> np.ndarray:
    year = np.floor(sections["opened_year"].values[readings["section_index"].values] + readings["age"].values)
    return readings["z"].values - 2.5 * (year == 2015)


def errors_that_run_on(readings: xr.Dataset, sections: xr.Dataset) -> np.ndarray:
    owner, rng = readings["section_index"].values, np.random.default_rng(1)
    error = np.zeros(len(owner))
    for j in range(len(owner)):
        before = error[j - 1] if j and owner[j] == owner[j - 1] else 0.0
        error[j] = 0.9 * before + 2.5 * rng.standard_normal()
    return readings["z"].values + error


def wild_raters(readings: xr.Dataset, sections: xr.Dataset) -> np.ndarray:
    rng = np.random.default_rng(2)
    wild = rng.random(readings.sizes["reading"]) < 0.03
    return readings["z"].values + 14.0 * wild * rng.choice([-1.0, 1.0], readings.sizes["reading"])


def late_onset(readings: xr.Dataset, sections: xr.Dataset) -> np.ndarray:
    age = readings["age"].values
    return readings["z"].values - 0.5 * np.maximum(age - 12.0, 0.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "check"),
    [
        (one_survey, "readings not shifted by survey year"),
        (errors_that_run_on, "readings of a section independent of each other"),
        (wild_raters, "no more wild readings than expected"),
        (late_onset, "readings not shifted by age of the reading"),
    ],
)
def test_records_that_the_model_does_not_know_are_noticed(change: Any, check: str) -> None:
    assert check in failures(*at_truth(300, 3, change))
