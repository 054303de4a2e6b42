"""Simulated lives: one fate for every posterior draw, portfolio and section.

The uniforms for score, susceptibility, compliance and ages belong to a draw and a section; every portfolio
transforms the same ones, so that a measure that helps never shortens a life. Lives of a huge programme are
added up as they come (`Tally`); nothing of the size sample x portfolio x section is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import xarray as xr

from .fatekernel import CELL_EDGES, CELLS, Wanted, kernel
from .fatetables import LANES, MOST_MEASURES, Roads, bits_of, keys_of, laws_of, roads_of
from .inputs import Facts
from .lives import Draws, GroupTerms
from .measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio, Requirements, required_by
from .priors import PriorSet

__all__ = ["Fates", "Tally", "draw_fates", "draw_lives"]

Progress = Callable[[int, int, str], None]
NOTHING = Wanted(
    np.zeros((0, 0, 0), np.float32), np.zeros((0, 0), np.float32), np.zeros((0, 0)), np.zeros(0), np.zeros((0, 0, 0)),
    np.zeros((0, 0, 0)),
)  # fmt: skip


class Fates:
    """Lives of a programme's sections, some sections at a time.

    Parameters
    ----------
    draws : Draws
    programme : Dataset of kind `sections`
    priors : PriorSet
    portfolios : sequence of Portfolio
    seed : int
        The numbers depend on seed and section name alone, never on what is worked at a time.
    score_shift : mapping of root to float, optional
    renewal : int
        Number of the overlay on the same road, 0 for the first. A later one has its own
        susceptibilities, ages and compliance and keeps the road's scores, group terms and requirements.
    """

    def __init__(
        self,
        draws: Draws,
        programme: xr.Dataset,
        priors: PriorSet,
        portfolios: Sequence[Portfolio],
        *,
        seed: int,
        score_shift: Mapping[str, float] | None = None,
        renewal: int = 0,
    ):
        if len(priors.measures) > MOST_MEASURES:
            raise ValueError(f"{len(priors.measures)} measures; the simulation holds {MOST_MEASURES}. Drop some.")
        self.draws, self.portfolios = draws, len(portfolios)
        self.names = programme["section"].values.astype(str)
        self.facts = Facts.from_table(programme, priors, {}, score_shift=score_shift)
        self.asked = Requirements.of(programme, priors)
        self.forced = np.stack([_forced(p, programme, priors) for p in portfolios])
        self.banned = [p.name == NO_MEASURES for p in portfolios]
        self.groups = GroupTerms(draws, programme, priors, seed)
        self.laws = laws_of(draws, priors)
        columns = self.groups.columns if priors.mechanisms else ()
        self.keys = keys_of(priors, columns, self.asked.rate, seed, renewal, draws.first)

    @property
    def sections(self) -> int:
        """Number of sections."""
        return len(self.names)

    def pieces(self, chunk: int, piece: slice | None = None) -> list[slice]:
        """The programme, or a piece of it, about `chunk` sections at a time, in whole blocks of the kernel."""
        step = max(1, -(-chunk // LANES)) * LANES
        first, last = (piece.start, piece.stop) if piece else (0, self.sections)
        return [slice(start, min(start + step, last)) for start in range(first, last, step)]

    def work(self, piece: slice, wanted: Wanted, offset: int, pool: ThreadPoolExecutor, workers: int) -> None:
        """Fill what is wanted for some sections, from column `offset`; draws are shared out among the workers."""
        roads, terms = self._roads(piece), self._terms(piece)
        edges = np.linspace(0, self.draws.count, workers + 1).astype(int)
        run, count = kernel(), piece.stop - piece.start

        def part(n: int) -> None:
            run(roads, self.laws, self.keys, terms, wanted, edges[n], edges[n + 1], count, offset)

        for _ in pool.map(part, range(workers)):
            pass

    def _roads(self, piece: slice) -> Roads:
        return roads_of(
            self.names[piece], self.facts.take(piece), self.asked.take(piece), self.forced[:, piece], self.banned
        )

    def _terms(self, piece: slice) -> np.ndarray:
        """Group terms, (group, sample, section in whole blocks)."""
        count = piece.stop - piece.start
        out = np.zeros((self.keys.groups.shape[1], self.draws.count, count + -count % LANES))
        if len(out):
            for g, terms in enumerate(self.groups.at(piece).values()):
                out[g, :, :count] = terms
        return out


def _forced(portfolio: Portfolio, programme: xr.Dataset, priors: PriorSet) -> np.ndarray:
    columns = [required_by(portfolio, programme, measure) for measure in priors.measures]
    return bits_of(np.stack(columns, axis=1)) if columns else np.zeros(programme.sizes["section"], np.int64)


def draw_lives(
    draws: Draws,
    programme: xr.Dataset,
    priors: PriorSet,
    portfolios: Sequence[Portfolio],
    *,
    seed: int,
    score_shift: Mapping[str, float] | None = None,
    chunk: int = 1024,
    workers: int = 1,
    renewal: int = 0,
    progress: Progress | None = None,
) -> np.ndarray:
    """Ages at failure.

    Parameters
    ----------
    draws, programme, priors, portfolios, seed, score_shift, renewal
        As `Fates` takes them.
    chunk : int
        Sections worked at a time (memory), rounded up to whole blocks of the kernel.
    workers : int
        Threads.

    Returns
    -------
    ndarray of float32 (sample, portfolio, section), years
    """
    fates = Fates(draws, programme, priors, portfolios, seed=seed, score_shift=score_shift, renewal=renewal)
    out = np.empty((draws.count, len(portfolios), fates.sections), np.float32)
    for piece, pool in _worked(fates, chunk, workers, progress):
        fates.work(piece, NOTHING._replace(lives=out), piece.start, pool, workers)
    return out


def draw_fates(
    draws: Draws, programme: xr.Dataset, priors: PriorSet, *, seed: int, chunk: int = 1024, workers: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Ages at failure and at wear-out of the same lives as `draw_lives` under current practice.

    A section fails early where its age at failure lies below that of its wear-out.

    Parameters
    ----------
    draws, programme, priors, seed, chunk, workers
        As in `draw_lives`.

    Returns
    -------
    tuple of ndarray of float32 (sample, section), years
    """
    fates = Fates(draws, programme, priors, [Portfolio(CURRENT_PRACTICE, reference=True)], seed=seed)
    failed, worn = np.empty((2, draws.count, fates.sections), np.float32)
    wanted = NOTHING._replace(lives=failed[:, None], worn=worn)
    for piece, pool in _worked(fates, chunk, workers, None):
        fates.work(piece, wanted, piece.start, pool, workers)
    return failed, worn


def _worked(
    fates: Fates, chunk: int, workers: int, progress: Progress | None
) -> Iterator[tuple[slice, ThreadPoolExecutor]]:
    pieces = fates.pieces(chunk)
    with ThreadPoolExecutor(workers) as pool:
        for done, piece in enumerate(pieces, 1):
            yield piece, pool
            if progress is not None:
                progress(done, len(pieces), "lives")


# ------------------------------------------------------------------------------ sums of lives


@dataclass(frozen=True)
class Tally:
    """Sums over simulated lives, to which sections are added.

    Parameters
    ----------
    ages : ndarray (age,), years
    weight : ndarray (sample,)
        Weight of all sections so far.
    below : ndarray (sample, portfolio, age)
        Weight of the lives that end before each of `ages`.
    cells : ndarray (sample, portfolio, cell)
        Weight of the lives that end in each cell of age, 64 cells to a doubling.
    """

    ages: np.ndarray
    weight: np.ndarray
    below: np.ndarray
    cells: np.ndarray

    @classmethod
    def empty(cls, samples: int, portfolios: int, ages: Sequence[float]) -> Tally:
        """Nothing added yet."""
        shape = (samples, portfolios)
        return cls(np.array(ages, float), np.zeros(samples), np.zeros((*shape, len(ages))), np.zeros((*shape, CELLS)))

    @classmethod
    def joined(cls, parts: Sequence[Tally]) -> Tally:
        """Sums over the same sections in successive draws as one."""
        sums = (np.concatenate([getattr(part, name) for part in parts]) for name in ("weight", "below", "cells"))
        return cls(parts[0].ages, *sums)

    def add(self, fates: Fates, piece: slice, weight: np.ndarray, *, chunk: int = 1024, workers: int = 1) -> None:
        """Add the lives of some sections.

        Parameters
        ----------
        fates : Fates
        piece : slice
            Sections; it begins on a whole block of the kernel, so that every cut gives the same sums.
        weight : ndarray (sample, section of the piece)
        """
        np.add(self.weight, weight.sum(axis=1), out=self.weight)
        weight = np.require(weight, float, ["C", "W"])
        wanted = NOTHING._replace(weight=weight, ages=self.ages, below=self.below, cells=self.cells)
        with ThreadPoolExecutor(workers) as pool:
            for part in fates.pieces(chunk, piece):
                fates.work(part, wanted, part.start - piece.start, pool, workers)

    def share_below(self) -> np.ndarray:
        """Weighted share of the lives that end before each of `ages`, (sample, portfolio, age)."""
        return self.below / self.weight[:, None, None]

    def quantile(self, level: float) -> np.ndarray:
        """Age below which a share `level` of the lives ends, (sample, portfolio), years.

        Straight between the edges of a cell, which is at most 1.6 % of the age wide; infinite beyond 1,024 years.
        """
        total = np.cumsum(self.cells, axis=2) / self.weight[:, None, None]
        at = (total >= level - 1e-12).argmax(axis=2)[:, :, None]
        reached = np.take_along_axis(total, at, axis=2)[:, :, 0]
        inside = np.take_along_axis(self.cells, at, axis=2)[:, :, 0] / self.weight[:, None]
        left, right = CELL_EDGES[at[:, :, 0]], CELL_EDGES[at[:, :, 0] + 1]
        part = np.clip(1.0 - (reached - level) / np.maximum(inside, 1e-300), 0.0, 1.0)
        return np.where(np.isinf(right), np.inf, left + part * (np.where(np.isinf(right), left, right) - left))
