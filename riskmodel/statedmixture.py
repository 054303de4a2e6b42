"""The exclusion check on a stated mixture: a share that fails early, the rest near a stated life. No study.

Lives and readings are simulated, the lines are drawn through the readings, and the life distribution
is exact. It shows what the arithmetic of deletion does; it says nothing of any road.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .deletion import RESAMPLES, Deletion, ExclusionError, Sightings, draw_lines
from .errors import Faults
from .exclusion import Exclusion, compare_lives
from .hazard import LN2, failure_share, weibull_age
from .streams import stream

__all__ = ["StatedMixture", "answer_mixture", "sight", "survival_of"]

FINE = 120.0  # years up to which the ages of the curves are a fortieth of a year apart
Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class StatedMixture:
    """Overlays of which a share fails early, surveyed at regular ages until they are removed.

    Parameters
    ----------
    share_early : float
        Share of sections that can fail early, 0 to 1.
    early_age, life : float
        Median age at early failure and at wear-out, years.
    early_shape, shape : float
        Weibull shapes of the two.
    threshold, start : float
        Index that counts as failure, and index as built, index points.
    power : float
        Of the path: index = start - (start - threshold) (age / life)^power.
    scatter : float
        Standard deviation of a reading, index points.
    every, surveyed_to : float
        Years between surveys; age of the last one.
    removal_lag : float
        Mean years from failure to removal, Gamma of shape 2; 0 removes a section as it fails. The shift of the line
        hangs on it: failed sections that stay weigh on the line for as long.
    sections : int
    seed : int
    """

    share_early: float
    early_age: float
    life: float
    early_shape: float = 5.0
    shape: float = 8.0
    threshold: float = 60.0
    start: float = 97.0
    power: float = 1.3
    scatter: float = 4.0
    every: float = 2.0
    surveyed_to: float = 24.0
    removal_lag: float = 8.0
    sections: int = 2000
    seed: int = 1

    def __post_init__(self) -> None:
        faults = Faults()
        for holds, rule, column, got, remedy in (
            (self.early_age < self.life, "early failures come before the others wear out", "--early-age",
             self.early_age, "Choose an age below --life"),
            (self.threshold < self.start, "a section is built above the level that counts as failure", "--start",
             self.start, "Choose an index above --threshold"),
            (self.every <= self.surveyed_to / 2, "a line needs surveys at two ages", "--every", self.every,
             "Choose at most half of --surveyed-to"),
        ):  # fmt: skip
            if not holds:
                faults.add(rule, column=column, got=f"{got:g}", remedy=remedy)
        faults.raise_any(ExclusionError)


def survival_of(mixture: StatedMixture) -> tuple[Floats, Floats]:
    """Exact share not yet failed, with the early failures and without.

    Parameters
    ----------
    mixture : StatedMixture

    Returns
    -------
    survival : ndarray (2, age)
    ages : ndarray (age,), years
        To the age that one in 10^9 outlives.
    """
    end = mixture.life * (np.log(1e9) / LN2) ** (1.0 / mixture.shape)
    ages = np.concatenate([np.arange(0.0, FINE, 0.025), np.geomspace(FINE, max(end, 2 * FINE), 500)])
    without = 1.0 - failure_share(ages, mixture.life, mixture.shape)
    early = failure_share(ages, mixture.early_age, mixture.early_shape)
    return np.stack([without * (1.0 - mixture.share_early * early), without]), ages


def sight(mixture: StatedMixture) -> Sightings:
    """Simulated readings of the mixture.

    Parameters
    ----------
    mixture : StatedMixture

    Returns
    -------
    Sightings
        A section is known to have failed at its first reading at or below the threshold, or at its removal.
    """
    rng, count = stream(mixture.seed, "mixture"), mixture.sections
    share, early, wear = 1.0 - rng.random((3, count))  # in (0, 1]
    life = weibull_age(wear, mixture.life, mixture.shape)
    early_life = weibull_age(early, mixture.early_age, mixture.early_shape)
    life = np.where(share <= mixture.share_early, np.minimum(life, early_life), life)
    removed = life + rng.gamma(2.0, 0.5 * mixture.removal_lag, count)
    surveys = np.arange(mixture.every, mixture.surveyed_to + 1e-9, mixture.every)
    noise = mixture.scatter * rng.standard_normal((count, len(surveys)))
    fall = (mixture.start - mixture.threshold) * (surveys / life[:, None]) ** mixture.power
    index = np.clip(mixture.start - fall + noise, 0.0, 100.0)
    owner, column = np.nonzero(surveys < removed[:, None])
    age, index = surveys[column], index[owner, column]
    removed = np.where(removed <= mixture.surveyed_to, removed, np.inf)
    failed, low = removed.copy(), index <= mixture.threshold
    np.minimum.at(failed, owner[low], age[low])
    used = np.ones(len(owner), bool)
    traps = {"capped": int((index >= 100.0).sum()), "removed": int(np.isfinite(removed).sum())}
    return Sightings(owner, age, index, used, failed, removed, mixture.threshold, 0.0, 100.0, traps)


def answer_mixture(
    mixture: StatedMixture, deletion: Deletion | None = None, *, resamples: int = RESAMPLES
) -> Exclusion:
    """The exclusion check of a stated mixture.

    Parameters
    ----------
    mixture : StatedMixture
    deletion : Deletion, optional
        Default: sections read below the threshold at any age.
    resamples : int

    Returns
    -------
    Exclusion
        Mean life is over all ages; the curves are exact, so life quantities have no interval.

    Raises
    ------
    ExclusionError
        When the deletion leaves no line.
    """
    survival, ages = survival_of(mixture)
    sightings = sight(mixture)
    # all but one in a hundred of the early failures have come by then
    early_age = float(weibull_age(0.01, mixture.early_age, mixture.early_shape))
    settings = {"early_age": early_age, "horizon": float(ages[-1]), "observed_to": np.inf}
    asked = (deletion or Deletion(mixture.threshold),)
    lines = draw_lines(sightings, asked, early_age=early_age, seed=mixture.seed, resamples=resamples)
    life = compare_lives(survival[None], ages, **settings)
    return Exclusion(sightings, lines, life, survival[None], ages, planned=False, **settings)
