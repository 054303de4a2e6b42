"""What a study states about money: period, rate, what follows a failure, prices, the survey's consequences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["ELICITED", "FOLLOW_UPS", "OVERLAY_AGAIN", "PATCH", "PHYSICS", "RECONSTRUCT", "Level", "Policy", "Survey"]

OVERLAY_AGAIN, RECONSTRUCT, PATCH = "overlay_again", "reconstruct", "patch_then_reconstruct"
ELICITED, PHYSICS = "elicited", "physics"
FOLLOW_UPS = (OVERLAY_AGAIN, RECONSTRUCT, PATCH)


@dataclass(frozen=True)
class Survey:
    """What a better survey before design brings besides its price.

    Parameters
    ----------
    measure : str
        The measure that is the survey.
    found_bad : float
        Share of the roads that are bad, found so, and would not have been by the usual walk.
    false_alarm : float
        Share of the other roads that are taken for bad.
    rejected : float
        Share of the roads called bad that are reconstructed instead of overlaid; the others are repaired.
    repair : tuple of str
        Prices of the repair of a road called bad.
    """

    measure: str
    found_bad: float
    false_alarm: float
    rejected: float
    repair: tuple[str, ...]

    @property
    def alarms(self) -> float:
        """Share of the surveyed roads that are called bad."""
        return self.found_bad + (1.0 - self.found_bad) * self.false_alarm


@dataclass(frozen=True)
class Level:
    """One level of a measure that comes in levels.

    Parameters
    ----------
    measure, name : str
    effect : float or None
        Part of the measure's full effect on the log-odds (and of its score shift and time ratio). From mechanics,
        the part of what these do not know; None where they know all.
    cost_factor : float or None
        Its cost as a multiple of the measure's; None where `cost` serves.
    cost : str
        Name of a price.
    number : float
        Number of `cost` a lane-mile, where that is a price each.
    origin : str
        Where its part comes from: `elicited` or `physics`.
    inputs : mapping of str to float
        From mechanics: inputs of the measure's sub-models that this level changes, in their units.
    """

    measure: str
    name: str
    effect: float | None
    cost_factor: float | None = None
    cost: str = ""
    number: float = 1.0
    origin: str = ELICITED
    inputs: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Policy:
    """Settings of a decision. Prices are named after [cost] tables of the prior files.

    Parameters
    ----------
    reconstruction_life : tuple of float
        5, 50 and 95 % quantiles of the median life of a reconstructed pavement, years.
    reconstruction_shape : float
        Weibull shape of that life.
    analysis_period : int
        Years over which costs count.
    discount_rate : float
        Real, a year.
    discount_rates, analysis_periods : tuple
        Others, for the table of robustness.
    horizon : int
        Years over which section-years count.
    early_ages : tuple of float
        Ages under which a failure may be called early, for the table of robustness.
    price_year : int
        Year of all results' prices.
    price_index : mapping of str to float
        Year to the factor that brings prices of that year to `price_year`.
    follow_up : str
        One of `FOLLOW_UPS`.
    patch_interval, patch_until, patch_share : int, int, float
        Years between patches; year of the analysis period in which patching ends; patched share of the area.
    overlay, reconstruction, patch : tuple of str
        Prices of an overlay, a reconstruction and patches.
    user_delay, disposal, material : tuple of str
        Optional lines: at every overlay or reconstruction after the first overlay; at every removal;
        at every overlay, the first included. Empty: not counted.
    measure_costs : mapping of str to tuple of str
        Prices of a measure, where they are not those that name it.
    replaces : mapping of str to tuple of str
        Prices of the work that a measure makes unnecessary.
    numbers : mapping of str to float
        Number a lane-mile of what is priced each or a day.
    lane_width : float
        m.
    typical_area, typical_thickness : float
        Section area in m2 and overlay thickness in m where no section of the programme states one.
    budget : float or None
        Extra first cost that the programme as a whole may take.
    survey : Survey or None
    levels : tuple of Level
    willingness : tuple of float
        Payments for a section-year at which acceptability is stated; empty: chosen from the frontier.
    """

    reconstruction_life: tuple[float, float, float]
    reconstruction_shape: float
    analysis_period: int = 50
    discount_rate: float = 0.03
    discount_rates: tuple[float, ...] = (0.01, 0.02, 0.04, 0.05, 0.07)
    analysis_periods: tuple[int, ...] = (30, 40, 60)
    horizon: int = 60
    early_ages: tuple[float, ...] = (5.0, 8.0, 12.0, 15.0)
    price_year: int = 2024
    price_index: Mapping[str, float] = field(default_factory=dict)
    follow_up: str = RECONSTRUCT
    patch_interval: int = 2
    patch_until: int = 20
    patch_share: float = 0.05
    overlay: tuple[str, ...] = ("overlay_thickness", "overlay_area")
    reconstruction: tuple[str, ...] = ("reconstruction",)
    patch: tuple[str, ...] = ("panel_replacement",)
    user_delay: tuple[str, ...] = ()
    disposal: tuple[str, ...] = ()
    material: tuple[str, ...] = ()
    measure_costs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    replaces: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)
    lane_width: float = 3.6576
    typical_area: float = 8361.2736
    typical_thickness: float = 0.1524
    budget: float | None = None
    survey: Survey | None = None
    levels: tuple[Level, ...] = ()
    willingness: tuple[float, ...] = ()
