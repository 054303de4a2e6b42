"""Agencies whose records break one assumption of the model, each in one way. Invented sizes.

What is broken is drawn aside, so that lives and errors are those of the agency that breaks nothing.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from register import FROM, Kept, Register, Road

__all__ = ["MISFITS"]

LAST = 2025


class HeavyTails(Register):
    """Rater errors of the same sd with the tails of Student's t on 3 degrees of freedom."""

    def error(self, road: Road, age: float) -> float:
        return super().error(road, age) / math.sqrt(self.aside.chisquare(3))


class Autocorrelated(Register):
    """Errors of one section that follow each other: correlation 0.8 a year apart, the same sd."""

    def error(self, road: Road, age: float) -> float:
        before, last = road.get("last error", (age, None))
        memory = 0.8 ** (age - before)
        fresh = super().error(road, age)
        now = fresh if last is None else memory * last + math.sqrt(1.0 - memory**2) * fresh
        road["last error"] = (age, now)
        return now


class YearOffsets(Register):
    """Every survey year is read high or low as a whole, sd 2 on the z scale (some 3 points at an index of 90)."""

    spread = 2.0

    def __init__(self, *arguments: Any):
        super().__init__(*arguments)
        self.offsets = self.aside.normal(size=LAST - int(FROM) + 1) * self.spread

    def error(self, road: Road, age: float) -> float:
        return super().error(road, age) + float(self.offsets[int(road["opened"] + age) - int(FROM)])


class RaterOffsets(Register):
    """Two raters to a district, each for a spell of five years, and each severe or mild, sd 2 on the z scale."""

    spread = 2.0

    def __init__(self, *arguments: Any):
        super().__init__(*arguments)
        self.offsets = {f"d{i}{side}": self.aside.normal() * self.spread for i in range(5) for side in "ab"}

    def rater(self, road: Road, age: float) -> str:
        """Who reads the road at that age."""
        spell = int(road["opened"] + age - FROM) // 5
        return f"{road['district']}{'ab'[spell % 2]}"

    def error(self, road: Road, age: float) -> float:
        return super().error(road, age) + self.offsets[self.rater(road, age)]


class NamedRaters(RaterOffsets):
    """The same raters, named in the surveys, so that the model gives each an offset."""

    names_raters = True


class LateOnset(Register):
    """Early failures come at twice the age that anybody expected."""

    @staticmethod
    def changed(truth: dict[str, Any]) -> dict[str, Any]:
        return truth | {"age_median": 2.0 * truth["age_median"]}


class ExponentSpread(Register):
    """Every section falls along a path of its own: exponents differ with sd 0.4 in ln."""

    def exponent(self, cause: int) -> float:
        return super().exponent(cause) * math.exp(0.4 * self.aside.normal())


class Restored(Register):
    """Of sections read between 55 and 76 a quarter is ground or patched, and nobody writes it down."""

    def history(self, road: Road, number: int) -> dict[str, Any] | None:
        history = super().history(road, number)
        if history is None or self.aside.random() > 0.25:
            return history
        worn = [j for j, (_, _, z, _) in enumerate(history["readings"]) if 55.0 <= self.condition.from_z(z) <= 76.0]
        if worn:
            lift = self.aside.uniform(5.0, 10.0)
            readings = enumerate(history["readings"])
            after = [(i, age, z + lift * (j > worn[0]), rater) for j, (i, age, z, rater) in readings]
            history["readings"] = after
        return history


class WrongYears(Register):
    """One road in five has an opening date that is two to five years wrong."""

    def keep(self, count: int, records_from: float) -> Kept:
        kept = super().keep(count, records_from)
        for road, history in kept:
            if self.aside.random() < 0.2:
                shift = self.aside.uniform(2.0, 5.0) * self.aside.choice([-1.0, 1.0])
                ages = [age for _, age, _, _ in history["readings"]]
                ages += [a for a in (history["removed"], history["in_service"]) if not math.isnan(a)]
                latest = road["opened"] + min(ages) - 0.1
                road["written opening"] = min(max(road["opened"] + shift, 1990.0), latest)
        return kept


class InformativeRemoval(Register):
    """Of roads that would fail within 20 years four in ten are widened or rebuilt before, for "other" reasons."""

    def history(self, road: Road, number: int) -> dict[str, Any] | None:
        history = super().history(road, number)
        if history is None or history["life"] > 20.0 or self.aside.random() > 0.4:
            return history
        gone = history["life"] * self.aside.uniform(0.6, 1.0)
        end = history["removed"] if not math.isnan(history["removed"]) else history["in_service"]
        if road["entry"] + 0.2 < gone < end:
            history["removed"], history["in_service"] = math.nan, gone
            history["readings"] = [r for r in history["readings"] if r[1] < gone]
            history["label"] = np.zeros_like(history["label"])
        return history


class ConfoundedChoice(Register):
    """Measures went to worse roads by far: 1.0 on the log-odds, where the prior says 0.1 (sd 0.3)."""

    @staticmethod
    def changed(truth: dict[str, Any]) -> dict[str, Any]:
        return truth | {"selection": truth["selection"] + 1.0}


MISFITS: dict[str, type[Register]] = {
    "none": Register,
    "heavy_tails": HeavyTails,
    "autocorrelated": Autocorrelated,
    "year_offsets": YearOffsets,
    "rater_offsets": RaterOffsets,
    "rater_offsets_named": NamedRaters,
    "late_onset": LateOnset,
    "exponent_spread": ExponentSpread,
    "unrecorded_restorations": Restored,
    "wrong_years": WrongYears,
    "informative_removal": InformativeRemoval,
    "confounded_choice": ConfoundedChoice,
}
