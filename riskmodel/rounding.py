"""Numbers as a reader sees them: rounded to what is known, signs and units in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Known", "count", "known", "of_draws", "percent", "places_for", "plain", "spread", "with_error"]

TAILS = (0.05, 0.95)
BEYOND = 1000.0
"""An age beyond the grid counts as this one, as in the tables, so that means exist."""
FINEST = 4
"""Most decimals shown: nothing here is known better."""


@dataclass(frozen=True)
class Known:
    """A number with its 90 % interval; the ends are NaN where there is none."""

    value: float
    lower: float = math.nan
    upper: float = math.nan

    def __str__(self) -> str:
        return known(self.value, self.lower, self.upper)

    @property
    def middle(self) -> str:
        """The number alone, to the digits that its interval allows."""
        return plain(self.value, places_for(self.lower, self.upper, self.value))

    @property
    def ends(self) -> str:
        """The interval alone, `6.1 to 13.3`."""
        places = places_for(self.lower, self.upper, self.value)
        return f"{plain(self.lower, places)} to {plain(self.upper, places)}"

    def times(self, factor: float) -> Known:
        """The number in another unit; a negative factor turns the interval round."""
        ends = sorted((factor * self.lower, factor * self.upper))
        return Known(factor * self.value, *ends)

    @classmethod
    def row(cls, row: Mapping[str, Any], name: str = "") -> Known:
        """From the columns `mean`, `lower`, `upper` of a table's row, or `NAME_mean` and so on."""
        stem = f"{name}_" if name else ""
        return cls(*(float(row[f"{stem}{end}"]) for end in ("mean", "lower", "upper")))


def spread(draws: np.ndarray) -> Known:
    """Mean and central 90 % interval over draws (sample,)."""
    finite = np.where(np.isfinite(draws), draws, BEYOND)
    lower, upper = np.quantile(finite, TAILS)
    return Known(float(finite.mean()), float(lower), float(upper))


def places_for(lower: float, upper: float, value: float = 0.0) -> int:
    """Decimals that leave two significant digits of half an interval's width; negative: whole tens, hundreds.

    An uncertainty is stated to two significant digits at most (JCGM 100:2008, 7.2.6; from memory).
    Without an interval the number is shown to three significant digits.

    Examples
    --------
    >>> places_for(6.12, 13.31)
    1
    >>> places_for(1200.0, 5100.0)
    -2
    """
    half = 0.5 * (upper - lower)
    digits, size = (2, half) if math.isfinite(half) and half > 0 else (3, abs(value))
    if not math.isfinite(size) or size == 0:
        return 1
    return min(digits - 1 - math.floor(math.log10(size)), FINEST)


def plain(value: float, places: int) -> str:
    """A number with so many decimals, thousands apart, without a minus before nought.

    Examples
    --------
    >>> plain(-0.02, 1), plain(12345.0, -2)
    ('0.0', '12,300')
    """
    if not math.isfinite(value):
        return "never" if value > 0 else "not known"
    text = f"{round(value, places):,.{max(places, 0)}f}"
    return text.removeprefix("-") if not text.strip("-0.,") else text.replace("-", "\N{MINUS SIGN}")


def known(value: float, lower: float = math.nan, upper: float = math.nan) -> str:
    """A number with its interval, to two significant digits of half the interval's width.

    Examples
    --------
    >>> known(9.234, 6.12, 13.31)
    '9.2 (6.1 to 13.3)'
    >>> known(8.25)
    '8.25'
    """
    if math.isnan(value):
        return ""
    places = places_for(lower, upper, value)
    if math.isnan(lower) or math.isnan(upper) or lower == upper:
        return plain(value, places) if value else "0"
    return f"{plain(value, places)} ({plain(lower, places)} to {plain(upper, places)})"


def with_error(value: float, error: float) -> str:
    """A number with its Monte Carlo standard error, to two significant digits of the error.

    Examples
    --------
    >>> with_error(1234.4, 56.7)
    '1,234 (se 57)'
    """
    if not math.isfinite(error) or error <= 0:
        return known(value)
    places = 1 - math.floor(math.log10(error))
    return f"{plain(value, min(places, FINEST))} (se {plain(error, min(places, FINEST))})"


def percent(share: float) -> str:
    """A share in percent, never rounded to certainty.

    Examples
    --------
    >>> percent(0.996), percent(0.423), percent(0.0)
    ('over 99 %', '42 %', '0 %')
    """
    if 0.0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1.0:
        return "over 99 %"
    return f"{100.0 * share:.0f} %"


def of_draws(share: float) -> str:
    """A share of draws as a chance out of 100, never rounded to certainty."""
    return percent(share).replace(" %", " of 100")


def count(number: int, noun: str) -> str:
    """A whole number and its noun, `1 section`, `12 sections`."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
