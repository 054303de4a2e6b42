"""Prices of the prior files as money for a section: units to SI, one price year, one draw a posterior sample."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from .columns import nearest
from .errors import Faults, StudyError
from .measures import Portfolio
from .policy import Policy
from .priors import Cost, PriorSet
from .streams import stream

__all__ = ["Prices", "Sizes", "costs_of", "shares_newly", "used_prices", "validate_prices"]

INCH, YARD, MILE = 0.0254, 0.9144, 1609.344  # m, exact
COUNTED = ("each", "day")


@dataclass(frozen=True)
class Sizes:
    """What the amount of work on a section goes by.

    Parameters
    ----------
    area : ndarray (section,), m2
    thickness : ndarray (section,), m
    lane : ndarray (section,), m
        Length of one lane of that area.
    area_missing, thickness_missing : int
        Sections that do not state theirs: they count as the mean of the others, or as the typical one.
    """

    area: np.ndarray
    thickness: np.ndarray
    lane: np.ndarray
    area_missing: int
    thickness_missing: int

    @classmethod
    def of(cls, programme: xr.Dataset, policy: Policy) -> Sizes:
        """Sizes of a programme's sections."""
        area, no_area = _filled(programme, "area", policy.typical_area)
        thickness, no_thickness = _filled(programme, "thickness", policy.typical_thickness)
        return cls(area, thickness, area / policy.lane_width, no_area, no_thickness)

    def amount(self, unit: str, number: float = 1.0) -> np.ndarray:
        """Units of work on each section, shape (section,).

        Parameters
        ----------
        unit : str
            What a price is for: yd2, m2, yd2-in, m2-mm, yd3, m3, lane-mile, lane-km, mile, km, each, day, section.
        number : float
            Number a lane-mile, for each and day.
        """
        area, volume, lane = self.area, self.area * self.thickness, self.lane
        amounts = {
            "yd2": area / YARD**2,
            "m2": area,
            "yd2-in": volume / (YARD**2 * INCH),
            "m2-mm": volume / 1e-3,
            "yd3": volume / YARD**3,
            "m3": volume,
            "lane-mile": lane / MILE,
            "mile": lane / MILE,
            "lane-km": lane / 1e3,
            "km": lane / 1e3,
            "each": number * lane / MILE,
            "day": number * lane / MILE,
            "section": np.ones_like(area),
        }
        return amounts[unit]


def _filled(programme: xr.Dataset, column: str, typical: float) -> tuple[np.ndarray, int]:
    count = programme.sizes["section"]
    values = np.asarray(programme[column].values, float) if column in programme else np.full(count, np.nan)
    known = np.isfinite(values)
    return np.where(known, values, values[known].mean() if known.any() else typical), int((~known).sum())


class Prices:
    """Drawn prices, and what they come to for each section.

    Parameters
    ----------
    priors : PriorSet
        Checked by `validate_prices`.
    policy : Policy
    programme : Dataset of kind `sections`
    seed : int
    count : int
        Posterior samples: each price is drawn once a sample, from a stream of its own, and every
        portfolio shares the draw.
    expected : bool
        True: every sample has the means in place of draws.
    """

    def __init__(
        self,
        priors: PriorSet,
        policy: Policy,
        programme: xr.Dataset,
        *,
        seed: int,
        count: int,
        expected: bool = False,
    ):
        self.policy, self.sizes = policy, Sizes.of(programme, policy)
        self.costs = {cost.name: cost for cost in priors.costs}
        self.seed, self.count, self.expected = seed, count, expected
        self.currency = self.costs[policy.overlay[0]].unit.partition("/")[0]

    def draws(self, name: str) -> np.ndarray:
        """A price in its own unit and the study's price year, shape (sample,)."""
        return self.drawn(name) * index_of(self.costs[name], self.policy)

    def drawn(self, name: str) -> np.ndarray:
        """A price as its prior file states it, shape (sample,)."""
        stated = self.costs[name].amount.distribution
        if self.expected:
            return np.full(self.count, stated.mean)
        return stated.ppf(stream(self.seed, "price", name).random(self.count))

    def money(self, names: Iterable[str], *, number: float | None = None) -> np.ndarray:
        """Prices of one piece of work, summed, shape (sample, section).

        Parameters
        ----------
        names : iterable of str
        number : float, optional
            Number a lane-mile in place of the study's.
        """
        total = np.zeros((self.count, len(self.sizes.area)))
        for name in names:
            unit = self.costs[name].unit.partition("/")[2]
            each = self.policy.numbers.get(name, 1.0) if number is None else number
            total += np.outer(self.draws(name), self.sizes.amount(unit, each))
        return total


def index_of(cost: Cost, policy: Policy) -> float:
    """Factor from the price's year to the study's."""
    return 1.0 if cost.price_year == policy.price_year else policy.price_index[str(cost.price_year)]


def costs_of(measure: str, policy: Policy, priors: PriorSet) -> tuple[str, ...]:
    """Names of the prices of a measure."""
    stated = policy.measure_costs.get(measure)
    return stated if stated is not None else tuple(c.name for c in priors.costs if c.measure == measure)


def used_prices(policy: Policy, priors: PriorSet, measures: Sequence[str]) -> list[str]:
    """Every price that the policy and these measures name, once."""
    names = [*policy.overlay, *policy.reconstruction, *policy.patch]
    names += [*policy.user_delay, *policy.disposal, *policy.material]
    names += [name for measure in measures for name in costs_of(measure, policy, priors)]
    names += [name for measure in measures for name in policy.replaces.get(measure, ())]
    names += [level.cost for level in policy.levels if level.cost]
    names += list(policy.survey.repair) if policy.survey is not None else []
    return list(dict.fromkeys(names))


def validate_prices(
    policy: Policy, priors: PriorSet, portfolios: Sequence[Portfolio], file: str = "study.toml"
) -> None:
    """Check the study's statements on money against the prior files.

    Raises
    ------
    StudyError
        With every fault: a measure without a price, a price that no prior file knows, without a price
        year, below zero, of another currency, or of another year without an index; a number a lane-mile
        that is missing; a survey without its consequences; levels of a measure that no portfolio names;
        prices, savings or a survey of a measure that no prior file knows; a number of what has no price.
    """
    faults = Faults(file)
    measures = list(dict.fromkeys(m for p in portfolios for m in p.measures))
    known = {cost.name: cost for cost in priors.costs}
    for measure in measures:
        if not costs_of(measure, policy, priors):
            remedy = "Add a [cost] table with that measure to the prior files, or name prices in decision.measure_costs"
            faults.add("a measure of a portfolio has a price", column="decision", got=measure, remedy=remedy)
    names = used_prices(policy, priors, measures)
    for name in names:
        if name not in known:
            remedy = _nearest(name, known)
            faults.add("no prior file has a [cost] table of that name", column="decision", got=name, remedy=remedy)
    used = [known[name] for name in names if name in known]
    _validate_names(policy, priors, faults)
    _validate_years(used, policy, faults)
    _validate_units(used, policy, faults)
    if policy.survey is None and "pre_survey" in measures:
        remedy = "Add a table [decision.survey] with found_bad, false_alarm, rejected and repair"
        faults.add("a survey before design costs what it finds, too", column="decision.survey", remedy=remedy)
    for level in policy.levels:
        if level.measure not in measures:
            column = f"decision.level {level.name}"
            faults.add("levels belong to a measure of a portfolio", column=column, got=level.measure,
                       remedy=_nearest(level.measure, measures))  # fmt: skip
    faults.raise_any(StudyError)


def _nearest(name: str, known: Iterable[str]) -> str:
    near = nearest(name, list(known))
    return f"Write {near}" if near else f"Known here: {', '.join(known)}"


def _validate_names(policy: Policy, priors: PriorSet, faults: Faults) -> None:
    """Names that would otherwise be passed over in silence."""
    measures, prices = [m.name for m in priors.measures], [cost.name for cost in priors.costs]
    stated = {f"decision.{key}": getattr(policy, key) for key in ("measure_costs", "replaces")}
    if policy.survey is not None:
        stated["decision.survey.measure"] = (policy.survey.measure,)
    for place, names in stated.items():
        for name in names:
            if name not in measures:
                remedy = _nearest(name, measures)
                faults.add("no prior file knows the measure", column=place, got=name, remedy=remedy)
    for name in policy.numbers:
        if name not in prices:
            faults.add("a number a lane-mile belongs to a price", column="decision.numbers", got=name,
                       remedy=_nearest(name, prices))  # fmt: skip


def _validate_years(used: Sequence[Cost], policy: Policy, faults: Faults) -> None:
    for cost in used:
        place = f"cost.{cost.name}"
        if not cost.price_year:
            remedy = "Add price_year to its table in the prior files"
            faults.add("a price states its price year", column=f"{place}.price_year", remedy=remedy)
        elif cost.price_year != policy.price_year and str(cost.price_year) not in policy.price_index:
            remedy = f"State decision.price_index, a table such as {{ {cost.price_year} = 1.12 }}"
            rule = f"prices are of the year {policy.price_year}, or an index brings them there"
            faults.add(rule, column=f"{place}.price_year", got=cost.price_year, remedy=remedy)


def _validate_units(used: Sequence[Cost], policy: Policy, faults: Faults) -> None:
    currencies = {cost.unit.partition("/")[0] for cost in used if cost.unit}
    if len(currencies) > 1:
        faults.add("all prices are in one currency", column="cost", got=", ".join(sorted(currencies)),
                   remedy="Bring them to one")  # fmt: skip
    for cost in used:
        unit = cost.unit.partition("/")[2]
        if not unit:
            faults.add("a price states currency and unit of work", column=f"cost.{cost.name}.amount.unit",
                       got=cost.unit, remedy="Write it as USD/yd2")  # fmt: skip
        if cost.amount.distribution.support[0] < 0.0:
            faults.add("a price is never below zero", column=f"cost.{cost.name}.amount",
                       got=cost.amount.distribution, remedy="State a lognormal, a gamma or a fixed value")  # fmt: skip
        own = {level.cost for level in policy.levels}
        if unit in COUNTED and cost.name not in policy.numbers and cost.name not in own:
            faults.add("a price each needs a number a lane-mile", column=f"decision.numbers.{cost.name}",
                       remedy=f"State decision.numbers = {{ {cost.name} = 4 }}")  # fmt: skip


def shares_newly(required: np.ndarray, rate: np.ndarray, forced: np.ndarray) -> np.ndarray:
    """Chance that a portfolio adds the measure to a section that has it not, shape (section, measure).

    Parameters
    ----------
    required : ndarray (section, measure)
        The record: 1, 0 or NaN.
    rate : ndarray (measure,)
        Share of sections with the measure where nothing is recorded.
    forced : ndarray of bool (section, measure)
        The portfolio requires it there.
    """
    has = np.where(np.isnan(required), rate, required)
    return forced * (1.0 - has)
