"""The priors as the rest of the program sees them: frozen, complete, without a default in code.

`riskmodel.priors.load_priors` builds a `PriorSet` from prior files; everything else only reads it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass

from riskmodel.joint import Joint
from riskmodel.priorfiles import RawTables
from riskmodel.priorparts import (
    ANY,
    OTHER,
    SCORED_ROOTS,
    TRANSFORMS,
    WEAR_OUT,
    ConditionPath,
    Cost,
    Driver,
    Effect,
    Feed,
    Group,
    Indicator,
    Measure,
    Mechanism,
    OverlayType,
    PhysicalInputs,
    Quantity,
    Source,
)

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
    "PriorSet",
    "Quantity",
    "Source",
]


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
    carried : tuple of str
        Marks of the sections on which the priors were learnt, where they are the posterior of another study.
    joint : Joint or None
        How quantities go together, where a table of correlations lies beside the files; None: one by one.
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
    carried: tuple[str, ...] = ()
    joint: Joint | None = field(default=None, compare=False)

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
            if part.name not in ("files", "raw", "carried", "joint"):
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
