"""Elicited answers in trade words: lines for a terminal, with the cautions of asking experts."""

from __future__ import annotations

from collections.abc import Iterator
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from .errors import printable
from .expertanswers import misses
from .report import percent_words, wrapped

if TYPE_CHECKING:
    from .distribution import Distribution
    from .elicitation import Expert, Fit
    from .expertanswers import Elicited, Topic

__all__ = ["ELICIT_CAUTIONS", "elicited_lines", "expert_lines", "opening_lines"]

ELICIT_CAUTIONS = (
    "Judgement is judgement: this prior has no measurement behind it, and says so on every table. Ask each expert "
    "alone, before they hear each other, and keep what they said.",
    "It informs a specification; local standards and a licensed engineer decide.",
)
APART = 0.5
"""Share of the variance between experts above which they disagree more than any of them doubts."""
IN_WORDS = {
    "early_failure": "Of 100 new overlays without any of the measures {} fail early.",
    "removal_lag": "A section stays in service {} years on average after reaching the threshold.",
    "label_error": "Of 100 recorded causes {} are wrong.",
    "mechanism.*.median": "Half of the sections prone to it have failed this way by age {} years.",
    "type.*.wear_out_median": "Half of such overlays would be worn out by age {} years, early failures apart.",
    "measure.*.compliance": "Where it is required it is really done as intended in {} of 100 sections.",
    "measure.*.required_rate": "Of 100 sections built today {} have it.",
}
"""Quantities of the prior files, by the pattern of their keys."""


def opening_lines(topic: Topic) -> list[str]:
    """What is asked, and how to answer."""
    lines = wrapped(topic.question)
    lines += wrapped(
        "Three answers: a least, a most, and a middle. Give the least and the most so wide that you would be surprised "
        "once in ten times: once by less, once by more in twenty each."
    )
    return lines


def expert_lines(topic: Topic, expert: Expert, fit: Fit) -> list[str]:
    """One expert's answers as a distribution, and what they imply."""
    shown = printable(expert.name, 40)
    said = ", ".join(f"{topic.per * value:g}" for value in expert.values)
    lines = wrapped(
        f"{shown} said {said} {topic.unit}; fitted: {_range(topic, fit.distribution)} ({fit.distribution.family})."
    )
    if misses(fit):
        fitted = ", ".join(f"{topic.per * float(q):.3g}" for q in fit.distribution.ppf(expert.probabilities))
        lines += wrapped(f"The fit misses these answers: it says {fitted}. Are they what is meant?")
    return lines + [line for text in _implied(topic, fit.distribution) for line in wrapped(text, bullet=True)]


def _range(topic: Topic, distribution: Distribution) -> str:
    low, high = distribution.interval()
    return f"{topic.per * distribution.median:.3g} ({topic.per * low:.3g} to {topic.per * high:.3g})"


def _implied(topic: Topic, distribution: Distribution) -> Iterator[str]:
    """What an effect means for the programme, or a quantity for a road."""
    if topic.averted is None:
        scale = 100.0 if topic.support == "unit" else 1.0
        low, middle, high = (scale * float(q) for q in distribution.ppf([0.05, 0.5, 0.95]))
        found = (words for pattern, words in IN_WORDS.items() if fnmatchcase(topic.key, pattern))
        yield from (words.format(f"{middle:.3g} ({low:.3g} to {high:.3g})") for words in found)
        return
    low, high = distribution.interval()
    harm = 1.0 - float(distribution.cdf(1.0))
    yield (
        f"The measure averts {100 * (1 - distribution.median):.0f} of 100 such failures "
        f"({100 * (1 - high):.0f} to {100 * (1 - low):.0f}); it does harm with a chance of {percent_words(harm)} %."
    )
    yield (
        f"By the prior files {100 * topic.averted:.1f} of 100 sections fail early this way: done everywhere it would "
        f"save {100 * topic.averted * (1 - distribution.median):.1f} of 100 sections "
        f"({100 * topic.averted * (1 - high):.1f} to {100 * topic.averted * (1 - low):.1f})."
    )


def elicited_lines(elicited: Elicited) -> list[str]:
    """What the experts said together, how far they are apart, and the prior that follows."""
    topic, lines = elicited.topic, []
    for expert, fit in zip(elicited.experts, elicited.fits, strict=True):
        lines += [*expert_lines(topic, expert, fit), ""]
    if len(elicited.experts) > 1:
        lines += [*_together(elicited), ""]
    if topic.prior is not None:
        lines += wrapped(f"The prior files say now: {_range(topic, topic.prior)}.")
    chosen = elicited.fit.distribution
    lines += wrapped(f"The prior: {_range(topic, chosen)} {topic.unit}, {chosen}.")
    lines += [line for text in _implied(topic, chosen) for line in wrapped(text, bullet=True)]
    return [*lines, "", *(line for text in ELICIT_CAUTIONS for line in wrapped(text))]


def _together(elicited: Elicited) -> Iterator[str]:
    topic = elicited.topic
    yield f"Pooled, {topic.unit}: median (90 % interval)"
    for method in ("linear", "logarithmic"):
        pooled = elicited.pooled.get(method)
        if pooled is None:
            yield f"  {method:<14}none: the experts' ranges do not overlap"
            continue
        low, middle, high = (topic.per * float(q) for q in pooled.ppf([0.05, 0.5, 0.95]))
        mark = "  <- the prior" if method == elicited.pooling else ""
        yield f"  {method:<14}{middle:.3g} ({low:.3g} to {high:.3g}){mark}"
    first, second, chance = elicited.furthest
    verdict = (
        " They disagree more than each of them doubts: find out why before you pool them, and keep the linear pool."
        if elicited.between > APART
        else ""
    )
    above = f"{printable(first, 40)} stands above {printable(second, 40)} with a chance of {percent_words(chance)} %."
    yield from wrapped(
        f"Disagreement: {100 * elicited.between:.0f} % of the linear pool's variance lies between the experts; "
        f"{above}{verdict}"
    )
