"""The tables [decision], [decision.survey] and [[decision.level]] of a study -> `Policy`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from typing import Any

from .errors import Faults
from .money import real_rate
from .policy import ELICITED, PHYSICS, Level, Policy, Survey

__all__ = ["read_policy", "stated"]

FOOT, YARD2, INCH = 0.3048, 0.83612736, 0.0254
ENDS = ("p05", "p50", "p95")
SIZES = {
    "lane_width_ft": ("lane_width", FOOT),
    "typical_area_yd2": ("typical_area", YARD2),
    "typical_thickness_in": ("typical_thickness", INCH),
}
NEEDED = ("reconstruction_life", "reconstruction_shape", "price_year")
REMEDIES = {
    "reconstruction_life": "State years such as { p05 = 22, p50 = 32, p95 = 45 } for the median life",
    "reconstruction_shape": "State the Weibull shape of that life, such as 3.5",
    "price_year": "State the year of the prices, such as 2024",
}

ReadTable = Callable[[object, str, str], dict[str, Any]]


def read_policy(content: object, horizon: float, read: ReadTable, faults: Faults) -> Policy | None:
    """What a study states about money.

    Parameters
    ----------
    content : object
        The table [decision] as it stands in the file; None where there is none.
    horizon : float
        Horizon of the life quantities, years: the default here.
    read : callable
        Reads one table: content, its name in the layout, where it stands; notes faults.
    faults : Faults

    Returns
    -------
    Policy or None
        None without the table, or where it has faults.
    """
    if content is None:
        return None
    before = len(faults)
    inner = dict(content) if isinstance(content, dict) else {}
    survey, levels = inner.pop("survey", None), inner.pop("level", [])
    values = read(inner if isinstance(content, dict) else content, "decision", "decision")
    values = {"horizon": round(horizon), **_in_si(values), **_rate(values, faults)}
    values["survey"] = _survey(survey, read, faults)
    values["levels"] = tuple(_levels(levels, read, faults))
    _validate(values, faults)
    for key in NEEDED:
        if key not in values and key not in inner:
            faults.add("a decision needs it", column=f"decision.{key}", remedy=REMEDIES[key])
    return Policy(**values) if len(faults) == before else None


def _in_si(values: dict[str, Any]) -> dict[str, Any]:
    sized = {SIZES[key][0]: value * SIZES[key][1] for key, value in values.items() if key in SIZES}
    return {key: value for key, value in values.items() if key not in SIZES} | sized


def _rate(values: dict[str, Any], faults: Faults) -> dict[str, float]:
    """The real discount rate, stated as such or by a nominal rate and inflation."""
    nominal, inflation = values.get("nominal_rate"), values.get("inflation")
    if "discount_rate" in values and nominal is not None:
        faults.add("two discount rates are stated for one thing", column="decision.nominal_rate", got=nominal,
                   remedy="Keep discount_rate, which is real, or nominal_rate with inflation")  # fmt: skip
    if (nominal is None) != (inflation is None):
        faults.add("a nominal rate goes with inflation", column="decision.nominal_rate",
                   remedy="State both, or discount_rate alone")  # fmt: skip
        return {}
    if nominal is None or inflation is None:
        return {}
    rate = real_rate(nominal, inflation)
    if rate < 0.0:
        faults.add("the real discount rate is not below 0", column="decision.nominal_rate", got=f"{rate:.3g}",
                   remedy="Check nominal_rate and inflation")  # fmt: skip
    return {"discount_rate": rate}


def _survey(table: object, read: ReadTable, faults: Faults) -> Survey | None:
    if table is None:
        return None
    values = {"measure": "pre_survey", **read(table, "decision.survey", "decision.survey")}
    missing = [key for key in ("found_bad", "false_alarm", "rejected", "repair") if key not in values]
    for key in missing:
        if isinstance(table, dict) and key not in table:
            faults.add("a survey's consequences are all stated", column=f"decision.survey.{key}",
                       remedy="State it, 0 if there is none")  # fmt: skip
    return None if missing else Survey(**values)


def _levels(tables: object, read: ReadTable, faults: Faults) -> Iterator[Level]:
    if not isinstance(tables, list):
        faults.add("levels stand in double brackets", column="decision.level",
                   remedy="Begin each with [[decision.level]]")  # fmt: skip
        return
    for number, table in enumerate(tables, start=1):
        place = f"decision.level {number}"
        values = read(table, "decision.level", place)
        stated_costs = [key for key in ("cost_factor", "cost") if isinstance(table, dict) and key in table]
        if isinstance(table, dict) and len(stated_costs) != 1:
            faults.add("a level states one of cost_factor and cost", column=place, got=", ".join(stated_costs),
                       remedy="State the multiple of the measure's price, or a price by its name")  # fmt: skip
        mechanical = values.get("from") == PHYSICS
        if isinstance(table, dict) and mechanical != ("inputs" in table):
            faults.add("a level from mechanics states the inputs that it changes, and no other does",
                       column=f"{place}.inputs", remedy='State from = "physics" and inputs, or neither')  # fmt: skip
        needed = {"measure", "name"} if mechanical else {"measure", "name", "effect"}
        for key in sorted(needed - set(table)) if isinstance(table, dict) else ():
            faults.add("a level has a measure, a name and an effect", column=f"{place}.{key}",
                       remedy="Add it; the effect is a part of the measure's, 1 for all of it")  # fmt: skip
        if needed <= set(values):
            origin = values.pop("from", ELICITED)
            yield Level(**{"effect": None, **values, "origin": origin})


def _validate(values: dict[str, Any], faults: Faults) -> None:
    """Rules between the settings; quantiles become a tuple."""
    for key in ("nominal_rate", "inflation"):
        values.pop(key, None)
    for key, plural in (("discount_rate", "discount_rates"), ("analysis_period", "analysis_periods")):
        if plural in values:
            values[plural] = tuple(v for v in values[plural] if v != values.get(key))
    if "reconstruction_life" in values:
        life = values["reconstruction_life"]
        if set(life) != set(ENDS) or not life["p05"] <= life["p50"] <= life["p95"]:
            got = ", ".join(f"{name} {value:g}" for name, value in life.items())
            faults.add("a life is stated by p05, p50 and p95 that do not fall", column="decision.reconstruction_life",
                       got=got, remedy=REMEDIES["reconstruction_life"])  # fmt: skip
        else:
            values["reconstruction_life"] = tuple(life[end] for end in ENDS)
    for year in values.get("price_index", ()):
        if not (year.isdecimal() and 1900 <= int(year) <= 2100):
            faults.add("an index is stated by year", column="decision.price_index", got=year,
                       remedy="Write it as { 2019 = 1.21 }")  # fmt: skip


def stated(policy: Policy | None) -> Mapping[str, Any] | None:
    """Settings as JSON can hold them."""
    if policy is None:
        return None
    values = {part.name: getattr(policy, part.name) for part in fields(policy)}
    values["survey"] = None if policy.survey is None else vars(policy.survey)
    values["levels"] = [vars(level) for level in policy.levels]
    return values
