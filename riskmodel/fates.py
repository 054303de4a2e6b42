"""Costs of simulated roads, one fate at a time: the check of the expected costs in `decide`."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from scipy.special import gammaincinv

from .costing import Plan
from .crew import Workers, machine_threads
from .decide import Decision
from .hazard import LN2
from .ledger import PATCHES, RECONSTRUCTION, REJECTED, Ledger, sum_of
from .lives import Draws
from .montecarlo import draw_lives
from .policy import OVERLAY_AGAIN, PATCH
from .renewal import weibull_mean, worth_of_patches
from .schema import stamp
from .streams import uniforms

__all__ = ["fate_check", "simulated_values", "with_fate_check"]

MOST_LIVES = 60
CHECKED = 40  # draws whose roads are simulated one by one


def with_fate_check(decision: Decision, posterior: xr.Dataset, *, workers: Workers = 1) -> xr.Dataset:
    """The result with `simulated_difference` and `simulated_error` of the net benefit, each (portfolio).

    The entry of current practice is that of its present value.
    """
    draws, plan = Draws.of(posterior, CHECKED), decision.plan
    small = Plan(plan.programme, plan.priors, plan.policy, plan.portfolios, early_age=plan.early_age, seed=plan.seed,
                 count=draws.count, score_shift=plan.score_shift)  # fmt: skip
    expected = Ledger(small.run(draws, workers=workers).outlay, small.chain, small.policy, small.periods).value()
    difference, error = fate_check(small, draws, expected, workers=workers)
    found = {"simulated_difference": ("portfolio", difference), "simulated_error": ("portfolio", error)}
    return stamp(decision.result.assign(found), "decision")


def fate_check(
    plan: Plan, draws: Draws, expected: np.ndarray, *, workers: Workers = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Simulated less expected saving on current practice: mean over draws and its standard error, each (portfolio,).

    The first entry is that of current practice's present value itself.

    Parameters
    ----------
    plan : Plan
    draws : Draws
        The first draws of the plan.
    expected : ndarray (sample, portfolio)
        Present value from the closed form.
    """
    found = simulated_values(plan, draws, workers=workers) - expected
    difference = np.concatenate([found[:, :1], found[:, :1] - found[:, 1:]], axis=1)
    return difference.mean(axis=0), difference.std(axis=0, ddof=1) / np.sqrt(len(difference))


def simulated_values(plan: Plan, draws: Draws, *, workers: Workers = 1) -> np.ndarray:
    """Present value of the programme from one simulated fate a draw and section, shape (sample, portfolio).

    Every portfolio meets the same uniforms; each overlay, lag and reconstruction has a stream of its own,
    by section and number.
    """
    policy = plan.policy
    everything = slice(0, draws.count)
    alive = plan.survivals(draws).at(everything, plan.ages)[:, 0, :, : plan.years]
    weight = plan.weights(alive, draws["removal_lag"])
    first, follow, kept = plan.columns(draws, everything, weight)
    discount, period = 1.0 / (1.0 + policy.discount_rate), policy.analysis_period
    value = np.sum([money.sum(axis=-1) for name, money in first.items() if name != REJECTED], axis=0)
    if REJECTED in first:
        value = value + first[REJECTED].sum(axis=-1) * plan.worth.part(everything).lasting[:, None]
    overlay = sum_of(kept)
    mean = plan.mean_lives(draws)
    begun = np.zeros(mean.shape)
    for number in range(MOST_LIVES):
        ended = begun + _lives(plan, draws, number, workers)
        inside = (begun <= period) & (ended > period)
        salvage = np.where(inside, (ended - period) / mean, 0.0)
        value = value - discount**period * (overlay * salvage).sum(axis=-1)
        over = ended <= period
        if policy.follow_up != OVERLAY_AGAIN:
            return value + _followed(plan, draws, follow, np.where(over, ended, np.inf))
        again = np.sum([np.where(over, discount**ended * money, 0.0) for money in follow.values()], axis=0)
        value = value + again.sum(axis=-1)
        begun = np.where(over, ended, np.inf)
        if not over.any():
            break
    return value


def _lives(plan: Plan, draws: Draws, number: int, workers: Workers) -> np.ndarray:
    """Years from opening to removal of the overlay of that number, shape (sample, portfolio, section)."""
    lives = draw_lives(
        draws, plan.programme, plan.priors, plan.portfolios, seed=plan.seed, score_shift=plan.score_shift,
        workers=machine_threads(workers), renewal=number,
    )  # fmt: skip
    names = plan.programme["section"].values.astype(str)
    u = uniforms(plan.seed, f"lag, renewal {number}", names, draws.count).T
    return lives + (0.5 * draws["removal_lag"][:, None] * gammaincinv(2.0, u))[:, None, :]


def _followed(plan: Plan, draws: Draws, follow: dict[str, np.ndarray], ended: np.ndarray) -> np.ndarray:
    """Worth today of what follows the end of the first overlay, shape (sample, portfolio)."""
    policy = plan.policy
    discount, period = 1.0 / (1.0 + policy.discount_rate), policy.analysis_period
    rebuilt = ended
    total = np.zeros(ended.shape[:2])
    if policy.follow_up == PATCH:
        end = min(policy.patch_until, period)
        patches = worth_of_patches(np.where(ended <= period, ended, period), discount, end, policy.patch_interval)
        total += (follow[PATCHES] * np.where(ended <= period, patches, 0.0)).sum(axis=-1)
        rebuilt = np.where(ended <= period, np.maximum(ended, policy.patch_until), np.inf)
    for begun, ends in _reconstructions(plan, draws.count, rebuilt):
        now = np.where(begun <= period, discount**begun, 0.0)
        rest = (ends - period) / plan.chain.mean[: draws.count, None, None]
        left = np.where((begun <= period) & (ends > period), rest, 0.0)
        for name, money in follow.items():
            if name == RECONSTRUCTION:
                total += (money * (now - discount**period * left)).sum(axis=-1)
            elif name != PATCHES:
                total += (money * now).sum(axis=-1)
    return total


def _reconstructions(plan: Plan, count: int, begun: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Beginning and end of one reconstruction after the other."""
    names = plan.programme["section"].values.astype(str)
    shape = plan.policy.reconstruction_shape
    median = plan.chain.mean[:count] / weibull_mean(np.ones(1), shape)
    for number in range(MOST_LIVES):
        if not (begun <= plan.policy.analysis_period).any():
            return
        u = uniforms(plan.seed, f"reconstruction, renewal {number}", names, count).T
        life = median[:, None] * (-np.log(u) / LN2) ** (1.0 / shape)
        ends = begun + life[:, None, :]
        yield begun, ends
        begun = np.where(ends <= plan.policy.analysis_period, ends, np.inf)
