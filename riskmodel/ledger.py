"""What a programme costs under each portfolio, kept as money by year and kind of work.

Rate, period and the level of any price can be changed afterwards without going through the lives again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from .policy import OVERLAY_AGAIN, PATCH, Policy
from .renewal import convolved, lumped, placements, value_of_chain, value_of_patching, worth_of_patches

__all__ = [
    "Chain",
    "Ledger",
    "Outlay",
    "Worth",
    "first_ends",
    "follow_up_columns",
    "kept_columns",
    "left_of_first",
    "sum_of",
    "tally",
]

OVERLAY, RECONSTRUCTION, PATCHES, REJECTED, REPAIR = "overlay", "reconstruction", "patch", "rejected", "repair"
SAVED, DELAY, DISPOSAL = "work_saved", "user_delay", "disposal"
LINES = (DELAY, DISPOSAL)


@dataclass(frozen=True)
class Chain:
    """Lives of reconstructed pavements.

    Parameters
    ----------
    mass : ndarray (sample, year)
        Life on the yearly lattice.
    mean : ndarray (sample,), years
    """

    mass: np.ndarray
    mean: np.ndarray

    def part(self, piece: slice) -> Chain:
        """Some of the samples."""
        return Chain(self.mass[piece], self.mean[piece])


def kept_columns(policy: Policy, measures: tuple[str, ...]) -> tuple[str, ...]:
    """Kinds of work that are part of an overlay and share its salvage value."""
    return (OVERLAY, *measures, *((SAVED,) if any(policy.replaces.get(m) for m in measures) else ()))


def follow_up_columns(policy: Policy, measures: tuple[str, ...]) -> tuple[str, ...]:
    """Kinds of work that follow the end of an overlay's life."""
    lines = tuple(line for line in LINES if getattr(policy, line))
    if policy.follow_up == OVERLAY_AGAIN:
        return (*kept_columns(policy, measures), *lines)
    return (RECONSTRUCTION, *((PATCHES,) if policy.follow_up == PATCH else ()), *lines)


@dataclass(frozen=True)
class Outlay:
    """Money of a group of sections.

    Parameters
    ----------
    first : mapping of column to ndarray (sample, portfolio)
        Spent at the beginning.
    ends : mapping of column to ndarray (sample, portfolio, year)
        Cost of one piece of that work, times the expected number of overlay lives that end in the year.
    left : mapping of column to ndarray (sample, portfolio, period)
        Cost times the expected part of its life that is left at the end of each period.
    """

    first: Mapping[str, np.ndarray]
    ends: Mapping[str, np.ndarray]
    left: Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Worth:
    """Worth today of a unit of cost, by kind of work and year, at one rate and period.

    Parameters
    ----------
    discount : float
        Worth of a unit of money one year away.
    period : int, years
    follow : mapping of column to ndarray (sample, year)
        Worth today of the work that follows an overlay's end in each year of the period.
    lasting : ndarray (sample,)
        Worth today of a reconstruction now and all that follow it.
    """

    discount: float
    period: int
    follow: Mapping[str, np.ndarray]
    lasting: np.ndarray

    @classmethod
    def of(cls, chain: Chain, policy: Policy, *, rate: float | None = None, period: int | None = None) -> Worth:
        """Worth under a policy, with another rate or period if one is given."""
        discount = 1.0 / (1.0 + (policy.discount_rate if rate is None else rate))
        years = policy.analysis_period if period is None else period
        ages = np.arange(years + 1)
        rebuilt, again = (value_of_chain(chain.mass, chain.mean, discount, salvage=s) for s in (True, False))
        factor = np.broadcast_to(discount**ages, (len(rebuilt), years + 1))
        lasting = rebuilt[:, years]
        if policy.follow_up == OVERLAY_AGAIN:
            return cls(discount, years, {"": factor}, lasting)
        if policy.follow_up == PATCH:
            timing = (discount, years, policy.patch_interval, policy.patch_until)
            patches, reconstruction = value_of_patching(rebuilt, *timing)
            lines = value_of_patching(again, *timing)[1]
        else:
            patches = np.zeros(years + 1)
            reconstruction, lines = (factor * worth[:, years - ages] for worth in (rebuilt, again))
        follow = {RECONSTRUCTION: reconstruction, PATCHES: np.broadcast_to(patches, factor.shape)}
        return cls(discount, years, follow | dict.fromkeys(LINES, lines), lasting)

    def part(self, piece: slice) -> Worth:
        """Some of the samples."""
        follow = {name: array[piece] for name, array in self.follow.items()}
        return replace(self, follow=follow, lasting=self.lasting[piece])

    def parts(self, outlay: Outlay, place: int, scale: Mapping[str, float] | None = None) -> dict[str, np.ndarray]:
        """Present value of an outlay by kind of work, salvage as `salvage` below zero; each (sample, portfolio).

        Parameters
        ----------
        outlay : Outlay
        place : int
            Position of the period among those of `outlay.left`.
        scale : mapping of column to float, optional
            Factors on the cost of kinds of work; a rejected road goes with `reconstruction`.
        """
        factor = {REJECTED: (scale or {}).get(RECONSTRUCTION, 1.0), **(scale or {})}
        out: dict[str, np.ndarray] = {}
        for name, money in outlay.first.items():
            out[name] = factor.get(name, 1.0) * money * (self.lasting[:, None] if name == REJECTED else 1.0)
        for name, ends in outlay.ends.items():
            worth = self.follow.get(name, self.follow.get(""))
            later = np.matmul(ends[:, :, : self.period + 1], worth[:, :, None])[:, :, 0]  # type: ignore[index]
            out[name] = out.get(name, 0.0) + factor.get(name, 1.0) * later
        left = [factor.get(name, 1.0) * money[:, :, place] for name, money in outlay.left.items()]
        out["salvage"] = -(self.discount**self.period) * np.sum(left, axis=0)
        return out


@dataclass(frozen=True)
class Ledger:
    """Outlays of a programme, and how they are weighed.

    Parameters
    ----------
    outlay : Outlay
    chain : Chain
    policy : Policy
    periods : tuple of int
        Analysis periods for which what is left is known.
    """

    outlay: Outlay
    chain: Chain
    policy: Policy
    periods: tuple[int, ...]

    def parts(
        self, *, rate: float | None = None, period: int | None = None, scale: Mapping[str, float] | None = None
    ) -> dict[str, np.ndarray]:
        """Present value by kind of work (see `Worth.parts`), in place of the policy's rate or period if given."""
        worth = Worth.of(self.chain, self.policy, rate=rate, period=period)
        return worth.parts(self.outlay, self.periods.index(worth.period), scale)

    def value(
        self, *, rate: float | None = None, period: int | None = None, scale: Mapping[str, float] | None = None
    ) -> np.ndarray:
        """Present value of everything, shape (sample, portfolio), money."""
        return sum_of(self.parts(rate=rate, period=period, scale=scale))

    def comparators(self, reconstruction: np.ndarray, patch: np.ndarray) -> dict[str, np.ndarray]:
        """Present value of doing without an overlay, each (sample,).

        Parameters
        ----------
        reconstruction, patch : ndarray (sample,)
            Cost of reconstructing, and of one patching, of the programme, in the money of `outlay`.
        """
        policy, worth = self.policy, Worth.of(self.chain, self.policy)
        rebuilt = value_of_chain(self.chain.mass, self.chain.mean, worth.discount, salvage=True)
        timing = (worth.discount, worth.period, policy.patch_interval, policy.patch_until)
        later = value_of_patching(rebuilt, *timing)[1][:, 0]
        end = min(policy.patch_until, worth.period)
        patches = worth_of_patches(np.zeros(1), worth.discount, end, policy.patch_interval)
        return {
            "reconstruct_now": reconstruction * worth.lasting,
            "patch_on": patch * patches + reconstruction * later,
        }


def sum_of(parts: Mapping[str, np.ndarray]) -> np.ndarray:
    """Sum of arrays of one shape."""
    shape = np.broadcast_shapes(*(array.shape for array in parts.values()))
    return np.asarray(sum((array for array in parts.values()), np.zeros(shape)))


def tally(
    alive: np.ndarray,
    mean: np.ndarray,
    lag: np.ndarray,
    follow: np.ndarray,
    kept: np.ndarray,
    periods: tuple[int, ...],
) -> tuple[np.ndarray, np.ndarray]:
    """Ends of overlay lives where each overlay is followed by another, and what is left at the end of each period.

    Parameters
    ----------
    alive : ndarray (sample, portfolio, section, year)
        Survival from opening to failure at mid-year.
    mean : ndarray (sample, portfolio, section)
        Mean life from opening to removal, years.
    lag : ndarray (sample, year)
        From failure to removal.
    follow, kept : ndarray (sample, portfolio, column, section)
        Money of each section, by kind of work: what its end brings, and what shares its salvage.
    periods : tuple of int

    Returns
    -------
    ends : ndarray (sample, portfolio, follow column, year)
    left : ndarray (sample, portfolio, kept column, period)
        Money of the sections together.
    """
    laid = placements(convolved(lumped(alive), lag))
    ends = np.asarray(periods)
    until = (np.arange(laid.shape[-1])[:, None] <= ends).astype(laid.dtype)
    # one overlay is in service at any time, so that the years lived up to n by those laid until then add up to n
    left = np.matmul(kept, np.matmul(laid, until) - (ends / mean[..., None]).astype(laid.dtype))
    laid[..., 0] -= 1.0
    return np.matmul(follow, laid), left


def first_ends(alive: np.ndarray, whole: np.ndarray, lag: np.ndarray) -> np.ndarray:
    """Ends of the first overlays by year, as money of the sections together.

    Parameters
    ----------
    alive : ndarray (sample, portfolio, ..., year)
        Money of each section times its survival at mid-year, summed over sections.
    whole : ndarray (sample, portfolio, ...)
        Money of the sections together.
    lag : ndarray (sample, year)
    """
    return convolved(lumped(alive, whole), lag)


def left_of_first(ended: np.ndarray, kept: np.ndarray, spread: np.ndarray, periods: tuple[int, ...]) -> np.ndarray:
    """What is left of the first overlays at the end of each period, (sample, portfolio, column, period).

    Parameters
    ----------
    ended : ndarray (sample, portfolio, column, year)
        `first_ends` of the money over the mean life of each section.
    kept, spread : ndarray (sample, portfolio, column)
        The money, and the money over the mean lives.
    periods : tuple of int
    """
    left = spread[..., None] - np.cumsum(ended, axis=-1)
    lived = np.zeros_like(left)
    np.cumsum(left[..., :-1], axis=-1, out=lived[..., 1:])
    return np.asarray(kept[..., None] - lived[..., list(periods)])
