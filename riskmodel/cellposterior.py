"""Age at failure and cause of every section on record, given its records: the sampler's own graph, cell by cell.

The terms of the likelihood's sum over cells, normalised, are the posterior of a section's age at failure at one
draw of the parameters; averaged over draws they are the posterior. Nothing is modelled a second time here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from scipy.special import gammaincc

from .cells import AgeGrid, CellData
from .inputs import Inputs
from .lifesettings import LifeSettings
from .lives import Draws
from .model import build_model
from .newsections import RootMoments, cause_shares
from .priors import PriorSet

if TYPE_CHECKING:
    from .records import Records

__all__ = ["WATCH_GRID", "SectionPosterior", "Tally", "cell_terms", "section_posterior"]

Progress = Callable[[int, int, str], None]
WATCH_GRID = AgeGrid(cells=192)
"""Finer than the sampler's: a year ahead is a part of a cell."""
TINY = 1e-300


@dataclass(frozen=True)
class SectionPosterior:
    """What the records say of each section's age at failure and its cause, averaged over draws.

    Parameters
    ----------
    section : tuple of str
    causes : tuple of str
        Early mechanisms.
    edges : ndarray (section, cell + 1), years
        Cut at what the agency states as certain.
    worn : ndarray (section, cell)
        P(wears out in the cell | records).
    early : ndarray (section, mechanism, cell)
        P(fails in the cell by the mechanism | records); with `worn` it sums to 1.
    susceptible : ndarray (section,)
        P(susceptible to any early mechanism | records), whether or not it has struck.
    scatter_tail : ndarray (section,)
        P(readings at least as far off their path as those on record), NaN without used readings.
    service_tail : ndarray (section,)
        P(at least as long in service after reaching the threshold as recorded).
    """

    section: tuple[str, ...]
    causes: tuple[str, ...]
    edges: np.ndarray
    worn: np.ndarray
    early: np.ndarray
    susceptible: np.ndarray
    scatter_tail: np.ndarray
    service_tail: np.ndarray

    @property
    def failing(self) -> np.ndarray:
        """P(fails in the cell | records), shape (section, cell)."""
        return self.worn + self.early.sum(axis=1)

    @property
    def by_cause(self) -> np.ndarray:
        """P(the mechanism is what ends the section's life | records), shape (section, mechanism)."""
        return self.early.sum(axis=2)

    def reached_by(self, ages: np.ndarray) -> np.ndarray:
        """P(age at failure <= age | records), shape (section,), at one age a section, years."""
        within = (ages[:, None] - self.edges[:, :-1]) / np.maximum(np.diff(self.edges, axis=1), 1e-9)
        return (self.failing * np.clip(within, 0.0, 1.0)).sum(axis=1)

    def age_at(self, probability: float) -> np.ndarray:
        """Age that a section fails by with the given probability, shape (section,), years."""
        below = np.cumsum(np.pad(self.failing, ((0, 0), (1, 0))), axis=1)
        pairs = zip(below, self.edges, strict=True)
        return np.array([np.interp(probability * b[-1], *_rising(b, e)) for b, e in pairs])

    def mean_beyond(self, ages: np.ndarray) -> np.ndarray:
        """E[max(age at failure - age, 0) | records], shape (section,), years."""
        young, old = (np.maximum(e - ages[:, None], 0.0) for e in (self.edges[:, :-1], self.edges[:, 1:]))
        width = np.maximum(self.edges[:, 1:] - self.edges[:, :-1], 1e-9)
        return (self.failing * (old**2 - young**2) / (2.0 * width)).sum(axis=1)


def _rising(below: np.ndarray, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Without the cells that hold nothing, where no age could be read off."""
    kept = np.flatnonzero(np.diff(below) > 0)
    ends = np.unique(np.concatenate([kept, kept + 1]))
    return below[ends], edges[ends]


def section_posterior(
    records: Records,
    priors: PriorSet,
    posterior: xr.Dataset,
    *,
    settings: LifeSettings | None = None,
    grid: AgeGrid = WATCH_GRID,
    samples: int = 200,
    progress: Progress | None = None,
) -> SectionPosterior:
    """Posterior of every section's age at failure and cause.

    Parameters
    ----------
    records : Records
        With at least one section.
    priors : PriorSet
    posterior : Dataset (chain, draw, ...)
        Of the calibration to these records.
    settings : LifeSettings, optional
        Those of the calibration; its grid is replaced by `grid`.
    samples : int
        Draws used, evenly spaced.
    progress : callable (done, total, text), optional
    """
    settings = settings or LifeSettings()
    finer = LifeSettings(settings.early_age, settings.horizon, settings.ages, settings.score_nodes, grid)
    model = build_model(records, priors, settings=finer)
    draws = Draws.of(posterior, samples)
    evaluate = _evaluator(model)
    tally = Tally.of(model, records, priors)
    for s in range(draws.count):
        lag, error = (float(draws[name][s]) if name in draws else 0.0 for name in ("removal_lag", "label_error"))
        tally.add(evaluate(draws, s), lag, error)
        if progress is not None:
            progress(s + 1, draws.count, "weighing every section's records")
    return tally.mean(draws.count)


def _evaluator(model: Any) -> Callable[[Draws, int], dict[str, Any]]:
    """The terms of the sum over cells at one draw, as arrays."""
    import pytensor

    wanted = cell_terms(model)
    # compiled code would take longer to make than 200 evaluations in plain steps take
    run = pytensor.function(model.free_RVs, list(wanted.values()), mode="FAST_COMPILE", on_unused_input="ignore")

    def evaluate(draws: Draws, s: int) -> dict[str, Any]:
        return dict(zip(wanted, run(*(draws[v.name][s] for v in model.free_RVs)), strict=True))

    return evaluate


def cell_terms(model: Any) -> dict[str, Any]:
    """The terms of a model's sum over cells, symbolic, by name."""
    cells, early = model.riskmodel_cells, model.riskmodel_early
    wanted = {"worn": cells.log_wear, "failed": cells.log_early}
    if cells.scatter is not None:
        wanted |= {"scatter_worn": cells.scatter[0], "scatter_failed": cells.scatter[1]}
    if early is not None:
        wanted |= {name: getattr(early, name) for name in ("moments", "median", "shape", "speed")}
    return wanted


@dataclass
class Tally:
    """Adds up what each draw says of every section."""

    data: CellData
    section: tuple[str, ...]
    causes: tuple[str, ...]
    members: tuple[tuple[int, ...], ...]
    in_use: np.ndarray
    slots: int
    applies: np.ndarray
    sums: dict[str, np.ndarray]

    @classmethod
    def of(cls, model: Any, records: Records, priors: PriorSet) -> Tally:
        """Begin with nothing."""
        inputs, early, data = Inputs.of(records.sections, priors, {}), model.riskmodel_early, model.riskmodel_data
        count, mechanisms, cells = data.sections, len(priors.mechanisms), data.grid.cells
        shapes: dict[str, tuple[int, ...]] = {
            "worn": (count, cells), "early": (count, mechanisms, cells), "susceptible": (count,),
            "scatter_tail": (count,), "service_tail": (count,),
        }  # fmt: skip
        return cls(
            data,
            tuple(str(name) for name in records.sections["section"].values),
            tuple(m.name for m in priors.mechanisms),
            tuple(root.mechanisms for root in inputs.roots),
            early.in_use if early is not None else np.zeros((0, 2), int),
            early.slots if early is not None else 0,
            inputs.applies,
            {name: np.zeros(shape) for name, shape in shapes.items()},
        )

    def add(self, terms: dict[str, Any], lag: float, error: float) -> None:
        """Take in one draw."""
        top = np.maximum(terms["worn"].max(axis=1), terms["failed"].max(axis=1))[:, None]
        worn, failed = np.exp(terms["worn"] - top), np.exp(terms["failed"] - top)
        total = worn.sum(axis=1, keepdims=True) + failed.sum(axis=1, keepdims=True)
        worn, failed = worn / total, failed / total
        self.sums["worn"] += worn
        self.sums["service_tail"] += self._service_tail(worn + failed, lag)
        if "scatter_worn" in terms:
            tails = [self._chi_square_tail(terms[f"scatter_{kind}"]) for kind in ("worn", "failed")]
            self.sums["scatter_tail"] += (worn * tails[0] + failed * tails[1]).sum(axis=1)
        if self.members:
            roots = self._roots(terms)
            self.sums["early"] += self._shares(roots, error) * failed[:, None]
            spared = self._never_susceptible(roots) * worn
            self.sums["susceptible"] += 1.0 - np.minimum(spared.sum(axis=1), 1.0)

    def _roots(self, terms: dict[str, Any]) -> list[RootMoments]:
        """The roots without their padding."""
        found = []
        for r, members in enumerate(self.members):
            count, patterns = len(members), int(self.in_use[r, 1])
            moments = terms["moments"][r].reshape(self.data.sections, -1, 1 << self.slots)
            moments = moments[:, :patterns, : 1 << count].reshape(1, self.data.sections, -1)
            median, shape = terms["median"][r, :count], terms["shape"][r, :count]
            speed = terms["speed"][r, :patterns, :count]
            found.append(RootMoments(moments, median[None], shape[None], speed[None]))
        return found

    def _shares(self, roots: Sequence[RootMoments], error: float) -> np.ndarray:
        """Share of each mechanism in an early failure in each cell, label heeded, (section, mechanism, cell)."""
        grid, named = self.data.grid, self.data.named
        shares = cause_shares(roots, self.members, self.applies.shape, grid.edges, grid.ages)[0]
        chance = error * named.sum(axis=1) / (self.applies.sum(axis=1) + 1.0)
        label = np.where(named.any(axis=1)[:, None], (1.0 - error) * named[:, :-1] + chance[:, None], 1.0)
        shares = shares * label[:, :, None]
        return shares / np.maximum(shares.sum(axis=1, keepdims=True), TINY)

    def _never_susceptible(self, roots: Sequence[RootMoments]) -> np.ndarray:
        """P(susceptible to nothing | wears out in the cell, nothing has struck), (section, cell)."""
        early = np.multiply.reduce([root.survival(self.data.grid.edges)[0] for root in roots])
        nothing = np.multiply.reduce([root.moments[0].sum(axis=1) for root in roots])
        return np.minimum(nothing[:, None] / np.maximum(0.5 * (early[:, 1:] + early[:, :-1]), TINY), 1.0)

    def _chi_square_tail(self, scatter: np.ndarray) -> np.ndarray:
        count = np.maximum(self.data.used.sum(axis=1), 1.0)[:, None]
        return np.asarray(gammaincc(count / 2.0, np.maximum(scatter, 0.0) / 2.0))

    def _service_tail(self, failing: np.ndarray, lag: float) -> np.ndarray:
        """P(removal lag at least as long as from failure to removal, or to when last in service)."""
        until = np.where(np.isfinite(self.data.removed), self.data.removed, self.data.in_service)
        until = np.where(np.isfinite(until), until, 0.0)
        years = np.maximum(until[:, None] - self.data.grid.ages, 0.0) / max(lag / 2.0, 1e-9)
        return np.asarray((failing * (1.0 + years) * np.exp(-years)).sum(axis=1))

    def mean(self, count: int) -> SectionPosterior:
        """The average over `count` draws."""
        found = {name: total / count for name, total in self.sums.items()}
        found["scatter_tail"][self.data.used.sum(axis=1) == 0] = np.nan
        # the open cell ends where its middle is its representative age
        last = 2.0 * self.data.grid.open_age - self.data.grid.last
        return SectionPosterior(self.section, self.causes, np.minimum(self.data.cuts, last), **found)
