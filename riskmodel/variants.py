"""Other models of the same records, each one change away from the study's, and how well each predicts.

A variant is the study's prior set, settings or condition scale with something taken away or replaced; the model is
built, sampled and gated as any other. Sections are predicted without their own records (`leaveout`), and two models
are compared by the sum over sections of the differences, with the standard error of that sum (A. Vehtari, A. Gelman
and J. Gabry, Statistics and Computing 27 (2017) 1413-1432; page not seen).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from .distribution import Distribution
from .hazard import LOGNORMAL
from .leaveout import LeftOut
from .lifesettings import LifeSettings
from .priors import OTHER, WEAR_OUT, Effect, Group, Measure, Mechanism, PriorSet, Quantity
from .verdicts import Verdict, judged, not_applicable

if TYPE_CHECKING:
    from .records import Records

__all__ = [
    "NO_LABELS",
    "STUDY",
    "Variant",
    "compared",
    "fitted_records",
    "threshold_variant",
    "variant_verdict",
    "variants_of",
]

STUDY, NO_LABELS = "the study's model", "no_recorded_causes"
PATHS = {"power_z": "a power of age on the worked scale", "power_y": "a power of age on the index itself",
         "reverse_s": "a reversed S"}  # fmt: skip
POOLED = "early"
Z90 = 2.0 * float(ndtri(0.95))
LEAST_DIFFERENCE, ERRORS = 4.0, 2.0
"""Differences of log density below 4, or two standard errors, decide nothing."""


@dataclass(frozen=True)
class Variant:
    """A model to compare with the study's.

    Parameters
    ----------
    name, words : str
    priors : PriorSet
    settings : LifeSettings
    path : str
        Shape of the condition path; empty for the study's.
    threshold, far_below : float
        Of the condition scale; NaN for the study's.
    against : str
        What it is compared with: `STUDY`, or `NO_LABELS` where the causes on record are withheld from both. Empty
        for `NO_LABELS` itself, which is of other records than the study's model.
    why_not : str
        Why it cannot be compared; empty where it can.
    """

    name: str
    words: str
    priors: PriorSet
    settings: LifeSettings
    path: str = ""
    threshold: float = np.nan
    far_below: float = np.nan
    against: str = STUDY
    why_not: str = ""


def variants_of(priors: PriorSet, settings: LifeSettings, records: Records) -> tuple[Variant, ...]:
    """Every variant of a study, the one that the others of unlike causes are compared with first.

    Parameters
    ----------
    priors : PriorSet
        With the measures in play.
    settings : LifeSettings
    records : Records
    """
    labelled = bool(records.sections["named"].values.any())
    against = NO_LABELS if labelled else STUDY
    yardstick = Variant(NO_LABELS, "the same model, causes on record withheld", priors, settings, against="")
    chosen = any(q.distribution.family != "fixed" for m in priors.measures for q in m.selection.values())
    one_exponent = replace(priors.path, kappa_early_ratio=_fixed(priors.path.kappa_early_ratio, 0.0))
    early = "" if priors.mechanisms else "the prior set has no early mechanism"
    several = "" if len(priors.mechanisms) > 1 else "the prior set has no two early mechanisms"
    found = [
        Variant("no_early_mechanisms", "wear-out alone", _without_early(priors), settings, against=against,
                why_not=early),
        Variant("one_early_mechanism", "one early mechanism for all causes", pooled(priors), settings, against=against,
                why_not=several),
        Variant("no_selection", "roads chosen for a measure are like all others", _without_selection(priors), settings,
                why_not="" if chosen else "no measure on record has a selection term"),
        Variant("one_path_exponent", "one path exponent for wear-out and early failures",
                replace(priors, path=one_exponent), settings, why_not=early),
        *(Variant(f"path_{path}", f"condition path: {words}", priors, settings, path=path)
          for path, words in PATHS.items() if path != records.condition.path),
        # last, since it takes longest
        Variant("lognormal_ages", "lognormal in place of Weibull ages", priors, replace(settings, age_law=LOGNORMAL)),
    ]  # fmt: skip
    return (*((yardstick,) if labelled else ()), *found)


def threshold_variant(priors: PriorSet, settings: LifeSettings, records: Records, threshold: float) -> Variant:
    """The same model at another threshold of the index, with readings entering at the same level as before.

    Readings some way below the threshold enter as "so low by then" alone. That level is kept, or the two models
    would be of different readings and no comparison would mean anything. The priors still state lives to the
    study's threshold, so that what differs is the priors' fit as much as the model's.
    """
    condition = records.condition
    level = max(condition.threshold - condition.far_below, condition.lowest)
    why = ""
    if threshold == condition.threshold:
        why = "it is the study's own threshold"
    elif not condition.lowest < threshold < condition.highest:
        why = f"it lies off the scale, which runs from {condition.lowest:g} to {condition.highest:g}"
    elif threshold <= level:
        why = f"readings below {level:g} enter the study's model only as such, and this one would need them as they are"
    elif condition.removal_level is not None and condition.removal_level > threshold:
        why = f"the agency removes sections at {condition.removal_level:g}, above this threshold"
    elif (records.sections["age_lower"].values > 0).any() or np.isfinite(records.sections["age_upper"].values).any():
        why = "the agency states failures on record by its own threshold"
    return Variant(
        f"threshold_{threshold:g}", f"failure at {threshold:g}", priors, settings, threshold=threshold,
        far_below=threshold - level, why_not=why,
    )  # fmt: skip


def fitted_records(variant: Variant, records: Records) -> Records:
    """The records as a variant reads them; at another threshold they were read at it already."""
    if variant.path:
        records = replace(records, condition=replace(records.condition, path=variant.path))  # type: ignore[arg-type]
    if variant.name != NO_LABELS and variant.against != NO_LABELS:
        return records
    causes = [*(m.name for m in variant.priors.mechanisms), WEAR_OUT]
    sections = records.sections.drop_dims("cause", errors="ignore").drop_vars("cause", errors="ignore")
    nothing = np.zeros((sections.sizes["section"], len(causes)), bool)
    sections = sections.assign_coords(cause=causes).assign(named=(("section", "cause"), nothing))
    return replace(records, sections=sections)


# --------------------------------------------------------------------------------- prior sets


def _fixed(quantity: Quantity, value: float) -> Quantity:
    return replace(quantity, distribution=Distribution("fixed", (value,)))


def _without_early(priors: PriorSet) -> PriorSet:
    """Wear-out alone; measures act on early failures and go with them."""
    return replace(priors, mechanisms=(), measures=(), groups=())


def _without_selection(priors: PriorSet) -> PriorSet:
    measures = [
        replace(m, selection={root: _fixed(q, 0.0) for root, q in m.selection.items()}) for m in priors.measures
    ]
    return replace(priors, measures=tuple(measures))


def pooled(priors: PriorSet) -> PriorSet:
    """One early mechanism in place of all: no quality score, one distribution of ages.

    Its age has the mean and spread of ln median and ln shape over the mechanisms, by their shares. A measure that
    left a part r of the failures by causes of share s leaves 1 - s (1 - r) of all. Contracts, contractors and
    districts act on it.
    """
    if not priors.mechanisms:
        return priors
    share = np.array([np.mean([m.share.get(t.name, 0.0) for t in priors.types]) for m in priors.mechanisms])
    share = share / share.sum()
    first = priors.mechanisms[0]
    one = Mechanism(
        POOLED, "any early failure", OTHER, {t.name: 1.0 for t in priors.types},
        _averaged([m.median for m in priors.mechanisms], share), _averaged([m.shape for m in priors.mechanisms], share),
        None, first.status, first.source, first.rationale,
    )  # fmt: skip
    of = dict(zip([m.name for m in priors.mechanisms], share, strict=True))
    measures = tuple(_pooled_measure(m, of) for m in priors.measures)
    groups: tuple[Group, ...] = tuple(replace(group, roots=(OTHER,)) for group in priors.groups)
    return replace(priors, mechanisms=(one,), measures=measures, groups=groups)


def _averaged(quantities: Sequence[Quantity], share: np.ndarray) -> Quantity:
    """A lognormal with the mean and variance of ln over several quantities by share."""
    logs = np.array([np.log(q.distribution.interval()) for q in quantities])
    centre, spread = logs.mean(axis=1), np.diff(logs, axis=1)[:, 0] / Z90
    mean = float(share @ centre)
    sd = float(np.sqrt(share @ (spread**2 + (centre - mean) ** 2)))
    family = Distribution("lognormal", (mean, sd)) if sd > 0 else Distribution("fixed", (float(np.exp(mean)),))
    return replace(quantities[0], distribution=family)


def _pooled_measure(measure: Measure, share: dict[str, float]) -> Measure:
    effects = tuple(_pooled_effect(effect, share) for effect in measure.effects)
    selection = dict(zip((OTHER,), measure.selection.values(), strict=False))
    return replace(measure, effects=effects, selection=selection, score_shift={})


def _pooled_effect(effect: Effect, share: dict[str, float]) -> Effect:
    part = sum(share.get(name, 0.0) for name in effect.mechanisms)
    low, high = (1.0 - part * (1.0 - end) for end in effect.ratio.distribution.interval())
    low, high = np.log(max(low, 1e-3)), np.log(max(high, 1e-3))
    spread = float((high - low) / Z90)
    ratio = Distribution("lognormal", (float(0.5 * (low + high)), spread)) if spread > 0 else (
        Distribution("fixed", (float(np.exp(low)),))
    )  # fmt: skip
    return replace(effect, mechanisms=(POOLED,), ratio=replace(effect.ratio, distribution=ratio))


# --------------------------------------------------------------------------------- comparison


def compared(variant: LeftOut, base: LeftOut) -> tuple[float, float]:
    """Difference of expected log predictive density, variant less base, and its standard error.

    Parameters
    ----------
    variant, base : LeftOut
        Of the same sections in the same order.
    """
    if variant.unit != base.unit:
        raise ValueError("the two models are of different sections")
    difference = variant.elpd - base.elpd
    return float(difference.sum()), float(np.sqrt(len(difference) * difference.var(ddof=1)))


def variant_verdict(
    variant: Variant, difference: float, error: float, *, passed_gate: bool, distrusted: int
) -> Verdict:
    """Whether a variant predicts the records clearly better than what it is compared with."""
    check = f"not predicted better by: {variant.words}"
    if not passed_gate:
        return not_applicable(
            check,
            "Its draws, or those of what it is compared with, failed the sampler's gate.",
            "raise `draws` and `tune` under [sampling]",
        )
    if not variant.against:
        return not_applicable(
            check, "It is of fewer records, so its density is not compared: the next two are compared with it."
        )
    base = STUDY if variant.against == STUDY else "the study's model without causes on record"
    better, worse = (sign * difference > max(LEAST_DIFFERENCE, ERRORS * error) for sign in (1.0, -1.0))
    found = (
        f"Log predictive density {difference:+.1f} (standard error {error:.1f}) against {base}"
        + (f"; {distrusted} sections cannot be left out by weighting." if distrusted else ".")
        + (" The records speak against it." if worse else "")
        + ("" if better or worse else " The records cannot tell the two apart; where their lives differ, both stand.")
    )
    return judged(
        not better, check, found,
        "the records are better predicted by the variant: make it the study's model, or say why not",
        value=difference, limit=max(LEAST_DIFFERENCE, ERRORS * error),
    )  # fmt: skip
