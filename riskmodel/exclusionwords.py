"""The exclusion check in words: where the lines end, what life does, how much of the shift is real."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from .deletion import Line
from .exclusion import AGES, ASSURED, Exclusion, LifeShift, share_of_shift
from .mixture import Mixture
from .options import MIXTURE

__all__ = ["mixture_lines", "study_lines"]

WIDTH, LABEL, COUNT, NAME, CELL = 79, 29, 10, 20, 20
OUTLIVED = {"b05_age": 95, "b10_age": 90, "b20_age": 80}
EXTRAPOLATED = "* extrapolated by the path: lies mostly beyond the observed ages."
PLAIN = (
    "Where condition falls faster with age, a straight line through its early part reaches the threshold too late.",
    "Deleting by condition selects on the outcome: what is left cannot say what would have become of the others.",
)


def study_lines(title: str, exclusion: Exclusion) -> list[str]:
    """The exclusion check of a study, in words.

    Parameters
    ----------
    title : str
    exclusion : Exclusion

    Returns
    -------
    list of str
    """
    head = f"Exclusion check: {title}"
    rests = "In brackets: 90 %, for lines over resampled sections, for life over what is not known."
    return [*_filled(head), "", *_page(exclusion, f"mean life to age {exclusion.horizon:g}", rests)]


def mixture_lines(mixture: Mixture, exclusion: Exclusion) -> list[str]:
    """The exclusion check of a stated mixture, in words.

    Parameters
    ----------
    mixture : Mixture
    exclusion : Exclusion

    Returns
    -------
    list of str
    """
    inputs = [
        f"  {each.option.replace('-', ' '):<20}{_amount(getattr(mixture, each.field), each.shown[0])}"
        for each in MIXTURE
    ]
    rests = "In brackets: 90 % over resampled sections. The life distribution of the mixture is exact."
    lag = (
        f"The shift hangs on how long failed sections stay to be surveyed, here {mixture.removal_lag:g} years on "
        "average (--removal-lag): where they go sooner the line moves less, or back."
    )
    return ["Inputs (readings are simulated)", *inputs, "", *_page(exclusion, "mean life", rests, lag)]


def _amount(value: float, unit: str) -> str:
    return f"{100 * value:g} %" if unit == "%" else f"{value:g} {unit}".strip()


def _page(exclusion: Exclusion, mean: str, rests: str, *traps: str) -> list[str]:
    level = f"{exclusion.sightings.threshold:g}"
    return [
        f"The pooled straight line through condition against age reaches {level}",
        f"  {'line through sections':<{LABEL}}{'sections':<{COUNT}}{'at age, years':<{CELL}}moved by",
        *(_line_row(line) for line in exclusion.lines),
        "",
        "Life with the early mechanisms and without them, years",
        f"  {'':<{NAME}}{'with':<{CELL}}{'without':<{CELL}}gain",
        *_life_rows(exclusion, mean),
        *_filled(rests),
        "",
        "In plain words",
        *(line for text in _words(exclusion, mean) for line in _filled(text)),
        "",
        "What bends the line",
        *(line for text in (*_traps(exclusion), *traps, *PLAIN) for line in _filled(text, bullet=True)),
    ]


def _filled(text: str, *, bullet: bool = False) -> list[str]:
    first, rest = ("- ", "  ") if bullet else ("", "")
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


# ------------------------------------------------------------------------------------------------- tables


def _line_row(line: Line) -> str:
    moved = "" if line.name == "all_sections" else _span(line.shift, sign="+")
    return f"  {line.words:<{LABEL}}{line.sections:<{COUNT}}{_span(line.age):<{CELL}}{moved}".rstrip()


def _life_rows(exclusion: Exclusion, mean: str) -> Iterator[str]:
    starred = False
    for shift in exclusion.life:
        if shift.unit != "years":
            continue
        far = max(shift.extrapolated) > 0.5
        starred |= far
        label = _label(shift.name, mean) + (" *" if far else "")
        cells = [_span(ends) for ends in (shift.with_early, shift.without_early, shift.gain)]
        yield (f"  {label:<{NAME}}" + "".join(f"{cell:<{CELL}}" for cell in cells)).rstrip()
    if starred:
        yield f"  {EXTRAPOLATED}"


def _label(name: str, mean: str) -> str:
    if name in ASSURED:
        return f"{OUTLIVED[ASSURED[name]]} in 100, assured"
    return {"median_age": "half outlive", "restricted_mean_age": mean}.get(name) or f"{OUTLIVED[name]} in 100 outlive"


def _span(ends: tuple[float, float, float], sign: str = "") -> str:
    value, lower, upper = (_years(end, sign) for end in ends)
    return value if math.isnan(ends[1]) or not math.isfinite(ends[0]) else f"{value} ({lower} to {upper})"


def _years(value: float, sign: str = "") -> str:
    if math.isnan(value):
        return "-"
    return "never" if math.isinf(value) else f"{value + 0.0:{sign}.1f}"


# -------------------------------------------------------------------------------------------------- words


def _words(exclusion: Exclusion, mean: str) -> Iterator[str]:
    level = f"{exclusion.sightings.threshold:g}"
    pooled, median = exclusion.lines[0], exclusion.quantity("median_age").with_early[0]
    gains = {name: exclusion.quantity(name).gain[0] for name in ("restricted_mean_age", "b10_age")}
    prevented = (
        f"Prevent every early failure, and {mean} moves by {gains['restricted_mean_age']:.1f} years, "
        f"the age nine in ten outlive by {gains['b10_age']:.1f}."
    )
    asked = [line for line in exclusion.lines[1:] if line.name != "survivors"]
    for line in asked:
        yield f"{_deleted(line, pooled, level)} {prevented if line is asked[0] else ''}"
        if line is asked[0]:
            yield from _real(line, exclusion, mean)
    if math.isfinite(pooled.age[0]):
        yield (
            f"No line is a life: that of all sections reaches {level} at {pooled.age[0]:.1f} years, while half of the "
            f"sections outlive {median:.1f}."
        )


def _deleted(line: Line, pooled: Line, level: str) -> str:
    """What the deletion does to the line."""
    if not line.deleted:
        return f"No section is {line.words.removeprefix('not ')}: nothing is deleted, and the line stays where it is."
    whom = f"Delete the {line.deleted} of {pooled.sections} sections {line.words.removeprefix('not ')}, and the line"
    if math.isinf(pooled.age[0]):
        return f"{whom} cannot be said to move: that of all sections never reaches {level}."
    if math.isinf(line.age[0]):
        return f"{whom} never reaches {level}."
    way = "moves" if line.shift[0] >= 0 else "moves back"
    why = (
        " (low readings of young sections flatten it; without them it falls faster)"
        if line.shift[0] < 0 and line.slope < pooled.slope
        else ""
    )
    return f"{whom} {way} by {abs(line.shift[0]):.1f} years, {pooled.age[0]:.1f} to {line.age[0]:.1f}{why}."


def _real(line: Line, exclusion: Exclusion, mean: str) -> Iterator[str]:
    """How much of the shift is real for which quantity, and who was deleted with the early failures."""
    shares = [(shift, share_of_shift(line, shift)) for shift in map(exclusion.quantity, AGES)]
    stated = [f"{_named(shift, mean)} {100 * share:.0f} %" for shift, share in shares if share is not None]
    if stated:
        over = "; over 100 %: it gains more than the line says" if any((s or 0) > 1 for _, s in shares) else ""
        yield f"Against these {line.shift[0]:.1f} years the real gain is: {', '.join(stated)}{over}."
    elif line.deleted and math.isfinite(line.shift[0]):
        yield "The line does not surely move up: the gains stand beside it, and it says nothing of them."
    if line.deleted_late:
        yield (
            f"{line.deleted_late} of the {line.deleted} deleted were not known to have failed by age "
            f"{exclusion.early_age:.3g}: most of those wore out, which preventing early failures does not change."
        )


def _named(shift: LifeShift, mean: str) -> str:
    if shift.name in OUTLIVED:
        return f"the age {_label(shift.name, mean)}"
    return "median life" if shift.name == "median_age" else mean


def _traps(exclusion: Exclusion) -> Iterator[str]:
    sightings, pooled = exclusion.sightings, exclusion.lines[0]
    counts = sightings.traps
    if pooled.age[0] > sightings.oldest:
        yield f"It ends beyond the oldest reading, at {sightings.oldest:.1f} years: from there on it is extrapolated."
    never = max(exclusion.lines, key=lambda line: line.never)
    if never.never > 0:
        yield f"In {100 * never.never:.3g} % of the resamples the line through sections {never.words} never gets there."
    for name, text in (
        ("removed", "sections were removed for condition: their later, lower readings are missing from every line."),
        ("entered_late", "sections came under observation late: their like that failed before are missing."),
        ("capped", "readings at the top of the scale count as that value, though the condition may be better."),
        ("far_below", "readings far below the threshold are left out, here as in the model's paths."),
        ("after_restoration", "readings after a restoration are set aside: they lie on another path."),
    ):
        if counts.get(name):
            yield f"{counts[name]} {text}"
