"""The part of the page that comes first where costs are weighed: what to require, and what would overturn it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from .decide import BY_AREA
from .errors import printable
from .measures import CURRENT_PRACTICE
from .report import WIDTH, percent_words, wrapped
from .rounding import Known
from .worthknowing import knowledge_words

__all__ = ["Advice", "advice_lines", "threshold_words", "worded_money"]

SHOWN = 6  # lines of the ranking
MOST_CHANGES = 8
SETTLED = 0.8  # chance of being best from which a choice counts as settled
YARD2 = 0.83612736
NAME, CELL = 34, 15


@dataclass(frozen=True)
class Advice:
    """Tables of a decision, as written, and what they rest on.

    Parameters
    ----------
    ranking, frontier, robustness, by_type, levels, information : DataFrame
    assured : str
        Sentence on the assured age of the first place.
    attrs : mapping
        Of the Dataset of kind `decision`.
    monte_carlo : float
        Greatest Monte Carlo part of the variance of a net benefit.
    fates : float
        Greatest difference between simulated and expected costs, in standard errors.
    affordable : str
        Best portfolio under the budget; empty without a budget.
    budget : float or None
    searched : int
        Measures among whose sets a search was made; 0 where all of them stand in the ranking.
    lines : tuple of str
        Optional lines of cost that the study names.
    replaces : mapping of str to tuple of str
        Measure to the prices of the work that it makes unnecessary.
    """

    ranking: pd.DataFrame
    frontier: pd.DataFrame
    robustness: pd.DataFrame
    by_type: pd.DataFrame
    levels: pd.DataFrame
    information: pd.DataFrame
    assured: str
    attrs: Mapping[str, Any]
    monte_carlo: float
    fates: float
    affordable: str = ""
    budget: float | None = None
    searched: int = 0
    lines: tuple[str, ...] = ()
    replaces: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def options(self) -> pd.DataFrame:
        """Rows of the ranking that can be decided for, best first."""
        return self.ranking[self.ranking["kind"] == "option"]

    @property
    def first(self) -> pd.Series:
        """Row of the first place."""
        return self.options.iloc[0]

    @property
    def money(self) -> str:
        """Currency and price year."""
        return f"{self.attrs['currency']} of {self.attrs['price_year']}"


def advice_lines(a: Advice) -> Iterator[str]:
    """The section, as lines of up to 79 columns."""
    yield from _recommendation(a)
    yield ""
    yield from _table(a)
    yield ""
    yield from _overturned(a)
    yield from _worth_knowing(a)
    yield from _where(a)
    yield from _levels(a)
    yield from _effectiveness(a)
    yield from _instead(a)
    yield from _basis(a)


def _worth_knowing(a: Advice) -> Iterator[str]:
    yield from wrapped(" ".join(knowledge_words(a.information)))
    yield ""


def _recommendation(a: Advice) -> Iterator[str]:
    first = a.first
    name = printable(str(first["portfolio"]), 200)
    chance = percent_words(float(first["chance_best"]))
    if first["portfolio"] == CURRENT_PRACTICE:
        yield from wrapped(
            f"No measure pays for itself on top of current practice: none of the {len(a.options) - 1} portfolios saves "
            f"money on the average of what is not known. Current practice is best in {chance} of 100 draws."
        )
    else:
        yield from wrapped(
            f"Require {name}. It saves {_interval(first, 'saving')} {a.money} a section in present value "
            f"({_per_area(a, float(first['saving_mean']))}) over {a.attrs['analysis_period']} years at "
            f"{100 * a.attrs['discount_rate']:g} %; its first cost is {_more(float(first['extra_first_cost_mean']))} a "
            f"section than current practice's. On the {a.attrs['sections']} sections together it saves "
            f"{worded_money(float(first['saving_mean']) * a.attrs['sections'])}."
        )
        averted, longer = (_years(first, gain) for gain in ("averted_per_100", "b10_gain"))
        yield from wrapped(
            f"It averts {averted} early failures of 100 {_whole(a)} and lengthens the age that 90 in 100 outlive by "
            f"{longer} years."
        )
        settled = "" if first["chance_best"] >= SETTLED else " This is not settled."
        yield from wrapped(
            f"It is the best of {len(a.options)} in {chance} of 100 draws of what is not known.{settled}"
        )
    known, worst = worded_money(float(first["expected_regret"])), _gain(float(first["saving_worst_tenth"]))
    yield from wrapped(
        f"Knowing everything before choosing would be worth {known} a section on average; in the worst tenth of "
        f"the draws the choice comes to {worst}."
    )
    if a.assured:
        yield from wrapped(f"{name}: {a.assured}.")


def _whole(a: Advice) -> str:
    """What shares of lives are shares of."""
    return "units of area" if a.attrs["weighting"] == BY_AREA else "sections"


def _interval(row: pd.Series, name: str) -> str:
    """Rounded as the page rounds, so that the two say the same."""
    known = Known(*(float(row[f"{name}_{end}"]) for end in ("mean", "lower", "upper")))
    return str(known).replace("\N{MINUS SIGN}", "-")


def _years(row: pd.Series, name: str) -> str:
    mean, low, high = (float(row[f"{name}_{end}"]) for end in ("mean", "lower", "upper"))
    return f"{mean:.1f} ({low:.1f} to {high:.1f})"


def _per_area(a: Advice, money: float) -> str:
    return f"{money / (a.attrs['mean_area'] / YARD2):.2f} a square yard"


def _more(extra: float) -> str:
    return f"{worded_money(abs(extra))} {'more' if extra >= 0 else 'less'}"


def _gain(saving: float) -> str:
    return f"a {'saving' if saving >= 0 else 'loss'} of {worded_money(abs(saving))} a section"


def _table(a: Advice) -> Iterator[str]:
    yield from wrapped(
        f"Against current practice, {a.money} a section, means: extra first cost; saving in present value; chance of "
        "being the best, of 100."
    )
    yield f"  {'':<{NAME}}{'first cost':>{CELL}}{'saving':>{CELL}}{'best':>8}"
    shown = a.options.head(SHOWN)
    if CURRENT_PRACTICE not in set(shown["portfolio"]):
        shown = pd.concat([shown, a.options[a.options["portfolio"] == CURRENT_PRACTICE]])
    for _, row in shown.iterrows():
        cells = [worded_money(float(row[name])) for name in ("extra_first_cost_mean", "saving_mean")]
        label = printable(str(row["portfolio"]), 4 * WIDTH)
        if len(label) >= NAME:
            yield from (f"  {line}" for line in wrapped(label))
            label = ""
        numbers = "".join(f"{cell:>{CELL}}" for cell in cells)
        yield f"  {label:<{NAME}}{numbers}{percent_words(float(row['chance_best'])):>8}"
    if a.searched:
        yield from wrapped(
            f"The sets of {a.searched} measures are too many to try all. These come from a search that adds, drops and "
            "swaps one measure at a time for as long as the expected saving grows (tables/search.csv), beside each "
            "measure alone and the portfolios that the study names; a better set may exist."
        )
    hidden = len(a.options) - len(shown)
    if hidden > 0:
        yield f"  {hidden} more in tables/ranking.csv."


def _overturned(a: Advice) -> Iterator[str]:
    table = a.robustness
    tried = table[~table["kind"].isin(["as stated", "switching value", "what it takes", "early age", "horizon"])]
    changed = tried[tried["same_first"] == "no"]
    yield from wrapped(f"What would overturn it: {len(changed)} of {len(tried)} changes tried put another one first.")
    for _, row in changed.head(MOST_CHANGES).iterrows():
        yield from wrapped(f"{row['kind']}, {row['setting']}: {row['first_place']}", bullet=True)
    if len(changed) > MOST_CHANGES:
        yield f"  {len(changed) - MOST_CHANGES} more in tables/robustness.csv."
    yield from wrapped(threshold_words(table, printable))
    switching = table[table["kind"] == "switching value"]
    if len(switching):
        yield "The first place changes at"
        for _, row in switching.iterrows():
            yield from wrapped(f"{row['setting']}: {row['first_place']}", bullet=True)
    for _, row in table[table["kind"] == "what it takes"].iterrows():
        yield from wrapped(f"To be first alone, {row['setting']}.", bullet=True)
    singles = table[table["kind"].isin(["early age", "horizon"])]
    leaders = list(dict.fromkeys(singles["first_place"]))
    if len(leaders) > 1:
        yield from wrapped(
            f"Which single measure does most, whatever it costs, changes with the early age and the horizon: "
            f"{' and '.join(map(str, leaders))}."
        )


def threshold_words(robustness: pd.DataFrame, name: Callable[[str], str]) -> str:
    """What other thresholds of the condition index do to the first place.

    Parameters
    ----------
    robustness : DataFrame
        Table of that name.
    name : callable
        Name of a portfolio to its words.
    """
    tried = robustness[robustness["kind"] == "threshold"]
    if not len(tried):
        return "Another threshold of the condition index is another calibration and was not tried (`--thresholds`)."
    said = [
        f"at {row['setting']} {'still ' if row['same_first'] == 'yes' else ''}{name(str(row['first_place']))}, saving "
        f"{worded_money(float(row['saving']))}"
        for _, row in tried.iterrows()
    ]
    return (
        f"Calibrated anew at other thresholds of the condition index, first is {'; '.join(said)}. The priors are the "
        "same, although they state lives to the study's own threshold."
    )


def _where(a: Advice) -> Iterator[str]:
    """Best portfolio by overlay type, where types differ."""
    best = {}
    for kind, rows in a.by_type.groupby("type", sort=False):
        row = rows.sort_values("saving_mean", ascending=False, kind="stable").iloc[0]
        best[str(kind)] = str(row["portfolio"]) if row["saving_mean"] > 0 else CURRENT_PRACTICE
    groups: dict[str, list[str]] = {}
    for kind, portfolio in best.items():
        groups.setdefault(portfolio, []).append(kind.replace("_", " on "))
    if len(groups) > 1:
        yield "By overlay type the greatest saving is with"
        for portfolio, kinds in groups.items():
            yield from wrapped(f"{printable(portfolio, 200)}: {', '.join(kinds)}", bullet=True)


def _levels(a: Advice) -> Iterator[str]:
    for measure, rows in a.levels.groupby("measure", sort=False):
        pays = rows[rows["pays"] == "yes"].iloc[0]
        others = len(rows) - 1
        words = f"the level that pays is {pays['level']}" if pays["level"] != "none" else "no level pays"
        yield from wrapped(
            f"{measure} in {others} levels: {words} (best in {percent_words(float(pays['chance_best']))} of 100 draws; "
            "tables/levels.csv).",
            bullet=True,
        )


def _effectiveness(a: Advice) -> Iterator[str]:
    """The other ledger: first cost against years, whatever later costs are."""
    edge = a.frontier[a.frontier["status"] == "on the frontier"]
    yield from wrapped(
        f"First cost against section-years gained within {a.attrs['horizon']} years, a ledger of its own that is never "
        "added to the one above:"
    )
    for _, row in edge.iterrows():
        step = row["step_cost_per_year"]
        price = f", a step of {worded_money(float(step))} for each year gained" if math.isfinite(step) else ""
        name = printable(str(row["portfolio"]), 200)
        yield from wrapped(f"{name}: {row['years_gained']:.2f} years{price}", bullet=True)
    if a.budget is not None:
        best = printable(a.affordable, 200)
        yield from wrapped(
            f"With {worded_money(a.budget)} of extra first cost for the programme the greatest saving is with {best}."
        )


def _instead(a: Advice) -> Iterator[str]:
    table = a.ranking[["portfolio", "present_value_mean"]]
    value = {str(name): worded_money(float(mean)) for name, mean in table.itertuples(index=False)}
    overlay, rebuilt, patched = (value[name] for name in (CURRENT_PRACTICE, "reconstruct_now", "patch_on"))
    yield from wrapped(
        f"Present value of an overlay under current practice {overlay} a section; of reconstructing now {rebuilt}; of "
        f"patching on {patched}."
    )


def _basis(a: Advice) -> Iterator[str]:
    counted = (
        f"Counted besides: {', '.join(a.lines)}."
        if a.lines
        else "Delay of users, disposal and material are not counted."
    )
    follow = str(a.attrs["follow_up"]).replace("_", " ")
    yield from wrapped(f"After a failure: {follow}. {counted}")
    for measure, works in a.replaces.items():
        yield from wrapped(
            f"The price of {' and '.join(works)} is taken off that of {measure}, which makes it unnecessary: true only "
            "of roads that would get it otherwise."
        )
    missing = [f"area of {a.attrs['area_missing']}" if a.attrs["area_missing"] else "",
               f"thickness of {a.attrs['thickness_missing']}" if a.attrs["thickness_missing"] else ""]  # fmt: skip
    missing = [part for part in missing if part]
    filled = (
        f" Not recorded, taken as the mean of the others or as typical: {' and '.join(missing)} sections."
        if missing
        else ""
    )
    noise = f"Monte Carlo part of the variance between draws: {100 * a.monte_carlo:.2g} %." if a.monte_carlo else (
        "Expected costs are in closed form, without Monte Carlo noise."
    )  # fmt: skip
    if a.attrs["weighting"] == BY_AREA:
        yield from wrapped(
            "In lives each section counts by its area, as in the other tables. In money each counts once: its prices "
            "go with its area already, and would count it twice. Cost and years gained are both those of the mean "
            "section."
        )
    yield from wrapped(f"{noise} Simulated roads agree within {a.fates:.1f} standard errors.{filled}")


def worded_money(value: float) -> str:
    """An amount of money to two or three digits: `5,300`, `-12,000`, `1.2 million`.

    Parameters
    ----------
    value : float
    """
    size = abs(value)
    if size >= 999_500:
        text = f"{size / 1e6:,.1f} million" if size < 99.5e6 else f"{size / 1e6:,.0f} million"
    elif size >= 100:
        digits = 2 - math.floor(math.log10(size)) - (1 if size >= 1000 else 0)
        text = f"{round(size, digits):,.0f}"
    else:
        text = f"{size:.2g}" if size >= 0.005 else "0"
    return f"-{text}" if value < 0 and text != "0" else text
