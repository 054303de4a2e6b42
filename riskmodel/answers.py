"""Answers in words: lines for a terminal, each with what it rests on and the cautions of the work."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .amounts import UNITS, Amount, clock_text, rounded, worded
from .errors import printable
from .options import CURING, DAY, SAWING, Asked

if TYPE_CHECKING:
    from .questions import CoresAnswer, CoresQuestion, CuringAnswer, CuringQuestion, SawingAnswer, SawingQuestion

__all__ = ["CAUTIONS", "closing_lines", "cores_lines", "curing_lines", "sawing_lines"]

WIDTH = 79
CAUTIONS = {
    "sawing": (
        "The hours inform a crew's plan; they design no pavement. Local standards and a licensed engineer decide, "
        "and on the day the concrete does: try a short cut before the run, and look for ravelling and cracks. "
        "The level of the chances is judgement: learn it from your own jobs with --level-shift. For slabs paved in "
        "the morning the latest time moves less with the warmth of the day than practice says: in heat be earlier.",
        "Sawing raises silica dust: cut wet and wear a fitted respirator. Fresh concrete is caustic: gloves, boots, "
        "eye protection. Work beside live traffic only inside a protected closure.",
    ),
    "cores": (
        "The numbers inform a survey; local standards and a licensed engineer decide how a road is investigated and "
        "what follows. They are about chance: no number of clean cores proves a road sound. Defaults of sensitivity, "
        "clustering and belief are assumed, with no measurement behind them.",
        "Coring raises silica dust: drill wet and wear a fitted respirator. Slurry and fresh repair concrete are "
        "caustic. Locate buried services first. Work beside live traffic only inside a protected closure.",
    ),
    "curing-water": (
        "The quantities inform a trial mix; they replace no mix design. Local standards and a licensed engineer "
        "decide. Internal curing is no substitute for curing the surface nor for sawing in time. A stockpile that is "
        "not wet through is the usual failing: measure its moisture.",
        "Dry aggregate and cement raise silica dust: keep them wet, wear a fitted respirator. Fresh concrete is "
        "caustic: gloves, boots, eye protection. Mind live traffic beside the site.",
    ),
    "exclusion": (
        "The check says what a way of reading records can claim; it informs a specification and designs no pavement. "
        "Local standards and a licensed engineer decide. Preventing every early failure is a limit, not a measure: "
        "what a measure prevents stands in the study's table of portfolios.",
        "Whoever surveys or mends the sections works beside live traffic: only inside a protected closure. Sawing and "
        "coring raise silica dust, fresh concrete is caustic.",
    ),
}  # fmt: skip


def closing_lines(name: str, files: Mapping[str, Path]) -> list[str]:
    """What was written, and the cautions.

    Parameters
    ----------
    name : str
        The command.
    files : mapping of str to Path
        Option and file.

    Returns
    -------
    list of str
    """
    written = [f"Written: {', '.join(printable(path.name) for path in files.values())}", ""] if files else []
    return ["", *written, "Cautions", *(line for text in CAUTIONS[name] for line in _filled(text))]


def _filled(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)


INPUTS = "Inputs (one value gets the usual spread of its kind)"


def _input_lines(asked: Sequence[Asked], question: object) -> list[str]:
    """What the answer rests on, a line each."""
    values = ((each, getattr(question, each.field, None)) for each in asked)
    return [
        _input(
            "w/cm" if each.field == "w_cm" else each.option.replace("-", " "),
            worded(value, each.rule.kind, *each.shown),
        )
        for each, value in values
        if isinstance(value, Amount)
    ]


def _input(words: str, value: str) -> str:
    return f"  {words:<20}{value}"


def sawing_lines(q: SawingQuestion, a: SawingAnswer) -> list[str]:
    """When to saw, in words.

    Parameters
    ----------
    q : SawingQuestion
    a : SawingAnswer

    Returns
    -------
    list of str
    """
    shown = [each for each in SAWING if q.weather is None or each not in DAY]
    paved = [
        clock_text(end)
        for end in ((q.paving_clock.low, q.paving_clock.high) if q.paving_clock.ranged else (q.paving_clock.low,))
    ]
    base = "bonded: the old pavement holds it" if q.bonded else q.base.replace("-", " ") or "of this friction"
    return [
        INPUTS,
        *_input_lines(shown, q),
        _input("base", base),
        _input("paving", " to ".join(paved)),
        *([] if q.weather is None else [_input("weather", "hourly table, taken as it is")]),
        "",
        f"Hours from placing to the cut ({q.samples} samples)",
        _window("earliest", a.earliest_h, q, a),
        _window("latest", a.latest_h, q, a),
        f"  no window   {_share_of(a)}",
        f"  Latest is where the chance of a random crack passes {_percent(q.accepted)}.",
        *_advice(q, a),
        "",
        *_chance_lines(q, a),
    ]


def _advice(q: SawingQuestion, a: SawingAnswer) -> list[str]:
    """What helps where a window is often missing; 1.5 MPa is the most that an early-entry saw asks for."""
    if a.no_window < 0.05:
        return []
    saw = "" if q.saw_strength.high <= 1.5 else "a saw that cuts earlier (--saw early-entry), "
    return [f"  A window is often missing: think of {saw}another hour of paving, or covers."]


def _window(words: str, hours: tuple[float, float, float], q: SawingQuestion, a: SawingAnswer) -> str:
    low, middle, high = (f"{hour:.1f} h" if math.isfinite(hour) else f"over {a.horizon:.0f} h" for hour in hours)
    return f"  {words:<12}{middle}{_clock(q, hours[1], ', ')} (nine in ten: {low} to {high})"


def _clock(q: SawingQuestion, hours: float, before: str = "") -> str:
    """The clock time of so many hours after placing; "" for a shift, which has no one hour."""
    if q.paving_clock.ranged or not math.isfinite(hours):
        return ""
    return before + clock_text(q.paving_clock.low + hours)


def _share_of(a: SawingAnswer) -> str:
    if a.no_window == 0:
        return "in no sample"
    share = f"{_percent(a.no_window)} of samples (give or take {_percent(a.no_window_error)})"
    return f"{share}: the latest time comes before the earliest"


def _chance_lines(q: SawingQuestion, a: SawingAnswer) -> list[str]:
    """At most fourteen rows of the table."""
    whole = a.chances[a.chances["hours_after_placing"] % 1 == 0]
    every = max(1, math.ceil(len(whole) / 14))
    lines = [
        "Chance: mean (range of nine in ten samples)",
        f"  {'hours':>5}  {'clock':<15}  {'random crack':<24}  ravelling",
    ]
    for row in whole.iloc[every - 1 :: every].to_dict("records"):
        cells = [
            f"{_percent(row[name])} ({_percent(row[f'{name}_lower'])} to {_percent(row[f'{name}_upper'])})"
            for name in ("random_cracking", "ravelling")
        ]
        hours = row["hours_after_placing"]
        lines.append(f"  {hours:>5g}  {_clock(q, hours):<15}  {cells[0]:<24}  {cells[1]}")
    return lines


def _percent(chance: float) -> str:
    if chance < 0.001:
        return "<0.1%"
    if chance > 0.995 and chance < 1:
        return ">99%"
    return f"{chance:.1%}".replace(".0%", "%") if chance < 0.0995 else f"{chance:.0%}"


def _count(cores: float) -> str:
    return f"{cores:.0f}" if math.isfinite(cores) else "over 10000"


def cores_lines(q: CoresQuestion, a: CoresAnswer, length: Amount | None) -> list[str]:
    """How many cores, in words.

    Parameters
    ----------
    q : CoresQuestion
    a : CoresAnswer
    length : Amount or None
        Lane length of the job, km.

    Returns
    -------
    list of str
    """
    return [
        f"To find trouble that covers {_percent(q.share)} of the road with chance {100 * q.chance:.4g}%:",
        f"  {_count(a.needed)} cores{_a_mile(a.needed, length)}",
        f"  (a core at an unsound spot shows it with chance {_percent(q.sensitivity)};",
        f"  correlation of neighbours {q.clustering:g})",
        "",
        "Cores needed",
        f"  {'chance':>6}  {'scattered':>10}  {'as stated':>10}  {'long stretches':>14}",
        *(_needed_line(row) for row in a.needed_table.to_dict("records")),
        "",
        f"What so many cores tell (belief in hidden trouble before: {_percent(q.belief)})",
        "  cores   find it   belief if clean   share left open at 95%   false alarm on a sound road",
        *(_plan_line(row) for row in a.plans.to_dict("records")),
        "",
        *_remarks(q, a),
    ]


def _a_mile(cores: float, length: Amount | None) -> str:
    if length is None or not math.isfinite(cores):
        return ""
    a_km = cores / length.low
    return f": {rounded(a_km * UNITS['distance']['mi'][0])} a lane-mile ({rounded(a_km)} a lane-km)"


def _needed_line(row: Mapping[Hashable, float]) -> str:
    scattered, stated, strong = (_count(row[name]) for name in ("scattered", "as_stated", "strong"))
    return f"  {f'{100 * row["chance"]:.4g}%':>6}  {scattered:>10}  {stated:>10}  {strong:>14}"


def _plan_line(row: Mapping[Hashable, float]) -> str:
    finds, left, share, alarm = (
        _percent(row[name]) for name in ("finds", "left_after_clean", "share_left_open", "false_alarm")
    )
    return f"  {row['cores']:>5}   {finds:>7}   {left:>15}   {share:>22}   {alarm:>27}"


def _remarks(q: CoresQuestion, a: CoresAnswer) -> list[str]:
    lines = [f"A lone report is right with chance {a.lone_report_right:.2f}: confirm it before acting."]
    if a.joints_needed is not None:
        lines += [
            f"Of {q.joints} joints, {a.joints_needed} opened at random find an unsound one with this chance,",
            "if trouble is scattered and nothing overlooked.",
        ]
    if q.clustering > 0:
        lines.append("Clustering, not the number, sets the limit: spread the cores, or add a method that covers area.")
    return lines


def curing_lines(q: CuringQuestion, a: CuringAnswer) -> list[str]:
    """Aggregate for internal curing, in words.

    Parameters
    ----------
    q : CuringQuestion
    a : CuringAnswer

    Returns
    -------
    list of str
    """
    low, middle, high = a.supplied
    plain, cured = (
        f"{points[1] * 1e6:.0f} (nine in ten: {points[0] * 1e6:.0f} to {points[2] * 1e6:.0f})"
        for points in (a.strain_plain, a.strain)
    )
    volume = (
        []
        if a.volume is None
        else [f"  loose dry volume              {rounded(a.volume * 27)} ft3/yd3 ({rounded(a.volume)} m3/m3)"]
    )
    return [
        INPUTS,
        *_input_lines(CURING, q),
        "",
        "Needed, at the middle of the inputs",
        f"  curing water                  {_mass(a.water)}",
        f"  dry lightweight aggregate     {_mass(a.dry)}",
        f"  to batch, prewetted           {_mass(a.prewetted)}",
        *volume,
        "",
        f"With {_mass(a.planned)} of dry aggregate",
        f"  water supplied over needed    {middle:.2f} (nine in ten: {low:.2f} to {high:.2f})",
        f"  less than nine tenths of it   {_percent(a.falls_short)} of samples",
        f"  autogenous contraction, 1e-6  {plain} without",
        f"                                {cured} with internal curing",
    ]


def _mass(value: float) -> str:
    return worded(Amount(value, value), "content", "kg/m3", "lb/yd3")
