"""The sampler: Hamiltonian Monte Carlo that follows the standard normal part of a density exactly.

In the frame (`frame`) the posterior is about standard normal. There motion without anything else is a turn of position
and momentum about each other, however many elements there are; only what the density is beyond that takes steps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from .frame import Density, Values
from .streams import stream

__all__ = ["DivergedError", "State", "StepSize", "Walk", "follow", "one_by_one", "walk"]

State = tuple[np.ndarray, np.ndarray, Values, np.ndarray]
"""Positions and momenta (chain, element), log densities (chain,) and gradients (chain, element)."""

QUARTER = 0.5 * np.pi
SHORTEST, LONGEST = 0.6, 1.4
"""Of a path, in quarter turns: drawn, so that none fits the period of an element for good (R. M. Neal, MCMC using
Hamiltonian dynamics, in Handbook of Markov Chain Monte Carlo, 2011, section 5.3.3; page not seen). A quarter turn in
the mean: a standard normal element is then uncorrelated with what it was, and its square nearly so, 0.12."""
FIRST_STEP, SMALLEST_STEP, PULL = 0.5, 0.01, 0.15
LOST = 1000.0
"""Error of the energy at which a path counts as diverged."""


class DivergedError(Exception):
    """A draw that would be kept diverged, so that the chain will be run again anyway."""


class StepSize:
    """Step whose acceptance is the one wanted, by dual averaging.

    M. D. Hoffman and A. Gelman, J. Machine Learning Research 15 (2014) 1593-1623, section 3.2, with the constants given
    there (from memory), but for the pull to the first step, which is thrice theirs: with theirs two paths lost at first
    shorten the step to a twentieth, and the next paths take a hundred gradients each.

    Parameters
    ----------
    accept : float in (0, 1)
    """

    def __init__(self, accept: float):
        self.accept, self.count, self.shortfall = accept, 0, 0.0
        self.log_step = self.log_mean = np.log(FIRST_STEP)
        self.middle = np.log(2.0 * FIRST_STEP)

    def learn(self, accepted: float) -> None:
        """Take in the mean acceptance of one path."""
        self.count += 1
        self.shortfall += (self.accept - accepted - self.shortfall) / (self.count + 10.0)
        self.log_step = self.middle - self.shortfall * np.sqrt(self.count) / PULL
        self.log_step = float(np.clip(self.log_step, np.log(SMALLEST_STEP), np.log(QUARTER)))
        self.log_mean += self.count**-0.75 * (self.log_step - self.log_mean)

    @property
    def trial(self) -> float:
        """The step while it is being learnt."""
        return float(np.exp(self.log_step))

    @property
    def learnt(self) -> float:
        """The step for what follows."""
        return float(np.exp(self.log_mean))


@dataclass(frozen=True)
class Walk:
    """Draws of several chains.

    Parameters
    ----------
    draws : ndarray (chain, draw, element)
    energy, error : ndarray (chain, draw)
        Of the point a path begins at with its momentum, and what the path added to it.
    diverging : ndarray of bool (chain, draw)
    steps : ndarray of int (draw,)
        Gradients of each path.
    step : float
        Learnt in the warm-up.
    """

    draws: np.ndarray
    energy: np.ndarray
    error: np.ndarray
    diverging: np.ndarray
    steps: np.ndarray
    step: float

    def statistics(self, chain: int) -> xr.Dataset:
        """Of one chain, (chain, draw) or (chain,), named as the library's sampler names them."""
        by_draw = {
            "energy": self.energy[chain],
            "energy_error": self.error[chain],
            "diverging": self.diverging[chain],
            "n_steps": self.steps,
        }
        found = {name: (("chain", "draw"), values[None]) for name, values in by_draw.items()}
        return xr.Dataset(found | {"step_size": ("chain", [self.step])})


def one_by_one(density: Density, mapped: Callable[..., Iterable[Any]] = map) -> Density:
    """A density at points (chain, element), from one at a point; `mapped` may be that of threads."""

    def of(z: np.ndarray) -> tuple[Values, np.ndarray]:
        each = list(mapped(density, z))
        return np.array([value for value, _ in each]), np.stack([slope for _, slope in each])

    return of


def walk(
    density: Density,
    start: np.ndarray,
    *,
    draws: int,
    tune: int,
    accept: float,
    seeds: Sequence[int],
    tell: Callable[[int], None],
    whole: bool = True,
) -> Walk:
    """Sample a density that is about standard normal, all chains with paths of the same length at once.

    With the density exp(-z z / 2 - rest(z)), Hamilton's equations for half the squares of z and of the momentum p
    are a turn, z cos a + p sin a and p cos a - z sin a. A path is turns of equal angle between kicks
    -angle d rest / dz, half a kick at either end (B. Shahbaba and others, Statistics and Computing 24 (2014)
    339-349; page not seen). It is taken with the usual probability min(1, exp(-error of the energy)).

    Parameters
    ----------
    density : callable
        At points (chain, element).
    start : ndarray (chain, element)
    draws, tune : int
        The step is learnt over the first `tune` paths, which are not kept.
    accept : float in (0, 1)
        Mean acceptance wanted.
    seeds : sequence of int (chain,)
        Of the random numbers of each chain; those of the lengths go by the first.
    tell : callable (paths)
        Told the paths done; it may raise, which ends the walk.
    whole : bool
        Whether it goes on when a draw diverged that is kept.

    Raises
    ------
    DivergedError
        If one did, and it does not go on.
    """
    chains, size = start.shape
    lengths, randoms = stream(seeds[0], "lengths of paths"), [stream(seed, "paths") for seed in seeds]
    z, (value, gradient), step = start, density(start), StepSize(accept)
    kept, energy, error = np.empty((chains, draws, size)), np.empty((chains, draws)), np.empty((chains, draws))
    diverging, steps = np.zeros((chains, draws), bool), np.zeros(draws, int)
    for number in range(tune + draws):
        tell(number)
        angle = QUARTER * lengths.uniform(SHORTEST, LONGEST)
        count = max(1, round(angle / (step.trial if number < tune else step.learnt)))
        momentum = np.stack([rng.standard_normal(size) for rng in randoms])
        begun = 0.5 * (momentum**2).sum(axis=1) - value
        end = follow(density, (z, momentum, value, gradient), angle, count)
        missed = 0.5 * (end[1] ** 2).sum(axis=1) - end[2] - begun
        missed = np.where(np.isfinite(missed), missed, np.inf)
        chance = np.exp(-np.maximum(missed, 0.0))
        taken = np.array([rng.random() for rng in randoms]) < chance
        z, gradient = (np.where(taken[:, None], new, old) for new, old in ((end[0], z), (end[3], gradient)))
        value = np.where(taken, end[2], value)
        if number < tune:
            step.learn(float(chance.mean()))
            continue
        at = number - tune
        kept[:, at], energy[:, at], error[:, at], steps[at] = z, begun, missed, count
        diverging[:, at] = missed > LOST
        if not whole and diverging[:, at].any():
            raise DivergedError
    return Walk(kept, energy, error, diverging, steps, step.learnt)


def follow(density: Density, state: State, angle: float, count: int) -> State:
    """The end of a path of `count` turns, of `angle` together; it ends early where no chain has a density."""
    z, p, value, gradient = state
    turn = angle / count
    cos, sin = np.cos(turn), np.sin(turn)
    p = p + 0.5 * turn * (gradient + z)
    for done in range(count):
        z, p = z * cos + p * sin, p * cos - z * sin
        value, gradient = density(z)
        p = p + (turn if done < count - 1 else 0.5 * turn) * (gradient + z)
        if not np.any(np.isfinite(value)):
            break
    return z, p, value, gradient
