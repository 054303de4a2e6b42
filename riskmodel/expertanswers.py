"""What experts are asked, what they answered, and what their answers say together."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .columns import Column, nearest
from .distribution import Distribution
from .elicitation import MISFIT_LIMIT, ElicitationError, Expert, Fit, Pooled, fit_quantiles, pool, pool_experts
from .errors import Faults, InputError, RiskModelWarning, printable
from .priors import PriorSet
from .tables import Table, read_table

__all__ = [
    "PROBABILITIES",
    "AnswerError",
    "Elicited",
    "Topic",
    "Wording",
    "judged",
    "misses",
    "order_fault",
    "read_answers",
    "topic_of",
    "value_fault",
]

PROBABILITIES = (0.05, 0.5, 0.95)
COLUMNS = ("p05", "p50", "p95")
MOST_OF_100 = 1000.0


class AnswerError(InputError):
    """Faults of a table of answers, or of what is asked."""


@dataclass(frozen=True)
class Topic:
    """One quantity that experts are asked about.

    Parameters
    ----------
    key : str
        Its place in the prior files.
    question : str
    unit : str
        In which answers are given.
    support : {"real", "positive", "unit"}
        Where the quantity can lie.
    per : float
        Answer over this is the quantity: 100 for "how many of 100".
    averted : float or None
        Of an effect: share of all sections that fail early in the ways it acts on.
    prior : Distribution or None
        What the prior files say now.
    """

    key: str
    question: str
    unit: str
    support: str
    per: float = 1.0
    averted: float | None = None
    prior: Distribution | None = None

    @property
    def of_100(self) -> bool:
        """Whether it is a measure's effect, asked of 100 sections."""
        return self.per == 100.0


@dataclass(frozen=True)
class Elicited:
    """What experts said, alone and together, in the quantity's own unit.

    Parameters
    ----------
    topic : Topic
    experts : tuple of Expert
    fits : tuple of Fit
        One an expert.
    pooled : mapping of str to Pooled
        By method; a method that cannot pool them is absent.
    pooling : str
        The method of the prior.
    fit : Fit
        The prior.
    """

    topic: Topic
    experts: tuple[Expert, ...]
    fits: tuple[Fit, ...]
    pooled: dict[str, Pooled]
    pooling: str
    fit: Fit

    @property
    def between(self) -> float:
        """Share of the linear pool's variance that lies between the experts' means."""
        weight = np.array([expert.weight for expert in self.experts])
        weight = weight / weight.sum()
        mean, sd = (np.array([getattr(f.distribution, name) for f in self.fits]) for name in ("mean", "sd"))
        apart = float(weight @ (mean - weight @ mean) ** 2)
        return apart / (apart + float(weight @ sd**2))

    @property
    def furthest(self) -> tuple[str, str, float]:
        """The two experts furthest apart, and the chance that the first one's value exceeds the second one's."""
        p = (np.arange(200) + 0.5) / 200
        drawn = [fit.distribution.ppf(p) for fit in self.fits]
        pairs = [(i, j) for i in range(len(drawn)) for j in range(len(drawn)) if i != j]
        chance = {(i, j): float((drawn[i][:, None] > drawn[j][None, :]).mean()) for i, j in pairs}
        i, j = max(chance, key=chance.__getitem__)
        return self.experts[i].name, self.experts[j].name, chance[i, j]


# ------------------------------------------------------------------------------- what is asked


def topic_of(what: str, priors: PriorSet) -> Topic:
    """The topic of a measure's name, `NAME.2` for its second effect, or the key of any quantity.

    Raises
    ------
    AnswerError
        When no prior file knows it.
    """
    name, _, number = what.partition(".")
    measures = {m.name: m for m in priors.measures}
    if name in measures and (number == "" or (number.isascii() and number.isdigit())):
        return _of_effect(name, int(number or 1), priors)
    quantities = {q.key: q for q in priors.quantities() if q.distribution.family != "fixed"}
    if what not in quantities:
        faults, known = Faults(), [*measures, *quantities]
        near = nearest(what, known)
        faults.add(
            "a measure or the key of a quantity of the prior files is asked about",
            got=what,
            remedy=f"Did you mean `{near}`" if near else f"Measures: {', '.join(measures)}",
        )
        faults.raise_any(AnswerError)
    quantity = quantities[what]
    distribution = quantity.distribution
    words = printable(what.replace("_", " ").replace(".", ", "), 200)
    units = "as a probability from 0 to 1" if quantity.unit == "probability" else f"in {quantity.unit}"
    return Topic(what, f"{words}, {units}", quantity.unit, _support(distribution), prior=distribution)


def _support(distribution: Distribution) -> str:
    low, high = distribution.support
    return "unit" if (low, high) == (0.0, 1.0) else "positive" if low >= 0.0 else "real"


def _of_effect(name: str, number: int, priors: PriorSet) -> Topic:
    measure, faults = priors.measure(name), Faults()
    if not 1 <= number <= len(measure.effects):
        known = "; ".join(f"{name}.{i}: {', '.join(e.mechanisms)}" for i, e in enumerate(measure.effects, 1))
        faults.add("the measure has no such effect", got=f"{name}.{number}", remedy=f"Known: {known or 'none'}")
        faults.raise_any(AnswerError)
    effect = measure.effects[number - 1]
    chosen = [m for m in priors.mechanisms if m.name in effect.mechanisms]
    shares = [sum(m.share.get(kind, 0.0) for m in chosen) for kind in effect.applies_to]
    question = (
        f"{measure.question} This way: {', '.join(m.label for m in chosen)}. The measure: {measure.label}, really done "
        "as intended."
    )
    stated = effect.elicited.distribution if effect.elicited and effect.elicited_scale == "risk_ratio" else None
    averted = priors.early_failure.distribution.mean * float(np.mean(shares))
    key = f"measure.{name}.effect.{number}.ratio"
    return Topic(key, question, "sections of 100", "positive", 100.0, averted, stated)


# ------------------------------------------------------------------------------- what is answered


@dataclass(frozen=True)
class Wording:
    """The three questions of one topic, extremes first: a middle named first would draw them to itself."""

    low: str
    high: str
    middle: str

    @classmethod
    def of(cls, topic: Topic) -> Wording:
        """In the words of the topic."""
        what = "how many still would" if topic.of_100 else f"the value in {topic.unit}"
        return cls(
            f"At the least, {what} (1 chance in 20 of less)",
            f"At the most, {what} (1 chance in 20 of more)",
            f"In the middle, {what} (as likely more as less)",
        )


def value_fault(value: float, topic: Topic) -> str:
    """What is impossible about one answer, "" where nothing is."""
    if not np.isfinite(value):
        return "a number is expected"
    if topic.of_100 and not 0.0 < value <= MOST_OF_100:
        return (
            "a number of sections above 0 is expected, such as 40; nothing is certain, so write 0.5 for hardly any, "
            "and more than 100 where the measure does harm"
        )
    if topic.support == "positive" and value <= 0.0:
        return "the quantity is above 0; write a small number for nearly nothing"
    if topic.support == "unit" and not 0.0 < value < 1.0:
        return "a probability between 0 and 1 is expected, such as 0.3; nothing is certain, so neither 0 nor 1"
    return ""


def order_fault(low: float, middle: float | None, high: float) -> str:
    """What is impossible about three answers together, "" where nothing is."""
    if not low < high:
        return f"the most must exceed the least; got {high:g} against {low:g}"
    if middle is not None and not low < middle < high:
        return f"the middle lies between the least and the most; got {middle:g} against {low:g} and {high:g}"
    return ""


def read_answers(path: Path, topic: Topic) -> tuple[Expert, ...]:
    """Read a table of answers: columns `expert`, `p05`, `p50`, `p95`, and `weight` where experts count differently.

    Parameters
    ----------
    path : Path
        CSV or Parquet file, one row an expert, answers as the topic asks for them.
    topic : Topic

    Raises
    ------
    AnswerError
        With every fault of the file.
    """
    faults = Faults(path.name)
    rules = [Column("expert", required=True, filled=True)]
    rules += [Column(name, "number", required=True, filled=True, unit=topic.unit) for name in COLUMNS]
    rules += [Column("weight", "number", lowest=1e-6, highest=1e6)]
    table = read_table(path, rules, faults)
    if not len(table) and not len(faults):
        faults.add("the table holds at least one expert", remedy="Fill one row an expert")
    seen: dict[str, int] = {}
    for row in np.flatnonzero(table.readable("expert", *COLUMNS)):
        _check_row(table, int(row), topic, seen, faults)
    faults.raise_any(AnswerError)
    weight = np.where(np.isfinite(table["weight"]), table["weight"], 1.0)
    values = np.stack([table[name] for name in COLUMNS], axis=1) / topic.per
    return tuple(
        Expert(str(name), PROBABILITIES, tuple(float(v) for v in row), float(w))
        for name, row, w in zip(table["expert"], values, weight, strict=True)
    )


def _check_row(table: Table, row: int, topic: Topic, seen: dict[str, int], faults: Faults) -> None:
    line, name = int(table.lines[row]), str(table["expert"][row])
    if name in seen:
        faults.add(f"each expert has one row; see row {seen[name]}", row=line, column="expert", got=name)
    seen.setdefault(name, line)
    values = [float(table[column][row]) for column in COLUMNS]
    wrong = [(column, value, value_fault(value, topic)) for column, value in zip(COLUMNS, values, strict=True)]
    for column, value, rule in wrong:
        if rule:
            faults.add(rule, row=line, column=column, got=f"{value:g}")
    together = order_fault(values[0], values[1], values[2])
    if together and not any(rule for *_, rule in wrong):
        faults.add(together, row=line, column="p05, p50, p95", remedy="Swap or correct them")


# ------------------------------------------------------------------------------- together


def judged(topic: Topic, experts: Sequence[Expert], *, pooling: str = "linear") -> Elicited:
    """Fit every expert's answers and pool them.

    Parameters
    ----------
    topic : Topic
    experts : sequence of Expert
        At least one, in the quantity's own unit.
    pooling : {"linear", "logarithmic"}
        Of the prior.

    Raises
    ------
    ElicitationError
        When the answers fit no distribution, or the experts cannot be pooled that way.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RiskModelWarning)  # the misfit is shown beside each fit
        fits = tuple(fit_quantiles(e.probabilities, e.values, support=topic.support, name=e.name) for e in experts)
        fit = pool_experts(experts, support=topic.support, method=pooling, name=topic.key)
    pooled = {}
    for method in ("linear", "logarithmic") if len(fits) > 1 else ():
        try:
            pooled[method] = pool([f.distribution for f in fits], [e.weight for e in experts], method=method)
        except ElicitationError:
            if method == pooling:
                raise
    return Elicited(topic, tuple(experts), fits, pooled, pooling, fit)


def misses(fit: Fit) -> bool:
    """Whether a fit does not say what was said."""
    return fit.misfit > MISFIT_LIMIT
