"""Parts of a prior set, frozen and complete: what one table of a prior file becomes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.distribution import Distribution, FloatArray
from riskmodel.errors import Fault, PriorError

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
    "Feed",
    "Group",
    "Indicator",
    "Measure",
    "Mechanism",
    "OverlayType",
    "PhysicalInputs",
    "Quantity",
    "Source",
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
        "published", "elicited", "judgement", "common_practice", "from_memory" or "carried".
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
class PhysicalInputs:
    """What a sub-model of mechanics needs to say how much a measure does.

    Parameters
    ----------
    model : str
        Sub-model, of `riskmodel.submodels`.
    inputs : mapping of str to Quantity
        Every input with its spread.
    shrink : float
        Divides the change of the log-odds that the sub-model gives; 2 to 3 where it rests on assumed
        inputs.
    """

    model: str
    inputs: Mapping[str, Quantity]
    shrink: float


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
        What the model uses.
    applies_to : tuple of str
        Overlay types. A side effect may act where the measure itself is never required.
    side_effect : bool
    origin : str
        Where `ratio` comes from: "elicited", "physics" or "pooled" (both).
    elicited : Quantity or None
        The stated ratio on `elicited_scale`; None where only the mechanics speak.
    elicited_scale : str
    physics : PhysicalInputs or None
        The sub-model and its inputs, whether used or only compared.
    """

    mechanisms: tuple[str, ...]
    scale: str
    ratio: Quantity
    applies_to: tuple[str, ...]
    side_effect: bool
    origin: str = "elicited"
    elicited: Quantity | None = None
    elicited_scale: str = ""
    physics: PhysicalInputs | None = None


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
class Source:
    """A column of the sections table that an indicator reads: accepted range in `unit`, "number" or "yes_no"."""

    column: str
    lowest: float
    highest: float
    kind: str
    unit: str


@dataclass(frozen=True)
class Feed:
    """A column that feeds one argument of a function of mechanics.

    Parameters
    ----------
    argument, column : str
    unit : str
        Of the column; argument = `factor` x column + `offset`.
    factor, offset : float
    lowest, highest : float
        Accepted range of the column, in its unit.
    """

    argument: str
    column: str
    unit: str
    factor: float
    offset: float
    lowest: float
    highest: float

    def convert(self, values: ArrayLike) -> FloatArray:
        """Values of the column in the argument's unit, any shape."""
        return np.asarray(np.asarray(values, dtype=np.float64) * self.factor + self.offset)


@dataclass(frozen=True)
class Indicator:
    """A recorded column, or a function of several, that says something of a quality score.

    Parameters
    ----------
    name, score : str
    column : str
        Of the sections table; the indicator's own name where a function makes it.
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
    function : str
        Of `riskmodel.mechanics`, "" for a plain column.
    feeds : tuple of Feed
        Columns that feed its arguments.
    constants : mapping of str to float
        Its other arguments, in their units.
    replaces : tuple of str
        Indicators that say the same less well: where this one has a value they are not counted.
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
    function: str = ""
    feeds: tuple[Feed, ...] = ()
    constants: Mapping[str, float] = field(default_factory=dict)
    replaces: tuple[str, ...] = ()

    @property
    def sources(self) -> tuple[Source, ...]:
        """Columns of the sections table that it reads."""
        if not self.function:
            return (Source(self.column, self.lowest, self.highest, self.kind, self.unit),)
        return tuple(Source(f.column, f.lowest, f.highest, "number", f.unit) for f in self.feeds)

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
    rater_sd : Quantity or None
        Between raters, z units; used where the records name raters. None where the files state none.
    """

    start: Quantity
    start_spread: Quantity
    noise: Quantity
    kappa: Quantity
    kappa_early_ratio: Quantity
    rater_sd: Quantity | None = None

    @property
    def between_raters(self) -> Quantity:
        """`rater_sd`, for records that name raters.

        Raises
        ------
        PriorError
            Where the files state none.
        """
        if self.rater_sd is not None:
            return self.rater_sd
        rule = "the surveys name raters, so how far these differ needs a prior"
        remedy = "Add [path.rater_sd], in z, as the files that come with the program state it"
        raise PriorError([Fault(rule, "prior files", column="path.rater_sd", remedy=remedy)])


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


def _standardised(values: ArrayLike, transform: str, centre: float, scale: float) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    return np.asarray((TRANSFORMS[transform](array) - centre) / scale)
