"""A table of sections as constants of the compiled way from parameters to moments: one row a state of a section."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array

from .inputs import Inputs, Levels
from .measures import deltas_of, selections_of
from .priors import PriorSet

__all__ = ["Rows", "Slots", "States", "Terms", "WearRows"]


@dataclass(frozen=True)
class Slots:
    """Mechanisms in a table of roots and slots, and the states of all roots in one list of rows.

    Parameters
    ----------
    member : ndarray of int (root, slot)
        Mechanism in the slot; padding repeats the root's first.
    filled : ndarray of bool (root, slot)
    place : ndarray of int (mechanism, 2)
        Root and slot of each mechanism.
    root : ndarray of int (row,)
        Root of each row; the other row arrays are those of the roots' `Mixture`s end to end.
    """

    member: np.ndarray
    filled: np.ndarray
    place: np.ndarray
    root: np.ndarray
    section: np.ndarray
    weight: np.ndarray
    comply: np.ndarray
    lapse: np.ndarray
    chosen: np.ndarray
    acts: np.ndarray
    shift: np.ndarray
    pattern: np.ndarray
    patterns: np.ndarray
    in_use: np.ndarray

    @classmethod
    def of(cls, inputs: Inputs) -> Slots:
        """Lay out the mechanisms and states of `inputs`."""
        roots, mixtures = inputs.roots, inputs.mixtures
        width = max(len(r.mechanisms) for r in roots)
        member = np.array([[*r.mechanisms, *[r.mechanisms[0]] * (width - len(r.mechanisms))] for r in roots])
        filled = np.array([[slot < len(r.mechanisms) for slot in range(width)] for r in roots])
        place = np.zeros((sum(len(r.mechanisms) for r in roots), 2), int)
        for r, root in enumerate(roots):
            place[list(root.mechanisms)] = [(r, slot) for slot in range(len(root.mechanisms))]
        most = max(len(m.patterns) for m in mixtures)
        patterns = np.stack([np.vstack([m.patterns, *[m.patterns[:1]] * (most - len(m.patterns))]) for m in mixtures])
        whole = {
            name: np.concatenate([getattr(m, name) for m in mixtures])
            for name in ("section", "weight", "comply", "lapse", "chosen", "acts", "shift", "pattern")
        }
        root_of_row = np.repeat(np.arange(len(roots)), [len(m.section) for m in mixtures])
        in_use = np.stack([filled.sum(axis=1), [len(m.patterns) for m in mixtures]], axis=1)
        return cls(member, filled, place, root_of_row, patterns=patterns, in_use=in_use, **whole)

    def onto(self, priors: PriorSet) -> np.ndarray:
        """1 where effect d acts on the mechanism in the slot of its own root, (delta, slot)."""
        deltas = deltas_of(priors)
        out = np.zeros((len(deltas), self.member.shape[1]))
        out[np.arange(len(deltas)), [self.place[d.mechanism, 1] for d in deltas]] = 1.0
        return out


@dataclass(frozen=True)
class Terms:
    """Order of the terms that add up to the log-odds at score 0.

    Parameters
    ----------
    sizes : dict of str to int
        Number of terms by name, in order.
    """

    sizes: dict[str, int]

    @classmethod
    def of(cls, priors: PriorSet, levels: Levels) -> Terms:
        """All terms of a study."""
        sizes = {"intercept": len(priors.types) * len(priors.mechanisms), "year_slope": 1}
        sizes |= {group.column: len(levels.get(group.column, ())) for group in priors.groups}
        sizes["driver_coefficient"] = len(priors.drivers)
        sizes |= {"selection": len(selections_of(priors)), "delta": len(deltas_of(priors))}
        return cls({name: size for name, size in sizes.items() if size})

    @cached_property
    def first(self) -> dict[str, int]:
        """Place of the first term of each name."""
        ends = np.cumsum(list(self.sizes.values()))
        return {name: int(end - size) for (name, size), end in zip(self.sizes.items(), ends, strict=True)}

    @property
    def count(self) -> int:
        """Number of all terms."""
        return sum(self.sizes.values())

    def apart(self, terms: np.ndarray) -> dict[str, np.ndarray]:
        """The terms by name."""
        return {name: terms[first : first + self.sizes[name]] for name, first in self.first.items()}


@dataclass(frozen=True)
class States:
    """Probabilities of the states of a table of rows, as functions of compliance.

    Parameters
    ----------
    weight : ndarray (row,)
    comply, lapse : ndarray (row, measure)
    """

    weight: np.ndarray
    comply: np.ndarray
    lapse: np.ndarray

    SMALLEST = 1e-12

    @cached_property
    def vary(self) -> bool:
        """Whether any probability depends on compliance."""
        return bool(self.comply.any() or self.lapse.any())

    def probability(self, compliance: np.ndarray) -> np.ndarray:
        """Probability of each row, (row,)."""
        if not self.vary:
            return self.weight
        kept, missed = np.maximum(compliance, self.SMALLEST), np.maximum(1.0 - compliance, self.SMALLEST)
        return self.weight * np.exp(self.comply @ np.log(kept) + self.lapse @ np.log(missed))

    def back(self, compliance: np.ndarray, probability: np.ndarray, bar: np.ndarray) -> np.ndarray:
        """Derivative to compliance (measure,) from that to the probabilities (row,)."""
        if not self.vary:
            return np.zeros_like(compliance)
        pull = probability * bar
        up = np.where(compliance > self.SMALLEST, (pull @ self.comply) / np.maximum(compliance, self.SMALLEST), 0.0)
        missed = 1.0 - compliance
        return up - np.where(missed > self.SMALLEST, (pull @ self.lapse) / np.maximum(missed, self.SMALLEST), 0.0)


@dataclass(frozen=True)
class Rows:
    """Constants of the rows of all roots.

    Parameters
    ----------
    slots : Slots
    terms : Terms
    matrix : tuple of ndarray
        Ends of the rows, columns and factors of the sparse matrix (row * slot, term).
    mean, sd : ndarray (row,)
        Of the score.
    unknown : ndarray (row, group)
        1 where the group's variance is averaged with the score.
    states : States
    applies : ndarray (row, slot)
    place : ndarray of int (row,)
        Where the row's moments are added up.
    places : int
    """

    slots: Slots
    terms: Terms
    matrix: tuple[np.ndarray, np.ndarray, np.ndarray]
    mean: np.ndarray
    sd: np.ndarray
    unknown: np.ndarray
    states: States
    applies: np.ndarray
    place: np.ndarray
    places: int

    @cached_property
    def shifted(self) -> bool:
        """Whether a measure shifts a score."""
        return bool(self.slots.shift.any())

    @cached_property
    def unnamed(self) -> bool:
        """Whether any row has a term that its records do not name."""
        return bool(self.unknown.any())

    @classmethod
    def of(cls, inputs: Inputs, priors: PriorSet, levels: Levels) -> Rows:
        """Take the constants from `inputs`."""
        slots, terms = Slots.of(inputs), Terms.of(priors, levels)
        mean, sd = (np.stack(a, axis=1) for a in zip(*(inputs.score_of(r) for r in inputs.roots), strict=True))
        at, patterns = (slots.section, slots.root), slots.patterns.shape[1]
        applies = (inputs.applies[:, slots.member] & slots.filled)[at].astype(float)
        place = ((slots.root * inputs.sections + slots.section) * patterns + slots.pattern).astype(np.int64)
        matrix = csr_array(_matrix(inputs, priors, slots, terms))
        parts = (matrix.indptr.astype(np.int64), matrix.indices.astype(np.int64), matrix.data.astype(float))
        return cls(
            slots, terms, parts, mean[at], sd[at], _unnamed(inputs, priors)[at],
            States(slots.weight, slots.comply, slots.lapse), applies, place,
            len(inputs.roots) * inputs.sections * patterns,
        )  # fmt: skip


@dataclass(frozen=True)
class WearRows:
    """Constants of the states of wear-out, a section's together, sections ascending.

    Parameters
    ----------
    section, types : ndarray of int (row,)
    drivers : ndarray (row, driver)
        Standardised covariates that act on wear-out, else 0.
    stretch : ndarray (row, measure)
    states : States
    mixed : bool
        Whether a measure stretches the age of any section.
    """

    section: np.ndarray
    types: np.ndarray
    drivers: np.ndarray
    stretch: np.ndarray
    states: States
    mixed: bool

    @classmethod
    def of(cls, inputs: Inputs, priors: PriorSet) -> WearRows:
        """Take the constants from `inputs`."""
        mixture, acts = inputs.wear, np.array([d.acts_on == ("wear_out",) for d in priors.drivers], float)
        mixed = bool(mixture.stretch.any())
        order = np.argsort(mixture.section, kind="stable") if mixed else np.arange(inputs.sections)
        section = mixture.section[order] if mixed else order
        parts = (a[order] if mixed else a[:0] for a in (mixture.weight, mixture.comply, mixture.lapse))
        stretch = mixture.stretch[order] if mixed else np.zeros((inputs.sections, 0))
        return cls(section, inputs.types[section], (inputs.drivers * acts)[section], stretch, States(*parts), mixed)

    def log_median(self, by_type: np.ndarray, coefficient: np.ndarray, log_ratio: np.ndarray) -> np.ndarray:
        """ln median age at wear-out, (row,), from that by type, driver coefficients and ln time ratios."""
        out = by_type[self.types]
        if self.drivers.shape[1]:
            out = out + self.drivers @ coefficient
        return out + self.stretch @ log_ratio if self.mixed else out

    def back(self, bar: np.ndarray, types: int) -> tuple[np.ndarray, np.ndarray, np.ndarray | float]:
        """Derivatives to what `log_median` takes, from that to its result."""
        by_type = np.bincount(self.types, bar, minlength=types)
        return by_type, bar @ self.drivers, bar @ self.stretch if self.mixed else 0.0


def _matrix(inputs: Inputs, priors: PriorSet, slots: Slots, terms: Terms) -> csr_array:
    """Log-odds at score 0 as a sparse matrix (row * slot, term) of their terms."""
    rows, width = len(slots.section), slots.member.shape[1]
    row, mechanism = np.arange(rows * width), slots.member[slots.root].ravel()
    section, root = np.repeat(slots.section, width), np.repeat(slots.root, width)
    intercept = inputs.types[section] * len(priors.mechanisms) + mechanism
    found = [(row, intercept, np.ones(len(row))), (row, terms.first["year_slope"] + 0 * row, inputs.decades[section])]
    for group in priors.groups:
        if group.column in terms.sizes:
            level = inputs.group[group.column][section]
            moves = np.isin([r.name for r in inputs.roots], group.roots)[root] & (level >= 0)
            found.append((row[moves], terms.first[group.column] + level[moves], np.ones(int(moves.sum()))))
    names, filled = np.array([m.name for m in priors.mechanisms])[mechanism], slots.filled[slots.root].ravel()
    for d, driver in enumerate(priors.drivers):
        acts = np.isin(names, list(driver.acts_on)) & filled
        column = terms.first["driver_coefficient"] + d
        found.append((row[acts], np.full(int(acts.sum()), column), inputs.drivers[section[acts], d]))
    at, term = np.nonzero(slots.chosen)
    for s in range(width if len(at) else 0):
        found.append((at * width + s, terms.first["selection"] + term, slots.chosen[at, term]))
    at, term = np.nonzero(slots.acts)
    if len(at):
        slot = slots.place[[d.mechanism for d in deltas_of(priors)], 1][term]
        found.append((at * width + slot, terms.first["delta"] + term, -slots.acts[at, term]))
    at, columns, factors = (np.concatenate(part) for part in zip(*found, strict=True))
    return csr_array((factors, (at, columns)), shape=(rows * width, terms.count))


def _unnamed(inputs: Inputs, priors: PriorSet) -> np.ndarray:
    """1 where a group moves a root and a section's records do not name its level, (section, root, group)."""
    out = np.zeros((inputs.sections, len(inputs.roots), len(priors.groups)))
    for g, group in enumerate(priors.groups):
        if group.column in inputs.group:
            moves = np.isin([root.name for root in inputs.roots], group.roots)
            out[:, :, g] = (inputs.group[group.column] < 0)[:, None] & moves[None, :]
    return out
