"""Rules of columns: what one cell of a table may hold, and what it becomes.

Accept or refuse, never guess: a flag is 0 or 1, a number is a plain number, a date is ISO.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["DATE", "NUMBER", "Column", "RefusedError", "as_array", "blank", "nearest", "parse"]

ColumnKind = Literal["text", "number", "date", "flag", "choice", "names"]
EARLIEST, LATEST = date(1900, 1, 1), date(2100, 12, 31)
LONGEST_TEXT = 200
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}([,' \u00a0\u202f\u2019]\d{3})+(\.\d+)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?\d+(\.\d+)?\s*[^\d\s.,]+", re.ASCII)
_NOT_RECORDED = {"nan", "na", "n/a", "null", "none", "nil", "-", "--", "?", "unknown"}
# of the letters, marks and symbols those that show nothing
_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
_INFINITE = {"inf", "-inf", "+inf", "infinity", "-infinity"}


@dataclass(frozen=True)
class Column:
    """Rule of one column.

    Parameters
    ----------
    name : str
        Column name, with its unit where it has one.
    kind : {"text", "number", "date", "flag", "choice", "names"}
        How a cell is read. `flag`: 0, 1 or empty. `names`: names of `choices` joined by `;`.
    quantity : str
        Name of the result; columns of one quantity exclude each other. Default: `name`.
    required, filled : bool
        Whether the column must be there; whether its cells may not be empty.
    lowest, highest : float
        Accepted range of a number, in the unit of the file.
    choices : tuple of str
        Accepted values.
    what : str
        What a value is, for messages ("measure", "cause", "thickness").
    unit : str
        Unit in the file, for messages.
    factor : float
        Result = number in the file x factor.
    """

    name: str
    kind: ColumnKind = "text"
    quantity: str = ""
    required: bool = False
    filled: bool = False
    lowest: float = -math.inf
    highest: float = math.inf
    choices: tuple[str, ...] = ()
    what: str = ""
    unit: str = ""
    factor: float = 1.0

    @property
    def result(self) -> str:
        """Name of the result."""
        return self.quantity or self.name


class RefusedError(ValueError):
    """A cell breaks a rule."""

    def __init__(self, rule: str, remedy: str = ""):
        super().__init__(rule)
        self.rule, self.remedy = rule, remedy


def nearest(name: str, known: Iterable[str]) -> str:
    """Known name most like `name`, case set aside; "" if none is near."""
    folded = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else ""


def blank(column: Column) -> Any:
    """Result of an empty cell."""
    return {"number": np.nan, "flag": np.nan, "date": np.datetime64("NaT", "D"), "names": ()}.get(column.kind, "")


def as_array(results: Sequence[Any], column: Column) -> NDArray[Any]:
    """Results of a column as an array, shape (row,)."""
    if column.kind in ("number", "flag"):
        return np.array(results, dtype=np.float64)
    if column.kind == "date":
        return np.array(results, dtype="datetime64[D]")
    out = np.empty(len(results), dtype=object)
    for place, result in enumerate(results):
        out[place] = result
    return out


def parse(text: str, column: Column) -> Any:
    """Result of a cell that is not empty.

    Raises
    ------
    RefusedError
        With the rule that the text breaks and the remedy.
    """
    return _PARSERS[column.kind](text, column)


def _number(text: str, column: Column) -> float:
    if not NUMBER.fullmatch(text):
        raise _not_a_number(text)
    value = float(text)
    if not column.lowest <= value <= column.highest or math.isinf(value):
        unit = f" {column.unit}" if column.unit else ""
        rule = f"{column.what or column.result} lies between {column.lowest:.15g} and {column.highest:.15g}{unit}"
        raise RefusedError(rule, "Correct it, its unit, or leave the cell empty if it is not known")
    return value * column.factor


def _not_a_number(text: str) -> RefusedError:
    if text.casefold() in _NOT_RECORDED:
        return RefusedError("what is not recorded stays empty", "Empty the cell")
    if text.casefold() in _INFINITE:
        return RefusedError("a number is finite", "Write a number, or leave the cell empty if there is none")
    if _THOUSANDS.fullmatch(text):
        plain = re.sub(r"[^\d.+-]", "", text)
        return RefusedError("a number has no thousands separator", f"Write {plain} if that is meant")
    if _DECIMAL_COMMA.fullmatch(text):
        return RefusedError("decimals follow a point, not a comma", f"Write {text.replace(',', '.')}")
    if _WITH_UNIT.fullmatch(text):
        return RefusedError(
            "the cell is a number alone; the column name states its unit", "Delete what follows the number"
        )
    return RefusedError("the cell is a number or empty", "Correct it")


def _date(text: str, column: Column) -> np.datetime64:
    if not DATE.fullmatch(text):
        raise RefusedError("a date is written year-month-day, as 2019-06-30", "Write it so; 3/4/2019 can mean two days")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise RefusedError("the calendar has no such day", "Correct the date") from None
    if not EARLIEST <= day <= LATEST:
        rule = f"no date lies before {EARLIEST}" if day < EARLIEST else f"no date lies after {LATEST}"
        raise RefusedError(rule, "Correct the date, or leave the cell empty if it is not known")
    return np.datetime64(day, "D")


def _flag(text: str, column: Column) -> float:
    if text not in ("0", "1"):
        raise RefusedError("the cell is 1 (yes), 0 (no) or empty (not recorded)", "Write 1, 0 or nothing")
    return float(text)


def _choice(text: str, column: Column) -> str:
    if text not in column.choices:
        near = nearest(text, column.choices)
        remedy = f"Perhaps `{near}` is meant" if near else "Correct it, or leave the cell empty if it is not known"
        raise RefusedError(f"{column.what or column.result} is one of {', '.join(column.choices)}", remedy)
    return text


def _names(text: str, column: Column) -> tuple[str, ...]:
    names = tuple(part.strip() for part in text.split(";"))
    for name in names:
        if name not in column.choices:
            near = nearest(name, column.choices)
            guess = f"Perhaps `{near}` is meant" if near else f"Known: {', '.join(column.choices) or 'none'}"
            rule = f"every name here is a {column.what} of the prior files, joined by `;`; {name!r} is none"
            raise RefusedError(rule, guess)
    if len(set(names)) < len(names):
        raise RefusedError("a name is listed once", "Delete the repeated name")
    return names


def _text(text: str, column: Column) -> str:
    """Text in Unicode's composed form: what looks the same is the same."""
    if not text.isprintable() or _UNSEEN.search(text):
        raise RefusedError("the cell holds no line breaks, control or invisible characters", "Type the cell anew")
    if len(text) > LONGEST_TEXT:
        raise RefusedError(f"a text is no longer than {LONGEST_TEXT} characters", "Shorten it")
    return unicodedata.normalize("NFC", text)


_PARSERS: Mapping[ColumnKind, Callable[[str, Column], Any]] = {
    "text": _text,
    "number": _number,
    "date": _date,
    "flag": _flag,
    "choice": _choice,
    "names": _names,
}
