"""Records and priors as a PyMC model: from parameters to what the sum over cells needs.

`build_model` names every parameter; `likelihood` does the sum. Without records the same parameters
are drawn from their priors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from .baseline import Baseline, delta_distributions
from .cells import CellData
from .condition import Condition
from .elicitation import Distribution
from .hazard import expit, gauss_hermite, subset_products, subset_signs
from .inputs import Inputs, Levels, every_level, type_mix
from .jointmodel import add_joint_prior
from .lifesettings import LifeSettings, removal_at_threshold
from .likelihood import EarlyTerms, LabelTerms, PathTerms, WearTerms, cell_weights, section_log_likelihood
from .measures import Mixture, deltas_of, selections_of, shifts_of
from .parameters import coords_of
from .priors import PriorSet
from .raters import RATER
from .rows import Slots

if TYPE_CHECKING:
    from .records import Records

__all__ = ["LifeSettings", "build_model"]

Tensor = Any
Parameters = dict[str, Tensor]


def build_model(
    records: Records | None,
    priors: PriorSet,
    *,
    condition: Condition | None = None,
    settings: LifeSettings | None = None,
    levels: Levels | None = None,
    cells: CellData | None = None,
) -> pm.Model:
    """PyMC model of a study.

    Parameters
    ----------
    records : Records or None
        None, or records without sections: the priors alone.
    priors : PriorSet
    condition : Condition, optional
        Needed without records; otherwise that of the records.
    settings : LifeSettings, optional
    levels : mapping of column to tuple of str, optional
        Groups and raters with terms of their own; those of the records by default.
    cells : CellData, optional
        Taken in place of what the records say of readings and exits.

    Returns
    -------
    pm.Model
        With potential `records`, and `joint_prior` for a copula of the priors; the log-likelihood by section is its
        attribute `riskmodel_per_section`, what the records say of each cell `riskmodel_cells`, from `riskmodel_data`
        and the early mechanisms `riskmodel_early`.
    """
    settings = settings or LifeSettings()
    used = records if records is not None and records.sections.sizes["section"] else None
    condition = used.condition if used is not None else (condition or Condition())
    if levels is None:
        levels = every_level(used, priors) if used is not None else {}
    inputs = Inputs.of(used.sections, priors, levels) if used is not None else None
    baseline = Baseline.of(priors, settings.early_age)
    with pm.Model(coords=coords_of(priors, levels)) as model:
        mix = type_mix(used.sections, priors) if used is not None else np.ones(len(priors.types), int)
        parameters = _parameters(priors, baseline, condition, mix, levels)
        add_joint_prior(model, priors)
        if used is not None and inputs is not None:
            model.add_coord("section", [str(s) for s in used.sections["section"].values])
            hard = removal_at_threshold(priors)
            data = cells if cells is not None else CellData.of(used, settings.grid, hard_removal=hard)
            lag = None if hard else parameters["removal_lag"]
            terms = likelihood_terms(parameters, priors, inputs, settings) | {"lag": lag}
            if RATER in parameters and data.raters:
                offset = parameters[RATER][[list(levels[RATER]).index(name) for name in data.raters]]
                terms["path"] = replace(terms["path"], offset=offset)
            model.riskmodel_cells, model.riskmodel_early = cell_weights(data, **terms), terms["early"]
            model.riskmodel_data = data
            per_section = section_log_likelihood(data, **terms)
            pm.Potential("records", per_section.sum())
            model.riskmodel_per_section = per_section
    return model


# ------------------------------------------------------------------------------- parameters


def _parameters(
    priors: PriorSet,
    baseline: Baseline,
    condition: Condition,
    mix: np.ndarray,
    levels: Mapping[str, Sequence[str]],
) -> Parameters:
    p: Parameters = {}
    _wear_parameters(p, priors)
    _path_parameters(p, priors, condition)
    if levels.get(RATER):
        p["rater_sd"] = variable("rater_sd", priors.path.between_raters.distribution)
        raw = pm.Normal("rater_raw", 0.0, 1.0, dims=RATER)
        p[RATER] = pm.Deterministic("rater_effect", p["rater_sd"] * raw, dims=RATER)
    p["removal_lag"] = variable("removal_lag", priors.removal_lag.distribution)
    p["driver"] = vector("driver_coefficient", [d.coefficient.distribution for d in priors.drivers], "driver")
    if not priors.mechanisms:
        return p
    _mechanism_parameters(p, priors, baseline)
    _measure_parameters(p, priors, baseline, mix)
    p["label_error"] = variable("label_error", priors.label_error.distribution)
    p["year_slope"] = variable("year_slope", priors.year_slope.distribution)
    for group in priors.groups:
        p[f"{group.column}_sd"] = variable(f"{group.column}_sd", group.sd.distribution)
        if levels.get(group.column):
            raw = pm.Normal(f"{group.column}_raw", 0.0, 1.0, dims=group.column)
            p[group.column] = pm.Deterministic(
                f"{group.column}_effect", p[f"{group.column}_sd"] * raw, dims=group.column
            )
    return p


def _wear_parameters(p: Parameters, priors: PriorSet) -> None:
    common_sd = priors.wear_out_sd_common.distribution.mean
    common = pm.Normal("wear_out_common", 0.0, common_sd) if common_sd > 0 else 0.0
    p["log_wear_median"] = _around(common, [t.wear_out_median.distribution for t in priors.types])
    pm.Deterministic("wear_out_median", pt.exp(p["log_wear_median"]), dims="type")
    p["wear_shape"] = variable("wear_out_shape", priors.wear_out_shape.distribution)
    ratios = [m.time_ratio.distribution if m.time_ratio else Distribution("fixed", (1.0,)) for m in priors.measures]
    p["log_time_ratio"] = pt.log(vector("time_ratio", ratios, "measure")) if ratios else None


def _around(common: Tensor, distributions: Sequence[Distribution]) -> Tensor:
    """ln median by type: what all types share plus the type's own part, tensor (type,).

    Lognormal medians are sampled around the shared part: readings speak of the sum, and the sampler
    would otherwise walk along the ridge between its two parts.
    """
    if {d.family for d in distributions} == {"lognormal"}:
        a = np.array([d.parameters for d in distributions], float)
        return pm.Normal("wear_out_by_type", a[:, 0] + common, a[:, 1], dims="type")
    return pt.log(vector("wear_out_multiplier_by_type", distributions, "type")) + common


def _path_parameters(p: Parameters, priors: PriorSet, condition: Condition) -> None:
    path = priors.path
    p["start_index"] = variable("start_index", path.start.distribution)
    gap = condition.highest - p["start_index"]
    s = condition.stretch
    p["start"] = -pt.log1p(s * gap) / s if s else -gap
    p["start_spread"] = variable("start_spread", path.start_spread.distribution)
    p["noise"] = variable("noise", path.noise.distribution)
    p["kappa"] = variable("kappa", path.kappa.distribution)
    p["kappa_early"] = p["kappa"] * pt.exp(variable("kappa_early_log_ratio", path.kappa_early_ratio.distribution))


def _mechanism_parameters(p: Parameters, priors: PriorSet, baseline: Baseline) -> None:
    mechanisms = priors.mechanisms
    p["median"] = vector("age_median", [m.median.distribution for m in mechanisms], "mechanism")
    p["shape"] = vector("age_shape", [m.shape.distribution for m in mechanisms], "mechanism")
    none = Distribution("fixed", (0.0,))
    effects = [m.score_effect.distribution if m.score_effect else none for m in mechanisms]
    p["score_effect"] = vector("score_effect", effects, "mechanism")
    total = variable("early_failure", priors.early_failure.distribution)
    odds = vector("odds_multiplier", [t.odds_multiplier.distribution for t in priors.types], "type")
    total = total * odds / (1.0 - total + total * odds)
    share_sd = priors.share_sd.distribution.mean
    offset = pm.Normal("share_offset", 0.0, share_sd, dims="mechanism") if share_sd > 0 else np.zeros(len(mechanisms))
    intercept = baseline.intercepts(total, offset, pt)
    p["intercept"] = pm.Deterministic("intercept", intercept, dims=("type", "mechanism"))


def _measure_parameters(p: Parameters, priors: PriorSet, baseline: Baseline, mix: np.ndarray) -> None:
    if not priors.measures:
        return
    p["compliance"] = vector("compliance", [m.compliance.distribution for m in priors.measures], "measure")
    chosen = [priors.measures[k].selection[root].distribution for k, root in selections_of(priors)]
    p["selection"] = vector("selection", chosen, "selection_term")
    moved = [priors.measures[k].score_shift[root].distribution for k, root in shifts_of(priors)]
    p["shift"] = vector("score_shift_size", moved, "score_shift")
    deltas = deltas_of(priors)
    if not deltas:
        return
    priors_of_delta = delta_distributions(priors, baseline, mix.astype(float))
    score = pm.Normal("effect_score", 0.0, 1.0, dims="effect")
    values = [_stretched(d, score[entry.effect]) for d, entry in zip(priors_of_delta, deltas, strict=True)]
    p["delta"] = pm.Deterministic("delta", pt.stack(values), dims="measure_effect")


def _stretched(distribution: Distribution, z: Tensor) -> Tensor:
    """A `skewed` or fixed quantity at the standard normal score z."""
    if distribution.family == "fixed":
        return pt.as_tensor(float(distribution.parameters[0]))
    location, scale, skewness = (float(v) for v in distribution.parameters)
    if abs(skewness) < 1e-8:
        return location + scale * z
    return location + scale * pt.expm1(skewness * z) / skewness


def variable(name: str, distribution: Distribution) -> Tensor:
    """Random variable of one prior; a fixed prior becomes a constant that is still reported."""
    a = [float(v) for v in distribution.parameters]
    match distribution.family:
        case "normal":
            return pm.Normal(name, a[0], a[1])
        case "lognormal":
            return pm.LogNormal(name, a[0], a[1])
        case "beta":
            return pm.Beta(name, a[0], a[1])
        case "gamma":
            return pm.Gamma(name, alpha=a[0], beta=1.0 / a[1])
        case "skewed":
            return pm.Deterministic(name, _stretched(distribution, pm.Normal(f"{name}_score", 0.0, 1.0)))
        case "fixed":
            return pm.Deterministic(name, pt.as_tensor(a[0]))
    raise ValueError(f"`family` must be a known family; got {distribution.family!r} for {name}")


def vector(name: str, distributions: Sequence[Distribution], dim: str) -> Tensor:
    """One random vector where all priors share a family, else its elements stacked."""
    if not distributions:
        return None
    constant = np.array([d.parameters[0] if d.family == "fixed" else np.nan for d in distributions])
    varying = np.flatnonzero(np.isnan(constant))
    if not len(varying):
        return pm.Deterministic(name, pt.as_tensor(constant), dims=dim)
    drawn_from = [d for d in distributions if d.family != "fixed"]
    families = {d.family for d in drawn_from}
    if len(families) > 1 or families == {"skewed"}:
        parts = [variable(f"{name}_{i}_part", d) for i, d in enumerate(drawn_from)]
        return _filled(name, constant, varying, pt.stack(parts), dim)
    whole = len(varying) == len(constant)
    a: np.ndarray = np.array([d.parameters for d in drawn_from])
    kinds = {"normal": pm.Normal, "lognormal": pm.LogNormal, "beta": pm.Beta}
    own, options = (name, {"dims": dim}) if whole else (f"{name}_part", {"shape": len(varying)})
    if families == {"gamma"}:
        drawn = pm.Gamma(own, alpha=a[:, 0], beta=1.0 / a[:, 1], **options)
    else:
        drawn = kinds[families.pop()](own, a[:, 0], a[:, 1], **options)
    return drawn if whole else _filled(name, constant, varying, drawn, dim)


def _filled(name: str, constant: np.ndarray, varying: np.ndarray, drawn: Tensor, dim: str) -> Tensor:
    base = pt.as_tensor(np.where(np.isnan(constant), 0.0, constant))
    return pm.Deterministic(name, pt.set_subtensor(base[varying], drawn), dims=dim)


# ------------------------------------------------------------------------- from parameters on


def likelihood_terms(p: Parameters, priors: PriorSet, inputs: Inputs, settings: LifeSettings) -> dict[str, Any]:
    """What the sum over cells takes beside the records, as functions of the parameters."""
    early, labels, law = None, None, settings.age_law
    if priors.mechanisms:
        slots = Slots.of(inputs)
        early = replace(_early_terms(p, priors, inputs, slots, settings.score_nodes), law=law)
        labels = LabelTerms(p["label_error"], inputs.applies, slots.place)
    path = PathTerms(p["start"], p["start_spread"], p["noise"], p["kappa"], p["kappa_early"])
    return {"early": early, "wear": replace(_wear_terms(p, priors, inputs), law=law), "path": path, "labels": labels}


def _wear_terms(p: Parameters, priors: PriorSet, inputs: Inputs) -> WearTerms:
    mixture = inputs.wear
    log_median = p["log_wear_median"][inputs.types]
    for d, driver in enumerate(priors.drivers):
        if driver.acts_on == ("wear_out",):
            log_median = log_median + p["driver"][d] * inputs.drivers[:, d]
    if not mixture.stretch.any():
        return WearTerms(log_median, None, np.arange(inputs.sections), p["wear_shape"])
    rows = log_median[mixture.section] + pt.dot(mixture.stretch, p["log_time_ratio"])
    return WearTerms(rows, _row_probability(p, mixture), mixture.section, p["wear_shape"])


def _row_probability(p: Parameters, rows: Mixture | Slots) -> Tensor:
    if not (rows.comply.any() or rows.lapse.any()):
        return pt.as_tensor(rows.weight)
    c = p["compliance"]
    log_c, log_not = pt.log(pt.maximum(c, 1e-12)), pt.log1p(-pt.minimum(c, 1.0 - 1e-12))
    return rows.weight * pt.exp(pt.dot(rows.comply, log_c) + pt.dot(rows.lapse, log_not))


def _early_terms(p: Parameters, priors: PriorSet, inputs: Inputs, slots: Slots, nodes: int) -> EarlyTerms:
    roots, width = slots.member.shape
    patterns = slots.patterns.shape[1]
    moments = subset_moments(
        *_centre_and_spread(p, priors, inputs, slots),
        _row_probability(p, slots),
        (inputs.applies[:, slots.member] & slots.filled)[slots.section, slots.root].astype(float),
        (slots.root * inputs.sections + slots.section) * patterns + slots.pattern,
        gauss_hermite(nodes),
        roots * inputs.sections * patterns,
    ).reshape((roots, inputs.sections, patterns << width))
    speed = pt.ones((roots, patterns, width))
    if slots.patterns.any():
        slowed = slots.onto(priors)[None, None] * p["delta"][None, None, :, None]
        speed = pt.exp(-(slots.patterns[:, :, :, None] * slowed).sum(axis=2))
    return EarlyTerms(moments, p["median"][slots.member], p["shape"][slots.member], speed, roots, width, slots.in_use)


def _section_log_odds(p: Parameters, priors: PriorSet, inputs: Inputs, slots: Slots) -> Tensor:
    """Log-odds before measures and score, tensor (section, root, slot)."""
    eta = p["intercept"][:, slots.member][inputs.types]
    eta = eta + (p["year_slope"] * inputs.decades)[:, None, None]
    for group in priors.groups:
        if group.column in p:
            position = inputs.group[group.column]
            term = pt.switch(position >= 0, p[group.column][np.maximum(position, 0)], 0.0)
            moves = np.array([float(root.name in group.roots) for root in inputs.roots])
            eta = eta + (term[:, None] * moves)[:, :, None]
    names = np.array([m.name for m in priors.mechanisms])[slots.member]
    for d, driver in enumerate(priors.drivers):
        acts = np.isin(names, list(driver.acts_on)) & slots.filled
        if acts.any():
            eta = eta + p["driver"][d] * (inputs.drivers[:, d][:, None, None] * acts)
    return eta


def _log_odds(p: Parameters, priors: PriorSet, inputs: Inputs, slots: Slots) -> Tensor:
    """Log-odds of susceptibility at score 0, tensor (row, slot)."""
    eta = _section_log_odds(p, priors, inputs, slots)[slots.section, slots.root]
    if slots.chosen.any():
        eta = eta + pt.dot(slots.chosen, p["selection"])[:, None]
    if slots.acts.any():
        eta = eta - pt.dot(slots.acts, p["delta"][:, None] * slots.onto(priors))
    return eta


def _centre_and_spread(p: Parameters, priors: PriorSet, inputs: Inputs, slots: Slots) -> tuple[Tensor, Tensor]:
    """Log-odds at the score's mean and their sd over the score, tensors (row, slot)."""
    mean, sd = (np.stack(a, axis=1) for a in zip(*(inputs.score_of(r) for r in inputs.roots), strict=True))
    beta = p["score_effect"][slots.member][slots.root]
    level = pt.as_tensor(mean[slots.section, slots.root])
    if slots.shift.any():
        level = level + pt.dot(slots.shift, p["shift"])
    centre = _log_odds(p, priors, inputs, slots) - level[:, None] * beta
    spread = sd[slots.section, slots.root][:, None] * beta
    unknown = _unknown_variance(p, priors, inputs)
    if unknown is not None:
        spread = pt.sqrt(spread**2 + unknown[slots.section, slots.root][:, None] + 1e-12)
    return centre, spread


def subset_moments(
    centre: Tensor, spread: Tensor, weight: Tensor, applies: np.ndarray, place: np.ndarray,
    score: tuple[np.ndarray, np.ndarray], places: int,
) -> Tensor:  # fmt: skip
    """Sum of (-1)^|A| weight E[prod over A of susceptibility] over the rows of each place, (place, subset)."""
    x, w = score
    pi = expit(centre[:, None, :] - spread[:, None, :] * x[None, :, None], pt) * applies[:, None, :]
    width = applies.shape[1]
    products = subset_products([pi[:, :, m] for m in range(width)], pt.ones_like(pi[:, :, 0]))
    rows = pt.stack([(product * w).sum(axis=1) for product in products], axis=1) * subset_signs(width)
    return pt.inc_subtensor(pt.zeros((places, 1 << width))[place], rows * weight[:, None])


def _unknown_variance(p: Parameters, priors: PriorSet, inputs: Inputs) -> Tensor | None:
    """Variance of the group terms that a section's records do not name, tensor (section, root) or None.

    They are averaged together with the root's score.
    """
    total: Tensor | None = None
    for group in priors.groups:
        position = inputs.group.get(group.column)
        if position is not None and (position < 0).any():
            moves = np.array([[float(root.name in group.roots) for root in inputs.roots]])
            part = p[f"{group.column}_sd"] ** 2 * ((position < 0)[:, None] * moves)
            total = part if total is None else total + part
    return total
