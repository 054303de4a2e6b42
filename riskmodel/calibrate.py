"""Calibration: the sampler, the gate its result must pass, and the table of parameters.

Nothing that fails the gate leaves this module as a result.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from .convergence import bulk_size, in_blocks, r_hat, tail_size
from .crew import Crew, Threads
from .errors import CalibrationError
from .inputs import type_mix
from .measures import deltas_of
from .notebook import facts
from .priordraws import prior_draws as draw_priors
from .priors import PriorSet
from .raters import RATER

if TYPE_CHECKING:
    from .cells import CellData
    from .chains import Chain, Chains
    from .lifesettings import LifeSettings
    from .records import Records

__all__ = [
    "Calibration",
    "Check",
    "Gate",
    "Sampling",
    "calibrate",
    "parameter_table",
    "prior_draws",
    "records_log_likelihood",
]

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Sampling:
    """Settings of the sampler and its gate.

    Parameters
    ----------
    chains, draws, tune : int
        Draws kept and warm-up steps are per chain.
    target_accept : float in (0, 1)
        Paths are seven steps at most, at this acceptance about half a turn in the frame; nearer to one the steps are
        shorter, and so are the paths. A chain with a diverging draw is run once more, half as far from one.
    seed : int
    cores : int or None
        None: one a chain, as many as the machine has.
    gate_rhat : float
        Largest R-hat allowed. At the effective sample size that the gate asks for, the largest of some
        250 parameters exceeds 1.01 by chance about as often as not.
    gate_ess : float
        Smallest bulk and tail effective sample size allowed.
    gate_ebfmi : float
        Smallest energy Bayesian fraction of missing information allowed, by chain.
    gate_divergences : float
        Largest share of diverging draws allowed.
    """

    chains: int = 4
    draws: int = 500
    tune: int = 150
    target_accept: float = 0.7
    seed: int = 20260101
    cores: int | None = None
    gate_rhat: float = 1.02
    gate_ess: float = 400.0
    gate_ebfmi: float = 0.3
    gate_divergences: float = 0.0


@dataclass(frozen=True)
class Check:
    """One check of the gate: what was found, against which limit, and what to do if it failed."""

    name: str
    value: float
    limit: float
    passed: bool
    where: str
    remedy: str

    def __str__(self) -> str:
        verdict = "passed" if self.passed else f"FAILED: {self.remedy}"
        at = f" ({self.where})" if self.where else ""
        return f"{self.name} {self.value:.4g}{at}, limit {self.limit:g}: {verdict}"


@dataclass(frozen=True)
class Gate:
    """All checks; `passed` only if each did."""

    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """Whether the draws may be reported."""
        return all(check.passed for check in self.checks)

    def __str__(self) -> str:
        return "\n".join(str(check) for check in self.checks)

    def _repr_html_(self) -> str:
        rows = [
            (c.name, f"{c.value:.4g}", f"limit {c.limit:g}", "passed" if c.passed else "FAILED") for c in self.checks
        ]
        return facts("Gate", rows)


@dataclass(frozen=True)
class Calibration:
    """Draws of every parameter.

    Parameters
    ----------
    tree : DataTree
        Groups `posterior` (prior draws if `prior_only`), `prior` (moments of the effects), and with
        records `sample_stats` and `log_likelihood` (chain, draw, section).
    gate : Gate or None
        None where nothing was sampled.
    prior_only : bool
    """

    tree: xr.DataTree
    gate: Gate | None = None
    prior_only: bool = False
    timing: Mapping[str, float] = field(default_factory=dict)

    @property
    def posterior(self) -> xr.Dataset:
        """Draws (chain, draw, ...)."""
        return self.tree["posterior"].to_dataset()

    def _repr_html_(self) -> str:
        sizes, basis = self.posterior.sizes, "the priors alone" if self.prior_only else "priors and records"
        rows: list[tuple[object, ...]] = [("draws", f"{sizes['chain']} x {sizes['draw']}"), ("basis", basis)]
        return facts("Calibration", rows) + ("" if self.gate is None else self.gate._repr_html_())


def calibrate(
    records: Records | None,
    priors: PriorSet,
    *,
    settings: LifeSettings | None = None,
    sampling: Sampling | None = None,
    progress: Progress | None = None,
    gate: bool = True,
    start: xr.Dataset | None = None,
    crew: Crew | None = None,
) -> Calibration:
    """Sample the posterior of a study, or its prior where there are no records.

    Parameters
    ----------
    records : Records or None
    priors : PriorSet
    settings : LifeSettings, optional
    sampling : Sampling, optional
    progress : callable (done, total, text), optional
    gate : bool
        False returns draws that failed, for diagnosis; `Calibration.gate` then says so.
    start : Dataset (chain, draw, ...), optional
        Draws of an earlier fit; each chain starts at one of them.
    crew : Crew, optional
        Who runs the chains; threads of this machine by default.

    Raises
    ------
    CalibrationError
        If the gate fails: each failed check with its value, limit and remedy.
    """
    sampling = sampling or Sampling()
    early_age = settings.early_age if settings is not None else 10.0
    if records is None or records.sections.sizes["section"] == 0:
        return prior_draws(priors, early_age=early_age, sampling=sampling)
    from .chains import Chains

    chains = _run_chains(Chains(records, priors, settings, sampling, start), sampling, progress, crew)
    tree = joined_chains(chains)
    tree["prior"] = xr.DataTree(prior_draws(priors, early_age=early_age, sampling=sampling, records=records).posterior)
    checked = check_draws(tree, sampling)
    if gate and not checked.passed:
        failed = "\n".join(f"- {check}" for check in checked.checks if not check.passed)
        raise CalibrationError(f"the sampler's draws failed the gate and are not reported as a result:\n{failed}")
    tree.attrs["gate"] = json.dumps([check.__dict__ for check in checked.checks])
    timing = {"prepare": max(c.preparing for c in chains), "sample": max(c.sampling for c in chains)}
    return Calibration(tree, checked, prior_only=False, timing=timing)


def _run_chains(chains: Chains, sampling: Sampling, progress: Progress | None, crew: Crew | None) -> list[Chain]:
    cores = min(sampling.chains, sampling.cores or os.cpu_count() or 1)
    total = sampling.chains * (sampling.draws + sampling.tune)

    def told(done: int) -> None:
        if progress is not None and done:
            progress(done, total, "sampling")

    if progress is not None:
        progress(0, 1, "preparing the model")
    return (crew or Threads(cores)).map(chains, range(sampling.chains), told)


def joined_chains(chains: Sequence[Chain]) -> xr.DataTree:
    """Groups `posterior`, `sample_stats` and `log_likelihood` of all chains."""
    groups = {"posterior": "posterior", "sample_stats": "stats", "log_likelihood": "likelihood"}
    return xr.DataTree.from_dict(
        {
            group: xr.concat([getattr(c, name) for c in chains], "chain", join="exact", combine_attrs="drop_conflicts")
            for group, name in groups.items()
        }
    )


def records_log_likelihood(
    records: Records,
    priors: PriorSet,
    posterior: xr.Dataset,
    *,
    settings: LifeSettings | None = None,
    cells: CellData | None = None,
    crew: Crew | None = None,
) -> xr.DataArray:
    """Log-likelihood of every section of `records` at draws of an earlier fit, (chain, draw, section).

    Parameters
    ----------
    records : Records
        The terms of their groups and raters are among the draws, if these have any (see `reweigh.with_new_levels`).
    priors : PriorSet
    posterior : Dataset (chain, draw, ...)
    settings : LifeSettings, optional
    cells : CellData, optional
        As in `build_model`.
    crew : Crew, optional
        Who works the draws; one thread by default.
    """
    from .chains import LikelihoodAt

    columns = [name for name in (*(group.column for group in priors.groups), RATER) if f"{name}_raw" in posterior]
    levels = {column: tuple(posterior[column].values.astype(str)) for column in columns}
    work, hands = LikelihoodAt(records, priors, settings=settings, levels=levels, cells=cells), crew or Threads()
    pieces = [posterior.isel(draw=piece) for piece in hands.cut(posterior.sizes["draw"])]
    return xr.concat(hands.map(work, pieces), "draw", join="exact")["records"]


def prior_draws(
    priors: PriorSet,
    *,
    early_age: float = 10.0,
    sampling: Sampling | None = None,
    records: Records | None = None,
) -> Calibration:
    """Draws from the priors alone, in the layout of a posterior with one chain.

    Parameters
    ----------
    records : Records, optional
        Only their mix of overlay types, which the effects' log-odds depend on, and whether they name raters.
    """
    sampling = sampling or Sampling()
    mix, raters = None, False
    if records is not None and records.sections.sizes["section"]:
        mix, raters = type_mix(records.sections, priors), RATER in records.readings
    drawn = draw_priors(
        priors,
        draws=sampling.chains * sampling.draws,
        seed=sampling.seed,
        early_age=early_age,
        mix=mix,
        raters=raters,
    )
    return Calibration(xr.DataTree.from_dict({"posterior": drawn}), None, prior_only=True)


# -------------------------------------------------------------------------------------- gate


def check_draws(tree: xr.DataTree, sampling: Sampling) -> Gate:
    """Divergences, R-hat, bulk and tail effective sample size, E-BFMI."""
    stats = tree["sample_stats"].to_dataset()
    posterior = sampled_only(tree["posterior"].to_dataset())
    longer = (
        f"raise `draws` in [sampling], now {sampling.draws}, to {4 * sampling.draws}, and `tune` to {2 * sampling.tune}"
    )
    diverging = float(stats["diverging"].mean())
    again = stats["target_accept"].where(stats["target_accept"] != sampling.target_accept, drop=True)
    rerun = f"{again.size} of {sampling.chains} chains run again at {float(again[0]):.3g}" if again.size else ""
    statistics = (
        ("R-hat", r_hat, sampling.gate_rhat, False),
        ("bulk effective sample size", bulk_size, sampling.gate_ess, True),
        ("tail effective sample size", tail_size, sampling.gate_ess, True),
    )
    checks = [
        Check(
            "share of diverging draws",
            diverging,
            sampling.gate_divergences,
            diverging <= sampling.gate_divergences,
            rerun,
            "raise `target_accept` towards 0.99; if it persists a prior is too wide for these records",
        )
    ]
    for name, statistic, limit, above in statistics:
        value, where = _worst(posterior.map(_of_chains, of=statistic), smallest=above)
        passed = bool(value >= limit if above else value <= limit)
        checks.append(Check(name, value, limit, passed, where, longer))
    energy = float(np.min(bfmi(stats["energy"].values)))
    checks.append(
        Check(
            "E-BFMI", energy, sampling.gate_ebfmi, energy >= sampling.gate_ebfmi, "", f"{longer}, then widen no prior"
        )
    )
    return Gate(tuple(checks))


def bfmi(energy: np.ndarray) -> np.ndarray:
    """Energy Bayesian fraction of missing information by chain (Betancourt 2016; page not seen)."""
    return np.square(np.diff(energy, axis=-1)).mean(axis=-1) / np.var(energy, axis=-1)


def sampled_only(posterior: xr.Dataset) -> xr.Dataset:
    """Variables of which some element varies: a fixed prior has no R-hat."""
    varying = [name for name, v in posterior.data_vars.items() if bool((v.std(("chain", "draw")) > 0).any())]
    return posterior[varying]


def _of_chains(variable: xr.DataArray, of: Callable[[np.ndarray], np.ndarray]) -> xr.DataArray:
    """A statistic of every element."""
    ordered = variable.transpose("chain", "draw", ...)
    return ordered.isel(chain=0, draw=0, drop=True).copy(data=in_blocks(of, ordered.values))


def _worst(statistic: xr.Dataset, *, smallest: bool) -> tuple[float, str]:
    """Least favourable value over all variables and where it is."""
    found: list[tuple[float, str]] = []
    for name, variable in statistic.data_vars.items():
        values = np.asarray(variable.values, float)
        if not np.isfinite(values).any():
            continue
        flat = np.nanargmin(values) if smallest else np.nanargmax(values)
        place = np.unravel_index(flat, values.shape)
        labels = [
            str(variable[dim].values[i]) if dim in variable.coords else str(i)
            for dim, i in zip(variable.dims, place, strict=True)
        ]
        found.append((float(values[place]), f"{name}[{', '.join(labels)}]" if labels else str(name)))
    return min(found) if smallest else max(found)


# ------------------------------------------------------------------------------------- table


def parameter_table(calibration: Calibration, priors: PriorSet) -> pd.DataFrame:
    """Parameters with prior and posterior mean and sd, 90 % interval, selection sd, R-hat and ESS.

    For each effect of a measure `selection_sd` is the prior sd of the selection term that stands
    beside it: observational records cannot teach the effect better than that.
    """
    posterior = reported(calibration.posterior)
    prior = reported(calibration.tree["prior"].to_dataset()) if "prior" in calibration.tree.children else posterior
    diagnose = not calibration.prior_only
    rhat, ess = (posterior.map(_of_chains, of=of) if diagnose else None for of in (r_hat, bulk_size))
    rows = []
    selection = _selection_sd(priors)
    for name, variable in posterior.data_vars.items():
        inner = [d for d in variable.dims if d not in ("chain", "draw")]
        for place in np.ndindex(*(variable.sizes[d] for d in inner)):
            at = dict(zip(inner, place, strict=True))
            labels = [str(variable[d].values[i]) for d, i in at.items()]
            values = variable.isel(at).values.ravel()
            if values.std() == 0:
                continue
            believed = prior[name].isel(at).values.ravel() if name in prior else np.array([np.nan])
            rows.append(
                {
                    "parameter": f"{name}[{', '.join(labels)}]" if labels else str(name),
                    "prior_mean": believed.mean(),
                    "prior_sd": believed.std(),
                    "selection_sd": selection.get(labels[0], np.nan) if name == "delta" else np.nan,
                    "mean": values.mean(),
                    "sd": values.std(),
                    "lower": np.quantile(values, 0.05),
                    "upper": np.quantile(values, 0.95),
                    "rhat": float(rhat[name].isel(at)) if rhat is not None else np.nan,
                    "ess_bulk": float(ess[name].isel(at)) if ess is not None else np.nan,
                }
            )
    return pd.DataFrame(rows)


def reported(posterior: xr.Dataset) -> xr.Dataset:
    """Parameters a reader sees: no standardised internals, no constants."""
    hidden = ("_raw", "_score", "_part", "_by_type", "wear_out_common", "share_offset", "project_effect")
    return sampled_only(posterior.drop_vars([v for v in posterior.data_vars if str(v).endswith(hidden)]))


def _selection_sd(priors: PriorSet) -> dict[str, float]:
    roots = [m.root for m in priors.mechanisms]
    return {d.name: priors.measures[d.measure].selection[roots[d.mechanism]].distribution.sd for d in deltas_of(priors)}


def quick(sampling: Sampling, **changes: Any) -> Sampling:
    """A copy with changes, for tests and variants."""
    return replace(sampling, **changes)
