"""An elicited prior as the lines of TOML that a study states under [priors.override]."""

from __future__ import annotations

import json
import tomllib
import warnings
from collections.abc import Iterator

from .elicitation import Expert
from .errors import RiskModelWarning
from .expertanswers import Elicited
from .priors import PriorSet, with_overrides

__all__ = ["entry_text", "validate_entry"]


def entry_text(elicited: Elicited, *, source: str, rationale: str) -> str:
    """TOML of the prior: what every expert said, how they are pooled, and the interval that follows.

    Parameters
    ----------
    elicited : Elicited
    source, rationale : str
        Printable texts.

    Notes
    -----
    The answers are written, not the fit: whoever reads the file fits them again and sees who said what.
    """
    return "\n".join([*_lines(elicited, source, rationale), ""])


def _lines(elicited: Elicited, source: str, rationale: str) -> Iterator[str]:
    topic = elicited.topic
    yield "# Paste into study.toml. Elicited answers; each quantile in the quantity's own unit."
    if topic.of_100:
        yield f"[priors.override.{topic.key.removesuffix('.ratio')}]"
        yield 'from = "elicited"'
        yield 'scale = "risk_ratio"'
        yield ""
    yield f"[priors.override.{topic.key}]"
    if len(elicited.experts) > 1:
        yield "experts = ["
        yield from (
            f"    {{ name = {_text(e.name)}, weight = {e.weight:.10g}, {_answers(e)} }}," for e in elicited.experts
        )
        yield "]"
        yield f'pooling = "{elicited.pooling}"'
    else:
        yield f"quantiles = {{ {_answers(elicited.experts[0])} }}"
    low, high = elicited.fit.distribution.interval()
    yield f"unit = {_text('risk ratio' if topic.of_100 else topic.unit)}"
    yield f"interval_90 = [{low:.6g}, {high:.6g}]"
    yield 'status = "elicited"'
    yield f"source = {_text(source)}"
    yield f"rationale = {_text(rationale)}"


def _answers(expert: Expert) -> str:
    pairs = zip(("p05", "p50", "p95"), expert.values, strict=True)
    return ", ".join(f"{name} = {value:.10g}" for name, value in pairs)


def _text(text: str) -> str:
    # of printable text JSON makes what TOML calls a basic string
    return json.dumps(text, ensure_ascii=False)


def validate_entry(text: str, priors: PriorSet) -> None:
    """Read the lines as a study would.

    Raises
    ------
    PriorError
        When the prior files refuse them.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RiskModelWarning)  # how far a fit misses the answers was told with them
        with_overrides(priors, tomllib.loads(text)["priors"]["override"])
