"""New records, or other priors, by weighting the draws of the last fit: importance sampling by L(all) / L(at the fit).

Later readings of a known section share its latent life with the earlier ones, so that a posterior taken as a
prior would count them twice. Here all records and the original priors stay: only the ratio of the sections'
likelihoods moves the draws. Weights are smoothed by a generalised Pareto tail (Vehtari, Simpson, Gelman, Yao
and Gabry, Journal of Machine Learning Research 25 (2024) 72; page not seen), whose shape k says whether they
can be trusted.

Other priors of the same variables weigh by the ratio of prior times likelihood, both worked out anew: what the
model takes from the priors as constants (the intercepts' programme, laws of effects) moves the likelihood too.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from .calibrate import Calibration, Check, Gate, records_log_likelihood
from .crew import Crew
from .inputs import levels_of, with_constants_of
from .lifesettings import LifeSettings
from .priors import PriorSet
from .raters import RATER, raters_of
from .records import Records
from .robustness import pareto_weights
from .streams import stream

__all__ = [
    "LARGEST_K",
    "WEIGHED",
    "Weighing",
    "changed_sections",
    "only",
    "resampled",
    "reweighed",
    "weigh_priors",
    "weigh_records",
    "with_new_levels",
]

LARGEST_K = 0.7
"""Pareto k above which weighted draws are not reported."""
WEIGHED = "Pareto k of the weights"
"""Name of a check that only weighted draws have."""
NO_TAIL = 1e9
"""Stands for k where the weights have no tail to fit."""
PER_SECTION = ("chain", "draw", "section")


@dataclass(frozen=True)
class Weighing:
    """Draws of the last fit weighted by what was recorded since.

    Parameters
    ----------
    draws : Dataset (chain, draw, ...)
        Of the last fit, with terms for new contracts, contractors and districts.
    weight : ndarray (chain * draw,)
        Sum to 1.
    k_hat : float
        Shape of the weights' tail; 0 where nothing changed.
    likelihood : DataArray (chain, draw, section)
        Log-likelihood of every section's records as they are now, at the draws of the fit.
    changed : tuple of str
        Sections of which the records say more, new ones among them.
    new : tuple of str
        Those that the fit did not know.
    """

    draws: xr.Dataset
    weight: np.ndarray
    k_hat: float
    likelihood: xr.DataArray
    changed: tuple[str, ...]
    new: tuple[str, ...]

    @property
    def efficiency(self) -> float:
        """Effective share of the draws, 1 / (S sum of w^2)."""
        return float(1.0 / (len(self.weight) * np.square(self.weight).sum()))

    def checks(self, smallest: float, least: float) -> tuple[Check, Check]:
        """Whether the weighted draws may be reported.

        Parameters
        ----------
        smallest : float
            Smallest effective sample size of the fit.
        least : float
            Smallest one allowed.
        """
        enough = smallest * self.efficiency
        k, told = (self.k_hat, "") if np.isfinite(self.k_hat) else (NO_TAIL, "too few different draws for a tail")
        return (
            Check(WEIGHED, k, LARGEST_K, k <= LARGEST_K, told, "fit anew"),
            Check("effective sample size after weighting", enough, least, enough >= least, "", "fit anew"),
        )


def weigh_records(
    fit: xr.DataTree,
    before: Records,
    now: Records,
    priors: PriorSet,
    *,
    settings: LifeSettings | None = None,
    seed: int,
    crew: Crew | None = None,
) -> Weighing:
    """Weigh the draws of a fit by the records as they are now.

    Parameters
    ----------
    fit : DataTree
        Groups `posterior` and `log_likelihood` of a calibration to `before`.
    before, now : Records
    priors : PriorSet
        Those of the fit.
    settings : LifeSettings, optional
    seed : int
        Of the terms of new groups.
    crew : Crew, optional
        Who works the draws.
    """
    changed = changed_sections(before, now)
    known = set(before.sections["section"].values.astype(str))
    raters = raters_of(now.readings)
    draws = with_new_levels(fit["posterior"].to_dataset(), now.sections, priors, seed=seed, raters=raters)
    old = fit["log_likelihood"].to_dataset()["records"].transpose(*PER_SECTION)
    if changed:
        told = only(now, changed, before, priors)
        new = records_log_likelihood(told, priors, draws, settings=settings, crew=crew)
        both = [name for name in changed if name in known]
        ratio = new.sum("section") - old.sel(section=both).sum("section")
        flat = ratio.transpose("chain", "draw").values.ravel()
        weight, k_hat = pareto_weights(flat) if np.ptp(flat) > 0 else (np.full(flat.size, 1.0 / flat.size), 0.0)
        kept = [name for name in old["section"].values.astype(str) if name not in set(changed)]
        order = list(now.sections["section"].values.astype(str))
        likelihood = xr.concat([old.sel(section=kept), new], "section").sel(section=order)
    else:
        count = draws.sizes["chain"] * draws.sizes["draw"]
        weight, k_hat, likelihood = np.full(count, 1.0 / count), 0.0, old
    return Weighing(draws, weight, k_hat, likelihood, changed, tuple(name for name in changed if name not in known))


def weigh_priors(
    fit: xr.DataTree,
    records: Records,
    priors: PriorSet,
    *,
    settings: LifeSettings | None = None,
    crew: Crew | None = None,
) -> Weighing | None:
    """Weigh the draws of a fit of the same records by other priors; None where these have other variables.

    A standardised variable keeps its score, so that what it stands for moves with its prior: the draws of a quantity
    that the records say little of are then draws of the new prior.

    Parameters
    ----------
    fit : DataTree
        Groups `posterior`, `sample_stats` with `log_prior`, and `log_likelihood`, of a calibration to `records`.
    records : Records
    priors : PriorSet
        The new ones.
    settings : LifeSettings, optional
        Of the fit.
    crew : Crew, optional
        Who works the draws.
    """
    from .density import LogDensity

    density, posterior = LogDensity.of(records, priors, settings=settings), fit["posterior"].to_dataset()
    layout = density.layout
    before = fit["sample_stats"].to_dataset().get("log_prior") if "sample_stats" in fit.children else None
    if before is None or before.attrs["variables"] != layout.described:
        return None
    after = density.log_prior(posterior)
    x = layout.real({name: posterior[name].values for name in layout.spans})
    draws = density.dataset(x).assign_coords(chain=posterior["chain"], draw=posterior["draw"])
    likelihood = records_log_likelihood(records, priors, draws, settings=settings, crew=crew).transpose(*PER_SECTION)
    old = fit["log_likelihood"].to_dataset()["records"].transpose(*PER_SECTION)
    ratio = (after.values - before.values + (likelihood.values.sum(axis=2) - old.values.sum(axis=2))).ravel()
    weight, k_hat = pareto_weights(ratio) if np.ptp(ratio) > 0 else (np.full(ratio.size, 1.0 / ratio.size), 0.0)
    return Weighing(draws, weight, k_hat, likelihood, (), ())


def changed_sections(before: Records, now: Records) -> tuple[str, ...]:
    """Sections of which `now` says something else than `before`, in the order of `now`."""
    known = {name: row for row, name in enumerate(before.sections["section"].values.astype(str))}
    then, there = _facts(before), _facts(now)
    names = now.sections["section"].values.astype(str)
    return tuple(str(name) for row, name in enumerate(names) if name not in known or then[known[name]] != there[row])


def _facts(records: Records) -> list[tuple[bytes, ...]]:
    """Everything the model reads of each section, as bytes that compare."""
    sections, readings = records.sections, records.readings
    told = [v for v in sections.data_vars.values() if "section" in v.dims]
    columns = [np.asarray(v.transpose("section", ...).values) for v in told]
    owner = readings["section_index"].values
    read = [readings[name].values for name in ("age", "z", "status", RATER) if name in readings]
    out = []
    for row in range(sections.sizes["section"]):
        own = owner == row
        cells = [c[row] if c.dtype.kind not in "OU" else str(c[row]) for c in columns]
        out.append((*(_bytes(cell) for cell in cells), *(_bytes(values[own]) for values in read)))
    return out


def _bytes(value: object) -> bytes:
    array = np.asarray(value)
    return "\n".join(array.ravel().astype(str)).encode() if array.dtype.kind in "OU" else array.tobytes()


def only(records: Records, names: Sequence[str], fitted: Records, priors: PriorSet) -> Records:
    """Records of some sections, with the constants of the table that was fitted (see `with_constants_of`)."""
    every = records.sections["section"].values.astype(str)
    kept = np.flatnonzero(np.isin(every, list(names)))
    place = np.full(len(every), -1)
    place[kept] = np.arange(len(kept))
    of_reading = place[records.readings["section_index"].values.astype(int)]
    readings = records.readings.isel(reading=np.flatnonzero(of_reading >= 0))
    readings = readings.assign(section_index=("reading", of_reading[of_reading >= 0]))
    sections = with_constants_of(records.sections.isel(section=kept), fitted.sections, priors)
    return replace(records, sections=sections, readings=readings)


def with_new_levels(
    draws: xr.Dataset, sections: xr.Dataset, priors: PriorSet, *, seed: int, raters: tuple[str, ...] = ()
) -> xr.Dataset:
    """Draws with a term for every contract, contractor and district of a table, and for every rater.

    A new one draws its term from N(0, tau) before anything is weighted: its standardised part is standard
    normal. Levels that the table names no more go.
    """
    shape = (draws.sizes["chain"], draws.sizes["draw"])
    for column, names in (levels_of(sections, priors) | {RATER: raters}).items():
        if f"{column}_sd" not in draws or not names:
            continue
        raw, known = np.empty((*shape, len(names))), {}
        if f"{column}_raw" in draws:
            fitted = draws[f"{column}_raw"].transpose("chain", "draw", column)
            known = {name: i for i, name in enumerate(fitted[column].values.astype(str))}
        for i, name in enumerate(names):
            if name in known:
                raw[..., i] = fitted.values[..., known[name]]
            else:
                raw[..., i] = stream(seed, "new level", column, name).standard_normal(shape)
        draws = draws.drop_dims(column, errors="ignore").assign_coords({column: list(names)})
        dims = ("chain", "draw", column)
        draws[f"{column}_raw"] = (dims, raw)
        draws[f"{column}_effect"] = draws[f"{column}_sd"] * draws[f"{column}_raw"]
    return draws


def resampled(weight: np.ndarray, *, seed: int) -> np.ndarray:
    """As many draws as there are weights, by systematic resampling: places in order, each n w times to within one.

    Parameters
    ----------
    weight : ndarray (sample,)
        Sum to 1.
    seed : int

    Notes
    -----
    J. Carpenter, P. Clifford and P. Fearnhead, IEE Proceedings F 146 (1999) 2-7 (page not seen).
    """
    count = len(weight)
    start = stream(seed, "resampling").random()
    return np.minimum(np.searchsorted(np.cumsum(weight), (start + np.arange(count)) / count), count - 1)


def reweighed(fit: xr.DataTree, weighing: Weighing, gate: Gate, *, seed: int) -> Calibration:
    """The weighted draws as a calibration of as many draws of even weight.

    Parameters
    ----------
    fit : DataTree
        Its group `prior` is kept.
    weighing : Weighing
    gate : Gate
        Of the fit, and what weighting added.
    seed : int

    Returns
    -------
    Calibration
        With the group `reweighting`: weights of the fit's draws, and which draw stands at each place.
    """
    shape = (weighing.draws.sizes["chain"], weighing.draws.sizes["draw"])
    picked = resampled(weighing.weight, seed=seed)
    groups = {
        "posterior": _taken(weighing.draws, picked),
        "log_likelihood": _taken(weighing.likelihood.to_dataset(name="records"), picked),
        "reweighting": xr.Dataset(
            {
                "weight": (("chain", "draw"), weighing.weight.reshape(shape)),
                "draw_of_the_fit": (("chain", "draw"), picked.reshape(shape)),
            },
            attrs={"k_hat": weighing.k_hat, "efficiency": weighing.efficiency},
        ),
    }
    if "prior" in fit.children:
        groups["prior"] = fit["prior"].to_dataset()
    tree = xr.DataTree.from_dict(groups)
    tree.attrs["gate"] = json.dumps([check.__dict__ for check in gate.checks])
    return Calibration(tree, gate, prior_only=False)


def _taken(draws: xr.Dataset, picked: np.ndarray) -> xr.Dataset:
    """Draws at the picked places, in the shape that they had."""
    shape = (draws.sizes["chain"], draws.sizes["draw"])
    out = {}
    for name, variable in draws.data_vars.items():
        values = variable.transpose("chain", "draw", ...).values
        rest = [dim for dim in variable.dims if dim not in ("chain", "draw")]
        flat = values.reshape(shape[0] * shape[1], *values.shape[2:])[picked]
        out[name] = (("chain", "draw", *rest), flat.reshape(values.shape), variable.attrs)
    return xr.Dataset(out, coords=draws.coords)
