"""The priors as the rest of the program sees them: frozen, complete, without a default in code.

`riskmodel.priors.load_priors` builds a `PriorSet` from prior files; everything else only reads it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.distribution import Distribution, FloatArray
from riskmodel.priorfiles import RawTables

__all__ = [
    "ANY",
    "OTHER",
    "SCORED_ROOTS",
    "TRANSFORMS",
    "WEAR_OUT",
    "ConditionPath",
    "Cost",
    "Driver",
    "Effect",
    "Group",
    "Indicator",
    "Measure",
    "Mechanism",
    "OverlayType",
    "PriorSet",
    "Quantity",
]

SCORED_ROOTS = ("existing", "design", "workmanship")
OTHER = "other"
ANY = "any"
WEAR_OUT = "wear_out"

TRANSFORMS: Mapping[str, Callable[[FloatArray], FloatArray]] = {
    "identity": lambda x: x,
    "log": np.log,
    "log2": np.log2,
    "sqrt": np.sqrt,
    "logit": lambda x: np.log(x) - np.log1p(-x),
}


@dataclass(frozen=True)
class Quantity:
    """One number with its uncertainty and where it came from.

    Parameters
    ----------
    key : str
        Its place in the prior files, for example "mechanism.faulting.median".
    distribution : Distribution
        In `unit`.
    unit : str
    interval_90 : (float, float) or None
        Central 90 % interval as stated (recomputed on reading); None for a fixed value.
    status : str
        "published", "elicited", "judgement", "common_practice" or "from_memory".
    source, rationale : str
        Where the number came from, and why it is what it is.
    """

    key: str
    distribution: Distribution
    unit: str
    interval_90: tuple[float, float] | None
    status: str
    source: str
    rationale: str


@dataclass(frozen=True)
class OverlayType:
    """An overlay type: bond and base, and what sets its life apart.

    Parameters
    ----------
    name : str
        `bond_base`, or "any" where the prior set knows no types (then `bond`, `base` are "").
    bond, base : str
    odds_multiplier : Quantity
        Odds of early failure, relative to the average.
    wear_out_median : Quantity
        Age of wear-out alone, years; its distribution holds what differs between types only
        (what all types share is `PriorSet.wear_out_sd_common`).
    """

    name: str
    bond: str
    base: str
    odds_multiplier: Quantity
    wear_out_median: Quantity


@dataclass(frozen=True)
class Mechanism:
    """A way of failing early.

    Parameters
    ----------
    name, label : str
        Name in tables, words in a report.
    root : str
        "existing", "design", "workmanship" or "other".
    share : mapping of type name to float
        Share of all early failures of that type; over mechanisms the shares of a type sum to 1. A
        type to which the mechanism does not apply is absent.
    median, shape : Quantity
        Weibull age at failure of a susceptible section: median in years, shape.
    score_effect : Quantity or None
        Fall of the log-odds of susceptibility per standard deviation of the root's score, positive;
        None for the root "other", which has no score.
    status, source, rationale : str
        Of the shares.
    """

    name: str
    label: str
    root: str
    share: Mapping[str, float]
    median: Quantity
    shape: Quantity
    score_effect: Quantity | None
    status: str
    source: str
    rationale: str

    @property
    def applies_to(self) -> tuple[str, ...]:
        """Overlay types that can fail this way."""
        return tuple(self.share)


@dataclass(frozen=True)
class Effect:
    """What a measure, really done as intended, does to some mechanisms.

    Parameters
    ----------
    mechanisms : tuple of str
    scale : str
        "risk_ratio": of 100 sections that would have failed early this way, how many still would.
        "odds_ratio": on the odds. "hazard_ratio": on the hazard rate of the age at failure.
    ratio : Quantity
    applies_to : tuple of str
        Overlay types. A side effect may act where the measure itself is never required.
    side_effect : bool
    """

    mechanisms: tuple[str, ...]
    scale: str
    ratio: Quantity
    applies_to: tuple[str, ...]
    side_effect: bool


@dataclass(frozen=True)
class Measure:
    """A requirement of the specification.

    Parameters
    ----------
    name, label : str
    question : str
        What an expert is asked about its effects.
    applies_to : tuple of str
        Overlay types for which it can be required.
    effects : tuple of Effect
    score_shift : mapping of root to Quantity
        Shift of a quality score, in standard deviations.
    time_ratio : Quantity or None
        Factor on the age of wear-out.
    compliance : Quantity
        Probability that it is really done as intended where it is required.
    required_rate : Quantity
        Share of current work that has it; used where the records say nothing at all.
    selection : mapping of root to Quantity
        Log-odds by which the roads for which it was chosen are worse, for every root it acts on.
    caution : str
    """

    name: str
    label: str
    question: str
    applies_to: tuple[str, ...]
    effects: tuple[Effect, ...]
    score_shift: Mapping[str, Quantity]
    time_ratio: Quantity | None
    compliance: Quantity
    required_rate: Quantity
    selection: Mapping[str, Quantity]
    caution: str


@dataclass(frozen=True)
class Indicator:
    """A recorded column that says something of a quality score.

    Parameters
    ----------
    name, score, column : str
    transform : str
        "identity", "log", "log2", "sqrt" or "logit".
    centre, scale : float
        Mean and standard deviation over current practice, after the transformation. (The prior file
        states `centre` before it, in the column's unit.)
    loading : float
        Correlation with the score, inside -1 to 1.
    unit, kind : str
        Unit of the column in the sections table; "number" or "yes_no".
    lowest, highest : float
        Accepted range, in `unit`.
    status, source, rationale : str
        Of centre, scale and loading.
    """

    name: str
    score: str
    column: str
    transform: str
    centre: float
    scale: float
    loading: float
    unit: str
    kind: str
    lowest: float
    highest: float
    status: str
    source: str
    rationale: str

    def standardise(self, values: ArrayLike) -> FloatArray:
        """(transform(values) - centre) / scale, any shape; NaN (not recorded) stays NaN."""
        return _standardised(values, self.transform, self.centre, self.scale)


@dataclass(frozen=True)
class Driver:
    """A recorded column that acts directly, not through a score.

    Parameters
    ----------
    name, column, transform : str
    centre, scale : float
        One unit of the driver is `scale` after the transformation, 0 is at `centre` (after it too).
    acts_on : tuple of str
        Mechanisms, or ("wear_out",).
    coefficient : Quantity
        Per unit: log-odds of susceptibility, or ln of the age of wear-out.
    """

    name: str
    column: str
    transform: str
    centre: float
    scale: float
    acts_on: tuple[str, ...]
    coefficient: Quantity

    def standardise(self, values: ArrayLike) -> FloatArray:
        """(transform(values) - centre) / scale, any shape; NaN (not recorded) stays NaN."""
        return _standardised(values, self.transform, self.centre, self.scale)


@dataclass(frozen=True)
class Group:
    """Sections that share a district, contractor or project, and the roots which that moves.

    Parameters
    ----------
    column : str
        "district", "contractor" or "project".
    roots : tuple of str
    sd : Quantity
        Between groups, log-odds of early failure.
    """

    column: str
    roots: tuple[str, ...]
    sd: Quantity


@dataclass(frozen=True)
class ConditionPath:
    """How condition falls with age, on the z scale of the records.

    Parameters
    ----------
    start : Quantity
        Mean condition at opening, index points.
    start_spread, noise : Quantity
        Between sections at opening, and between readings; z units.
    kappa : Quantity
        Exponent of relative age on the wear-out path.
    kappa_early_ratio : Quantity
        ln of the exponent of early-failure paths over `kappa`.
    """

    start: Quantity
    start_spread: Quantity
    noise: Quantity
    kappa: Quantity
    kappa_early_ratio: Quantity


@dataclass(frozen=True)
class Cost:
    """A price.

    Parameters
    ----------
    name, label : str
    measure : str
        Measure that it pays for, "" for none.
    amount : Quantity
        Money per unit of work.
    unit : str
        Currency and unit of work, "USD/yd2".
    price_year : int
    """

    name: str
    label: str
    measure: str
    amount: Quantity
    unit: str
    price_year: int


@dataclass(frozen=True)
class PriorSet:
    """Everything the prior files say.

    Parameters
    ----------
    early_failure : Quantity
        Probability that an overlay with an odds multiplier of 1 and none of the measures fails
        before the early age, wear-out included.
    types : tuple of OverlayType
    mechanisms : tuple of Mechanism
        Empty for a prior set without early failures.
    share_sd : Quantity
        Fixed: standard deviation of the ln of a share before the shares of a type are normalised.
    wear_out_sd_common : Quantity
        Fixed: standard deviation of the ln of the age of wear-out that all types share.
    wear_out_shape : Quantity
    path : ConditionPath
    removal_lag : Quantity
        Mean years from the threshold to removal; fixed at 0 for removal at the threshold.
    label_error : Quantity
        Probability that a recorded cause is wrong.
    year_slope : Quantity
        Log-odds of early failure per decade of opening year, 0 at `year_centre`.
    year_centre : float
    groups, drivers, indicators, measures, costs
    files : mapping of str to str
        SHA-256 of each prior file, and of the overrides if there are any.
    raw : RawTables
        The tables as read, overrides included.
    """

    early_failure: Quantity
    types: tuple[OverlayType, ...]
    mechanisms: tuple[Mechanism, ...]
    share_sd: Quantity
    wear_out_sd_common: Quantity
    wear_out_shape: Quantity
    path: ConditionPath
    removal_lag: Quantity
    label_error: Quantity
    year_slope: Quantity
    year_centre: float
    groups: tuple[Group, ...]
    drivers: tuple[Driver, ...]
    indicators: tuple[Indicator, ...]
    measures: tuple[Measure, ...]
    costs: tuple[Cost, ...]
    files: Mapping[str, str]
    raw: RawTables = field(repr=False, compare=False)

    @property
    def uses_types(self) -> bool:
        """Whether bond and base matter: False where the only type is "any"."""
        return tuple(t.name for t in self.types) != (ANY,)

    @property
    def roots(self) -> tuple[str, ...]:
        """Roots of the mechanisms, in fixed order."""
        present = {mechanism.root for mechanism in self.mechanisms}
        return tuple(root for root in (*SCORED_ROOTS, OTHER) if root in present)

    @property
    def indicator_columns(self) -> Mapping[str, Indicator]:
        """Indicator of each indicator column."""
        return {indicator.column: indicator for indicator in self.indicators}

    def mechanism(self, name: str) -> Mechanism:
        """The mechanism of that name.

        Raises
        ------
        KeyError
            With the known names.
        """
        return _named(self.mechanisms, name, "mechanism")

    def measure(self, name: str) -> Measure:
        """The measure of that name.

        Raises
        ------
        KeyError
            With the known names.
        """
        return _named(self.measures, name, "measure")

    def quantities(self) -> Iterator[Quantity]:
        """Every quantity once, in the order of the fields; one that serves several measures comes once."""
        seen: set[str] = set()
        for part in fields(self):
            if part.name not in ("files", "raw"):
                for quantity in _quantities_in(getattr(self, part.name)):
                    if quantity.key not in seen:
                        seen.add(quantity.key)
                        yield quantity


def _quantities_in(value: object) -> Iterator[Quantity]:
    if isinstance(value, Quantity):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from _quantities_in(item)
    elif isinstance(value, Mapping):
        yield from _quantities_in(tuple(value.values()))
    elif is_dataclass(value):
        for part in fields(value):
            yield from _quantities_in(getattr(value, part.name))


def _named[Named: (Mechanism, Measure)](items: tuple[Named, ...], name: str, what: str) -> Named:
    for item in items:
        if item.name == name:
            return item
    raise KeyError(f"no {what} is called {name!r}; known: {', '.join(item.name for item in items)}")


def _standardised(values: ArrayLike, transform: str, centre: float, scale: float) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    return np.asarray((TRANSFORMS[transform](array) - centre) / scale)
