"""Search among sets against every set tried, on invented gains that interact mildly; and the stage that makes it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain, combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from money_cases import MEASURES, case, policy
from runs import said, write_study
from test_weighing import MONEY

from riskmodel.choice import affordable
from riskmodel.decide import decide
from riskmodel.errors import StudyError
from riskmodel.measures import all_portfolios
from riskmodel.search import FREE, WITHIN, search_portfolios
from riskmodel.setsearch import SetValue, search_sets
from riskmodel.study import read_study

NAMES = tuple("abcdef")
SETS = [tuple(s) for s in chain.from_iterable(combinations(NAMES, n) for n in range(len(NAMES) + 1))]


def invented(seed: int, interaction: float) -> tuple[SetValue, np.ndarray, np.ndarray]:
    """Gains that add up but for pairs, whose extra has at most `interaction` of the spread of single gains."""
    rng = np.random.default_rng(seed)
    single, price = rng.normal(0.5, 1.0, 6), rng.uniform(0.5, 1.5, 6)
    pair = np.triu(rng.uniform(-interaction, interaction, (6, 6)), k=1)

    def value(sets: Sequence[tuple[str, ...]]) -> tuple[np.ndarray, np.ndarray]:
        chosen = np.array([[name in s for name in NAMES] for s in sets], float)
        return chosen @ single + np.einsum("si,ij,sj->s", chosen, pair, chosen), chosen @ price

    return value, *value(SETS)


@pytest.mark.parametrize("seed", range(40))
def test_it_finds_the_best_of_all_sets(seed: int) -> None:
    """Asserted for pairs that shift each other by up to 0.3 of the spread of single gains."""
    value, gains, _ = invented(seed, 0.3)
    path = search_sets(NAMES, value)
    assert path[-1].members == SETS[int(gains.argmax())]
    assert path == search_sets(NAMES, value)
    rising = [step.gain for step in path]
    assert rising == sorted(set(rising))
    assert path[-1].tried < 64


def test_under_a_budget_it_is_affordable_and_mostly_the_best() -> None:
    """A budget makes it a problem of packing, where one swap at a time need not suffice: 36 of 40 are the best set,
    and no set is worse than 0.9 of the best.
    """
    same = 0
    for seed in range(40):
        value, gains, costs = invented(seed, 0.3)
        budget = 0.4 * float(costs.max())
        found = search_sets(NAMES, value, budget=budget)[-1]
        best = affordable(costs, gains, budget)
        assert found.cost <= budget
        assert found.gain >= 0.9 * gains[best] - 1e-12
        same += found.members == SETS[best]
    assert same >= 36


def test_it_backs_out_of_what_an_addition_makes_useless() -> None:
    """a looks best alone, b and c are better together and then a only costs: a goes again."""
    worth = {(): 0.0, ("a",): 3.0, ("b",): 2.0, ("c",): 2.0, ("a", "b"): 3.5, ("a", "c"): 3.4, ("b", "c"): 6.0,
             ("a", "b", "c"): 5.0}  # fmt: skip
    path = search_sets("abc", lambda sets: (np.array([worth[s] for s in sets]), np.zeros(len(sets))))
    assert [step.change for step in path] == ["", "adds a", "adds b", "adds c", "drops a"]
    assert path[-1].members == ("b", "c")


def test_nothing_that_gains_leaves_the_empty_set() -> None:
    path = search_sets("ab", lambda sets: (-np.ones(len(sets)), np.ones(len(sets))))
    assert [step.members for step in path] == [()]


def test_on_roads_it_finds_the_first_place_of_all_portfolios() -> None:
    c = case(count=20, draws=60)
    settled = policy(budget=1e5)
    found = search_portfolios(c.posterior, c.programme, c.priors, MEASURES, policy=settled, seed=7)
    again = search_portfolios(c.posterior, c.programme, c.priors, MEASURES, policy=settled, seed=7, workers=2)
    pd.testing.assert_frame_equal(found.table, again.table)
    decision = decide(c.posterior, c.programme, c.priors, portfolios=all_portfolios(MEASURES), seed=7, policy=settled)
    saving = decision.net_benefit.mean(axis=0)
    first = decision.result["first_cost"].values.mean(axis=0)
    last = found.table.groupby("search").tail(1).set_index("search")
    assert last.loc[FREE, "portfolio"] == decision.names[int(saving.argmax())]
    assert last.loc[FREE, "saving"] == pytest.approx(saving.max(), rel=1e-4)
    within = affordable(20 * (first - first[0]), saving, 1e5)
    assert last.loc[WITHIN, "portfolio"] == decision.names[within]
    assert last.loc[WITHIN, "extra_first_cost"] == pytest.approx(20 * (first[within] - first[0]), rel=1e-4, abs=1e-6)


# ------------------------------------------------------------------------------------- in a study


MANY = """[sampling]
chains = 2
draws = 20
seed = 1
[portfolios]
measures = ["prompt_sawing", "internal_curing", "pre_survey", "fibres", "drainage", "curing_compound", "joint_layout"]
"""
NAMED = '[[portfolio]]\nname = "both"\nmeasures = ["fibres", "drainage"]\n'
FOUND = "[decision.survey]\nfound_bad = 0.1\nfalse_alarm = 0.0\nrejected = 0.0\nrepair = ['pre_overlay_repair']\n"


@pytest.mark.slow
def test_a_study_of_seven_measures_is_searched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_study(tmp_path / "s", MANY + MONEY + FOUND + NAMED)
    status, _, err = said(capsys, "run", folder)
    assert status == 0, err
    table = pd.read_csv(folder / "results/tables/search.csv", keep_default_na=False)
    assert set(table["basis"]) == {"priors only"}
    ranking = pd.read_csv(folder / "results/tables/ranking.csv")
    names = set(ranking["portfolio"])
    sets = {name for name in table["portfolio"] if " + " in name}
    assert sets <= names
    assert {"both", "fibres", "joint_layout"} <= names
    assert len(names) < 30
    for page in ("report.txt", "brief.html"):
        text = " ".join((folder / "results" / page).read_text(encoding="utf-8").split())
        assert "come from a search" in text
    assert said(capsys, "run", folder)[0] == 0
    content = (folder / "results/provenance.json").read_bytes()
    assert said(capsys, "brief", folder)[0] == 0
    assert said(capsys, "run", folder)[0] == 0
    assert b'"sets"' in content


def test_seven_measures_without_prices_are_refused(tmp_path: Path) -> None:
    folder = write_study(tmp_path / "s", MANY)
    with pytest.raises(
        StudyError, match=r"`portfolios.measures`: sets of more than 6 measures.*Add a table .decision."
    ):
        read_study(folder)
