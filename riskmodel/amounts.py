"""Amounts as people say them: a number, or a range, and its unit. `8in`, `600 lb/yd3`, `22..28C`, `45%`, `07:30`.

Accept or refuse, never guess: an amount without its unit is refused, since 20 may be of either scale.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from .errors import Faults

__all__ = ["UNITS", "Amount", "Rule", "amount", "clock_text", "read_clock", "rounded", "worded"]

UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "content": {"kg/m3": (1.0, 0.0), "lb/yd3": (0.45359237 / 0.9144**3, 0.0)},
        "density": {"kg/m3": (1.0, 0.0), "lb/ft3": (0.45359237 / 0.3048**3, 0.0)},
        "length": {"mm": (1e-3, 0.0), "cm": (1e-2, 0.0), "m": (1.0, 0.0), "in": (0.0254, 0.0)},
        "distance": {"km": (1.0, 0.0), "mi": (1.609344, 0.0)},
        "temperature": {"C": (1.0, 0.0), "F": (5 / 9, -160 / 9)},
        "difference": {"C": (1.0, 0.0), "F": (5 / 9, 0.0)},
        "speed": {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0), "mph": (0.44704, 0.0)},
        "sunshine": {"W/m2": (1.0, 0.0)},
        "strength": {"MPa": (1.0, 0.0), "psi": (0.006894757, 0.0)},
        "time": {"h": (1.0, 0.0), "min": (1 / 60, 0.0)},
        "share": {"%": (0.01, 0.0)},
        "number": {"": (1.0, 0.0)},
    }
)
"""Units of each kind: amount in SI (or km, degC, h) = number x factor + offset. Identities."""

_NUMBER = r"[+-]?(?:\d+(?:\.\d+)?|\.\d+)"
_AMOUNT = re.compile(rf"\s*({_NUMBER})\s*(?:\.\.\s*({_NUMBER})\s*)?([^\d\s.,+-]\S*)?\s*", re.ASCII)
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)


@dataclass(frozen=True)
class Amount:
    """A value, or a range that nine in ten lie in.

    Parameters
    ----------
    low, high : float
        In the unit of `UNITS` with factor 1; equal for one value.
    """

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Middle of the range."""
        return 0.5 * (self.low + self.high)

    @property
    def ranged(self) -> bool:
        """Whether a range was given."""
        return self.high > self.low


@dataclass(frozen=True)
class Rule:
    """What one amount may be.

    Parameters
    ----------
    kind : str
        Of `UNITS`.
    lowest, highest : float
        In the unit with factor 1.
    example : str
        For messages.
    whole, ranged : bool
        Whole numbers alone; ranges allowed.
    """

    kind: str
    lowest: float
    highest: float
    example: str
    whole: bool = False
    ranged: bool = True


def amount(name: str, text: str, rule: Rule, faults: Faults) -> Amount | None:
    """What a text says, or None with the fault noted.

    Parameters
    ----------
    name : str
        The option, for messages.
    text : str
        As typed.
    rule : Rule
    faults : Faults
        Collects what is wrong.

    Returns
    -------
    Amount or None
    """
    units = UNITS[rule.kind]
    found = _AMOUNT.fullmatch(text)
    unit = _unit(found[3] or "", units) if found else None
    if found is None or unit is None:
        needed = _needed(rule, units)
        faults.add(needed, column=name, got=text, remedy=f"Write it as {rule.example}")
        return None
    factor, offset = units[unit]
    ends = [float(end) * factor + offset for end in (found[1], found[2] or found[1])]
    slack = 1e-9 * (rule.highest - rule.lowest)
    if not all(rule.lowest - slack <= end <= rule.highest + slack for end in ends):
        low, high = ((limit - offset) / factor for limit in (rule.lowest, rule.highest))
        faults.add(f"it lies between {low:.5g} and {high:.5g} {unit}".rstrip(), column=name, got=text,
                   remedy="Check the value and its unit")  # fmt: skip
    elif rule.whole and any(end != math.floor(end) for end in ends):
        faults.add("a whole number is needed", column=name, got=text, remedy=f"Write it as {rule.example}")
    elif found[2] and not rule.ranged:
        faults.add("one value is needed, not a range", column=name, got=text, remedy=f"Write it as {rule.example}")
    elif ends[1] < ends[0]:
        faults.add("a range goes from low to high", column=name, got=text, remedy="Swap its ends")
    else:
        # a rounding error of a unit must not carry a limit value past the limit
        return Amount(*(min(max(end, rule.lowest), rule.highest) for end in ends))
    return None


def _needed(rule: Rule, units: Mapping[str, tuple[float, float]]) -> str:
    if "" in units:
        return "a plain number is needed"
    return f"a number and its unit are needed ({', '.join(units)})"


def _unit(text: str, units: Mapping[str, tuple[float, float]]) -> str | None:
    """The unit as listed; a degree sign and the case of letters are set aside."""
    plain = text.casefold().removeprefix("\N{DEGREE SIGN}").removeprefix("deg").replace("\N{SUPERSCRIPT THREE}", "3")
    return next((unit for unit in units if unit.casefold() == plain), None)


def read_clock(name: str, text: str, faults: Faults) -> Amount | None:
    """Clock hours that a text such as `09:00`, or `07:00..15:30` for a shift, says; or None with the fault noted.

    Parameters
    ----------
    name, text, faults
        As for `amount`.

    Returns
    -------
    Amount or None
        h from midnight.
    """
    parts = [_CLOCK.fullmatch(part.strip()) for part in text.split("..")]
    if len(parts) > 2 or not all(parts):
        faults.add("a clock time of 24 hours is needed", column=name, got=text,
                   remedy="Write it as 09:00, or as 07:00..15:30 for a shift")  # fmt: skip
        return None
    hours = [int(part[1]) + int(part[2]) / 60 for part in parts if part]
    if hours[-1] < hours[0]:
        faults.add("a shift that passes midnight is asked in two parts", column=name, got=text,
                   remedy="Give the hours before midnight, then those after")  # fmt: skip
        return None
    return Amount(hours[0], hours[-1])


def clock_text(hours: float) -> str:
    """Clock time of hours from a midnight: `13:30`, or `02:15 next day`."""
    minutes = round(hours * 60)
    day, left = divmod(minutes, 24 * 60)
    later = {0: "", 1: " next day"}.get(day, f" {day} days on")
    return f"{left // 60:02d}:{left % 60:02d}{later}"


def worded(value: Amount, kind: str, *units: str) -> str:
    """An amount in one or two units: `200 mm (7.9 in)`.

    Parameters
    ----------
    value : Amount
    kind : str
        Of `UNITS`.
    *units : str
        The first is shown, the others follow in brackets.

    Returns
    -------
    str
    """
    texts: list[str] = []
    for unit in units:
        factor, offset = UNITS[kind][unit]
        low, high = ((end - offset) / factor for end in (value.low, value.high))
        number = rounded(low) if not value.ranged else f"{rounded(low)} to {rounded(high)}"
        texts.append(f"{number} {unit}".strip() if unit != "%" else f"{number} %")
    return texts[0] + (f" ({', '.join(texts[1:])})" if texts[1:] else "")


def rounded(value: float) -> str:
    """Three significant digits, never in powers of ten: `1020`, `24.9`, `0.42`.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    if value == 0:
        return "0"
    places = 2 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if places > 0 else text
