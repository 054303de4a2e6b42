"""A programme with its prices, and one pass over posterior draws: money by year, years served, early failures.

Lives come from the closed form (`survivals`), so nothing is drawn but prices, lives of reconstructed
pavements and, where overlays follow overlays, the quality scores of the roads.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
import xarray as xr

from .crew import Once, Tell, Workers, crew_of
from .elicitation import fit_quantiles
from .ledger import (
    DELAY,
    DISPOSAL,
    OVERLAY,
    PATCHES,
    RECONSTRUCTION,
    REJECTED,
    REPAIR,
    SAVED,
    Chain,
    Outlay,
    Worth,
    first_ends,
    follow_up_columns,
    kept_columns,
    left_of_first,
    sum_of,
    tally,
)
from .lives import Draws
from .measures import Portfolio, Requirements, type_index
from .policy import OVERLAY_AGAIN, Policy
from .prices import Prices, costs_of, shares_newly
from .priors import PriorSet
from .renewal import lag_mass, lumped, weibull_mass, weibull_mean
from .streams import stream
from .survivals import Survivals

__all__ = ["Lives", "Plan"]

Progress = Callable[[int, int, str], None]
LONG = 200_000  # draws times sections
BATCH = 8  # draws worked at a time: their arrays stay in the cache
Block = tuple[np.ndarray, np.ndarray, slice]  # money that follows and that is kept, of sections of one type
TAIL = np.array([0.0, 5.0, 10.0, 18.0, 28.0, 42.0, 60.0, 90.0, 140.0, 240.0])  # years beyond the lattice


@dataclass(frozen=True)
class Lives:
    """What one pass over the draws gives.

    Parameters
    ----------
    outlay : Outlay
    curve : ndarray (sample, portfolio, year)
        Survival of the programme at mid-year.
    years : ndarray (sample, portfolio)
    early : ndarray (sample, portfolio, early age)
    value_by_type, years_by_type : ndarray (sample, portfolio, type)
    reconstruction, patch : ndarray (sample,)
        Money of a section, mean over the programme.
    """

    outlay: Outlay
    curve: np.ndarray
    years: np.ndarray
    early: np.ndarray
    value_by_type: np.ndarray
    years_by_type: np.ndarray
    reconstruction: np.ndarray
    patch: np.ndarray


class Plan:
    """A programme with its prices: everything that does not change from pass to pass.

    Parameters
    ----------
    programme : Dataset of kind `sections`
    priors : PriorSet
    policy : Policy
    portfolios : tuple of Portfolio
        From `options_of`.
    early_age : float
        Years.
    seed : int
    count : int
        Posterior samples.
    score_shift : mapping of root to float, optional
    weight_by_area : bool
        Lives count each section by its area. Money does not: it goes with the area anyhow.
    expected_prices : bool
        Prices at their means in place of draws.
    """

    def __init__(
        self,
        programme: xr.Dataset,
        priors: PriorSet,
        policy: Policy,
        portfolios: tuple[Portfolio, ...],
        *,
        early_age: float,
        seed: int,
        count: int,
        score_shift: Mapping[str, float] | None = None,
        weight_by_area: bool = False,
        expected_prices: bool = False,
    ):
        # sections of a type stand together, so that their arrays are looked into and never copied
        programme = programme.isel(section=np.argsort(type_index(programme, priors), kind="stable"))
        self.programme, self.priors, self.policy, self.portfolios = programme, priors, policy, portfolios
        self.seed, self.score_shift, self.weight_by_area = seed, score_shift, weight_by_area
        self.measures = tuple(m.name for m in priors.measures if any(m.name in p.measures for p in portfolios))
        self.early_age = early_age
        self.early_ages = tuple(sorted({early_age, *policy.early_ages}))
        self.periods = tuple(sorted({policy.analysis_period, *policy.analysis_periods}))
        self.years = max(*self.periods, policy.horizon) + 1
        self.prices = Prices(priors, policy, programme, seed=seed, count=count, expected=expected_prices)
        self.chain = _chain(policy, self.years, seed, count)
        self.worth = Worth.of(self.chain, policy)
        self.entry = np.asarray(programme["age_entry"].values, float)
        self.types = type_index(programme, priors)
        edges = np.searchsorted(self.types, np.arange(len(priors.types) + 1))
        self.blocks = {t: slice(a, b) for t, (a, b) in enumerate(pairwise(edges)) if b > a}
        self.newly = np.stack([self._newly(p) for p in portfolios])  # (portfolio, measure, section)
        self._price()

    def of_others(self, portfolios: tuple[Portfolio, ...], count: int) -> Plan:
        """The same programme, prices and policy for other options and the first `count` samples."""
        return Plan(
            self.programme, self.priors, self.policy, portfolios, early_age=self.early_age, seed=self.seed, count=count,
            score_shift=self.score_shift, weight_by_area=self.weight_by_area,
        )  # fmt: skip

    def _newly(self, portfolio: Portfolio) -> np.ndarray:
        asked = Requirements.of(self.programme, self.priors, portfolio)
        names = [m.name for m in self.priors.measures]
        share = shares_newly(asked.required, asked.rate, asked.forced)
        return share[:, [names.index(m) for m in self.measures]].T

    def _price(self) -> None:
        """Money of each kind of work, each (sample, section)."""
        policy, money = self.policy, self.prices.money
        self.money = {
            OVERLAY: money((*policy.overlay, *policy.material)),
            RECONSTRUCTION: money(policy.reconstruction),
            PATCHES: policy.patch_share * money(policy.patch),
            DELAY: money(policy.user_delay),
            DISPOSAL: money(policy.disposal),
            **{m: money(costs_of(m, policy, self.priors)) for m in self.measures},
        }
        self.saved = {m: money(policy.replaces[m]) for m in self.measures if policy.replaces.get(m)}
        if policy.survey is not None:
            self.money[REPAIR] = money(policy.survey.repair)

    @property
    def ages(self) -> np.ndarray:
        """Ages at which survival is needed: mid-years, early ages, and those beyond the lattice."""
        return np.concatenate([np.arange(self.years) + 0.5, self.early_ages, self.years + TAIL])

    @cached_property
    def spans(self) -> np.ndarray:
        """Weights of the survival at `ages` in the mean life and in the years lived within the horizon, (age, 2)."""
        out = np.zeros((len(self.ages), 2), np.float32)
        out[: self.years, 0] = 1.0
        step = np.diff(TAIL)
        out[-len(TAIL) :, 0] = 0.5 * (np.append(step, 0.0) + np.append(0.0, step))
        out[: self.policy.horizon, 1] = 1.0
        return out

    def run(self, draws: Draws, *, workers: Workers = 1, replicate: int = 0, progress: Progress | None = None) -> Lives:
        """One pass over some draws, the first `draws.count` of the plan's samples.

        Parameters
        ----------
        draws : Draws
        workers : int or Crew
            Threads or a crew; the numbers do not depend on them.
        replicate : int
            Another set of held scores.
        """
        pieces = [slice(i, min(i + BATCH, draws.count)) for i in range(0, draws.count, BATCH)]
        told = None if progress is None else lambda done: progress(done, len(pieces), "costs")
        return _joined(crew_of(workers).map(_Pass(self, draws, replicate), pieces, told))

    def mean_lives(self, draws: Draws) -> np.ndarray:
        """Mean life from opening to removal, shape (sample, portfolio, section), years; at held scores if these are."""
        hold = 0 if self.policy.follow_up == OVERLAY_AGAIN else None
        alive = self.survivals(draws, hold=hold).at(slice(0, draws.count), self.ages)
        return np.asarray(np.matmul(alive, self.spans)[..., 0] + draws["removal_lag"][:, None, None])

    def survivals(self, draws: Draws, *, hold: int | None = None) -> Survivals:
        """Closed-form survival under some draws, averaged over scores or at the held scores of a set."""
        return Survivals(
            draws, self.programme, self.priors, self.portfolios, seed=self.seed, score_shift=self.score_shift,
            hold_scores=hold is not None, replicate=hold or 0,
        )  # fmt: skip

    def piece(self, draws: Draws, averaged: Survivals, held: Survivals | None, piece: slice) -> Lives:
        """One pass over some of the draws."""
        alive = averaged.at(piece, self.ages)
        lag = draws["removal_lag"][piece]
        lags = lag_mass(lag, self.years).astype(np.float32)
        mean = np.matmul(alive, self.spans[:, 0]) + lag[:, None, None]
        weight = self.weights(alive[:, 0, :, : self.years], lag)
        served = self._of_lives(weight)
        first, follow, kept = self.columns(draws, piece, weight)
        again = None if held is None else self._again(held, piece, lag)
        shape = (len(weight), len(self.portfolios), len(self.priors.types))
        value, years, outlays = np.zeros(shape), np.zeros(shape), []
        place = self.periods.index(self.policy.analysis_period)
        blocks = [(_rows(follow, here), _rows(kept, here), here) for here in self.blocks.values()]
        curves, ends, left = self._first(alive, mean, served, lags, blocks)
        for i, (t, here) in enumerate(self.blocks.items()):
            if again is not None:
                ends[i], left[i] = self._renewed(again, blocks[i], lags, ends[i])
            outlay = Outlay(
                {name: money[:, :, here].sum(axis=-1) for name, money in first.items()},
                {name: ends[i][:, :, c] for c, name in enumerate(follow)},
                {name: left[i][:, :, c] for c, name in enumerate(kept)},
            )
            outlays.append(outlay)
            money, lives = (part[:, here].sum(axis=1)[:, None] for part in (weight, served))
            value[:, :, t] = sum_of(self.worth.part(piece).parts(outlay, place)) / money
            years[:, :, t] = (curves[i] @ self.spans[:, 1]) / lives
        curve = np.sum(curves, axis=0)
        return Lives(
            _added(outlays),
            curve[:, :, : self.years],
            curve @ self.spans[:, 1],
            1.0 - curve[:, :, self.years : self.years + len(self.early_ages)],
            value,
            years,
            (weight * self.money[RECONSTRUCTION][piece]).sum(axis=1),
            (weight * self.money[PATCHES][piece]).sum(axis=1),
        )

    def _first(
        self, alive: np.ndarray, mean: np.ndarray, served: np.ndarray, lags: np.ndarray, blocks: Sequence[Block]
    ) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
        """Weighted survival, ends by year and what is left of first overlays, each by type of section.

        All of it is linear in the survival, so the sections of a type are summed before anything else is done.
        """
        summed, whole, over = [], [], []
        for follow, kept, here in blocks:
            lives = np.broadcast_to(served[:, None, None, here], (*follow.shape[:2], 1, follow.shape[3]))
            columns = np.concatenate([follow, kept / mean[:, :, None, here], lives], axis=2, dtype=np.float32)
            summed.append(np.matmul(columns, alive[:, :, here]))
            whole.append(columns.sum(axis=-1))
            over.append(kept.sum(axis=-1))
        sums = np.stack(summed, axis=2)
        ended = first_ends(sums[:, :, :, :-1, : self.years], np.stack(whole, axis=2)[..., :-1], lags)
        number = blocks[0][0].shape[2]
        left = [left_of_first(ended[:, :, i, number:], over[i], whole[i][..., number:-1], self.periods)
                for i in range(len(blocks))]  # fmt: skip
        return (
            [s[:, :, -1].astype(float) for s in summed],
            [ended[:, :, i, :number] for i in range(len(blocks))],
            left,
        )

    def _renewed(
        self, again: tuple[np.ndarray, np.ndarray], block: Block, lags: np.ndarray, first: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Ends of first and further overlays of one type, and what is left of the last ones."""
        follow, kept, here = block
        alive, mean = again[0][:, :, here, : self.years], again[1][:, :, here]
        every, left = tally(alive, mean, lags, follow, kept, self.periods)
        # the first lives are known without noise: a control variate for the renewals at held scores
        held = first_ends(np.matmul(follow, alive), follow.sum(axis=-1), lags)
        return first + every - held, left

    def _again(self, held: Survivals, piece: slice, lag: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Survival, and mean life to removal, at held scores."""
        alive = held.at(piece, self.ages)
        return alive, np.matmul(alive, self.spans[:, 0]) + lag[:, None, None]

    def _of_lives(self, weight: np.ndarray) -> np.ndarray:
        """Weight of each section's life, from that of its money; sums to 1, shape (sample, section)."""
        if not self.weight_by_area:
            return weight
        served = weight * self.prices.sizes.area
        return np.asarray(served / served.sum(axis=1, keepdims=True))

    def weights(self, alive: np.ndarray, lag: np.ndarray) -> np.ndarray:
        """Weight of each section in the programme, 1 / P(seen), sums to 1, shape (sample, section).

        Parameters
        ----------
        alive : ndarray (sample, section, year)
            Survival at mid-year under current practice.
        lag : ndarray (sample,), years

        Notes
        -----
        Sections count alike in money, which goes with their area anyhow.
        """
        seen = np.ones(alive.shape[:2])
        late = np.flatnonzero(self.entry > 0)
        if len(late):
            wait = np.maximum(self.entry[late][:, None] - np.arange(self.years), 0.0)
            waits = 2.0 * wait / np.maximum(lag, 1e-9)[:, None, None]
            still = (1.0 + waits) * np.exp(-waits)
            here = lumped(alive[:, late])
            seen[:, late] = np.maximum((here * still).sum(axis=-1) + 1.0 - here.sum(axis=-1), 1e-6)
        weight = 1.0 / seen
        return weight / weight.sum(axis=1, keepdims=True)

    def columns(self, draws: Draws, piece: slice, weight: np.ndarray) -> tuple[dict[str, np.ndarray], ...]:
        """Money of each section by kind of work: spent first, at the end of a life, and sharing the salvage.

        Each (sample, portfolio, section), weights of the sections included.
        """
        found, rejected = self._found(draws, piece)
        overlaid = weight[:, None, :] * (1.0 - rejected)
        money = {name: array[piece][:, None, :] for name, array in self.money.items()}
        overlay = {OVERLAY: overlaid * money[OVERLAY]}
        for k, name in enumerate(self.measures):
            overlay[name] = overlaid * self.newly[:, k] * money[name]
        credit = [
            overlaid * self.newly[:, self.measures.index(m)] * self.saved[m][piece][:, None, :] for m in self.saved
        ]
        if credit:
            overlay[SAVED] = -np.sum(credit, axis=0)
        first = dict(overlay)
        survey = self.policy.survey
        if survey is not None and survey.measure in self.measures:
            # the survey is paid on every road, also on those that it rejects
            first[survey.measure] = (
                weight[:, None, :] * self.newly[:, self.measures.index(survey.measure)] * (money[survey.measure])
            )
            first[REPAIR] = weight[:, None, :] * (found - rejected) * money[REPAIR]
            first[REJECTED] = weight[:, None, :] * rejected * money[RECONSTRUCTION]
        follow = {
            name: overlay[name] if name in overlay else overlaid * money[name]
            for name in follow_up_columns(self.policy, self.measures)
        }
        return first, follow, {name: overlay[name] for name in kept_columns(self.policy, self.measures)}

    def _found(self, draws: Draws, piece: slice) -> tuple[np.ndarray, np.ndarray]:
        """Chance that the survey calls a road bad, and that it is rejected, (sample, portfolio, section)."""
        survey = self.policy.survey
        count = len(draws["removal_lag"][piece])
        if survey is None or survey.measure not in self.measures:
            nothing = np.zeros((count, len(self.portfolios), 1))
            return nothing, nothing
        k = [m.name for m in self.priors.measures].index(survey.measure)
        done = self.newly[:, self.measures.index(survey.measure)] * draws["compliance"][piece][:, k, None, None]
        return done * survey.alarms, done * survey.alarms * survey.rejected


class _Pass:
    """One pass over draws, some at a time: a piece of work for a crew."""

    def __init__(self, plan: Plan, draws: Draws, replicate: int):
        self.plan, self.draws = plan, draws
        self.averaged = Once(partial(plan.survivals, draws))
        self.held = Once(partial(plan.survivals, draws, hold=replicate))

    def long(self, _: Sequence[slice], running: bool) -> bool:
        """Whether processes are worth it."""
        return running or self.draws.count * self.plan.programme.sizes["section"] >= LONG

    def __call__(self, piece: slice, tell: Tell) -> Lives:
        again = self.plan.policy.follow_up == OVERLAY_AGAIN
        found = self.plan.piece(self.draws, self.averaged(), self.held() if again else None, piece)
        tell(1)
        return found


def _rows(columns: Mapping[str, np.ndarray], here: slice) -> np.ndarray:
    """Columns of some sections, shape (sample, portfolio, column, section)."""
    return np.stack([array[:, :, here].astype(np.float32) for array in columns.values()], axis=2)


def _added(outlays: Sequence[Outlay]) -> Outlay:
    """Sum of the outlays of groups of sections; the money by year in single precision."""

    def total(tables: Sequence[Mapping[str, np.ndarray]]) -> dict[str, np.ndarray]:
        return {name: np.sum([table[name] for table in tables], axis=0) for name in tables[0]}

    ends = {name: array.astype(np.float32) for name, array in total([o.ends for o in outlays]).items()}
    return Outlay(total([o.first for o in outlays]), ends, total([o.left for o in outlays]))


def _joined(pieces: Sequence[Lives]) -> Lives:
    """Passes over successive draws as one."""

    def table(tables: Sequence[Mapping[str, np.ndarray]]) -> dict[str, np.ndarray]:
        return {name: np.concatenate([t[name] for t in tables]) for name in tables[0]}

    outlays = [p.outlay for p in pieces]
    outlay = Outlay(
        table([o.first for o in outlays]), table([o.ends for o in outlays]), table([o.left for o in outlays])
    )
    rest = ("curve", "years", "early", "value_by_type", "years_by_type", "reconstruction", "patch")
    return Lives(outlay, *(np.concatenate([getattr(p, name) for p in pieces]) for name in rest))


def _chain(policy: Policy, years: int, seed: int, count: int) -> Chain:
    """Lives of reconstructed pavements: a median drawn for each sample."""
    low, middle, high = policy.reconstruction_life
    if low == middle == high:
        median = np.full(count, middle)
    else:
        fitted = fit_quantiles((0.05, 0.5, 0.95), policy.reconstruction_life, family="skewed").distribution
        median = np.maximum(fitted.ppf(stream(seed, "reconstruction life").random(count)), 1.0)
    shape = policy.reconstruction_shape
    return Chain(weibull_mass(median, shape, years), weibull_mean(median, shape))
