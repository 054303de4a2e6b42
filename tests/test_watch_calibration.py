"""Do three in ten of those given three in ten fail? Watch lists on records from known truth by other code."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from generator import Generator, truth_of
from recovery import small_priors
from scipy.stats import poisson

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.cellposterior import section_posterior
from riskmodel.condition import Condition
from riskmodel.priordraws import prior_draws
from riskmodel.scoring import brier_score, dynamic_auc
from riskmodel.watch import FITS_NOTHING, IN_SERVICE, watch_table

AHEAD = (1.0, 3.0, 5.0)
SETS, SECTIONS = 5, 250
Z = 3.3  # one failure in a thousand runs, for each of the bounds


def watched(number: int) -> pd.DataFrame:
    """One data set with truth from the priors: what the watch list says of each section, and its life."""
    p = small_priors()
    truth = truth_of(prior_draws(p, draws=1, seed=70_000 + number), 0)
    generator = Generator(p, truth, np.random.default_rng(number), Condition())
    records: SimpleNamespace = generator.records(SECTIONS)
    records.until = date(2025, 1, 1)
    sampling = Sampling(chains=2, draws=200, tune=250, seed=number, cores=1)
    found = section_posterior(records, p, calibrate(records, p, sampling=sampling, gate=False).posterior)
    lives = {road["name"]: history["life"] for road, history in generator.kept}
    tables = [watch_table(found, records, years=years) for years in AHEAD]
    table = tables[0].assign(**{f"by {y:g}": t["section"].map(t.set_index("section")["reached_by_next"])
                                for y, t in zip(AHEAD, tables, strict=True)})  # fmt: skip
    table["left"] = table["section"].map(lives) - table["age"]
    return table


@pytest.fixture(scope="module")
def everything() -> pd.DataFrame:
    return pd.concat([watched(number) for number in range(SETS)], ignore_index=True)


@pytest.fixture(scope="module")
def pooled(everything: pd.DataFrame) -> pd.DataFrame:
    return everything[everything["state"] == IN_SERVICE]


@pytest.mark.slow
@pytest.mark.parametrize("years", AHEAD)
def test_chances_come_true(pooled, years):
    """In every band of stated chance as many fail as were said to: sum of independent trials, normal bounds."""
    said, came = pooled[f"by {years:g}"].to_numpy(), (pooled["left"] <= years).to_numpy()
    bands = np.digitize(said, [0.05, 0.2, 0.4, 0.7])
    for band in range(5):
        inside = bands == band
        expected, spread = said[inside].sum(), np.sqrt((said * (1 - said))[inside].sum())
        print(f"{years:g} years, band {band}: {inside.sum()} sections, said {expected:.1f}, came {came[inside].sum()}")
        assert inside.sum() >= 5
        # half a section for whole numbers
        assert abs(came[inside].sum() - expected) <= Z * spread + 0.5


@pytest.mark.slow
def test_remaining_lives_lie_in_their_intervals(pooled):
    left = pooled["left"].clip(lower=0.0)
    # an end at zero holds everyone who has failed already
    inside = left.between(pooled["remaining_lower"], pooled["remaining_upper"]).mean()
    assert inside == pytest.approx(0.90, abs=Z * np.sqrt(0.09 / len(pooled)) + 0.02)
    moved = pooled["remaining_mean"] - left
    assert abs(moved.mean()) <= Z * moved.std() / np.sqrt(len(pooled)) + 0.5


@pytest.mark.slow
def test_true_records_raise_no_alarm(everything):
    """Records from the model itself: about one flag in a thousand sections at most (Poisson bound)."""
    flagged = int((everything["fits_nothing"] != "").sum())
    print(f"{flagged} of {len(everything)} sections flagged")
    assert flagged <= poisson.ppf(1 - 1e-3, FITS_NOTHING * 2 * len(everything))


@pytest.mark.slow
def test_the_list_tells_who_is_next(pooled):
    """Better than giving every section the share that fails; those that fail within five years stand high on it."""
    said = pooled[[f"by {y:g}" for y in AHEAD]].to_numpy()
    life, failed, at = pooled["left"].to_numpy(), np.ones(len(pooled), bool), np.array(AHEAD)
    same = np.broadcast_to((life[:, None] <= at).mean(axis=0), said.shape)
    assert (brier_score(life, failed, 1 - said, at) < 0.7 * brier_score(life, failed, 1 - same, at)).all()
    assert (dynamic_auc(life, failed, said, at) > 0.85).all()
