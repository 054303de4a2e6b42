"""Small prior sets and records for tests, built by hand. Invented values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from riskmodel.distribution import Distribution
from riskmodel.priors import (
    ConditionPath,
    Driver,
    Effect,
    Group,
    Indicator,
    Measure,
    Mechanism,
    OverlayType,
    PriorSet,
    Quantity,
)


def quantity(family: str, *parameters: float, unit: str = "1") -> Quantity:
    distribution = Distribution(family, tuple(float(p) for p in parameters))
    return Quantity("test", distribution, unit, None, "judgement", "invented for a test", "invented for a test")


def fixed(value: float) -> Quantity:
    return quantity("fixed", value)


def overlay_type(name: str = "any", wear: Quantity | None = None, odds: Quantity | None = None) -> OverlayType:
    bond, _, base = name.partition("_")
    return OverlayType(
        name,
        bond if base else "",
        base,
        odds or quantity("lognormal", 0.0, 0.2),
        wear or quantity("lognormal", np.log(40.0), 0.15),
    )


def mechanism(
    name: str, root: str, share: float | Mapping[str, float], age: float, power: float = 2.0, **changes: Any
) -> Mechanism:
    shares = share if isinstance(share, Mapping) else {"any": share}
    effect = None if root == "other" else quantity("lognormal", np.log(0.7), 0.4)
    values: dict[str, Any] = {
        "median": quantity("lognormal", np.log(age), 0.18),
        "shape": quantity("lognormal", np.log(power), 0.18),
        "score_effect": effect,
        **changes,
    }
    return Mechanism(name, name.replace("_", " "), root, shares, values["median"], values["shape"],
                     values["score_effect"], "judgement", "invented", "invented")  # fmt: skip


def measure(name: str, effects: Sequence[Effect], types: tuple[str, ...] = ("any",), **changes: Any) -> Measure:
    values: dict[str, Any] = {
        "score_shift": {},
        "time_ratio": None,
        "compliance": quantity("beta", 16, 4),
        "required_rate": fixed(0.3),
        "selection": {r: quantity("normal", 0.1, 0.3) for r in ("existing", "design", "workmanship", "other")},
        **changes,
    }
    return Measure(name, name, "of 100, how many still would", types, tuple(effects), values["score_shift"],
                   values["time_ratio"], values["compliance"], values["required_rate"], values["selection"],
                   "")  # fmt: skip


def effect(mechanisms: Sequence[str], ratio: float = 0.5, scale: str = "risk_ratio", sd: float = 0.25,
           types: tuple[str, ...] = ("any",)) -> Effect:  # fmt: skip
    return Effect(tuple(mechanisms), scale, quantity("lognormal", np.log(ratio), sd), types, False)


MECHANISMS = (
    mechanism("support_loss", "existing", 0.30, 5.0, 2.5),
    mechanism("reflective_cracking", "existing", 0.15, 2.0, 1.6),
    mechanism("panel_breaks", "design", 0.20, 4.5, 2.5),
    mechanism("random_cracking", "workmanship", 0.20, 2.5, 2.2),
    mechanism("debonding", "workmanship", 0.10, 1.2, 1.5),
    mechanism("other", "other", 0.05, 5.0, 1.5),
)

MEASURES = (
    measure("pre_survey", [effect(["support_loss", "reflective_cracking"], 0.6)]),
    measure("prompt_sawing", [effect(["random_cracking"], 0.4)]),
    measure("internal_curing", [effect(["random_cracking"], 0.75), effect(["panel_breaks"], 0.8)]),
)

PATH = ConditionPath(
    fixed(96.0),
    quantity("lognormal", np.log(1.2), 0.3),
    quantity("lognormal", np.log(3.0), 0.15),
    quantity("lognormal", np.log(2.0), 0.25),
    quantity("normal", 0.0, 0.3),
    quantity("lognormal", np.log(1.2), 0.4),
)


def priors(**changes: Any) -> PriorSet:
    """A prior set without overlay types; any field can be replaced."""
    values: dict[str, Any] = {
        "early_failure": quantity("beta", 3, 27),
        "types": (overlay_type(),),
        "mechanisms": MECHANISMS,
        "share_sd": fixed(0.5),
        "wear_out_sd_common": fixed(0.2),
        "wear_out_shape": quantity("lognormal", np.log(3.5), 0.2),
        "path": PATH,
        "removal_lag": quantity("lognormal", np.log(3.0), 0.4),
        "label_error": quantity("beta", 5, 15),
        "year_slope": quantity("normal", 0.0, 0.3),
        "year_centre": 2010.0,
        "groups": (Group("contractor", ("workmanship",), quantity("gamma", 3.0, 0.1)),
                   Group("project", ("existing", "design", "workmanship"), quantity("gamma", 3.0, 0.1))),
        "drivers": (Driver("traffic", "trucks_per_day", "log2", np.log2(1000.0), 1.0, ("wear_out",),
                           quantity("normal", -0.075, 0.04)),),
        "indicators": (
            Indicator("pre-overlay condition", "existing", "existing_pci", "identity", 50.0, 12.0, 0.5, "index points",
                      "number", 0.0, 100.0, "judgement", "invented", "invented"),
            Indicator("water to cement", "workmanship", "wcm", "identity", 0.42, 0.03, -0.4, "1", "number", 0.2, 0.8,
                      "judgement", "invented", "invented"),
        ),
        "measures": MEASURES,
        "costs": (),
        "files": {},
        "raw": {},
        **changes,
    }  # fmt: skip
    return PriorSet(**values)
