"""Do three in ten of those given three in ten fail? Watch lists on records from known truth by other code."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytensor
import pytensor.graph.replace
import pytensor.tensor as pt
import pytest
from generator import Generator, truth_of
from recovery import small_priors
from scipy.stats import poisson
from scores import true_values

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.cellposterior import WATCH_GRID, SectionPosterior, Tally, cell_terms, section_posterior
from riskmodel.condition import Condition
from riskmodel.lifesettings import LifeSettings
from riskmodel.model import build_model
from riskmodel.priordraws import prior_draws
from riskmodel.priors import PriorSet
from riskmodel.scoring import brier_score, dynamic_auc
from riskmodel.watch import FITS_NOTHING, IN_SERVICE, watch_table

AHEAD = (1.0, 3.0, 5.0)
SETS, EXACT_SETS, SECTIONS = 5, 40, 250
# these act through `intercept` and `delta`, which are put in their place
INSTEAD = {"early_failure", "odds_multiplier", "share_offset", "effect_score"}
Z = 3.3  # one failure in a thousand runs, for each of the bounds


def drawn(p: PriorSet, number: int) -> tuple[dict[str, np.ndarray], Generator, SimpleNamespace]:
    """True parameters from the priors, and records from them."""
    truth = truth_of(prior_draws(p, draws=1, seed=70_000 + number), 0)
    generator = Generator(p, truth, np.random.default_rng(number), Condition())
    records: SimpleNamespace = generator.records(SECTIONS)
    records.until = date(2025, 1, 1)
    return truth, generator, records


def listed(found: SectionPosterior, generator: Generator, records: SimpleNamespace) -> pd.DataFrame:
    """What the watch list says of each section, and the years that were really left."""
    lives = {road["name"]: history["life"] for road, history in generator.kept}
    tables = [watch_table(found, records, years=years).set_index("section") for years in AHEAD]
    table = tables[0].assign(**{f"by {y:g}": t["reached_by_next"] for y, t in zip(AHEAD, tables, strict=True)})
    return table.assign(left=pd.Series(lives) - table["age"])


def watched(number: int) -> pd.DataFrame:
    """One data set with truth from the priors, calibrated."""
    p = small_priors()
    _, generator, records = drawn(p, number)
    sampling = Sampling(chains=2, draws=200, tune=250, seed=number, cores=1)
    posterior = calibrate(records, p, sampling=sampling, gate=False).posterior
    return listed(section_posterior(records, p, posterior, samples=400), generator, records)


def at_truth(number: int) -> pd.DataFrame:
    """The same at the true parameters: nothing is sampled, so that many data sets can be tried."""
    p = small_priors()
    truth, generator, records = drawn(p, number)
    model = build_model(records, p, settings=LifeSettings(grid=WATCH_GRID))
    values, wanted = true_values(truth, generator, model.coords["contractor"]), cell_terms(model)
    free = [v for v in model.free_RVs if v.name not in INSTEAD]
    put = {v: v.type(name=v.name) for v in free} | {model["intercept"]: pt.matrix(), model["delta"]: pt.vector()}
    terms = pytensor.graph.replace.clone_replace(list(wanted.values()), put)
    run = pytensor.function(list(put.values()), terms, mode="FAST_COMPILE", on_unused_input="ignore")
    found = run(*(np.asarray(values[v.name], float) for v in put))
    tally = Tally.of(model, records, p)
    tally.add(dict(zip(wanted, found, strict=True)), float(truth["removal_lag"]), float(truth["label_error"]))
    return listed(tally.mean(1), generator, records)


@pytest.fixture(scope="module")
def everything() -> pd.DataFrame:
    return pd.concat([watched(number) for number in range(SETS)], ignore_index=True)


@pytest.fixture(scope="module")
def pooled(everything: pd.DataFrame) -> pd.DataFrame:
    return everything[everything["state"] == IN_SERVICE]


@pytest.fixture(scope="module")
def exact() -> pd.DataFrame:
    every = pd.concat([at_truth(100 + number) for number in range(EXACT_SETS)], ignore_index=True)
    return every[every["state"] == IN_SERVICE]


@pytest.mark.slow
@pytest.mark.parametrize("years", AHEAD)
@pytest.mark.parametrize("source", ["pooled", "exact"])
def test_chances_come_true(request, source, years):
    """In every band of stated chance as many fail as were said to: sum of independent trials, normal bounds."""
    table = request.getfixturevalue(source)
    said, came = table[f"by {years:g}"].to_numpy(), (table["left"] <= years).to_numpy()
    bands = np.digitize(said, [0.05, 0.2, 0.4, 0.7])
    for band in range(5):
        inside = bands == band
        expected, spread = said[inside].sum(), np.sqrt((said * (1 - said))[inside].sum())
        count = came[inside].sum()
        print(f"{source}, {years:g} years, band {band}: {inside.sum()} sections, said {expected:.1f}, came {count}")
        assert inside.sum() >= 5
        # half a section for whole numbers
        assert abs(count - expected) <= Z * spread + 0.5


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
