"""Prior tables read key by key: every fault noted with file, table and key.

A `Table` hands out checked values and remembers which keys were asked for, so that a key nobody
asked for is a fault. A faulty key yields a stand-in and reading goes on: all faults of a prior
set are raised together, before anything is built from a stand-in.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from riskmodel.distribution import PARAMETERS, SUPPORTS, Distribution
from riskmodel.elicitation import ElicitationError, Expert, fit_quantiles, pool_experts
from riskmodel.errors import Faults, RiskModelWarning
from riskmodel.priorfiles import OVERRIDES, VALUE_KEYS, RawTables, TablePath, as_number, instead, shown, shown_path
from riskmodel.priorset import Quantity

__all__ = ["INTERVAL_TOLERANCE", "STATUSES", "Table", "weakest_status"]

STATUSES = ("published", "elicited", "judgement", "common_practice", "from_memory", "carried")
INTERVAL_TOLERANCE = 0.02  # of the interval's width: stated figures are rounded to two or three digits
_NAME = re.compile(r"[a-z][a-z0-9_]{0,59}", re.ASCII)
_QUANTILE = re.compile(r"p(\d{1,2})(?:_(\d+))?", re.ASCII)


@dataclass
class Table:
    """A TOML table that is read key by key.

    Parameters
    ----------
    data : mapping
    path : tuple of str
        Its place in the prior files.
    raw : RawTables
    faults : Faults
        Collects what is wrong.
    """

    data: Mapping[str, Any]
    path: TablePath
    raw: RawTables
    faults: Faults
    asked: set[str] = field(default_factory=set)

    def fault(self, rule: str, key: str = "", *, got: object = "", remedy: str = "") -> None:
        """Note a fault of this table, or of one of its keys."""
        path = (*self.path, key) if key else self.path
        self.faults.add(
            rule, file=self.raw.file_of(path) or "prior files", column=shown_path(path), got=got, remedy=remedy
        )

    def get(self, key: str, *, required: bool = True) -> Any:
        """The raw value, None if absent; its absence is a fault where it is required."""
        self.asked.add(key)
        if key not in self.data:
            if required:
                self.fault(f"`{key}` is missing", remedy="Add it")
            return None
        return self.data[key]

    def text(self, key: str, *, default: str | None = None) -> str:
        """A non-empty text."""
        value = self.get(key, required=default is None)
        if value is None:
            return default or ""
        if not isinstance(value, str) or not value.strip():
            self.fault("a text is expected", key, got=shown(value), remedy="Write it in quotation marks")
            return ""
        text = " ".join(value.split())
        if not text.isprintable():
            self.fault("a text holds no control characters", key, got=text, remedy="Type it again")
        return text

    def name(self, key: str, *, default: str) -> str:
        """A name: lower-case letters, digits and underscores."""
        value = self.text(key, default=default)
        if not _NAME.fullmatch(value):
            self.fault("a name is lower-case letters, digits and _, a letter first", key, got=value)
        return value

    def choice(self, key: str, allowed: Sequence[str], *, default: str | None = None) -> str:
        """One of `allowed`."""
        value = self.text(key, default=default)
        if value and value not in allowed and value != default:
            self.fault(f"one of {', '.join(allowed)} is expected", key, got=value, remedy=instead(value, allowed))
        return value

    def number(self, key: str, low: float, high: float, *, default: float | None = None) -> float:
        """A number from `low` to `high`."""
        value = self.get(key, required=default is None)
        if value is None:
            return low if default is None else default
        number = as_number(value)
        if number is None or not low <= number <= high:
            self.fault(f"a number from {low:g} to {high:g} is expected", key, got=shown(value))
            return low
        return number

    def flag(self, key: str, *, default: bool) -> bool:
        """`true` or `false`."""
        value = self.get(key, required=False)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self.fault("true or false is expected", key, got=shown(value))
        return default

    def names(
        self, key: str, known: Collection[str], what: str, *, default: tuple[str, ...] | None = None
    ) -> tuple[str, ...]:
        """A list of different names out of `known`."""
        value = self.get(key, required=default is None)
        if value is None:
            return default or ()
        if not isinstance(value, list) or not value or not all(isinstance(item, str) for item in value):
            self.fault(f"a list of {what} names is expected", key, got=shown(value))
            return ()
        for name in dict.fromkeys(value):
            if name not in known:
                self.fault(f"no {what} has that name", key, got=name, remedy=instead(name, known))
            if value.count(name) > 1:
                self.fault(f"the {what} is named twice", key, got=name, remedy="Name it once")
        return tuple(dict.fromkeys(name for name in value if name in known))

    def table(self, key: str, *, required: bool = True) -> Table | None:
        """A table below this one."""
        value = self.get(key, required=required)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fault("a table is expected", key, got=shown(value))
            return None
        return Table(value, (*self.path, key), self.raw, self.faults)

    def tables(self, key: str) -> list[Table]:
        """An array of tables (`[[...]]`), empty if absent."""
        value = self.get(key, required=False)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.fault("a list of tables is expected", key, got=shown(value), remedy="Write it in double brackets")
            return []
        return [
            Table(item, (*self.path, key, str(number)), self.raw, self.faults)
            for number, item in enumerate(value, start=1)
        ]

    def collection(self, key: str, taken: Collection[str] = ()) -> Iterator[tuple[str, Table]]:
        """Named tables of a collection; names in `taken` have another meaning and are refused."""
        whole = self.table(key, required=False)
        if whole is None:
            return
        for name in whole.data:
            if not _NAME.fullmatch(name):
                whole.fault("a name is lower-case letters, digits and _, a letter first", name)
            elif name in taken:
                whole.fault("the name has another meaning here", name, remedy="Choose another name")
            table = whole.table(name)
            if table is not None:
                yield name, table

    def about(self) -> tuple[str, str, str]:
        """Status, source and rationale."""
        status = self.choice("status", STATUSES)
        return status, self.text("source"), self.text("rationale", default="")

    def finish(self) -> None:
        """Note every key that nobody asked for."""
        for key in self.data:
            if key not in self.asked:
                self.fault("the key is not known here", key, remedy=instead(key, self.asked))

    # ---------------------------------------------------------------------------------- quantities

    def quantity(self, key: str, unit: str | Collection[str], support: str, *, fixed: bool = False) -> Quantity:
        """The quantity in the table `key`.

        Parameters
        ----------
        key : str
        unit : str or collection of str
            The unit it must state.
        support : {"real", "positive", "unit"}
            Where it can lie; a fixed value may lie on the border.
        fixed : bool
            Whether only a fixed value is allowed.
        """
        table = self.table(key)
        if table is None:
            return _stand_in()
        return table.as_quantity(unit, support, fixed=fixed)

    def as_quantity(self, unit: str | Collection[str], support: str, *, fixed: bool = False) -> Quantity:
        """This table as a quantity (see `quantity`)."""
        units = (unit,) if isinstance(unit, str) else tuple(unit)
        stated_unit = self.choice("unit", units)
        status, source, rationale = self.about()
        distribution = self._distribution(support)
        stated = self.get("interval_90", required=False)
        self.finish()
        if distribution is None:
            return _stand_in()
        if fixed and distribution.family != "fixed":
            self.fault("only a fixed value is possible here", got=distribution.family, remedy="State `value = ...`")
        interval = self._interval(distribution, stated)
        return Quantity(".".join(self.path), distribution, stated_unit, interval, status, source, rationale)

    def _distribution(self, support: str) -> Distribution | None:
        ways = [key for key in ("distribution", "quantiles", "experts", "value") if key in self.data]
        self.asked |= VALUE_KEYS
        if len(ways) != 1:
            self.fault(
                "a quantity states one of distribution, quantiles, experts or value",
                got=", ".join(ways),
                remedy="State one of them",
            )
            return None
        self._refuse_strays(ways[0])
        before = len(self.faults)
        try:
            with warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always", RiskModelWarning)
                found = getattr(self, f"_from_{ways[0]}")(support)
        except ElicitationError as error:
            if len(self.faults) == before:
                rule, _, remedy = str(error).removeprefix(f"{'.'.join(self.path)}: ").partition(". ")
                self.fault(rule.rstrip("."), ways[0], remedy=remedy.rstrip("."))
            return None
        for warning in caught:
            warnings.warn(f"{self.raw.file_of(self.path)}, {warning.message}", RiskModelWarning, stacklevel=2)
        return found if found is not None and self._inside(found, support) and self._finite(found) else None

    def _refuse_strays(self, way: str) -> None:
        companions = {"distribution": {"parameters"}, "quantiles": {"family"}, "experts": {"family", "pooling"}}
        for key in sorted((VALUE_KEYS & self.data.keys()) - companions.get(way, set()) - {way}):
            self.fault(f"`{key}` does not go with `{way}`", key, remedy="Remove it")

    def _from_value(self, support: str) -> Distribution | None:
        number = as_number(self.data["value"])
        if number is None:
            self.fault("a finite number is expected", "value", got=shown(self.data["value"]))
            return None
        return Distribution("fixed", (number,))

    def _from_distribution(self, support: str) -> Distribution | None:
        family = self.choice("distribution", [name for name in PARAMETERS if name != "fixed"])
        given = self.table("parameters")
        if family not in PARAMETERS or family == "fixed" or given is None:
            return None
        names = PARAMETERS[family]
        if family == "lognormal" and "median" in given.data:
            names = ("median", "sigma")
        numbers = [given.number(name, -1e12, 1e12) for name in names]
        before = len(self.faults)
        given.finish()
        if len(self.faults) > before or set(names) - given.data.keys():
            return None
        if names[0] == "median":
            if numbers[0] <= 0:
                given.fault("a lognormal median is positive", "median", got=numbers[0])
                return None
            numbers[0] = math.log(numbers[0])
        return Distribution(family, tuple(numbers))

    def _from_quantiles(self, support: str) -> Distribution | None:
        quantiles = self.table("quantiles")
        if quantiles is None:
            return None
        p, x = quantiles.read_quantiles()
        return fit_quantiles(p, x, family=self._family(), support=support, name=".".join(self.path)).distribution

    def _from_experts(self, support: str) -> Distribution | None:
        experts = []
        for table in self.tables("experts"):
            name, weight = table.text("name"), table.number("weight", 0.0, 1e6, default=1.0)
            p, x = table.read_quantiles(besides=("name", "weight"))
            experts.append(Expert(name, p, x, weight))
        method = self.choice("pooling", ("linear", "logarithmic"), default="linear")
        family, name = self._family(), ".".join(self.path)
        return pool_experts(experts, family=family, support=support, method=method, name=name).distribution

    def _family(self) -> str | None:
        family = self.choice("family", [name for name in PARAMETERS if name != "fixed"], default="")
        return family if family in PARAMETERS else None

    def read_quantiles(self, *, besides: Sequence[str] = ()) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Probabilities and values of the keys p05, p50, p95 (or p2_5, p97_5), by probability."""
        found: dict[float, float] = {}
        for key in self.data:
            if key in besides:
                continue
            match = _QUANTILE.fullmatch(key)
            number = as_number(self.get(key))
            if match is None:
                self.fault("a quantile is written p05, p50, p95", key, remedy=instead(key, ("p05", "p50", "p95")))
            elif number is None:
                self.fault("a finite number is expected", key, got=shown(self.data[key]))
            else:
                p = float(f"{match.group(1)}.{match.group(2) or 0}") / 100
                if p in found:
                    self.fault("the quantile is stated twice", key, remedy="Keep one of them")
                found[p] = number
        ordered = sorted(found)
        return tuple(ordered), tuple(found[p] for p in ordered)

    def _inside(self, found: Distribution, support: str) -> bool:
        low, high = SUPPORTS[support]
        lower, upper = found.support
        if low <= lower and upper <= high:
            return True
        span = {"unit": "from 0 to 1", "positive": "above 0"}[support]
        self.fault(
            f"the quantity lies {span}, the {found.family} distribution does not",
            got=found,
            remedy="State another family" if found.family != "fixed" else "Correct the value",
        )
        return False

    def _finite(self, found: Distribution) -> bool:
        with np.errstate(over="ignore", invalid="ignore"):
            low, high = found.interval()
        if math.isfinite(low) and math.isfinite(high) and (low < high or found.family == "fixed"):
            return True
        self.fault("the distribution has no 90 % interval a computer can hold", got=found, remedy="Check its size")
        return False

    def _interval(self, distribution: Distribution, stated: Any) -> tuple[float, float] | None:
        fixed = distribution.family == "fixed"
        if stated is None:
            if not fixed and self.raw.file_of(self.path) != OVERRIDES:
                low, high = distribution.interval()
                self.fault("`interval_90` is missing", remedy=f"Add interval_90 = [{low:.4g}, {high:.4g}]")
            return None if fixed else distribution.interval()
        numbers = [as_number(item) for item in stated] if isinstance(stated, list) else []
        if fixed or len(numbers) != 2 or numbers[0] is None or numbers[1] is None:
            rule = "a fixed value has no interval" if fixed else "two finite numbers are expected"
            self.fault(rule, "interval_90", got=shown(stated))
            return None
        low, high = distribution.interval()
        if max(abs(numbers[0] - low), abs(numbers[1] - high)) > INTERVAL_TOLERANCE * (high - low):
            self.fault(
                f"the central 90 % interval of the {distribution} is {low:.4g} to {high:.4g}",
                "interval_90",
                got=f"{numbers[0]:g}, {numbers[1]:g}",
                remedy="Correct the interval, or the distribution",
            )
        return numbers[0], numbers[1]


def weakest_status(statuses: Sequence[str]) -> str:
    """The status that a number has which rests on numbers of these: its weakest support."""
    order = ("judgement", "from_memory", "common_practice", "elicited", "published", "carried")
    return min(statuses, key=order.index)


def _stand_in() -> Quantity:
    """Stands in for a faulty quantity until the faults are raised."""
    return Quantity("", Distribution("fixed", (0.5,)), "", None, "", "", "")
