"""What study.toml may hold: its tables and keys, and how each value is read.

A reader takes a TOML value and returns it, or raises `RefusedValueError` with the rule it breaks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from .columns import nearest
from .condition import PATHS, UNRECORDED
from .policy import ELICITED, FOLLOW_UPS, PHYSICS

__all__ = ["LAYOUT", "MOST_MEASURES", "MOST_SEARCHED", "USUAL_MEASURES", "Reader", "RefusedValueError", "text"]

MOST_MEASURES = 6  # of which all combinations are taken: 64
MOST_SEARCHED = 20  # of more measures the combinations are searched
USUAL_MEASURES = 4  # where a study names none
Reader = Callable[[Any], Any]


class RefusedValueError(Exception):
    """A value that breaks a rule; the text is the rule."""


def text(value: object, *, longest: int = 200) -> str:
    """A text of one line."""
    if not isinstance(value, str) or not value.strip():
        raise RefusedValueError("a text in quotation marks is expected")
    if len(value) > longest or not value.isprintable():
        raise RefusedValueError(f"a text of up to {longest} printable characters on one line is expected")
    return value.strip()


def one_of(*choices: str) -> Reader:
    """Reader of one of some words."""

    def read(value: object) -> str:
        if value not in choices or not isinstance(value, str):
            raise RefusedValueError(f"one of {', '.join(choices)} is expected{_perhaps(str(value), choices)}")
        return value

    return read


def number(lowest: float, highest: float) -> Reader:
    """Reader of a finite number in a range."""

    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RefusedValueError(f"a number from {lowest:g} to {highest:g} is expected, without quotation marks")
        if not lowest <= value <= highest:  # neither is NaN
            raise RefusedValueError(f"a number from {lowest:g} to {highest:g} is expected")
        return float(value)

    return read


def whole(lowest: int, highest: int) -> Reader:
    """Reader of a whole number in a range."""

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
            raise RefusedValueError(f"a whole number from {lowest} to {highest} is expected")
        return value

    return read


def flag(value: object) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise RefusedValueError("true or false is expected, without quotation marks")
    return value


def day(value: object) -> date:
    """A date."""
    if isinstance(value, datetime) or not isinstance(value, date):
        raise RefusedValueError("a date such as 2024-06-30 is expected, without quotation marks and without a time")
    return value


def list_of(read: Reader, *, most: int) -> Reader:
    """Reader of a list without repetitions."""

    def read_list(value: object) -> tuple[Any, ...]:
        if not isinstance(value, list) or not 1 <= len(value) <= most:
            raise RefusedValueError(f"a list of 1 to {most} entries in square brackets is expected")
        entries = tuple(read(entry) for entry in value)
        if len(set(entries)) < len(entries):
            raise RefusedValueError("each entry may stand once")
        return entries

    return read_list


def table_of(read: Reader, *, most: int = 200) -> Reader:
    """Reader of a table whose values one reader takes."""

    def read_table(value: object) -> dict[str, Any]:
        if not isinstance(value, dict) or len(value) > most:
            raise RefusedValueError("a table of names and values is expected")
        return {name: read(entry) for name, entry in value.items()}

    return read_table


def any_table(value: object) -> dict[str, Any]:
    """A table that is checked elsewhere."""
    if not isinstance(value, dict):
        raise RefusedValueError("a table is expected")
    return value


def _allowed(value: object) -> tuple[str, ...]:
    return list_of(text, most=100)(value)


def _perhaps(name: str, known: Sequence[str]) -> str:
    near = nearest(name, known)
    return f", perhaps {near}" if near else ""


LAYOUT: Mapping[str, Mapping[str, Reader]] = {
    "study": {"title": text, "agency": text},
    "records": {"sections": text, "surveys": text, "until": day},
    "condition": {
        "index": text,
        "lowest": number(-1e6, 1e6),
        "highest": number(-1e6, 1e6),
        "threshold": number(-1e6, 1e6),
        "removal_level": number(-1e6, 1e6),
        "stretch": number(0, 10),
        "path": one_of(*PATHS),
        "far_below": number(0, 1e6),
        "rise_sd": number(0.5, 100),
        "reading_sd": number(1e-3, 1e6),
        "unrecorded_restorations": one_of(*UNRECORDED),
    },
    "life": {
        "early_age": number(1, 30),
        "horizon": number(10, 100),
        "ages": list_of(number(1, 100), most=8),
    },
    "priors": {"directory": text, "override": any_table},
    "programme": {"source": text, "score_shift": table_of(number(-5, 5)), "weight_by_area": flag},
    "portfolios": {"measures": list_of(text, most=MOST_SEARCHED)},
    "portfolio": {
        "name": text,
        "measures": list_of(text, most=20),
        "where": table_of(table_of(_allowed)),
    },
    "decision": {
        "analysis_period": whole(5, 100),
        "analysis_periods": list_of(whole(5, 100), most=8),
        "discount_rate": number(0, 0.25),
        "nominal_rate": number(0, 0.5),
        "inflation": number(-0.1, 0.5),
        "discount_rates": list_of(number(0, 0.25), most=8),
        "horizon": whole(5, 100),
        "early_ages": list_of(number(1, 30), most=8),
        "price_year": whole(1900, 2100),
        "price_index": table_of(number(0.01, 100)),
        "follow_up": one_of(*FOLLOW_UPS),
        "patch_interval": whole(1, 20),
        "patch_until": whole(0, 100),
        "patch_share": number(0, 1),
        **dict.fromkeys(("overlay", "reconstruction", "patch"), list_of(text, most=20)),
        **dict.fromkeys(("user_delay", "disposal", "material"), list_of(text, most=20)),
        "measure_costs": table_of(list_of(text, most=20)),
        "replaces": table_of(list_of(text, most=20)),
        "numbers": table_of(number(0, 1e4)),
        "lane_width_ft": number(6, 30),
        "typical_area_yd2": number(1, 1e7),
        "typical_thickness_in": number(1, 24),
        "budget": number(0, 1e12),
        "willingness": list_of(number(0, 1e12), most=100),
        "reconstruction_life": table_of(number(1, 200)),
        "reconstruction_shape": number(0.5, 20),
    },
    "decision.survey": {
        "measure": text,
        "found_bad": number(0, 1),
        "false_alarm": number(0, 1),
        "rejected": number(0, 1),
        "repair": list_of(text, most=20),
    },
    "decision.level": {
        "measure": text,
        "name": text,
        "effect": number(0, 3),
        "from": one_of(ELICITED, PHYSICS),
        "inputs": table_of(number(-1e6, 1e9)),
        "cost_factor": number(0, 100),
        "cost": text,
        "number": number(0, 1e4),
    },
    "sampling": {
        "chains": whole(2, 16),
        "draws": whole(20, 20_000),
        "tune": whole(20, 20_000),
        "target_accept": number(0.5, 0.999),
        "seed": whole(0, 2**32 - 1),
    },
}
