"""The sum over cells of every section in JAX: `likelihood` is the definition.

Arrays run over (cell, section), sections last. Sections are taken in classes, each over the cells that any of
its sections counts. A section's weights are a logarithm times a plain factor, as in `kernel`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

from .cells import CellData
from .hazard import subset_products
from .jaxlaws import Array, cumulative_hazard
from .jaxpath import Path, Readings, path_densities
from .kernellife import DEAD
from .kernelroom import TINY

__all__ = [
    "CellClass", "Entry", "Life", "Root", "Window", "class_sums", "classes_of", "constants_of", "entry_of",
    "entry_sums",
]  # fmt: skip

OUT = -1e30  # ln of the weight of a cell that does not count
WORTH = 1 << 19  # cells that one more class must save


class Root(NamedTuple):
    """Early mechanisms of one root: moments (pattern * subset, section), median and shape (slot,), speed (pattern,
    slot)."""

    moments: Array
    median: Array
    shape: Array
    speed: Array


class Life(NamedTuple):
    """What survival depends on.

    Parameters
    ----------
    roots : tuple of Root
    log_median : array (state, section)
        Of wear-out.
    weight : array (state, section), or None
        None where every section has one state.
    shape : array
        Of wear-out.
    """

    roots: tuple[Root, ...]
    log_median: Array
    weight: Array | None
    shape: Array

    def take(self, rows: Array | slice) -> Life:
        """The same for some sections."""
        weight = None if self.weight is None else self.weight[:, rows]
        roots = tuple(root._replace(moments=root.moments[:, rows]) for root in self.roots)
        return Life(roots, self.log_median[:, rows], weight, self.shape)

    def log_wear(self, log_ages: Array, law: str) -> Array:
        """ln of the wear-out survival at ages (age, section or 1), (age, section)."""
        hazards = [cumulative_hazard(self.shape * (log_ages - median), law) for median in self.log_median]
        if self.weight is None:
            return -hazards[0]
        alive = [w * jnp.exp(-jnp.minimum(h, DEAD)) for w, h in zip(self.weight, hazards, strict=True)]
        return jnp.log(sum(alive[1:], alive[0]))

    def by_root(self, log_ages: np.ndarray, law: str) -> list[Array]:
        """Survival of the mechanisms of each root at common ages (age,), each (age, section)."""
        return [products(failed(root, log_ages, law)).T @ root.moments for root in self.roots]

    def at_own(self, log_ages: Array, law: str) -> tuple[Array, Array]:
        """ln of the wear-out survival, and early survival, at an age of each section (section,)."""
        early = jnp.ones(log_ages.shape)
        for root in self.roots:
            early = early * (products(failed(root, log_ages, law)) * root.moments).sum(axis=0)
        return self.log_wear(log_ages[None], law)[0], early


def failed(root: Root, log_ages: Array | np.ndarray, law: str) -> Array:
    """F of every mechanism of a root, (pattern, slot, age)."""
    exponent = root.shape[:, None] * (log_ages - jnp.log(root.median)[:, None])
    return 1.0 - jnp.exp(-root.speed[:, :, None] * cumulative_hazard(exponent, law))


def products(share: Array, leave_out: int | None = None) -> Array:
    """Subset products of F (pattern, slot, age), or their derivatives to one slot's, (pattern * subset, age)."""
    one = jnp.ones_like(share[:, 0])
    factors = [one if m == leave_out else share[:, m] for m in range(share.shape[1])]
    rows = subset_products(factors, one)
    if leave_out is not None:
        rows = [row if number >> leave_out & 1 else jnp.zeros_like(one) for number, row in enumerate(rows)]
    return jnp.stack(rows, axis=1).reshape(-1, share.shape[2])


# ------------------------------------------------------------------------------- constants


class Labels(NamedTuple):
    """Sections with a recorded cause.

    Parameters
    ----------
    rows : array of int (row,)
        Places in the class.
    wear, chance : array (row,)
        1 where wear-out is named; share named by a wrong label.
    wanted : tuple of array (slot, row)
        1 for the named mechanisms, root by root.
    """

    rows: Array
    wear: Array
    chance: Array
    wanted: tuple[Array, ...]


class Bound(NamedTuple):
    """Edges moved to a hard bound: places in the class, edge of each section (-1: none), ln of the bound (row,)."""

    rows: Array
    edge: Array
    log_age: Array


class Exits(NamedTuple):
    """Sections in service, or removed: places in the class (None: all), and their ages, years."""

    rows: Array | None
    age: Array


class CellClass(NamedTuple):
    """Constants of the sections of one class, in order.

    Parameters
    ----------
    low, high : array of int (section,)
        First cell that counts and the cell after the last.
    lower, upper : array (section,)
        Hard bounds, years.
    bounds : tuple of Bound
    serving, removed : Exits or None
    readings : Readings or None
    labels : Labels or None
    """

    low: Array
    high: Array
    lower: Array
    upper: Array
    bounds: tuple[Bound, ...]
    serving: Exits | None
    removed: Exits | None
    readings: Readings | None
    labels: Labels | None


@dataclass(frozen=True)
class Window:
    """What a class is compiled for: its sections, and its cells from `first` to `last` - 1."""

    sections: np.ndarray
    first: int
    last: int


def classes_of(data: CellData, *, lagged: bool) -> list[Window]:
    """Cut the sections into classes: by what they need, then by cells as long as that saves work."""
    span, turns = data.span, np.bincount(data.sided.section, minlength=data.sections)
    rows = np.flatnonzero(span[:, 0] < span[:, 1])
    todo, found = [rows] if len(rows) else [], []
    if len(rows) * data.grid.cells > WORTH:
        serving = lagged & ~np.isfinite(data.removed) & (np.nan_to_num(data.in_service) > 0)
        edges = data.grid.edges
        cut = (edges[span[:, 0]] < data.lower) | (edges[span[:, 1]] > data.upper)
        plain = ~data.named.any(axis=1) & ~cut
        need = np.where(plain, 2 * serving + (turns > 0), -1)[rows]
        todo = [rows[need == kind] for kind in np.unique(need)]
    while todo:
        rows = todo.pop()
        cut = _best_cut(span[rows])
        if cut is not None:
            todo += [rows[cut], rows[~cut]]
            continue
        # the sections of every turn of one-sided readings are the first of their class
        rows = rows[np.argsort(-turns[rows], kind="stable")]
        found.append(Window(rows, int(span[rows, 0].min()), int(span[rows, 1].max())))
    return found


def _best_cut(span: np.ndarray) -> np.ndarray | None:
    """Sections on one side of the cut that saves most cells, bool (section,); None if it is not worth a class."""

    def cells(part: np.ndarray) -> int:
        return int(len(part) * (part[:, 1].max() - part[:, 0].min())) if len(part) else 0

    best, most = None, WORTH
    for side in range(2):
        for at in np.unique(span[:, side]):
            cut = span[:, side] < at
            saved = cells(span) - cells(span[cut]) - cells(span[~cut])
            if saved > most:
                best, most = cut, saved
    return best


def constants_of(
    data: CellData, window: Window, applies: np.ndarray, members: Sequence[np.ndarray], *, lagged: bool
) -> CellClass:
    """Constants of one class; `applies` (section, mechanism), `members` the mechanisms of each root."""
    rows, edges = window.sections, data.grid.edges
    low, high = data.span[rows].T
    lower, upper = data.lower[rows], data.upper[rows]
    bounds = tuple(
        Bound(np.flatnonzero(moved), np.where(moved, at, -1), np.log(np.maximum(age[moved], 1e-9)))
        for moved, at, age in ((edges[low] < lower, low, lower), (edges[high] > upper, high, upper))
        if moved.any()
    )
    gone = np.isfinite(data.removed[rows])
    serving = ~gone & (np.nan_to_num(data.in_service[rows]) > 0)
    return CellClass(
        low, high, lower, upper, bounds,
        _exits(serving & lagged, data.in_service[rows]), _exits(gone & lagged, data.removed[rows]),
        Readings.of(data, rows), _labels(data, rows, applies, members),
    )  # fmt: skip


def _exits(mask: np.ndarray, age: np.ndarray) -> Exits | None:
    if not mask.any():
        return None
    return Exits(None if mask.all() else np.flatnonzero(mask), age[mask])


def _labels(data: CellData, rows: np.ndarray, applies: np.ndarray, members: Sequence[np.ndarray]) -> Labels | None:
    at = np.flatnonzero(data.named[rows].any(axis=1))
    if not (len(at) and members):
        return None
    named = data.named[rows[at]].astype(float)
    chance = named.sum(axis=1) / (applies[rows[at]].sum(axis=1) + 1.0)
    return Labels(at, named[:, -1], chance, tuple(named[:, member].T for member in members))


# ----------------------------------------------------------------------------- the sum


def class_sums(
    given: CellClass, window: Window, data: CellData, law: str, life: Life, path: Path | None, lag: Array | None,
    error: Array,
) -> Array:  # fmt: skip
    """Ln of the sum over cells of each section of a class, (section,), whatever its late entry."""
    edges = data.grid.edges[window.first : window.last + 1]
    log_edges, number = np.log(np.maximum(edges, 1e-9)), np.arange(window.first, window.last + 1)[:, None]
    roots = life.by_root(log_edges, law)
    wear, early = life.log_wear(log_edges[:, None], law), jnp.ones((len(edges), len(given.low)))
    for root in roots:
        early = early * root
    for bound in given.bounds:
        own = life.take(bound.rows).at_own(bound.log_age, law)
        moved = number == bound.edge
        none = jnp.zeros(len(given.low))
        wear, early = (jnp.where(moved, none.at[bound.rows].set(o), a) for o, a in zip(own, (wear, early), strict=True))
    worn, lost = _masses(wear, early)
    log_worn = log_lost = wear[:-1]
    if given.readings is not None and path is not None:
        densities = path_densities(given.readings, path, data, data.grid.ages[window.first : window.last])
        log_worn, log_lost = log_worn + densities[0], log_lost + densities[1]
    if lag is not None:
        leaving = _leaving(given, jnp.asarray(edges)[:, None], data.grid.open_age, lag)
        worn, lost = worn * leaving, lost * leaving
    if given.labels is not None:
        wear_label, early_label = _labelled(given.labels, life, roots, data, window, law, error)
        one, rows = jnp.ones(lost.shape), given.labels.rows
        worn = worn * one[0].at[rows].set(wear_label, unique_indices=True)
        lost = lost * one.at[:, rows].set(early_label, unique_indices=True)
    counts = (number[:-1] >= given.low) & (number[:-1] < given.high)
    log_worn, log_lost = (jnp.where(counts, a, OUT) for a in (log_worn, log_lost))
    top = jax.lax.stop_gradient(jnp.maximum(log_worn, log_lost).max(axis=0))
    return top + jnp.log((jnp.exp(log_worn - top) * worn + jnp.exp(log_lost - top) * lost).sum(axis=0))


def _masses(wear: Array, early: Array) -> tuple[Array, Array]:
    """Wear-out and early part of each cell's probability, over the wear-out survival at its young edge."""
    change = jnp.expm1(jnp.minimum(wear[1:] - wear[:-1], -TINY))
    young, old = early[:-1], early[1:]
    lost = jnp.where(young >= old, young - old, 0.0) + TINY
    return -change * (0.5 * (young + old) + TINY), lost * (1.0 + 0.5 * change)


# ------------------------------------------------------------------------ exits and entry


def _leaving(given: CellClass, edges: Array, open_age: float, lag: Array) -> Array:
    """Exit factor averaged over each cell, (cell, section)."""
    out = jnp.ones(())
    for exits, factor in ((given.serving, _mean_exceedance), (given.removed, _mean_density)):
        if exits is not None:
            rows = slice(None) if exits.rows is None else exits.rows
            reach = jnp.minimum(jnp.clip(edges, given.lower[rows], given.upper[rows]), open_age)
            share = factor(reach, exits.age, lag / 2.0) + TINY
            if exits.rows is not None:
                share = jnp.ones((len(share), len(given.low))).at[:, rows].set(share, unique_indices=True)
            out = out * share
    return out


def _per_width(reach: Array, rise: Array) -> Array:
    return rise / jnp.maximum(reach[1:] - reach[:-1], 1e-9)


def _mean_exceedance(reach: Array, age: Array, scale: Array) -> Array:
    """P(lag > age - T) averaged over T in each cell between edges `reach` (edge, section)."""
    years = jnp.maximum(age - reach, 0.0)
    tail, beyond = (2.0 * scale + years) * jnp.exp(-years / scale), jnp.maximum(reach - age, 0.0)
    return _per_width(reach, (tail[1:] - tail[:-1]) + (beyond[1:] - beyond[:-1]))


def _mean_density(reach: Array, age: Array, scale: Array) -> Array:
    """Density of removal at `age`, averaged over each cell."""
    years = jnp.maximum(age - reach, 0.0) / scale
    later = (1.0 + years) * jnp.exp(-years)
    return jnp.maximum(_per_width(reach, later[1:] - later[:-1]), 0.0)


class Entry(NamedTuple):
    """Sections that entered late: their places, ages (row,), and the first edge not before (row,)."""

    rows: Array
    age: Array
    last: Array


def entry_of(data: CellData, order: np.ndarray) -> tuple[Entry | None, int]:
    """Late sections of those in `order`, and the largest `last`."""
    rows = np.flatnonzero(data.entry[order] > 0)
    if not len(rows):
        return None, 0
    age = data.entry[order][rows]
    edges = np.minimum(data.grid.edges, data.grid.open_age)
    last = np.minimum(np.searchsorted(edges, age, side="left"), data.grid.cells)
    return Entry(rows, age, last), int(last.max())


def entry_sums(entry: Entry, largest: int, data: CellData, law: str, life: Life, lag: Array | None) -> Array:
    """Ln P(still there when the records began) of each late section, (row,)."""
    life = life.take(entry.rows)
    if lag is None:
        wear, early = life.at_own(jnp.log(jnp.maximum(entry.age, 1e-9)), law)
        return wear + jnp.log(early)
    edges = data.grid.edges[: largest + 1]
    log_edges, number = np.log(np.maximum(edges, 1e-9)), np.arange(largest + 1)[:, None]
    alive = jnp.exp(life.log_wear(log_edges[:, None], law))
    for root in life.by_root(log_edges, law):
        alive = alive * root
    seen = _mean_exceedance(jnp.minimum(edges, data.grid.open_age)[:, None], entry.age, lag / 2.0)
    before = jnp.where(number[:-1] < entry.last, (alive[:-1] - alive[1:]) * seen, 0.0)
    # whoever outlives the first edge beyond the entry was there
    return jnp.log(before.sum(axis=0) + jnp.where(number == entry.last, alive, 0.0).sum(axis=0))


# ---------------------------------------------------------------------------------- labels


def _labelled(
    labels: Labels, life: Life, roots: Sequence[Array], data: CellData, window: Window, law: str, error: Array
) -> tuple[Array, Array]:
    """Probability of the recorded causes given wear-out (row,), and given an early failure in each cell (cell, row)."""
    log_edges = np.log(np.maximum(data.grid.edges[window.first : window.last + 1], 1e-9))
    log_ages = np.log(data.grid.ages[window.first : window.last])
    named, total = jnp.zeros(()), jnp.asarray(TINY)
    for root, survival, wanted in zip(life.roots, roots, labels.wanted, strict=True):
        log_survival = jnp.log(jnp.maximum(survival[:, labels.rows], TINY))
        fall = jnp.maximum(log_survival[:-1] - log_survival[1:], 0.0)
        step, middle = jnp.diff(failed(root, log_edges, law), axis=2), failed(root, log_ages, law)
        moments, every, some = root.moments[:, labels.rows], jnp.asarray(TINY), jnp.zeros(())
        for m in range(len(root.median)):
            falling = products(middle, leave_out=m) * jnp.repeat(step[:, m], 1 << len(root.median), axis=0)
            part = jnp.maximum(-(falling.T @ moments), 0.0)
            every, some = every + part, some + wanted[m] * part
        total, named = total + fall, named + fall * some / every
    chance = error * labels.chance
    return (1.0 - error) * labels.wear + chance, (1.0 - error) * named / total + chance
