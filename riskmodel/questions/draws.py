"""Samples of amounts: a range as it was given, one value with the usual spread of its kind."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from ..amounts import Amount
from ..physics.limits import FloatArray
from ..streams import stream

__all__ = ["RELATIVE_SPREAD", "USUAL_SPREAD", "Draw", "points"]

USUAL_SPREAD: Mapping[str, float] = MappingProxyType(
    {
        "w_cm": 0.04,
        "thickness": 0.015,
        "mix_temperature": 2.5,
        "air": 3.0,
        "swing": 2.5,
        "humidity": 0.15,
        "noon_sun": 150.0,
        "expansion": 1.6e-6,
        "absorption": 0.015,
        "desorption": 0.05,
        "chemical_shrinkage": 0.008,
    }
)
"""Half of the range that nine in ten lie in, in SI (judgement; thickness and w/cm: process variation, from memory)."""

RELATIVE_SPREAD: Mapping[str, float] = MappingProxyType(
    {"cementitious": 0.03, "strength_28": 0.20, "wind_speed": 0.65, "friction": 0.25, "saw_strength": 0.2}
)
"""The same as a share of the value, on the logarithm (judgement)."""

_TAIL = 1.6448536269514722  # standard normal quantile of 0.95
_ENDS = (0.05, 0.5, 0.95)


class Draw:
    """Samples of amounts; each input has a stream of its own, so that one input leaves the others' numbers.

    Parameters
    ----------
    purpose : str
        Names the streams.
    seed, samples : int
    spread : float
        Multiplies the usual spreads.
    """

    def __init__(self, purpose: str, seed: int, samples: int, spread: float):
        self.purpose, self.seed, self.samples, self.spread = purpose, seed, samples, spread

    def normal(self, name: str) -> FloatArray:
        """Standard normal numbers of one input."""
        return stream(self.seed, self.purpose, name).standard_normal(self.samples)

    def even(self, name: str, value: Amount) -> FloatArray:
        """Evenly over the range."""
        return value.low + (value.high - value.low) * stream(self.seed, self.purpose, name).random(self.samples)

    def __call__(self, name: str, value: Amount, lowest: float, highest: float) -> FloatArray:
        """Around the middle, within the limits of the formula; on the logarithm where the spread is relative."""
        z = self.normal(name) / _TAIL
        if name in RELATIVE_SPREAD and value.low > 0:
            low, high = np.log([value.low, value.high])
            half = 0.5 * (high - low) if value.ranged else self.spread * RELATIVE_SPREAD[name]
            drawn = np.exp(0.5 * (low + high) + half * z)
        else:
            half = 0.5 * (value.high - value.low) if value.ranged else self.spread * USUAL_SPREAD.get(name, 0.0)
            drawn = value.middle + half * z
        return np.clip(drawn, lowest, highest)


def points(values: FloatArray) -> tuple[float, float, float]:
    """5, 50 and 95 % points; an order statistic, because infinite values cannot be interpolated."""
    low, middle, high = np.quantile(values, _ENDS, method="inverted_cdf")
    return float(low), float(middle), float(high)
