"""What cores find: chance of detection with clustering, what a clean survey leaves, effect of a pre-survey.

Trouble lies in stretches, so cores near each other tell the same story. With an intra-class
correlation above 0.1 the number of cores soon stops mattering: spread them, or add a method that
covers area. Probabilities and shares have no unit and lie between 0 and 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, gammaln, logit

from riskmodel.errors import RiskModelError
from riskmodel.physics.limits import FloatArray, within

__all__ = [
    "MOST_CORES",
    "SurveyEffect",
    "clean_survey_leaves",
    "cores_needed",
    "cores_needed_of",
    "detection_chance",
    "detection_chance_of",
    "false_alarm_chance",
    "positive_predictive_value",
    "pre_survey_effect",
    "prevalence_bound",
]

MOST_CORES = 10_000
"""More cores than anyone drills: `cores_needed` gives infinity beyond it."""

_ALONE = 1e-6  # clustering below which the beta-binomial is the binomial in floating point


def detection_chance(
    cores: ArrayLike, prevalence: ArrayLike, *, sensitivity: ArrayLike = 1.0, clustering: ArrayLike = 0.0
) -> FloatArray:
    """Chance that at least one of n cores finds trouble that is there.

    `P = 1 - (1 - p Se)^n`. With clustering the local share X has a beta law of mean p and intra-class correlation rho,
    `a = p (1 - rho) / rho`, `b = (1 - p)(1 - rho) / rho`, and `P = 1 - E (1 - Se X)^n`; for Se = 1 that is the
    beta-binomial `1 - B(a, b + n) / B(a, b)`.

    Parameters
    ----------
    cores : array_like
        n, 0 to 1e5.
    prevalence : array_like
        Share p of the length that is unsound.
    sensitivity : array_like, default 1
        Chance Se that a core at an unsound spot shows it. Judgement: 0.9 for one core, 0.2 for a look from above.
    clustering : array_like, default 0
        rho, 0 to 0.99. Assumed: 0.05 to 0.3 where nothing was measured.

    Returns
    -------
    ndarray
        Probability.

    References
    ----------
    ASTM E2334 for the independent case (page not seen); the beta-binomial is textbook statistics.
    """
    n, p = _cores(cores), _share("prevalence", prevalence)
    Se, rho = _share("sensitivity", sensitivity), within("clustering", clustering, 0.0, 0.99)
    alone = (1.0 - p * Se) ** n
    clustered = _all_miss(n, np.clip(p, 1e-12, 1.0 - 1e-12), np.clip(Se, 1e-12, 1.0 - 1e-15), np.maximum(rho, _ALONE))
    return np.clip(1.0 - np.where(rho <= _ALONE, alone, clustered), 0.0, 1.0)


def _all_miss(n: FloatArray, p: FloatArray, Se: FloatArray, rho: FloatArray) -> FloatArray:
    """Chance that no core finds anything: sum over k, the cores that would not overlook it, of their finding nothing.

    The Gauss series of the same thing alternates and loses every digit for many cores; this sum has only positive
    terms. It runs over the k that matter, ten standard deviations and a dozen either side of the mean.
    """
    n, p, Se, rho = np.broadcast_arrays(n, p, Se, rho)
    both = (1.0 - rho) / rho
    a, b = p * both, (1.0 - p) * both
    reach = np.ceil(10.0 * np.sqrt(n * Se * (1.0 - Se))) + 12.0
    k = np.maximum(np.floor(n * Se) - reach, 0.0)
    steps = int(np.max(np.minimum(np.ceil(n * Se) + reach, n) - k, initial=0.0))
    ways = gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)
    weight = np.exp(ways + k * np.log(Se) + (n - k) * np.log1p(-Se))
    nothing = np.exp(betaln(a, b + k) - betaln(a, b))
    total = weight * nothing
    for _ in range(steps):
        weight = weight * np.maximum(n - k, 0.0) / (k + 1.0) * Se / (1.0 - Se)
        nothing = nothing * (b + k) / (both + k)
        k = k + 1.0
        total = total + weight * nothing
    return total


def cores_needed(
    chance: ArrayLike, prevalence: ArrayLike, *, sensitivity: ArrayLike = 1.0, clustering: ArrayLike = 0.0
) -> FloatArray:
    """Fewest cores with at least a given chance to find trouble: `detection_chance` inverted.

    Parameters
    ----------
    chance : array_like
        Wanted probability, 0 to 0.9999.
    prevalence, sensitivity, clustering : array_like
        As for `detection_chance`.

    Returns
    -------
    ndarray
        Whole number of cores; infinite where more than `MOST_CORES` would be needed.
    """
    wanted = within("chance", chance, 0.0, 0.9999)
    options = {"sensitivity": sensitivity, "clustering": clustering}
    shape = np.broadcast_shapes(wanted.shape, np.shape(prevalence), *(np.shape(value) for value in options.values()))
    low, high = np.full(shape, -1.0), np.full(shape, float(MOST_CORES))
    # a plan that meets the chance by a rounding error meets it
    target = wanted - 1e-12
    reached = detection_chance(high, prevalence, **options) >= target
    while (high - low > 1.0).any():
        middle = np.floor(0.5 * (low + high))
        enough = detection_chance(np.maximum(middle, 0.0), prevalence, **options) >= target
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(reached, high, np.inf)


def detection_chance_of(cores: ArrayLike, lot: ArrayLike, unsound: ArrayLike) -> FloatArray:
    """Chance to find one of D unsound joints among N by opening n of them, `1 - C(N - D, n) / C(N, n)`.

    Parameters
    ----------
    cores : array_like
        n, 0 to N.
    lot : array_like
        N, 1 to 1e6.
    unsound : array_like
        D, 0 to N.

    References
    ----------
    Hypergeometric law; ASTM E2334 names finite lots (page not seen).
    """
    N = within("lot", lot, 1.0, 1e6)
    n, D = _cores(cores), within("unsound", unsound, 0.0, 1e6)
    if (n > N).any() or (D > N).any():
        raise RiskModelError("`cores` and `unsound` may not exceed `lot`. Give counts, not shares or per cent.")
    clean = N - D
    possible = n <= clean
    some = np.where(possible, n, 0.0)
    missed = gammaln(clean + 1) - gammaln(clean - some + 1) - gammaln(N + 1) + gammaln(N - some + 1)
    return np.where(possible, -np.expm1(np.minimum(missed, 0.0)), 1.0)


def cores_needed_of(chance: float, lot: int, unsound: int) -> int:
    """Fewest cores of a finite lot with at least a given chance to find trouble.

    Parameters
    ----------
    chance : float
        Wanted probability, 0 to 0.9999.
    lot, unsound : int
        Joints in all, at least 1; unsound among them, at least 1.

    Returns
    -------
    int
    """
    wanted = float(within("chance", chance, 0.0, 0.9999))
    bad = int(within("unsound", unsound, 1, 1e6, remedy="With nothing unsound there is nothing to find"))
    plans = np.arange(int(within("lot", lot, 1, 1e6)) + 1)
    return int(np.argmax(detection_chance_of(plans, lot, bad) >= wanted - 1e-12))


def prevalence_bound(cores: ArrayLike, confidence: ArrayLike = 0.95) -> FloatArray:
    """Largest share of unsound road that n clean cores leave open, `1 - (1 - C)^(1/n)`.

    Parameters
    ----------
    cores : array_like
        n clean, independent cores that miss nothing, 1 to 1e5.
    confidence : array_like, default 0.95
        C, 0.01 to 0.9999.

    Notes
    -----
    About 3/n at 95 % for n above 30.

    References
    ----------
    ASTM E2334 (page not seen).
    """
    C = within("confidence", confidence, 0.01, 0.9999)
    return -np.expm1(np.log1p(-C) / _cores(cores, 1.0))


def positive_predictive_value(prevalence: ArrayLike, sensitivity: ArrayLike, specificity: ArrayLike) -> FloatArray:
    """Chance that a core reported unsound is unsound, `p Se / [p Se + (1 - p)(1 - Sp)]`.

    Parameters
    ----------
    prevalence, sensitivity, specificity : array_like
        Shares; not such that no core is ever reported unsound.
    """
    p, Se = _share("prevalence", prevalence), _share("sensitivity", sensitivity)
    true, false = p * Se, (1.0 - p) * (1.0 - _share("specificity", specificity))
    if (true + false == 0).any():
        raise RiskModelError(
            "`prevalence`, `sensitivity` and `specificity` leave no core reported unsound, so the share of right "
            "reports has no value. Raise `prevalence` or `sensitivity` above 0."
        )
    return true / (true + false)


def clean_survey_leaves(prior: ArrayLike, detection: ArrayLike) -> FloatArray:
    """Chance of hidden trouble after a survey that found none, `h (1 - P) / [h (1 - P) + 1 - h]`.

    Parameters
    ----------
    prior : array_like
        Chance h of hidden trouble before, 0 to below 1.
    detection : array_like
        Chance P that the survey would have found it (`detection_chance`).
    """
    h = within("prior", prior, 0.0, 1.0 - 1e-12, remedy="Certain trouble needs no survey")
    missed = h * (1.0 - _share("detection", detection))
    return missed / (missed + 1.0 - h)


def false_alarm_chance(cores: ArrayLike, specificity: ArrayLike) -> FloatArray:
    """Chance that at least one of n cores of a sound road is reported unsound, `1 - Sp^n`.

    A lone positive therefore needs to be confirmed.

    Parameters
    ----------
    cores : array_like
        n, 0 to 1e5.
    specificity : array_like
        Chance Sp that a core at a sound spot is reported sound.
    """
    return 1.0 - _share("specificity", specificity) ** _cores(cores)


@dataclass(frozen=True)
class SurveyEffect:
    """What a pre-survey with so many cores changes.

    Parameters
    ----------
    detection : ndarray
        Chance to find hidden trouble that is there.
    failure_chance : ndarray
        Chance of early failure with this survey.
    log_odds : ndarray
        Its log-odds less those without any core.
    false_alarm : ndarray
        Chance of a report of trouble on a sound road.
    """

    detection: FloatArray
    failure_chance: FloatArray
    log_odds: FloatArray
    false_alarm: FloatArray


def pre_survey_effect(
    cores: ArrayLike,
    *,
    prevalence: ArrayLike = 0.10,
    clustering: ArrayLike = 0.10,
    sensitivity: ArrayLike = 0.85,
    specificity: ArrayLike = 0.97,
    hidden: ArrayLike = 0.40,
    untreated: ArrayLike = 0.35,
    treated: ArrayLike = 0.12,
    sound: ArrayLike = 0.06,
) -> SurveyEffect:
    """Effect of a pre-survey by cores on early failure.

    `q = h [(1 - P) q_untreated + P q_treated] + (1 - h) q_sound`

    Every default is assumed, with no measurement behind it: pass samples of wide priors. Ranges to spread them over
    stand beside each argument.

    Parameters
    ----------
    cores : array_like
        Number of cores in all, on the whole job; 0 is no survey.
    prevalence : array_like, default 0.10
        Share of the length unsound where trouble hides; 0.03 to 0.30.
    clustering : array_like, default 0.10
        Intra-class correlation; 0.02 to 0.4.
    sensitivity, specificity : array_like, defaults 0.85 and 0.97
        Of one core; 0.6 to 0.95 and 0.9 to 0.995.
    hidden : array_like, default 0.40
        Chance h that the road hides trouble; 0.15 to 0.7.
    untreated, treated, sound : array_like, defaults 0.35, 0.12, 0.06
        Chance of early failure with hidden trouble left, with trouble found and treated, and without trouble;
        spread each by a factor of two. Strictly between 0 and 1.

    Returns
    -------
    SurveyEffect

    References
    ----------
    Bayes' rule; own form.
    """
    h = _share("hidden", hidden)
    left, found, none = (
        within(name, value, 1e-6, 1.0 - 1e-6)
        for name, value in (("untreated", untreated), ("treated", treated), ("sound", sound))
    )
    P = detection_chance(cores, prevalence, sensitivity=sensitivity, clustering=clustering)
    surveyed = h * ((1.0 - P) * left + P * found) + (1.0 - h) * none
    blind = h * left + (1.0 - h) * none
    return SurveyEffect(P, surveyed, logit(surveyed) - logit(blind), false_alarm_chance(cores, specificity))


def _cores(value: ArrayLike, fewest: float = 0.0) -> FloatArray:
    count = within("cores", value, fewest, 1e5)
    if (count != np.floor(count)).any():
        raise RiskModelError("`cores` must be whole numbers; got a fraction. Round cores a mile times miles first.")
    return count


def _share(name: str, value: ArrayLike) -> FloatArray:
    return within(name, value, 0.0, 1.0, remedy="Give a share between 0 and 1, not per cent")
