"""Settings of the life model."""

from __future__ import annotations

from dataclasses import dataclass, field

from .cells import AgeGrid
from .hazard import WEIBULL
from .priors import PriorSet

__all__ = ["LifeSettings", "removal_at_threshold"]


@dataclass(frozen=True)
class LifeSettings:
    """Settings of the life model.

    Parameters
    ----------
    early_age : float
        Age below which a failure counts as early, years.
    horizon : float
        End of the restricted mean, years.
    ages : tuple of float
        Ages at which survival is reported, years.
    score_nodes : int
        Gauss-Hermite nodes over a quality score.
    grid : AgeGrid
    age_law : {"weibull", "lognormal"}
        Of all ages at failure; no lives are simulated under the second.
    """

    early_age: float = 10.0
    horizon: float = 60.0
    ages: tuple[float, ...] = (25.0, 45.0)
    score_nodes: int = 7
    grid: AgeGrid = field(default_factory=AgeGrid)
    age_law: str = WEIBULL


def removal_at_threshold(priors: PriorSet) -> bool:
    """Whether the removal lag is fixed at zero."""
    return priors.removal_lag.distribution.family == "fixed" and priors.removal_lag.distribution.mean == 0
