"""What a round changed, in plain words, and the figure of how results drift from round to round."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .measures import CURRENT_PRACTICE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Told", "change_lines", "plot_early_drift", "plot_gain_drift", "way_lines"]

SHOWN, MOVED, RARE, PULLED = 6, 0.5, 0.02, 0.3
ALONE = (
    "What moved cannot be said: there are no earlier results of the same priors, measures in play and settings. Under "
    "other ones a parameter of the same name means something else, so that a difference would not be the round's. To "
    "see what the round did, run the study without the other change first."
)
CAUTION = (
    "A statement about a programme of sections, not about one road. Look at a flagged section on site, with traffic "
    "control, before anything is done there; local standards and a licensed engineer decide."
)


@dataclass(frozen=True)
class Told:
    """What is known of a round.

    Parameters
    ----------
    facts : mapping
        How the draws came about (see `recalibrate`).
    changes, surprises, conflict : DataFrame
        See `changes` and `surprise`; empty where there is nothing to compare with.
    measures : tuple of str
    """

    facts: Mapping[str, Any]
    changes: pd.DataFrame
    surprises: pd.DataFrame
    conflict: pd.DataFrame
    measures: tuple[str, ...] = ()


def way_lines(facts: Mapping[str, Any]) -> Iterator[str]:
    """How the draws came about, with the figures that decided it."""
    for check in facts.get("checks", ()):
        sign = "within" if check["passed"] else "NOT within"
        yield f"{check['name']}: {check['value']:.3g}, {sign} the limit {check['limit']:g}"
    if facts.get("way") == "weighted":
        yield "The draws of the last fit were weighted by what was recorded since."
        return
    start = ", started from the last fit's draws" if facts.get("warm") else ""
    yield f"All records were fitted anew{start}: {'; '.join(facts.get('why', ())) or 'no round came since'}."


def change_lines(told: Told) -> list[str]:
    """The change report."""
    lines = ["What the last round changed", "", *way_lines(told.facts), ""]
    if told.changes.empty:
        return [*lines, *_wrapped(ALONE)]
    for programme, words in (("frozen", "on the programme as it was before"), ("new", "on the programme of today")):
        rows = told.changes[told.changes["programme"] == programme]
        if len(rows):
            noise = f"moves under {rows['noise_in_sd'].max():.2f} may be noise of the draws"
            lines += [f"Results {words} (before, now, moved by so many former sd;", f"{noise})", *_moved(rows), ""]
    lines += ["Parameters that moved most", *_parameters(told.changes), "", *_surprises(told.surprises), ""]
    lines += [*_conflict(told.conflict), "", "What to look at next"]
    lines += [line for each in _next(told) for line in _wrapped(f"- {each}")]
    return [*lines, "", *_wrapped(CAUTION)]


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return table.itertuples()


def _most_moved(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.reindex(rows["moved_in_sd"].abs().sort_values(ascending=False).index)[:SHOWN]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 79, subsequent_indent="  " if text.startswith("- ") else "")


def _moved(rows: pd.DataFrame) -> Iterator[str]:
    for kind in ("life quantity", "cause share", "gain"):
        some = rows[rows["kind"] == kind]
        if kind != "life quantity":
            some = _most_moved(some)
        for row in _rows(some):
            what = f"  {kind}, {row.name.replace('_', ' ')}"
            yield f"{what}: {row.former_mean:.3g} to {row.mean:.3g} ({row.moved_in_sd:+.2f})"
    for row in _rows(rows[rows["kind"] == "rank"]):
        before, after = row.name.rsplit("rank ", 1)[1].split(" to ")
        if before != after:
            yield f"  {row.name}; chance of being first {row.former_mean:.2f} to {row.mean:.2f}"


def _parameters(changes: pd.DataFrame) -> Iterator[str]:
    rows = changes[changes["kind"] == "parameter"]
    for row in _rows(_most_moved(rows)):
        moved = f"{row.moved_in_sd:+.2f} sd; sd {row.former_sd:.2g} to {row.sd:.2g}"
        yield f"  {row.name}: {row.former_mean:.3g} to {row.mean:.3g} ({moved})"


def _surprises(surprises: pd.DataFrame) -> Iterator[str]:
    readings = surprises[surprises["what"] == "reading"] if len(surprises) else surprises
    if readings.empty:
        yield "No new readings of known lives to be surprised at."
        return
    rare = readings[readings["tail_area"] < RARE]
    yield f"Of {len(readings)} sections newly read, {len(rare)} lie outside the central {1 - RARE:.0%} of what was"
    yield f"expected of them; {RARE * len(readings):.1f} would by chance."
    for row in _rows(surprises[surprises["tail_area"] < RARE][:SHOWN]):
        what = f"read {row.recorded:.3g}" if row.what == "reading" else "removed"
        yield f"  {row.section}, {what} at age {row.age:.1f}: chance {row.tail_area:.2g}"


def _conflict(conflict: pd.DataFrame) -> Iterator[str]:
    far = conflict[conflict["tail_area"] < RARE]
    pulled = conflict[(conflict["pull"].abs() > PULLED) & (conflict["k_hat"] <= 0.7)]
    yield f"Priors against records: {len(far)} of {len(conflict)} parameters lie in the outer {RARE:.0%} of their"
    yield "prior."
    for row in _rows(far[:SHOWN]):
        prior = f"prior {row.prior_mean:.3g} (sd {row.prior_sd:.2g})"
        yield f"  {row.parameter}: {prior}, now {row.mean:.3g}, tail {row.tail_area:.2g}"
    if len(pulled):
        yield f"  All priors at the power 1.25 against 0.8 would move by over {PULLED:g} sd:"
        yield from (f"    {name}" for name in pulled["parameter"][:SHOWN])


def _next(told: Told) -> Iterator[str]:
    """What deserves a look, one sentence each."""
    rare = told.surprises[told.surprises["tail_area"] < RARE] if len(told.surprises) else told.surprises
    if len(rare) > 3 * RARE * max(len(told.surprises), 1) + 1:
        yield "More sections surprise than chance allows: check the rating and the dates, then the path of the model."
    if len(rare):
        names = ", ".join(dict.fromkeys(rare["section"][:SHOWN]))
        yield f"Look up the records of {names}: a wrong date, an unrecorded restoration, or a failure in the making."
    frozen = told.changes[(told.changes["programme"] == "frozen") & (told.changes["moved_in_sd"].abs() > MOVED)]
    for row in _rows(frozen[:3]):
        what = f"{row.kind.capitalize()} {row.name.replace('_', ' ')}"
        yield f"{what} moved by {row.moved_in_sd:+.1f} of its former sd: tell those who planned with it."
    for row in _rows(told.changes[told.changes["kind"] == "rank"]):
        before, after = row.name.rsplit("rank ", 1)[1].split(" to ")
        if row.programme == "frozen" and before != after and "1" in (before, after):
            yield f"The order of portfolios changed at the top ({row.name}): weigh the choice again."
    if (told.conflict["tail_area"] < RARE).any():
        worst = told.conflict["parameter"].iloc[0]
        yield f"Ask again those who stated the prior of {worst}, or say why these roads differ."
    if told.changes["moved_in_sd"].abs().max() <= MOVED and not len(rare):
        yield "Nothing moved by more than half of its former sd: no result needs to be told anew."


def plot_early_drift(ax: Axes, drift: pd.DataFrame) -> Axes:
    """Share that fails early by round, with 90 % intervals (see `changes.drift_rows`)."""
    return _plot_rounds(ax, drift, drift["portfolio"] == CURRENT_PRACTICE, "fail early, of 100")


def plot_gain_drift(ax: Axes, drift: pd.DataFrame) -> Axes:
    """Early failures that each portfolio averts by round, with 90 % intervals."""
    return _plot_rounds(ax, drift, drift["portfolio"] != CURRENT_PRACTICE, "averted, of 100")


def _plot_rounds(ax: Axes, drift: pd.DataFrame, wanted: pd.Series, words: str) -> Axes:
    rounds = list(dict.fromkeys(drift["round"]))
    names = list(dict.fromkeys(drift[wanted]["portfolio"]))[:SHOWN]
    for n, name in enumerate(names):
        rows = drift[wanted & (drift["portfolio"] == name)]
        x = np.array([float(rounds.index(one)) for one in rows["round"]]) + 0.06 * (n - (len(names) - 1) / 2)
        middle = 100.0 * rows["mean"].to_numpy()
        ends = np.abs(100.0 * rows[["lower", "upper"]].to_numpy().T - middle)
        ax.errorbar(x, middle, yerr=ends, marker="o", capsize=2, label=name.replace("_", " "))
    ax.set_xticks(range(len(rounds)), rounds)
    ax.set_ylabel(words)
    if names:
        ax.legend(fontsize="small")
    return ax
