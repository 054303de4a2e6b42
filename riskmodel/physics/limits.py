"""Limits of arguments: an error where a value cannot be right, a warning where a formula is unproved."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from riskmodel.errors import RangeWarning, RiskModelError

__all__ = ["FloatArray", "LimitError", "caution", "within"]

type FloatArray = NDArray[np.float64]


class LimitError(RiskModelError, ValueError):
    """An argument of a formula has a value that cannot be right: wrong unit, sign or missing."""


def within(name: str, value: ArrayLike, low: float, high: float, unit: str = "", *, remedy: str = "") -> FloatArray:
    """The argument as an array of floats, or an error if any of it lies outside `[low, high]`.

    Parameters
    ----------
    name : str
        Argument as the caller knows it.
    value : array_like
        Any shape, in `unit`. NaN is refused; infinity only where a limit is infinite.
    low, high : float
        Limits, both allowed.
    unit : str
        "" for a pure number.
    remedy : str
        How to mend it, a sentence without full stop. Without one the message asks for the unit.

    Returns
    -------
    ndarray of float
        Same shape as `value`.

    Raises
    ------
    LimitError
        If any element is NaN or outside; the message counts them and shows the first.
    """
    array = np.asarray(value, dtype=np.float64)
    bad = ~((array >= low) & (array <= high))
    if not bad.any():
        return array
    span = _span(low, high, unit)
    mend = remedy or (f"Check the value and its unit ({unit})" if unit else "Check the value")
    raise LimitError(f"`{name}` must lie {span}; got {_shown(array, bad)}. {mend}.")


def caution(name: str, value: ArrayLike, low: float, high: float, unit: str = "", *, because: str) -> None:
    """Warn if any of the argument lies outside the range in which a formula was validated.

    Parameters
    ----------
    name, value, low, high, unit
        As for `within`.
    because : str
        What holds outside the range, a sentence without full stop.

    Warns
    -----
    RangeWarning
        Once a call, whatever the number of elements.
    """
    array = np.asarray(value, dtype=np.float64)
    outside = ~((array >= low) & (array <= high))
    if outside.any():
        text = f"`{name}` is validated {_span(low, high, unit)}; got {_shown(array, outside)}. {because}."
        warnings.warn(text, RangeWarning, stacklevel=3)


def _span(low: float, high: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if np.isinf(high):
        return f"at or above {low:g}{unit}"
    if np.isinf(low):
        return f"at or below {high:g}{unit}"
    return f"between {low:g} and {high:g}{unit}"


def _shown(array: FloatArray, bad: NDArray[np.bool_]) -> str:
    if array.ndim == 0:
        return f"{float(array):g}"
    first = np.unravel_index(int(np.argmax(bad)), array.shape)
    place = ", ".join(str(int(i)) for i in first)
    return f"{float(array[first]):g} at [{place}], {int(bad.sum())} of {array.size} outside"
