"""Closed form of a programme's life under all portfolios, a block of sections at a time.

What portfolios share is worked once: rows of mixtures, mixtures of a root, survivals of a root. Sums over
sections are left unnormalised, with the weights, so that blocks add up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import xarray as xr

from .closedsums import Kernels, plain_kernels
from .crew import Tell
from .hazard import gauss_hermite
from .inputs import Facts, Inputs, inputs_under
from .lives import Draws, GroupTerms, RootLife, delta_members, root_parts, section_log_odds, wear_survival
from .measures import CURRENT_PRACTICE, Mixture, Portfolio, Requirements
from .priors import PriorSet
from .shares import Taken, fair_shares
from .survivals import Rows

__all__ = ["BLOCK", "Block", "ClosedForm", "Losses", "State", "Sums", "age_grid", "blocks_of", "incidences"]

BLOCK = 1024
"""Sections worked at a time. Fixed, since a matrix product rounds by its size."""
CAUSE_CELLS = 20


def blocks_of(sections: int) -> list[slice]:
    """Blocks of a programme, at fixed places."""
    return [slice(at, min(at + BLOCK, sections)) for at in range(0, sections, BLOCK)]


def age_grid(horizon: float) -> np.ndarray:
    """Ages of the closed form, years: half years to the horizon, then geometric to 400."""
    fine = np.arange(0.0, horizon + 0.25, 0.5)
    return np.concatenate([fine, np.geomspace(fine[-1], max(400.0, 4 * horizon), 48)[1:]])


class ClosedForm:
    """A programme under all portfolios.

    Parameters
    ----------
    draws : Draws
    programme : Dataset of kind `sections`
    priors : PriorSet
    portfolios : sequence of Portfolio
        Current practice is one of them.
    seed : int
    nodes : int
        Score nodes.
    score_shift : mapping of root to float, optional
    weight_by_area : bool
    compiled : bool
        Sums by `closedkernel`; False for a few sections, where loading a compiler takes longer than the sums.
    """

    def __init__(
        self,
        draws: Draws,
        programme: xr.Dataset,
        priors: PriorSet,
        portfolios: Sequence[Portfolio],
        *,
        seed: int,
        nodes: int = 7,
        score_shift: Mapping[str, float] | None = None,
        weight_by_area: bool = False,
        compiled: bool = True,
    ):
        self.kernels = _kernels(compiled=compiled)
        self.draws, self.priors, self.nodes = draws, priors, nodes
        self.names = [p.name for p in portfolios]
        self.current = self.names.index(CURRENT_PRACTICE)
        self.facts = Facts.from_table(programme, priors, {}, score_shift=score_shift)
        bare = Requirements.of(programme, priors)
        self.asked = [bare.under(p, programme, priors) for p in portfolios]
        self.terms = GroupTerms(draws, programme, priors, seed)
        self.entry = np.asarray(programme["age_entry"].values, float)
        self.area = _areas(programme) if weight_by_area else np.ones(self.sections)

    @property
    def sections(self) -> int:
        """Number of sections."""
        return self.facts.sections

    def blocks(self) -> list[slice]:
        """Pieces of the programme."""
        return blocks_of(self.sections)

    def block(self, piece: slice) -> Block:
        """Constants of some sections."""
        inputs = inputs_under(self.facts.take(piece), [asked.take(piece) for asked in self.asked], self.priors)
        return Block(self, piece, inputs, self.terms.at(piece))


def _kernels(*, compiled: bool) -> Kernels:
    if not compiled:
        return plain_kernels()
    from .closedkernel import compiled_kernels

    return compiled_kernels()


def _areas(programme: xr.Dataset) -> np.ndarray:
    count = programme.sizes["section"]
    area = np.asarray(programme["area"].values, float) if "area" in programme else np.full(count, np.nan)
    known = np.isfinite(area)
    return np.where(known, area, area[known].mean() if known.any() else 1.0)


class Block:
    """Constants of some sections under all portfolios."""

    def __init__(self, form: ClosedForm, piece: slice, inputs: list[Inputs], terms: Mapping[str, np.ndarray]):
        self.form, self.inputs, self.terms = form, inputs, terms
        self.entry, self.area = form.entry[piece], form.area[piece]
        roots = range(len(inputs[0].roots))
        self.rows = [Rows.of([i.mixtures[r] for i in inputs]) for r in roots]
        self.members = [delta_members(form.priors, list(root.mechanisms)) for root in inputs[0].roots]

    @cached_property
    def wears(self) -> list[int]:
        """For each portfolio, the first one with the same mixture of wear-out."""
        mixtures = [i.wear for i in self.inputs]
        return [next(n for n, other in enumerate(mixtures) if other is mixture) for mixture in mixtures]

    @cached_property
    def picks(self) -> np.ndarray:
        """Numbers of the factors of each portfolio's survival, wear-out last, (portfolio, root + 1)."""
        columns, offset = [], 0
        for rows in self.rows:
            columns.append(offset + rows.of_portfolio)
            offset += len(rows.mixtures)
        order = sorted(set(self.wears))
        return np.stack([*columns, [offset + order.index(j) for j in self.wears]], axis=1).astype(np.int64)

    def at(self, s: int, grid: np.ndarray) -> State:
        """Everything at draw `s`."""
        lives = [self._lives(s, r) for r in range(len(self.rows))]
        return State(self, s, grid, lives)

    def wear(self, s: int, portfolio: int, ages: np.ndarray) -> np.ndarray:
        """Survival of wear-out, (section, age)."""
        return wear_survival(self.form.draws, s, self.form.priors, self.inputs[portfolio], ages)

    def _lives(self, s: int, r: int) -> list[RootLife]:
        """One root under each of its mixtures (see `lives.root_life`)."""
        form, rows, inputs = self.form, self.rows[r], self.inputs[0]
        draws, root = form.draws, inputs.roots[r]
        members = list(root.mechanisms)
        eta = section_log_odds(draws, s, form.priors, inputs, root, self.terms)[rows.section]
        if rows.chosen.any():
            eta += (rows.chosen @ draws["selection"][s])[:, None]
        if rows.acts.any():
            eta -= rows.acts @ (draws["delta"][s][:, None] * self.members[r])
        mean, sd = inputs.score_of(root)
        level = mean[rows.section]
        if rows.shift.any():
            level = level + rows.shift @ draws["score_shift_size"][s]
        x, weight = gauss_hermite(form.nodes) if sd.any() else (np.zeros(1), np.ones(1))
        moments = form.kernels.moments(
            eta.T, level, sd[rows.section], draws["score_effect"][s][members],
            inputs.applies[rows.section][:, members].T, x, weight,
        )  # fmt: skip
        return [
            self._life(s, mixture, moments[:, pick], members)
            for mixture, pick in zip(rows.mixtures, rows.picks, strict=True)
        ]

    def _life(self, s: int, mixture: Mixture, moments: np.ndarray, members: list[int]) -> RootLife:
        return root_parts(self.form.draws, s, self.form.priors, mixture, moments.T, members, self.inputs[0].sections)


class State:
    """Sums over the sections of a block at one draw; not divided by the sum of the weights."""

    def __init__(self, block: Block, s: int, grid: np.ndarray, lives: list[list[RootLife]]):
        self.block, self.s, self.grid, self.lives = block, s, grid, lives
        wears = [block.wear(s, j, grid) for j in sorted(set(block.wears))]
        flat = [life for by_mixture in lives for life in by_mixture]
        self.factors = np.empty((len(flat) + len(wears), len(wears[0]), len(grid)))
        for factor, life in zip(self.factors, flat, strict=False):
            np.matmul(life.flat, life.products(grid), out=factor)
        self.factors[len(flat) :] = wears

    def root_lives(self, portfolio: int) -> list[RootLife]:
        """Moments by root under a portfolio."""
        rows = self.block.rows
        return [by[rows[r].of_portfolio[portfolio]] for r, by in enumerate(self.lives)]

    def survival(self, portfolio: int, sections: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Survival of each section, (section, age)."""
        return np.multiply.reduce([self.factors[f, sections] for f in self.block.picks[portfolio]])

    @cached_property
    def weight(self) -> np.ndarray:
        """Weight of each section in the programme: its area over P(in service when it came under observation)."""
        return self.block.area / self._seen()

    def _seen(self) -> np.ndarray:
        late = np.flatnonzero(self.block.entry > 0)
        seen = np.ones(len(self.block.entry))
        if not len(late):
            return seen
        survival = self.survival(self.block.form.current, late)
        dying = np.concatenate([survival[:, :-1] - survival[:, 1:], survival[:, -1:]], axis=1)
        middle = np.concatenate([0.5 * (self.grid[1:] + self.grid[:-1]), [np.inf]])
        years = np.maximum(self.block.entry[late][:, None] - middle[None, :], 0.0)
        lag = self.block.form.draws["removal_lag"][self.s]
        if lag > 0:
            waits = 2.0 * years / lag
            still = (1.0 + waits) * np.exp(-waits)
        else:
            still = (years == 0).astype(float)
        seen[late] = (dying * still).sum(axis=1)
        return np.maximum(seen, 1e-6)

    def programme_survival(self) -> np.ndarray:
        """Weighted sum of the survivals, (portfolio, age)."""
        return self.block.form.kernels.products(self.factors, self.block.picks, self.weight)

    def wear_out_survival(self) -> np.ndarray:
        """The same roads under current practice with every susceptibility set to 0, (age,)."""
        return self.weight @ self.factors[self.block.picks[self.block.form.current, -1]]

    def early_incidence(self, portfolio: int, early_age: float) -> np.ndarray:
        """Weighted P(life ends before the early age, by cause), wear-out last, (cause,)."""
        edges = early_age * np.linspace(0.0, 1.0, CAUSE_CELLS + 1) ** 1.5
        wear = self.block.wear(self.s, portfolio, edges)
        found = incidences(self.root_lives(portfolio), wear, edges, self.block.inputs[portfolio])
        return self.weight @ found.sum(axis=2).T


def incidences(lives: Sequence[RootLife], wear: np.ndarray, edges: np.ndarray, inputs: Inputs) -> np.ndarray:
    """Cumulative-incidence increments of every cause, (mechanism + 1, section, cell), wear-out last.

    A cell's fall in survival is shared out exactly between wear-out and early failure, between roots
    by their fall in log survival, and within a root by the mechanisms' increments; the sum over
    causes is the fall itself.
    """
    by_root = [life.survival(edges) for life in lives]
    early = np.multiply.reduce([np.ones_like(wear), *by_root])
    out = np.zeros((inputs.applies.shape[1] + 1, wear.shape[0], len(edges) - 1))
    out[-1] = (wear[:, :-1] - wear[:, 1:]) * 0.5 * (early[:, :-1] + early[:, 1:])
    failed = (early[:, :-1] - early[:, 1:]) * 0.5 * (wear[:, :-1] + wear[:, 1:])
    falls = [-np.diff(np.log(np.maximum(survival, 1e-300)), axis=1) for survival in by_root]
    total = np.maximum(sum(falls, np.zeros_like(failed)), 1e-300)
    for root, life, fall in zip(inputs.roots, lives, falls, strict=True):
        parts = life.increments(edges)
        share = parts / np.maximum(parts.sum(axis=0), 1e-300)
        out[list(root.mechanisms)] = failed * (fall / total) * share
    return out


# ------------------------------------------------------------------------------- losses by cause


@dataclass
class Losses:
    """What early failures cost under current practice, by root and mechanism.

    `avoidable`: the gain if that cause alone is taken away; `shapley`: a split that adds up (Shapley
    between roots, and between mechanisms within a root, the Owen value).
    """

    priors: PriorSet
    early_age: float
    ages: np.ndarray
    weights: np.ndarray
    avoidable: np.ndarray
    shapley: np.ndarray

    @classmethod
    def empty(cls, count: int, priors: PriorSet, horizon: float, early_age: float) -> Losses:
        """Nothing added yet."""
        ages = np.linspace(0.0, horizon, 61)
        trapezium = np.full(61, horizon / 60.0)
        trapezium[[0, -1]] *= 0.5
        roots = len({m.root for m in priors.mechanisms})
        shape = (count, 2, roots + len(priors.mechanisms))
        return cls(priors, early_age, ages, trapezium, np.zeros(shape), np.zeros(shape))

    @classmethod
    def joined(cls, parts: Sequence[Losses]) -> Losses:
        """Losses of successive draws as one."""
        avoidable, shapley = ([getattr(part, name) for part in parts] for name in ("avoidable", "shapley"))
        return replace(parts[0], avoidable=np.concatenate(avoidable), shapley=np.concatenate(shapley))

    def add(self, state: State) -> None:
        """Add the sections of one block at one draw."""
        if not self.priors.mechanisms:
            return
        block, j = state.block, state.block.form.current
        lives = state.root_lives(j)
        for loss, ages in enumerate((self.ages, np.array([self.early_age]))):
            taken = [Taken(life.flat, life.products(ages), life.moments.shape[1]) for life in lives]
            over = self.weights if loss == 0 else np.ones(1)
            measure = state.weight[:, None] * over * block.wear(state.s, j, ages)
            alone, split = fair_shares(taken, measure)
            for sums, found in ((self.avoidable, alone), (self.shapley, split)):
                sums[state.s, loss] += self._ordered(found, block.inputs[j])

    def _ordered(self, values: list[np.ndarray], inputs: Inputs) -> np.ndarray:
        """Roots first, then mechanisms in the order of the prior set."""
        roots = len(values)
        out = np.zeros(roots + len(self.priors.mechanisms))
        for r, (root, value) in enumerate(zip(inputs.roots, values, strict=True)):
            out[r] = value[0]
            out[[roots + m for m in root.mechanisms]] = value[1:]
        return out

    def variables(self, total: np.ndarray) -> dict[str, tuple[tuple[str, ...], np.ndarray]]:
        """Variables of the result, given the total weight of each draw."""
        dims = ("sample", "loss", "source")
        roots = list(dict.fromkeys(m.root for m in self.priors.mechanisms))
        names = [f"root: {r}" for r in roots] + [m.name for m in self.priors.mechanisms]
        return {
            "avoidable": (dims, self.avoidable / total[:, None, None]),
            "shapley": (dims, self.shapley / total[:, None, None]),
            "loss_name": (("loss",), np.array(["restricted_mean_age", "early_failure_probability"])),
            "source_name": (("source",), np.array(names, dtype=str)),
        }


# ------------------------------------------------------------------------- sums over sections


@dataclass
class Sums:
    """Weighted sums over sections, draw by draw; properties divide by the weights.

    Parameters
    ----------
    grid : ndarray (age,), years
    early_age : float, years
    references : list of int
        Portfolios whose early failures are told by cause.
    total : ndarray (sample,)
    alive : ndarray (sample, portfolio, age)
    wearing : ndarray (sample, age)
    failing : ndarray (sample, reference, cause)
    losses : Losses
    """

    grid: np.ndarray
    early_age: float
    references: list[int]
    total: np.ndarray
    alive: np.ndarray
    wearing: np.ndarray
    failing: np.ndarray
    losses: Losses

    @classmethod
    def empty(cls, form: ClosedForm, grid: np.ndarray, references: list[int], horizon: float, early_age: float) -> Sums:
        """Nothing added yet."""
        count, causes = form.draws.count, len(form.priors.mechanisms) + 1
        return cls(
            grid, early_age, references, np.zeros(count), np.zeros((count, len(form.names), len(grid))),
            np.zeros((count, len(grid))), np.zeros((count, len(references), causes)),
            Losses.empty(count, form.priors, horizon, early_age),
        )  # fmt: skip

    @classmethod
    def joined(cls, parts: Sequence[Sums]) -> Sums:
        """Sums over the same sections of successive draws as one."""
        total, alive, wearing, failing = (
            np.concatenate([getattr(part, name) for part in parts]) for name in ("total", "alive", "wearing", "failing")
        )
        losses = Losses.joined([part.losses for part in parts])
        return replace(parts[0], total=total, alive=alive, wearing=wearing, failing=failing, losses=losses)

    def add(self, block: Block, tell: Tell | None = None) -> np.ndarray:
        """Add the sections of a block; their weights, (sample, section)."""
        weight = np.empty((len(self.total), len(block.entry)))
        for s in range(len(weight)):
            weight[s] = self._add_draw(block, s)
            if tell is not None:
                tell(s + 1)
        return weight

    def _add_draw(self, block: Block, s: int) -> np.ndarray:
        state = block.at(s, self.grid)
        self.total[s] += state.weight.sum()
        self.alive[s] += state.programme_survival()
        self.wearing[s] += state.wear_out_survival()
        for j, portfolio in enumerate(self.references):
            self.failing[s, j] += state.early_incidence(portfolio, self.early_age)
        self.losses.add(state)
        return state.weight

    @property
    def survival(self) -> np.ndarray:
        """Share of the programme in good order, (sample, portfolio, age)."""
        return self.alive / self.total[:, None, None]

    @property
    def without_early(self) -> np.ndarray:
        """The same under current practice without early mechanisms, (sample, age)."""
        return self.wearing / self.total[:, None]

    @property
    def incidence(self) -> np.ndarray:
        """Early failures by cause, (sample, reference, cause)."""
        return self.failing / self.total[:, None, None]
