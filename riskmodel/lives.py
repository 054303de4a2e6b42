"""Life distribution of a programme at one posterior draw, in closed form.

The NumPy side of what `model` and `likelihood` say symbolically: the same inputs, the same moments,
read from arrays of posterior draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from .hazard import Root, expit, failure_share, gauss_hermite, subset_products, subset_signs, weibull_hazard
from .inputs import Inputs
from .measures import Mixture, deltas_of
from .priors import PriorSet
from .streams import stream

__all__ = ["Draws", "GroupTerms", "RootLife", "Terms", "group_terms", "root_life", "root_parts", "wear_survival"]

Terms = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Draws:
    """Posterior (or prior) draws as arrays with the sample first.

    Parameters
    ----------
    values : mapping of name to ndarray (sample, ...)
    coords : mapping of dim to tuple of str
    count : int
    first : int
        Number of the first one where these are some of more: random numbers go by it.
    """

    values: Mapping[str, np.ndarray]
    coords: Mapping[str, tuple[str, ...]]
    count: int
    first: int = 0

    @classmethod
    def of(cls, posterior: xr.Dataset, limit: int | None = None) -> Draws:
        """Take every draw, or `limit` of them evenly spaced, chain by chain."""
        total = posterior.sizes["chain"] * posterior.sizes["draw"]
        picked = np.arange(total)
        if limit is not None and limit < total:
            picked = np.linspace(0, total - 1, limit).round().astype(int)
        values, coords = {}, {}
        for name, variable in posterior.data_vars.items():
            array = variable.transpose("chain", "draw", ...).values
            values[str(name)] = array.reshape(total, *array.shape[2:])[picked]
            for dim in variable.dims[2:]:
                coords[str(dim)] = tuple(str(c) for c in posterior[dim].values)
        return cls(values, coords, len(picked))

    def part(self, piece: slice) -> Draws:
        """Some successive draws, with the numbers that they have here."""
        values = {name: array[piece] for name, array in self.values.items()}
        first, last, _ = piece.indices(self.count)
        return Draws(values, self.coords, last - first, self.first + first)

    def __getitem__(self, name: str) -> np.ndarray:
        return self.values[name]

    def __contains__(self, name: str) -> bool:
        return name in self.values


class GroupTerms:
    """District, contractor and project terms of a programme's sections.

    Levels known from the records keep their terms; new names draw theirs, one draw a name; a section
    without a name draws its own.
    """

    def __init__(self, draws: Draws, programme: xr.Dataset, priors: PriorSet, seed: int):
        self.draws, self.seed = draws, seed
        self.columns = tuple(g.column for g in priors.groups if f"{g.column}_sd" in draws)
        sections = programme["section"].values.astype(str)
        empty = np.full(len(sections), "")
        self.keys = {}
        for column in self.columns:
            names = programme[column].values.astype(str) if column in programme else empty
            pairs = zip(names, sections, strict=True)
            self.keys[column] = [("name", name) if name else ("section", section) for name, section in pairs]

    def at(self, piece: slice) -> dict[str, np.ndarray]:
        """Terms of some of the sections, {column: (sample, section)}."""
        return {column: self._terms(column, self.keys[column][piece]) for column in self.columns}

    def _terms(self, column: str, keys: list[tuple[str, str]]) -> np.ndarray:
        different = {key: n for n, key in enumerate(dict.fromkeys(keys))}
        table, first = np.empty((self.draws.count, len(different))), self.draws.first
        known = {name: i for i, name in enumerate(self.draws.coords.get(column, ()))}
        fitted, sd = self.draws.values.get(f"{column}_effect"), self.draws[f"{column}_sd"]
        for (kind, name), n in different.items():
            if fitted is not None and kind == "name" and name in known:
                table[:, n] = fitted[:, known[name]]
            else:
                rng = stream(self.seed, "group", column, kind, name)
                table[:, n] = sd * rng.standard_normal(first + self.draws.count)[first:]
        return np.take(table, [different[key] for key in keys], axis=1)


def group_terms(draws: Draws, programme: xr.Dataset, priors: PriorSet, seed: int) -> dict[str, np.ndarray]:
    """Terms of every section (see `GroupTerms`), {column: (sample, section)}."""
    return GroupTerms(draws, programme, priors, seed).at(slice(None))


@dataclass(frozen=True)
class RootLife:
    """One root cause of every section at one draw.

    Parameters
    ----------
    moments : ndarray (section, pattern, subset)
        Signed subset moments of the susceptibilities.
    median, shape : ndarray (mechanism of the root,)
    speed : ndarray (pattern, mechanism of the root)
    """

    moments: np.ndarray
    median: np.ndarray
    shape: np.ndarray
    speed: np.ndarray

    @cached_property
    def flat(self) -> np.ndarray:
        """Moments as (section, pattern * subset)."""
        return self.moments.reshape(len(self.moments), -1)

    def failed(self, ages: np.ndarray) -> np.ndarray:
        """F of each mechanism, shape (pattern, mechanism, age)."""
        hazard = weibull_hazard(np.maximum(ages, 1e-9)[None, :], self.median[:, None], self.shape[:, None])
        return -np.expm1(-self.speed[:, :, None] * hazard[None])

    def products(self, ages: np.ndarray) -> np.ndarray:
        """Subset products of F, shape (pattern * subset, age)."""
        failed = self.failed(ages)
        rows = subset_products([failed[:, m] for m in range(failed.shape[1])], np.ones_like(failed[:, 0]))
        return np.stack(rows, axis=1).reshape(-1, len(ages))

    def survival(self, ages: np.ndarray) -> np.ndarray:
        """Survival of the root's mechanisms, shape (section, age)."""
        return self.flat @ self.products(ages)

    def increments(self, edges: np.ndarray) -> np.ndarray:
        """P(mechanism strikes in each cell, others of the root not before), (mechanism, section, cell).

        Exact to second order in the cell width; the rows of a root add up to its fall in survival
        once scaled by `shared_increments`.
        """
        middle = 0.5 * (edges[1:] + edges[:-1])
        at_middle, at_edges = self.failed(middle), self.failed(edges)
        mechanisms = at_middle.shape[1]
        numbers = np.arange(1 << mechanisms)
        out = []
        for m in range(mechanisms):
            factors = [np.ones_like(at_middle[:, j]) if j == m else at_middle[:, j] for j in range(mechanisms)]
            rows = np.stack(subset_products(factors, np.ones_like(at_middle[:, 0])), axis=1)
            rows *= ((numbers >> m) & 1)[None, :, None] * np.diff(at_edges[:, m], axis=1)[:, None, :]
            out.append(np.maximum(-(self.flat @ rows.reshape(-1, len(middle))), 0.0))
        return np.stack(out)


def root_life(draws: Draws, s: int, priors: PriorSet, inputs: Inputs, r: int, terms: Terms, nodes: int) -> RootLife:
    """Moments of root number `r` at draw `s` (see `RootLife`)."""
    root, mixture = inputs.roots[r], inputs.mixtures[r]
    members = list(root.mechanisms)
    eta = _log_odds(draws, s, priors, inputs, root, mixture, terms)
    beta = draws["score_effect"][s][members]
    mean, sd = inputs.score_of(root)
    level = mean[mixture.section]
    if mixture.shift.any():
        level = level + mixture.shift @ draws["score_shift_size"][s]
    x, w = gauss_hermite(nodes) if sd.any() else (np.zeros(1), np.ones(1))
    centre = eta - level[:, None] * beta
    pi = expit(centre[:, None, :] - (sd[mixture.section][:, None] * beta)[:, None, :] * x[None, :, None])
    pi *= inputs.applies[mixture.section][:, None, members]
    products = subset_products([pi[:, :, m] for m in range(len(members))], np.ones_like(pi[:, :, 0]))
    rows = np.stack([product @ w for product in products], axis=1) * subset_signs(len(members))
    return root_parts(draws, s, priors, mixture, rows, members, inputs.sections)


def root_parts(
    draws: Draws, s: int, priors: PriorSet, mixture: Mixture, rows: np.ndarray, members: list[int], sections: int
) -> RootLife:
    """One root from the signed moments of the rows of its mixture, (row, subset)."""
    return RootLife(
        _by_section(rows * row_probability(draws, s, mixture)[:, None], mixture, sections),
        draws["age_median"][s][members],
        draws["age_shape"][s][members],
        _speed(draws, s, priors, mixture, members),
    )


def row_probability(draws: Draws, s: int, mixture: Mixture) -> np.ndarray:
    """Probability of each row of a mixture at draw `s`, shape (row,)."""
    if not (mixture.comply.any() or mixture.lapse.any()):
        return mixture.weight
    return mixture.probability(draws["compliance"][s])


def _log_odds(
    draws: Draws,
    s: int,
    priors: PriorSet,
    inputs: Inputs,
    root: Root,
    mixture: Mixture,
    terms: Terms,
) -> np.ndarray:
    """Log-odds of susceptibility at score 0, shape (row, mechanism of the root)."""
    members = list(root.mechanisms)
    section = section_log_odds(draws, s, priors, inputs, root, terms)
    eta = section[mixture.section]
    if mixture.chosen.any():
        eta = eta + (mixture.chosen @ draws["selection"][s])[:, None]
    if mixture.acts.any():
        eta = eta - mixture.acts @ (draws["delta"][s][:, None] * delta_members(priors, members))
    return eta


def section_log_odds(draws: Draws, s: int, priors: PriorSet, inputs: Inputs, root: Root, terms: Terms) -> np.ndarray:
    """Log-odds before measures and score, shape (section, mechanism of the root)."""
    members = list(root.mechanisms)
    common = draws["year_slope"][s] * inputs.decades
    for group in priors.groups:
        if root.name in group.roots and group.column in terms:
            common = common + terms[group.column][s]
    eta = draws["intercept"][s][:, members][inputs.types] + common[:, None]
    names = [priors.mechanisms[m].name for m in members]
    for d, driver in enumerate(priors.drivers):
        acts = np.isin(names, list(driver.acts_on))
        if acts.any():
            eta = eta + draws["driver_coefficient"][s][d] * inputs.drivers[:, d][:, None] * acts
    return eta


def delta_members(priors: PriorSet, members: list[int]) -> np.ndarray:
    """1 where effect d acts on mechanism m, shape (delta, member)."""
    return np.array([[float(d.mechanism == m) for m in members] for d in deltas_of(priors)])


def _speed(draws: Draws, s: int, priors: PriorSet, mixture: Mixture, members: list[int]) -> np.ndarray:
    if not mixture.slows.any():
        return np.ones((len(mixture.patterns), len(members)))
    return np.exp(-mixture.patterns @ (draws["delta"][s][:, None] * delta_members(priors, members)))


def _by_section(rows: np.ndarray, mixture: Mixture, sections: int) -> np.ndarray:
    patterns = len(mixture.patterns)
    out = np.zeros((sections * patterns, rows.shape[1]))
    place = mixture.section * patterns + mixture.pattern
    for column in range(rows.shape[1]):
        out[:, column] = np.bincount(place, rows[:, column], minlength=len(out))
    return out.reshape(sections, patterns, rows.shape[1])


def wear_log_median(draws: Draws, s: int, priors: PriorSet, inputs: Inputs) -> np.ndarray:
    """ln of the median age at wear-out without measures, shape (section,)."""
    out = np.log(draws["wear_out_median"][s])[inputs.types]
    for d, driver in enumerate(priors.drivers):
        if driver.acts_on == ("wear_out",):
            out = out + draws["driver_coefficient"][s][d] * inputs.drivers[:, d]
    return out


def wear_survival(draws: Draws, s: int, priors: PriorSet, inputs: Inputs, ages: np.ndarray) -> np.ndarray:
    """Survival of wear-out, averaged over the states of its measures, shape (section, age)."""
    mixture = inputs.wear
    log_median, shape = wear_log_median(draws, s, priors, inputs), draws["wear_out_shape"][s]
    if not mixture.stretch.any():
        return 1.0 - failure_share(ages[None, :], np.exp(log_median)[:, None], shape)
    rows = log_median[mixture.section] + mixture.stretch @ np.log(draws["time_ratio"][s])
    alive = np.exp(-weibull_hazard(ages[None, :], np.exp(rows)[:, None], shape))
    alive *= row_probability(draws, s, mixture)[:, None]
    out = np.zeros((inputs.sections, len(ages)))
    np.add.at(out, mixture.section, alive)
    return out
