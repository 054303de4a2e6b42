"""How many cores for what chance to find trouble, and what a clean survey leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from ..physics import survey
from ..physics.limits import FloatArray

__all__ = ["STRONG_CLUSTERING", "CoresAnswer", "CoresQuestion", "answer_cores", "share_left_open"]


@dataclass(frozen=True, kw_only=True)
class CoresQuestion:
    """Trouble to be found by cores before a bonded or unbonded overlay is let.

    Parameters
    ----------
    share : float
        Share of the road that is unsound, if there is trouble.
    chance : float
        Wanted chance to find it, 0 to 0.9999.
    sensitivity, specificity : float
        Chance that a core at an unsound spot shows it, and that one at a sound spot does not (assumed).
    clustering : float
        Intra-class correlation of neighbouring spots, 0 to 0.99 (assumed where nothing was measured).
    belief : float
        Chance, before coring, that the road hides trouble, 0 to below 1.
    cores : int or None
        A plan to judge; None for the number needed.
    joints : int or None
        Joints on the job, for opening some of a finite number.
    """

    share: float
    chance: float = 0.9
    sensitivity: float = 0.85
    specificity: float = 0.97
    clustering: float = 0.10
    belief: float = 0.40
    cores: int | None = None
    joints: int | None = None


@dataclass(frozen=True)
class CoresAnswer:
    """How many cores, and what they tell.

    Parameters
    ----------
    needed : float
        Fewest cores for the wanted chance; infinite beyond `survey.MOST_CORES`.
    needed_table : DataFrame
        Cores for several chances (rows) and correlations (columns `scattered`, `as_stated`, `strong`).
    plans : DataFrame
        For several numbers of cores: `cores`, `finds` (chance to find the trouble), `left_after_clean` (chance of
        hidden trouble after a clean survey), `share_left_open` (largest share that a clean survey leaves open at
        95 %), `false_alarm` (chance of a report on a sound road).
    lone_report_right : float
        Chance that the first core reported unsound is right, given the belief.
    joints_needed : int or None
        Joints to open of the finite number, without clustering and nothing overlooked.
    """

    needed: float
    needed_table: pd.DataFrame
    plans: pd.DataFrame
    lone_report_right: float
    joints_needed: int | None


STRONG_CLUSTERING = 0.3
"""Intra-class correlation of trouble in long stretches (assumed)."""


def answer_cores(question: CoresQuestion) -> CoresAnswer:
    """How many cores for what chance, what a clean survey leaves, and how often a sound road is accused.

    Parameters
    ----------
    question : CoresQuestion

    Returns
    -------
    CoresAnswer

    Raises
    ------
    RiskModelError
        A value outside its limits.
    """
    q = question
    finds = {"sensitivity": q.sensitivity, "clustering": q.clustering}
    needed = float(survey.cores_needed(q.chance, q.share, **finds))
    chances = np.array(sorted({0.5, 0.8, 0.9, 0.95, q.chance}))
    clusters = {"scattered": 0.0, "as_stated": q.clustering, "strong": max(STRONG_CLUSTERING, q.clustering)}
    table = pd.DataFrame(
        {"chance": chances}
        | {
            name: survey.cores_needed(chances, q.share, sensitivity=q.sensitivity, clustering=rho)
            for name, rho in clusters.items()
        }
    )
    counts = {2, 5, 10, 20, 40} | ({int(needed)} if np.isfinite(needed) else set()) | ({q.cores} if q.cores else set())
    plans = _plans(q, np.array(sorted(counts - {0}), dtype=np.float64))
    right = float(survey.positive_predictive_value(q.belief * q.share, q.sensitivity, q.specificity))
    joints = None
    if q.joints is not None:
        joints = survey.cores_needed_of(q.chance, q.joints, max(1, round(q.share * q.joints)))
    return CoresAnswer(needed, table, plans, right, joints)


def _plans(q: CoresQuestion, cores: FloatArray) -> pd.DataFrame:
    found = survey.detection_chance(cores, q.share, sensitivity=q.sensitivity, clustering=q.clustering)
    return pd.DataFrame(
        {
            "cores": cores.astype(np.int64),
            "finds": found,
            "left_after_clean": survey.clean_survey_leaves(q.belief, found),
            "share_left_open": share_left_open(cores, sensitivity=q.sensitivity, clustering=q.clustering),
            "false_alarm": survey.false_alarm_chance(cores, q.specificity),
        }
    )


def share_left_open(
    cores: ArrayLike, *, confidence: float = 0.95, sensitivity: float = 1.0, clustering: float = 0.0
) -> FloatArray:
    """Largest share of unsound road that so many clean cores leave open.

    Parameters
    ----------
    cores : array_like
        Whole numbers, at least 1.
    confidence : float
        0.01 to 0.9999.
    sensitivity, clustering : float
        As for `survey.detection_chance`.

    Returns
    -------
    ndarray
        Share at which the cores would have found trouble with this chance; 1 if they would not even then.

    Notes
    -----
    `survey.prevalence_bound` where cores are independent and overlook nothing.
    """
    n = np.asarray(cores, dtype=np.float64)
    low, high = np.zeros(n.shape), np.ones(n.shape)
    for _ in range(50):  # halves 1 to below the resolution of a float near 1
        middle = 0.5 * (low + high)
        found = survey.detection_chance(n, middle, sensitivity=sensitivity, clustering=clustering) >= confidence
        low, high = np.where(found, low, middle), np.where(found, middle, high)
    return high
