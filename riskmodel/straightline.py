"""The pooled straight line through condition against age, and where it reaches a level. Arrays in, arrays out.

Least squares over all readings needs five sums a section, so a bootstrap that draws whole sections
is a matter of weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["NEVER", "SectionSums", "age_at_level", "resampled_lines", "section_sums", "spread"]

NEVER = 1000.0
"""Years beyond which a line counts as never reaching a level."""
CHUNK = 100  # resamples at a time, so that thousands of sections fit in memory
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SectionSums:
    """Sums of the readings of each section, about a common centre.

    Parameters
    ----------
    values : ndarray (section, 5)
        n, sum x, sum y, sum x^2, sum x y with x = age - age_centre and y = index - index_centre.
    age_centre : float
        Years.
    index_centre : float
        Index points.
    """

    values: Floats
    age_centre: float
    index_centre: float

    def line(self, totals: Floats) -> tuple[Floats, Floats]:
        """Least-squares line of some totals.

        Parameters
        ----------
        totals : ndarray (..., 5)
            Weighted sums of `values` over sections.

        Returns
        -------
        start, slope : ndarray (...)
            Index at age 0, index points, and its change in a year; NaN where the readings lie at one age.
        """
        n, x, y, xx, xy = np.moveaxis(np.asarray(totals, dtype=float), -1, 0)
        spread_of_age = n * xx - x * x
        with np.errstate(invalid="ignore", divide="ignore"):
            # x is centred on the mean age of all readings, so this is no difference of large numbers
            slope = np.where(spread_of_age > 1e-10 * n * xx, (n * xy - x * y) / spread_of_age, np.nan)
            start = self.index_centre + y / n - slope * (self.age_centre + x / n)
        return start, slope


def section_sums(owner: NDArray[np.int64], age: Floats, index: Floats, sections: int) -> SectionSums:
    """Sums that every pooled line needs.

    Parameters
    ----------
    owner : ndarray of int (reading,)
        Section of each reading.
    age : ndarray (reading,), years
    index : ndarray (reading,), index points
    sections : int

    Returns
    -------
    SectionSums
        Sections without a reading have sums of zero.
    """
    centres = (float(age.mean()), float(index.mean())) if len(age) else (0.0, 0.0)
    x, y = age - centres[0], index - centres[1]
    columns = [np.bincount(owner, part, minlength=sections) for part in (np.ones_like(x), x, y, x * x, x * y)]
    return SectionSums(np.stack(columns, axis=1), *centres)


def age_at_level(start: Floats, slope: Floats, level: float) -> Floats:
    """Age at which lines reach a level from above, years.

    Parameters
    ----------
    start, slope : ndarray (...)
        Index at age 0, index points, and its change in a year.
    level : float
        Index points.

    Returns
    -------
    ndarray (...)
        0 for a line that starts at or below the level; infinite for one that does not reach it within
        `NEVER` years; NaN where there is no line.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        age = (level - start) / slope
        reaches = (slope < 0) & (age <= NEVER)
    age = np.where(reaches, age, np.inf)
    age = np.where(start <= level, 0.0, age)
    return np.where(np.isnan(slope), np.nan, age)


def resampled_lines(
    sums: SectionSums, kept: NDArray[np.bool_], *, resamples: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Lines through samples of whole sections with replacement, the same samples for every selection.

    Parameters
    ----------
    sums : SectionSums
    kept : ndarray of bool (line, section)
        Sections that each line goes through.
    resamples : int
    rng : Generator

    Returns
    -------
    start, slope : ndarray (resample, line)

    Notes
    -----
    Readings of one section lie on one path, so sections are drawn, not readings. Source: Davison & Hinkley
    (1997), Bootstrap Methods and their Application, section 3.8 (page not seen).
    """
    drawn = np.flatnonzero(sums.values[:, 0] > 0)
    parts = np.where(kept[:, drawn, None], sums.values[drawn], 0.0)  # (line, section, 5)
    flat = parts.transpose(1, 0, 2).reshape(len(drawn), -1)
    chance = np.full(len(drawn), 1.0 / max(len(drawn), 1))
    totals = []
    for first in range(0, resamples, CHUNK):
        counts = rng.multinomial(len(drawn), chance, size=min(CHUNK, resamples - first))
        totals.append((counts @ flat).reshape(-1, len(kept), parts.shape[2]))
    return sums.line(np.concatenate(totals))


def spread(values: Floats, prob: float = 0.90) -> tuple[float, float]:
    """Ends of the central interval of values that may be infinite; NaN where there is none.

    Parameters
    ----------
    values : ndarray (resample,)
        NaN values are left out.
    prob : float
    """
    known = values[~np.isnan(values)]
    if not len(known):
        return float("nan"), float("nan")
    tails = (0.5 * (1.0 - prob), 0.5 * (1.0 + prob))
    # a quantile that is one of the values: between finite and infinite ones there is no middle
    lower, upper = np.quantile(known, tails, method="inverted_cdf")
    return float(lower), float(upper)
