"""The exclusion check in words: where the lines end, what life does, how much of the shift is real."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from .deletion import Line
from .exclusion import AGES, ASSURED, Exclusion, LifeShift, share_of_shift
from .options import MIXTURE
from .statedmixture import StatedMixture

__all__ = ["mixture_lines", "report_lines", "study_lines"]

WIDTH, LABEL, COUNT, NAME, CELL = 79, 28, 10, 18, 20
OUTLIVED = {"b05_age": 95, "b10_age": 90, "b20_age": 80}
EXTRAPOLATED = "* extrapolated by the path: lies mostly beyond the observed ages."
REST = {
    "removed": "later, lower readings are missing from every line.",
    "entered_late": "like that failed before are missing.",
    "capped": "as that value, though the condition may be better.",
    "far_below": "left out, here as in the model's paths.",
    "after_restoration": "set aside: another path.",
}
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
    rests = (
        "In brackets: 90 %, for lines over resampled sections, for life over what is not known. Assured: that many "
        "outlive it with 95 % credibility, in a large programme."
    )
    return [*_filled(head), "", *_page(exclusion, f"mean life to age {exclusion.horizon:g}", rests)]


def report_lines(exclusion: Exclusion) -> list[str]:
    """The check in a few lines: what the first deletion does to the line, and what of that is real.

    Parameters
    ----------
    exclusion : Exclusion

    Returns
    -------
    list of str
    """
    mean = f"mean life to age {exclusion.horizon:g}"
    asked = _asked(exclusion)
    if not asked:
        return _filled(_prevented(exclusion, mean))
    moved = _deleted(asked[0], exclusion.lines[0], f"{exclusion.sightings.threshold:g}")
    return _filled(" ".join([moved, _prevented(exclusion, mean), *_real(asked[0], exclusion, mean)]))


def mixture_lines(mixture: StatedMixture, exclusion: Exclusion) -> list[str]:
    """The exclusion check of a stated mixture, in words.

    Parameters
    ----------
    mixture : StatedMixture
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
        *(row for line in exclusion.lines for row in _line_rows(line)),
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


def _line_rows(line: Line) -> Iterator[str]:
    moved = "" if line.name == "all_sections" else _span(line.shift)
    label = line.words
    if len(label) >= LABEL:
        yield f"  {label}"
        label = ""
    yield f"  {label:<{LABEL}}{line.sections:<{COUNT}}{_span(line.age):<{CELL}}{moved}".rstrip()


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
        return f"assured {OUTLIVED[ASSURED[name]]} %"
    short = mean.replace("mean life to", "mean to")
    return {"median_age": "half outlive", "restricted_mean_age": short}.get(name) or f"{OUTLIVED[name]} % outlive"


def _span(ends: tuple[float, float, float]) -> str:
    """Years and their interval; whole years where the interval is wide."""
    wide = math.isfinite(ends[2] - ends[1]) and ends[2] - ends[1] > 50.0
    value, lower, upper = (_years(end, 0 if wide else 1) for end in ends)
    return value if math.isnan(ends[1]) or not math.isfinite(ends[0]) else f"{value} ({lower} to {upper})"


def _years(value: float, places: int) -> str:
    if math.isnan(value):
        return "-"
    text = f"{value:.{places}f}"
    return "never" if math.isinf(value) else text.removeprefix("-") if float(text) == 0 else text


# -------------------------------------------------------------------------------------------------- words


def _words(exclusion: Exclusion, mean: str) -> Iterator[str]:
    level = f"{exclusion.sightings.threshold:g}"
    pooled, median = exclusion.lines[0], exclusion.quantity("median_age").with_early[0]
    asked = _asked(exclusion)
    for line in asked:
        yield f"{_deleted(line, pooled, level)} {_prevented(exclusion, mean) if line is asked[0] else ''}"
        if line is asked[0]:
            yield from _real(line, exclusion, mean)
    if math.isfinite(pooled.age[0]):
        yield (
            f"No line is a life: that of all sections reaches {level} at {pooled.age[0]:.1f} years, while half of the "
            f"sections outlive {median:.1f}."
        )


def _asked(exclusion: Exclusion) -> list[Line]:
    """Lines after a deletion by condition or age."""
    return [line for line in exclusion.lines[1:] if line.name != "survivors"]


def _prevented(exclusion: Exclusion, mean: str) -> str:
    gains = {name: exclusion.quantity(name).gain[0] for name in ("restricted_mean_age", "b10_age")}
    return (
        f"Prevent every early failure, and {mean} moves by {gains['restricted_mean_age']:.1f} years, "
        f"the age nine in ten outlive by {gains['b10_age']:.1f}."
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
    stated = [f"{100 * share:.0f} % for {_named(shift, mean)}" for shift, share in shares if share is not None]
    if stated:
        over = "; over 100 %: it gains more than the line says" if any((s or 0) > 1 for _, s in shares) else ""
        yield f"The real gain, as a share of these {line.shift[0]:.1f} years: {', '.join(stated)}{over}."
    elif line.deleted and math.isfinite(line.shift[0]):
        yield "The line does not surely move up: the gains stand beside it, and it says nothing of them."
    if line.deleted_late:
        yield (
            f"{line.deleted_late} of the {line.deleted} deleted were not known to have failed by age "
            f"{exclusion.early_age:.3g}; what wears out later, preventing early failures does not keep."
        )


def _named(shift: LifeShift, mean: str) -> str:
    if shift.name in OUTLIVED:
        return f"the age {_label(shift.name, mean)}"
    return "median life" if shift.name == "median_age" else mean


def _traps(exclusion: Exclusion) -> Iterator[str]:
    sightings, pooled = exclusion.sightings, exclusion.lines[0]
    counts = sightings.traps
    if exclusion.planned:
        yield "It goes through the sections of the records, while life is that of the planned programme."
    if pooled.age[0] > sightings.oldest:
        yield f"It ends beyond the oldest reading, at {sightings.oldest:.1f} years: from there on it is extrapolated."
    never = max(exclusion.lines, key=lambda line: line.never)
    if never.never > 0:
        yield f"In {100 * never.never:.3g} % of the resamples a line never gets there ({never.words})."
    for name, one, many in (
        ("removed", "section was removed for condition: its", "sections were removed for condition: their"),
        ("entered_late", "section came under observation late: its", "sections came under observation late: their"),
        ("capped", "reading at the top of the scale counts", "readings at the top of the scale count"),
        ("far_below", "reading far below the threshold is", "readings far below the threshold are"),
        ("after_restoration", "reading after a restoration is", "readings after a restoration are"),
    ):
        count = counts.get(name, 0)
        if count:
            yield f"{count} {one if count == 1 else many} {REST[name]}"
