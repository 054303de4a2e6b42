"""The value of a trial in words: lines for a terminal, with what they rest on and the cautions of the work."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from .firstsigns import EVERYTHING

if TYPE_CHECKING:
    from .firstsigns import FirstSigns
    from .information import Estimate
    from .trialvalue import TrialResult, TrialValue

__all__ = ["TRIAL_CAUTIONS", "trial_lines"]

WIDTH = 79
FEW_DRAWS = 100.0
TRUSTED_K = 0.7
MANY = 0.10
SELDOM = 0.05
TRIAL_CAUTIONS = (
    "Every figure is simulated from the model and its priors; what the model leaves out is not in them, and a trial "
    "may find it. The gain or loss of the trial's own sections is not counted.",
    "A trial speaks for roads like those in it. Draw lots for which section gets the measure, and let the raters not "
    "know which is which. The figures inform a programme; local standards and a licensed engineer decide. Work beside "
    "live traffic only inside a protected closure.",
)
CAUSES = {
    True: "Surveyed every year; the cause of every removal is recorded, as often rightly as in the records.",
    False: "Surveyed every year; no causes recorded (with --causes a trial learns more).",
}
WAYS = {True: "chance decides which roads get the measure", False: "the agency chooses which roads get the measure"}


def trial_lines(value: TrialValue, signs: dict[bool, FirstSigns], *, unit: str, basis: str) -> list[str]:
    """What a trial is worth, in words.

    Parameters
    ----------
    value : TrialValue
    signs : dict of bool to FirstSigns
        Ordinary condition data where chance assigns the measure (True) and where the agency chooses (False).
    unit : str
        Unit of the net benefit of one section.
    basis : str
        What the net benefit is, as a sentence.
    """
    measure = value.trials[0].design.measure
    lines = [f"What a trial of {measure} is worth", *_wrapped(basis, "")]
    lines += ["", *_now(value, unit), "", *_trials(value, unit)]
    lines += _wrapped(_verdict(value, unit), "  ")
    lines += [line for text in _doubts(value) for line in _wrapped(text, "  ")]
    if signs:
        lines += ["", *_ordinary(signs, measure)]
    return [*lines, "", *(line for text in TRIAL_CAUTIONS for line in _wrapped(text, ""))]


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def figure(value: float) -> str:
    """A number to three digits, thousands apart."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "never"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _pair(estimate: Estimate) -> str:
    """A number and its standard error, to the same decimals."""
    size = max(abs(estimate.value), abs(estimate.error))
    if size == 0:
        return "0"
    digits = max(0, 2 - math.floor(math.log10(size)))
    return f"{estimate.value:,.{digits}f} (se {estimate.error:,.{digits}f})"


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} of 100" if share == 0 or share >= 0.005 else "under 1 of 100"


def _now(value: TrialValue, unit: str) -> Iterator[str]:
    yield f"Worth knowing, per section of the programme ({unit}; Monte Carlo standard error)"
    yield f"  {'everything in the model':<44}{_pair(value.perfect)}"
    yield f"  {'everything that such a trial could teach':<44}{_pair(value.partial)}"
    for name, one in list(value.groups.items())[:8]:
        yield f"  {name[:43]:<44}{_pair(one)}"
    yield from _wrapped(
        f"Best by what is known now: {value.best}. The measure alone pays against current practice in "
        f"{_percent(value.likely)} draws.",
        "  ",
    )


def _trials(value: TrialValue, unit: str) -> Iterator[str]:
    programme = value.programme
    yield from _wrapped(
        f"Trials, for {programme.sections_per_year:g} sections a year over {programme.horizon} years at "
        f"{100 * programme.discount_rate:g} % a year; only roads built after the trial count ({unit})",
        "",
    )
    yield from _wrapped(CAUSES[value.trials[0].design.causes], "  ")
    yield "  sections  years   gain a section        gain, all roads   cost    net     choice"
    yield "  each arm                                                                  changes"
    for one in value.trials:
        yield (
            f"  {one.design.sections:>8}{one.design.years:>7}   {_pair(one.sample):<22}{figure(one.gain.value):<18}"
            f"{figure(one.cost):<8}{figure(one.net.value):<8}{_percent(one.sample.switch)}{' *' * _thin(one)}"
        )


def _verdict(value: TrialValue, unit: str) -> str:
    best = value.best_trial
    size = f"{best.design.sections} sections with the measure and {best.design.sections} without, {best.design.years}"
    words = f"{size} yearly surveys"
    if best.cost > 0 and best.net.value <= 0:
        start = f"No trial of these pays for itself; the least loss is with {words}: {figure(best.net.value)} {unit}."
    elif best.sample.value <= 2.0 * best.sample.error:
        start = (
            f"No trial of these is worth more than its Monte Carlo error can tell from nothing; the largest value "
            f"found is {figure(best.net.value)} {unit} ({words})."
        )
    else:
        start = (
            f"Largest net value: {words}, {figure(best.net.value)} {unit} (se {figure(best.net.error)}), of which "
            f"{figure(best.cost)} cost are taken off."
        )
    percent = f"{100 * value.level:g} %"
    return (
        f"{start} It changes the choice in {_percent(best.sample.switch)} trials, and makes it {percent} sure whether "
        f"the measure alone pays in {_percent(best.settled)}."
    )


def _doubts(value: TrialValue) -> Iterator[str]:
    """What weakens the figures."""
    thin = [one for one in value.trials if _thin(one)]
    if thin:
        yield (
            f"* Re-weighting rests on few draws (median effective sample size under {FEW_DRAWS:.0f}) for "
            f"{_designs(thin)}: take these figures as rough, and run the study with more draws."
        )
    bad = [one for one in value.trials if (one.sample.pareto_k > TRUSTED_K).mean() > MANY]
    if bad:
        yield (
            f"In more than one simulated trial of ten the re-weighting is not to be trusted (Pareto k above "
            f"{TRUSTED_K:g}) for {_designs(bad)}."
        )
    yield from (f"Broken law: {text}" for text in value.broken)


def _thin(one: TrialResult) -> bool:
    """Whether few draws carry what the trial would find."""
    return bool(np.median(one.sample.ess) < FEW_DRAWS)


def _designs(trials: list[TrialResult]) -> str:
    return ", ".join(f"{one.design.sections} x {one.design.years}" for one in trials)


def _ordinary(signs: dict[bool, FirstSigns], measure: str) -> Iterator[str]:
    first = next(iter(signs.values()))
    yield from _wrapped(
        f"Without a trial: years until ordinary condition data make it {100 * first.level:g} % sure whether "
        f"{measure} pays, of the next {first.span}",
        "",
    )
    for assigned, found in signs.items():
        yield f"  where {WAYS[assigned]}"
        yield f"    {'yearly comparison':<30}{'sure within':<16}{'median year':<14}belief in the truth at the end"
        for row in found.table.to_dict("records"):
            median = figure(row["median_years"]) if math.isfinite(row["median_years"]) else "beyond"
            yield (
                f"    {row['reading']:<30}{_percent(row['confirmed']):<16}{median if median != '0' else 'now':<14}"
                f"{100 * row['chance_at_end']:.0f} %"
            )
        single = found.table[found.table["reading"] != EVERYTHING]
        best = single.iloc[0]
        # settled in the year nought: by what is believed now, not by a reading
        if best["confirmed"] < SELDOM or best["mean_years"] == 0.0:
            yield from _wrapped(
                f"No single one settles what is open now within {found.span} years in more than {100 * SELDOM:.0f} "
                "futures of 100. "
                f"Before any reading the belief in the truth is {100 * found.before:.0f} % on average.",
                "    ",
            )
        else:
            yield f"    Shows first: {best['reading']}."
