"""The questions at a terminal. Impossible answers are asked again, with what is wrong about them."""

from __future__ import annotations

from collections.abc import Callable

import click

from .elicitation import Expert
from .elicitwords import expert_lines, opening_lines
from .errors import printable
from .expertanswers import PROBABILITIES, Topic, Wording, judged, order_fault, value_fault

__all__ = ["ask_experts", "ask_text"]

LONGEST = 200


def ask_experts(topic: Topic) -> tuple[Expert, ...]:
    """Ask one expert after the other.

    Raises
    ------
    click.Abort
        When the person stops; nothing has been written.
    """
    for line in opening_lines(topic):
        click.echo(printable(line, 10_000))
    experts: list[Expert] = []
    while True:
        click.echo()
        name = ask_text("Name of the expert", [expert.name for expert in experts])
        experts.append(_one(name, topic))
        if not click.confirm("Another expert?", default=False):
            return tuple(experts)


def ask_text(question: str, taken: list[str] | None = None, default: str | None = None) -> str:
    """A printable text that nobody has yet."""

    def read(answer: str) -> str:
        text = " ".join(answer.split())
        if not text or not text.isprintable() or len(text) > LONGEST:
            raise click.BadParameter(f"write a text of 1 to {LONGEST} characters.")
        if text in (taken or []):
            raise click.BadParameter("each expert is asked once; write another name.")
        return text

    return str(click.prompt(question, value_proc=read, default=default))


def _one(name: str, topic: Topic) -> Expert:
    """One expert's three answers, until the expert stands by what they imply."""
    while True:
        expert = Expert(name, PROBABILITIES, tuple(value / topic.per for value in _three(topic)))
        for line in expert_lines(topic, expert, judged(topic, [expert]).fits[0]):
            click.echo(printable(line, 10_000))
        if click.confirm("Is that what you mean?", default=True):
            return expert


def _three(topic: Topic) -> tuple[float, float, float]:
    """Least, middle and most, in the unit of the question."""
    wording = Wording.of(topic)
    low = _number(wording.low, topic)
    high = _number(wording.high, topic, lambda value: order_fault(low, None, value))
    middle = _number(wording.middle, topic, lambda value: order_fault(low, value, high))
    return low, middle, high


def _number(question: str, topic: Topic, against: Callable[[float], str] = lambda value: "") -> float:
    def read(answer: str) -> float:
        try:
            value = float(answer)
        except ValueError:
            raise click.BadParameter("a number is expected, with a point for decimals, such as 12.5.") from None
        fault = value_fault(value, topic) or against(value)
        if fault:
            raise click.BadParameter(f"{fault}.")
        return value

    return float(click.prompt(question, value_proc=read))
