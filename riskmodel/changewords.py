"""What a round changed, in plain words."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

__all__ = [
    "DRIFTING",
    "Told",
    "change_finding",
    "change_lines",
    "look_next",
    "rare_rows",
    "surprise_lines",
    "way_lines",
]

SHOWN, MOVED, RARE, PULLED = 6, 0.5, 0.02, 0.3
FEW, MOST = f"{100 * RARE:.0f} %", f"{100 * (1 - RARE):.0f} %"
DRIFTING = {"early_failure_probability": "Fail early, of 100", "averted": "Averted, of 100"}
"""Quantities followed from round to round, in words."""
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
    changes, surprises, conflict, drift : DataFrame
        See `changes` and `surprise`; empty where there is nothing to compare with.
    """

    facts: Mapping[str, Any]
    changes: pd.DataFrame
    surprises: pd.DataFrame
    conflict: pd.DataFrame
    drift: pd.DataFrame

    @property
    def name(self) -> str:
        """Of the last round."""
        return str(list(self.facts["rounds"])[-1])

    @property
    def frozen(self) -> pd.DataFrame:
        """What moved on the programme as it was before."""
        return self.changes[self.changes["programme"] == "frozen"] if len(self.changes) else self.changes


def way_lines(facts: Mapping[str, Any]) -> Iterator[str]:
    """How the draws came about, with the figures that decided it."""
    for check in facts.get("checks", ()):
        sign = "within" if check["passed"] else "NOT within"
        yield f"{check['name']}: {check['value']:.3g}, {sign} the limit {check['limit']:g}"
    if facts.get("way") == "weighted":
        yield "The draws of the last fit were weighted by what was recorded since."
        return
    if facts.get("way") == "other priors":
        yield "The draws of the last fit were weighted by the priors as they are now."
        return
    start = ", started from the last fit's draws" if facts.get("warm") else ""
    yield f"All records were fitted anew{start}: {'; '.join(facts.get('why', ())) or 'no round came since'}."


def change_finding(told: Told) -> str:
    """What the round did, in one sentence."""
    if told.changes.empty:
        return f"The round of {told.name} cannot be compared with what was said before it."
    early = next(_rows(told.frozen[told.frozen["name"] == "early_failure_probability"]))
    moved = int((told.changes["moved_in_sd"].abs() > MOVED).sum())
    said = "no result or parameter" if not moved else f"{moved} of {len(told.changes)} results and parameters"
    return (
        f"With the round of {told.name} the share that fails early under current practice went from "
        f"{100 * early.former_mean:.1f} to {100 * early.mean:.1f} of 100; {said} moved by more than half of "
        "its former sd."
    )


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
    lines += [line for each in look_next(told) for line in _wrapped(f"- {each}")]
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


def rare_rows(surprises: pd.DataFrame) -> pd.DataFrame:
    """Sections whose new records were rarer than one in fifty, the rarest first."""
    return surprises[surprises["tail_area"] < RARE] if len(surprises) else surprises


def surprise_lines(surprises: pd.DataFrame) -> Iterator[str]:
    """How many new readings and removals lie outside what was expected, against what chance brings."""
    for what, words in (
        (
            "reading",
            f"sections newly read, {{}} lie outside the central {100 * (1 - RARE):.0f} % of what was expected of them",
        ),
        ("removal", f"removals for condition, {{}} had a chance under {100 * RARE:.0f} % to come so soon"),
    ):
        rows = surprises[surprises["what"] == what] if len(surprises) else surprises
        if len(rows):
            chance = f"; {RARE * len(rows):.1f} would by chance." if what == "reading" else "."
            yield f"Of {len(rows)} {words.format(len(rare_rows(rows)))}{chance}"


def _surprises(surprises: pd.DataFrame) -> Iterator[str]:
    if surprises.empty:
        yield "No new readings of known lives to be surprised at."
        return
    for line in surprise_lines(surprises):
        yield from _wrapped(line)
    for row in _rows(rare_rows(surprises)[:SHOWN]):
        what = f"read {row.recorded:.3g}" if row.what == "reading" else "removed"
        yield f"  {row.section}, {what} at age {row.age:.1f}: chance {row.tail_area:.2g}"


def _conflict(conflict: pd.DataFrame) -> Iterator[str]:
    far = conflict[conflict["tail_area"] < RARE]
    pulled = conflict[(conflict["pull"].abs() > PULLED) & (conflict["k_hat"] <= 0.7)]
    yield f"Priors against records: {len(far)} of {len(conflict)} parameters lie in the outer {FEW} of their"
    yield "prior."
    for row in _rows(far[:SHOWN]):
        prior = f"prior {row.prior_mean:.3g} (sd {row.prior_sd:.2g})"
        yield f"  {row.parameter}: {prior}, now {row.mean:.3g}, tail {row.tail_area:.2g}"
    if len(pulled):
        yield f"  All priors at the power 1.25 against 0.8 would move by over {PULLED:g} sd:"
        yield from (f"    {name}" for name in pulled["parameter"][:SHOWN])


def look_next(told: Told) -> Iterator[str]:
    """What deserves a look, one sentence each; nothing where there is nothing to compare with."""
    if told.changes.empty:
        return
    rare = rare_rows(told.surprises)
    if len(rare) > 3 * RARE * max(len(told.surprises), 1) + 1:
        yield "More sections surprise than chance allows: check the rating and the dates, then the path of the model."
    if len(rare):
        names = ", ".join(dict.fromkeys(rare["section"][:SHOWN]))
        yield f"Look up the records of {names}: a wrong date, an unrecorded restoration, or a failure in the making."
    far = told.frozen[told.frozen["moved_in_sd"].abs() > MOVED]
    for row in _rows(far[:3]):
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
