"""Log posterior density of a study and its gradient, in plain arrays and compiled sums.

`model` is the definition, in PyMC; this gives the same numbers with nothing to compile for a study: other records
need no other code. The tests hold one to the other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from .baseline import Baseline, delta_distributions
from .cells import CellData
from .distribution import Distribution
from .hazard import gauss_hermite
from .inputs import Inputs, Levels, every_level, type_mix
from .intercepts import Intercepts, Solved
from .kernelcall import given_of, run_kernel
from .lifesettings import LifeSettings, removal_at_threshold
from .measures import deltas_of
from .parameters import Layout, coords_of, stretched
from .priors import PriorSet
from .rateroffsets import RaterOffsets
from .raters import RATER
from .rowkernel import compiled_rows
from .rows import Rows, Terms, WearRows
from .together import Together

if TYPE_CHECKING:
    from .records import Records

__all__ = ["LogDensity", "Point", "point_of"]

Named = dict[str, tuple[np.ndarray, tuple[str, ...]]]
SCALARS = (
    "wear_out_shape", "start_index", "start_spread", "noise", "kappa", "kappa_early_log_ratio", "removal_lag",
    "label_error",
)  # fmt: skip


@dataclass(frozen=True)
class LogDensity:
    """Log density over the vector of reals that `Layout` describes.

    Parameters
    ----------
    priors : PriorSet
    settings : LifeSettings
    levels : mapping of column to tuple of str
    layout : Layout
    inputs : Inputs
    data : CellData
    baseline : Baseline
    effects : tuple of Distribution
        Law of each effect of a measure.
    sections : tuple of str
    """

    priors: PriorSet
    settings: LifeSettings
    levels: Levels
    layout: Layout
    inputs: Inputs
    data: CellData
    baseline: Baseline
    effects: tuple[Distribution, ...]
    sections: tuple[str, ...]

    @classmethod
    def of(
        cls, records: Records, priors: PriorSet, *, settings: LifeSettings | None = None,
        levels: Levels | None = None, cells: CellData | None = None,
    ) -> LogDensity:  # fmt: skip
        """Take records and priors; arguments as in `model.build_model`."""
        settings = settings or LifeSettings()
        levels = every_level(records, priors) if levels is None else levels
        hard = removal_at_threshold(priors)
        data = cells if cells is not None else CellData.of(records, settings.grid, hard_removal=hard)
        baseline = Baseline.of(priors, settings.early_age)
        mix = type_mix(records.sections, priors).astype(float)
        effects = delta_distributions(priors, baseline, mix) if priors.mechanisms else ()
        inputs, layout = Inputs.of(records.sections, priors, levels), Layout.of(priors, levels)
        names = tuple(str(s) for s in records.sections["section"].values)
        return cls(priors, settings, levels, layout, inputs, data, baseline, effects, names)

    # ------------------------------------------------------------------------------ constants

    @cached_property
    def rows(self) -> Rows | None:
        """States of the sections by root; None without early mechanisms."""
        return Rows.of(self.inputs, self.priors, self.levels) if self.priors.mechanisms else None

    @cached_property
    def wear(self) -> WearRows:
        """States of the sections in the measures that stretch the wear-out age."""
        return WearRows.of(self.inputs, self.priors)

    @cached_property
    def given(self) -> tuple[np.ndarray, ...]:
        """Constants of the compiled sum over cells."""
        lagged, law = not removal_at_threshold(self.priors), self.settings.age_law
        if self.rows is None:
            return given_of(self.data, np.zeros((0, 2)), 1, self.wear.section, None, lagged=lagged, law=law)
        slots = self.rows.slots
        labels = (self.inputs.applies, slots.place)
        return given_of(
            self.data, slots.in_use, slots.member.shape[1], self.wear.section, labels, lagged=lagged, law=law
        )

    @cached_property
    def raters(self) -> RaterOffsets | None:
        """Who took each reading; None without raters."""
        return RaterOffsets.of(self.data, self.levels.get(RATER, ()))

    @cached_property
    def solver(self) -> Intercepts:
        """Solver of the intercepts."""
        return Intercepts(self.baseline)

    @cached_property
    def together(self) -> Together | None:
        """Copula of the priors, if there is one."""
        return Together.of(self.priors, self.layout)

    @cached_property
    def nodes(self) -> tuple[np.ndarray, np.ndarray]:
        """Values of a score and their probabilities."""
        return gauss_hermite(self.settings.score_nodes)

    @cached_property
    def slowing(self) -> np.ndarray:
        """Lowering of ln speed by each effect, (root, pattern, slot, delta)."""
        slots = self.rows.slots  # type: ignore[union-attr]
        return slots.patterns[:, :, None, :] * slots.onto(self.priors).T

    @cached_property
    def effect(self) -> tuple[np.ndarray, ...]:
        """Effect of each delta; location, scale (0 where fixed) and skewness, each (delta,)."""
        laws = [d.parameters if d.family == "skewed" else (d.parameters[0], 0.0, 0.0) for d in self.effects]
        number = np.array([d.effect for d in deltas_of(self.priors)], int)
        return number, *np.array(laws, float).reshape(-1, 3).T

    # ----------------------------------------------------------------------------- evaluation

    def value_and_gradient(self, x: np.ndarray) -> tuple[float, np.ndarray]:
        """Log density at reals x (element,), and its gradient."""
        value, slope = self.layout.natural(x)
        total, gradient = self.layout.log_prior(x, value)
        if self.together is not None:
            more, slopes = self.together.log_ratio(x)
            total, gradient = total + more, gradient + slopes
        point = Point.at(self, self.layout.quantities(value))
        sums, bars = point.run(wanted=True)
        return total + float(sums.sum()), gradient + point.back(bars)[self.layout.target] * slope

    def by_section(self, x: np.ndarray) -> np.ndarray:
        """Log-likelihood of each section's records at reals x (element,), shape (section,)."""
        return point_of(self, x).run(wanted=False)[0]

    def log_likelihood(
        self,
        posterior: xr.Dataset,
        tell: Callable[[int], None] | None = None,
        by_section: Callable[[np.ndarray], np.ndarray] | None = None,
    ) -> xr.Dataset:
        """`by_section` at every draw, Dataset (chain, draw, section); `tell` is called with the draws done."""
        by_section = by_section or self.by_section
        x = self.layout.real({name: posterior[name].values for name in self.layout.spans})
        out = np.empty((*x.shape[:2], len(self.sections)))
        for done, at in enumerate(np.ndindex(x.shape[:2]), 1):
            out[at] = by_section(x[at])
            if tell is not None:
                tell(done)
        return xr.Dataset(
            {"records": (("chain", "draw", "section"), out, {"units": "1"})}, coords={"section": list(self.sections)}
        )

    def log_prior(self, posterior: xr.Dataset) -> xr.DataArray:
        """Log prior density of the values of the free variables at every draw, (chain, draw).

        Its attribute `variables` names them with what values each may take, so that draws can be told that stand for
        other variables: a fixed prior has none, one on another support has others.
        """
        layout = self.layout
        x = layout.real({name: posterior[name].values for name in layout.spans})
        out = np.empty(x.shape[:2])
        for at in np.ndindex(out.shape):
            value, slope = layout.natural(x[at])
            more = 0.0 if self.together is None else self.together.log_ratio(x[at])[0]
            out[at] = layout.log_prior(x[at], value)[0] + more - np.log(slope[layout.bent]).sum()
        return xr.DataArray(out, dims=("chain", "draw"), attrs={"variables": layout.described})

    def dataset(self, x: np.ndarray) -> xr.Dataset:
        """Draws of reals x (chain, draw, element) as a posterior: free variables and what follows from them."""
        layout, lead = self.layout, ("chain", "draw")
        value, _ = layout.natural(x)
        q = layout.quantities(value)
        found = layout.named(x, value, q) | self._derived(q)
        coords = coords_of(self.priors, self.levels)
        own = {dim for _, dims in found.values() for dim in dims}
        return xr.Dataset(
            {name: ((*lead, *dims), array) for name, (array, dims) in found.items()},
            coords={"chain": np.arange(len(x)), "draw": np.arange(x.shape[1])}
            | {d: coords[d] for d in coords if d in own},
        )

    def _derived(self, q: np.ndarray) -> Named:
        """What the model reports besides its variables, from the quantities (chain, draw, place)."""
        layout, out = self.layout, Named()
        out["wear_out_median"] = np.exp(_log_wear_median(layout, q)), ("type",)
        if "rater_raw" in layout.places:
            out["rater_effect"] = layout.get(q, "rater_sd") * layout.get(q, "rater_raw"), (RATER,)
        if self.rows is None:
            return out
        for group in self.priors.groups:
            if self.levels.get(group.column):
                raw, sd = (q[..., layout.places[f"{group.column}_{part}"]] for part in ("raw", "sd"))
                out[f"{group.column}_effect"] = sd * raw, (group.column,)
        if self.effects:
            number, *law = self.effect
            out["delta"] = stretched(layout.get(q, "effect_score")[..., number], *law)[0], ("measure_effect",)
        early, odds, offset = (layout.get(q, n) for n in ("early_failure", "odds_multiplier", "share_offset"))
        solved = [
            self.solver.solve(float(early[at][0]), odds[at], offset[at]).intercept for at in np.ndindex(q.shape[:2])
        ]
        out["intercept"] = np.reshape(solved, (*q.shape[:2], *solved[0].shape)), ("type", "mechanism")
        return out


def _log_wear_median(layout: Layout, q: np.ndarray) -> np.ndarray:
    """ln median age at wear-out, (..., type)."""
    if "wear_out_by_type" in layout.places:
        return layout.get(q, "wear_out_by_type")
    return np.log(layout.get(q, "wear_out_multiplier_by_type")) + layout.get(q, "wear_out_common", 0.0)


# --------------------------------------------------------------------------- one evaluation


@dataclass(frozen=True)
class Point:
    """One evaluation: what the compiled sum takes, and what the way back needs.

    Parameters
    ----------
    density : LogDensity
    q : ndarray (place,)
        Quantities of `Layout`.
    kernel : list of ndarray
        Fields of `kernelroom.Parameters`.
    early : _Early or None
    offsets : tuple of ndarray, or None
        Raters' offsets at the readings (see `run_kernel`).
    """

    density: LogDensity
    q: np.ndarray
    kernel: list[np.ndarray]
    early: _Early | None
    offsets: tuple[np.ndarray, np.ndarray] | None

    @classmethod
    def at(cls, density: LogDensity, q: np.ndarray) -> Point:
        """Everything before the sum over cells."""
        layout, wear = density.layout, density.wear
        early = None if density.rows is None else _Early.at(density, density.rows, q)
        ratio = np.log(layout.get(q, "time_ratio", 1.0))
        log_median = wear.log_median(_log_wear_median(layout, q), layout.get(q, "driver_coefficient", 0.0), ratio)
        weight = wear.states.probability(layout.get(q, "compliance", 0.0)) if wear.mixed else np.zeros(0)
        one = {name: float(layout.get(q, name, 0.0)[0]) for name in SCALARS}
        lag = 1.0 if removal_at_threshold(density.priors) else one["removal_lag"]
        start, _ = _start(density.data, one["start_index"])
        kappa_early = one["kappa"] * np.exp(one["kappa_early_log_ratio"])
        scalars = [one["wear_out_shape"], start, one["start_spread"], one["noise"], one["kappa"], kappa_early, lag,
                   one["label_error"]]  # fmt: skip
        tables = early.tables if early is not None else _no_tables(len(density.sections))
        offset = layout.get(q, "rater_sd", 0.0) * layout.get(q, "rater_raw", 0.0)
        offsets = None if density.raters is None else density.raters.at_readings(offset)
        return cls(density, q, [*tables, log_median, weight, np.array(scalars)], early, offsets)

    def run(self, *, wanted: bool) -> tuple[np.ndarray, list[np.ndarray]]:
        """Log-likelihood of every section, and the derivatives of their total if `wanted` (see `run_kernel`)."""
        density = self.density
        share = np.ones(len(density.sections))
        return run_kernel(self.kernel, share, density.given, wanted=wanted, offsets=self.offsets)

    def back(self, bars: list[np.ndarray]) -> np.ndarray:
        """Derivatives to the quantities (place,) from those to `kernel` and `offsets`."""
        layout, wear, q = self.density.layout, self.density.wear, self.q
        out = np.zeros(len(q))
        moments, median, shape, speed, log_median, weight, scalars, *rated = bars
        to_type, to_driver, to_ratio = wear.back(log_median, len(self.density.priors.types))
        if "wear_out_by_type" in layout.places:
            layout.add(out, "wear_out_by_type", to_type)
        else:
            layout.add(out, "wear_out_multiplier_by_type", to_type / layout.get(q, "wear_out_multiplier_by_type"))
            layout.add(out, "wear_out_common", to_type.sum())
        layout.add(out, "driver_coefficient", to_driver)
        layout.add(out, "time_ratio", to_ratio / layout.get(q, "time_ratio", 1.0))
        if wear.mixed:
            layout.add(out, "compliance", wear.states.back(layout.get(q, "compliance"), self.kernel[5], weight))
        self._scalars_back(out, scalars)
        if self.density.raters is not None:
            to_offset = self.density.raters.back(rated)
            layout.add(out, "rater_raw", layout.get(q, "rater_sd") * to_offset)
            layout.add(out, "rater_sd", layout.get(q, "rater_raw") @ to_offset)
        if self.early is not None:
            self.early.back(out, moments, median, shape, speed)
        return out

    def _scalars_back(self, out: np.ndarray, bar: np.ndarray) -> None:
        layout, scalars = self.density.layout, self.kernel[6]
        _, slope = _start(self.density.data, float(layout.get(self.q, "start_index")[0]))
        ratio = scalars[5] / scalars[4]
        for name, value in (
            ("wear_out_shape", bar[0]), ("start_index", bar[1] * slope), ("start_spread", bar[2]), ("noise", bar[3]),
            ("kappa", bar[4] + bar[5] * ratio), ("kappa_early_log_ratio", bar[5] * scalars[5]), ("removal_lag", bar[6]),
            ("label_error", bar[7]),
        ):  # fmt: skip
            layout.add(out, name, value)


def point_of(density: LogDensity, x: np.ndarray) -> Point:
    """The evaluation at reals x (element,), without the sum over cells."""
    return Point.at(density, density.layout.quantities(density.layout.natural(x)[0]))


def _no_tables(sections: int) -> list[np.ndarray]:
    """Tables of no early mechanism."""
    return [np.zeros((0, sections, 1)), np.zeros((0, 1)), np.zeros((0, 1)), np.zeros((0, 1, 1))]


def _start(data: CellData, index: float) -> tuple[float, float]:
    """Built-in condition on the z scale, and its derivative to the index."""
    s, gap = data.condition.stretch, data.condition.highest - index
    if not s:
        return -gap, 1.0
    return float(-np.log1p(s * gap) / s), 1.0 / (1.0 + s * gap)


@dataclass(frozen=True)
class _Early:
    """Early mechanisms at one evaluation."""

    density: LogDensity
    rows: Rows
    q: np.ndarray
    tables: list[np.ndarray]
    solved: Solved
    score: tuple[np.ndarray, ...]
    weight: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    per_score: np.ndarray

    @classmethod
    def at(cls, density: LogDensity, rows: Rows, q: np.ndarray) -> _Early:
        """Moments, ages and speeds of the early mechanisms."""
        layout, slots = density.layout, rows.slots
        solved = density.solver.solve(
            float(layout.get(q, "early_failure")[0]),
            layout.get(q, "odds_multiplier"),
            layout.get(q, "share_offset", 0.0),
        )
        number, *law = density.effect
        scores = layout.get(q, "effect_score", 0.0)[number] if len(number) else np.zeros(0)
        delta, per_score = stretched(scores, *law)
        terms = _terms(density, q, rows.terms, solved.intercept, delta)
        level = rows.mean + slots.shift @ layout.get(q, "score_shift_size") if rows.shifted else rows.mean
        unknown = rows.unknown @ _group_sds(density, q) ** 2 if rows.unnamed else np.zeros(0)
        effect = np.ascontiguousarray(layout.get(q, "score_effect")[slots.member])
        score = (level, rows.sd, unknown, effect, slots.root)
        weight = rows.states.probability(layout.get(q, "compliance", 0.0))
        centre, spread = np.empty(rows.applies.shape), np.empty(rows.applies.shape)
        moments = np.zeros((rows.places, 1 << slots.member.shape[1]))
        compiled_rows()[0](
            rows.matrix, terms, score, weight, rows.applies, rows.place, density.nodes, centre, spread, moments
        )
        speed = np.exp(-density.slowing @ delta) if len(delta) else np.ones(density.slowing.shape[:3])
        shape = (len(slots.member), len(density.sections), -1)
        tables = [moments.reshape(shape), *(layout.get(q, n)[slots.member] for n in ("age_median", "age_shape")), speed]
        return cls(density, rows, q, tables, solved, score, weight, centre, spread, per_score)

    def back(
        self, out: np.ndarray, moments: np.ndarray, median: np.ndarray, shape: np.ndarray, speed: np.ndarray
    ) -> None:
        """Add to the derivatives to the quantities."""
        density, rows, q = self.density, self.rows, self.q
        layout, member = density.layout, rows.slots.member
        level, _, unknown, effect, _ = self.score
        to_terms, to_weight = np.zeros(rows.terms.count), np.zeros(len(self.weight))
        to_level, to_unknown, to_effect = np.zeros(level.shape), np.zeros(unknown.shape), np.zeros(effect.shape)
        compiled_rows()[1](
            rows.matrix, self.score, self.weight, rows.applies, rows.place, density.nodes, self.centre, self.spread,
            moments.reshape(rows.places, -1), (to_terms, to_weight, to_level, to_unknown, to_effect),
        )  # fmt: skip
        for name, bar in (("age_median", median), ("age_shape", shape), ("score_effect", to_effect)):
            mechanisms = len(density.priors.mechanisms)
            layout.add(out, name, np.bincount(member.ravel(), bar.ravel(), minlength=mechanisms))
        if rows.shifted:
            layout.add(out, "score_shift_size", to_level @ rows.slots.shift)
        layout.add(out, "compliance", rows.states.back(layout.get(q, "compliance", 0.0), self.weight, to_weight))
        self._terms_back(out, rows.terms.apart(to_terms), speed, to_unknown)

    def _terms_back(
        self, out: np.ndarray, bars: Mapping[str, np.ndarray], speed: np.ndarray, unknown: np.ndarray
    ) -> None:
        density, layout, q = self.density, self.density.layout, self.q
        to_early, to_odds, to_offset = self.solved.back(bars["intercept"].reshape(self.solved.intercept.shape))
        for name, bar in (("early_failure", to_early), ("odds_multiplier", to_odds), ("share_offset", to_offset)):
            layout.add(out, name, bar)
        for name in ("year_slope", "driver_coefficient", "selection"):
            layout.add(out, name, bars.get(name, 0.0))
        for group in density.priors.groups:
            if group.column in bars:
                raw, sd = (layout.get(q, f"{group.column}_{part}") for part in ("raw", "sd"))
                layout.add(out, f"{group.column}_raw", sd * bars[group.column])
                layout.add(out, f"{group.column}_sd", raw @ bars[group.column])
        if len(unknown):
            to_variance = unknown @ self.rows.unknown
            for g, group in enumerate(density.priors.groups):
                layout.add(out, f"{group.column}_sd", 2.0 * layout.get(q, f"{group.column}_sd") * to_variance[g])
        if density.effects:
            delta = bars["delta"] - np.tensordot(speed * self.tables[3], density.slowing, 3)
            by_effect = np.bincount(density.effect[0], delta * self.per_score, minlength=layout.width("effect_score"))
            layout.add(out, "effect_score", by_effect)


def _terms(density: LogDensity, q: np.ndarray, terms: Terms, intercept: np.ndarray, delta: np.ndarray) -> np.ndarray:
    """Terms of the log-odds at score 0, (term,)."""
    layout, out = density.layout, np.zeros(terms.count)
    found = {"intercept": intercept.ravel(), "delta": delta}
    for group in density.priors.groups:
        if group.column in terms.sizes:
            found[group.column] = layout.get(q, f"{group.column}_sd") * layout.get(q, f"{group.column}_raw")
    for name, part in terms.apart(out).items():
        part[:] = found[name] if name in found else layout.get(q, name)
    return out


def _group_sds(density: LogDensity, q: np.ndarray) -> np.ndarray:
    return np.array([density.layout.get(q, f"{group.column}_sd")[0] for group in density.priors.groups])
