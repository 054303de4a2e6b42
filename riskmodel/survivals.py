"""Survival of every section under every portfolio, a batch of draws at a time.

The closed form of `lives` for many draws at once: rows of a mixture that portfolios share are worked
once. Scores are averaged over, or held at one value a draw and section.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.special import expit, ndtri

from .hazard import LN2, gauss_hermite, subset_products, subset_signs
from .inputs import Inputs, Levels
from .lives import Draws, delta_members, group_terms
from .measures import Mixture, Portfolio
from .priors import PriorSet
from .quality import SCORED_ROOTS
from .streams import uniforms

__all__ = ["Rows", "Survivals"]


NEVER = -1e4  # logarithm of no chance, finite so that it can be multiplied by 0


@dataclass(frozen=True)
class Rows:
    """The different rows of one root's mixtures, over all portfolios.

    Parameters
    ----------
    section : ndarray of int (row,)
    chosen, acts, shift : ndarray (row, ...)
        As in `Mixture`.
    mixtures : tuple of Mixture
        The different mixtures; `picks` are their rows here.
    of_portfolio : ndarray of int (portfolio,)
    """

    section: np.ndarray
    chosen: np.ndarray
    acts: np.ndarray
    shift: np.ndarray
    mixtures: tuple[Mixture, ...]
    picks: tuple[np.ndarray, ...]
    of_portfolio: np.ndarray

    @classmethod
    def of(cls, mixtures: Sequence[Mixture]) -> Rows:
        """Different mixtures, and their different rows."""
        keys = [_fingerprint(m) for m in mixtures]
        different = [mixtures[keys.index(key)] for key in dict.fromkeys(keys)]
        order = list(dict.fromkeys(keys))
        tables = [np.column_stack([m.section, m.chosen, m.acts, m.shift]) for m in different]
        rows, place = np.unique(np.concatenate(tables), axis=0, return_inverse=True)
        ends = np.cumsum([len(t) for t in tables])[:-1]
        one, two = 1 + different[0].chosen.shape[1], 1 + different[0].chosen.shape[1] + different[0].acts.shape[1]
        return cls(
            rows[:, 0].astype(int),
            rows[:, 1:one],
            rows[:, one:two],
            rows[:, two:],
            tuple(different),
            tuple(np.split(place.ravel(), ends)),
            np.array([order.index(key) for key in keys]),
        )


def _fingerprint(mixture: Mixture) -> bytes:
    return b"".join(
        np.ascontiguousarray(getattr(mixture, name)).tobytes()
        for name in ("section", "weight", "comply", "lapse", "chosen", "acts", "slows", "shift", "stretch")
    )


class Survivals:
    """Closed-form survival of a programme's sections.

    Parameters
    ----------
    draws : Draws
    programme : Dataset of kind `sections`
    priors : PriorSet
    portfolios : sequence of Portfolio
    seed : int
    score_shift : mapping of root to float, optional
    hold_scores : bool
        True: each draw and section has the one score that `montecarlo` draws for it. False: averaged
        over the score.
    replicate : int
        Another set of held scores.
    nodes : int
        Score nodes of the average.
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
        hold_scores: bool = False,
        replicate: int = 0,
        nodes: int = 7,
    ):
        self.draws, self.priors, self.nodes = draws, priors, nodes
        levels: Levels = {}
        every = [Inputs.of(programme, priors, levels, portfolio=p, score_shift=score_shift) for p in portfolios]
        self.inputs = every[0]
        self.roots = tuple(Rows.of([i.mixtures[r] for i in every]) for r in range(len(every[0].roots)))
        self.wear = Rows.of([i.wear for i in every])
        self.terms = group_terms(draws, programme, priors, seed)
        self.members = [delta_members(priors, list(root.mechanisms)) for root in self.inputs.roots]
        self.held = _held_scores(self.inputs, programme, draws, seed, replicate) if hold_scores else None
        self.portfolios = len(portfolios)

    def at(self, piece: slice, ages: np.ndarray) -> np.ndarray:
        """Survival in single precision, shape (sample of the piece, portfolio, section, age).

        Parameters
        ----------
        piece : slice
            Draws.
        ages : ndarray (age,), years
        """
        wear = [self._wear(piece, mixture, ages) for mixture in self.wear.mixtures]
        roots = [self._root(piece, r, ages) for r in range(len(self.roots))]
        out = np.empty((len(wear[0]), self.portfolios, self.inputs.sections, len(ages)), np.float32)
        for j in range(self.portfolios):
            factors = [survival[rows.of_portfolio[j]] for rows, survival in zip(self.roots, roots, strict=True)]
            factors.append(wear[self.wear.of_portfolio[j]])
            np.multiply(factors[0], factors[-1] if len(factors) > 1 else np.float32(1.0), out=out[:, j])
            for factor in factors[1:-1]:
                out[:, j] *= factor
        return out

    def _root(self, piece: slice, r: int, ages: np.ndarray) -> list[np.ndarray]:
        """Survival of one root under each of its mixtures, each (sample, section, age)."""
        rows, members = self.roots[r], list(self.inputs.roots[r].mechanisms)
        moments = self._moments(piece, r)
        median, shape = (self.draws[name][piece][:, members] for name in ("age_median", "age_shape"))
        hazard = LN2 * (np.maximum(ages, 1e-9) / median[:, :, None]) ** shape[:, :, None]
        effects = self.draws["delta"][piece] if rows.acts.shape[1] else np.zeros((len(median), 0))
        out = []
        for mixture, pick in zip(rows.mixtures, rows.picks, strict=True):
            chance = self._chance(piece, mixture).astype(np.float32)
            starts = np.flatnonzero(np.diff(mixture.section, prepend=-1))
            total = np.zeros((len(median), self.inputs.sections, len(ages)), np.float32)
            for number, pattern in enumerate(mixture.patterns):
                speed = np.exp(-(effects * pattern) @ self.members[r])  # (sample, member)
                failed = -np.expm1(-speed[:, :, None] * hazard)
                factors = [failed[:, m] for m in range(len(members))]
                products = np.stack(subset_products(factors, np.ones_like(failed[:, 0])), axis=1).astype(np.float32)
                here = chance if len(mixture.patterns) == 1 else chance * (mixture.pattern == number)
                summed = np.add.reduceat(moments[:, :, pick] * here[:, None, :], starts, axis=2)
                total += np.matmul(summed.transpose(0, 2, 1), products)
            out.append(total)
        return out

    def _moments(self, piece: slice, r: int) -> np.ndarray:
        """Signed moments of the susceptibilities, shape (sample, subset, row)."""
        rows, root = self.roots[r], self.inputs.roots[r]
        centre, slope = self._log_odds(piece, r), self.draws["score_effect"][piece][:, list(root.mechanisms)]
        mean, sd = self.inputs.score_of(root)
        level = np.broadcast_to(mean, (len(centre), self.inputs.sections))
        if self.held is not None and root.name in SCORED_ROOTS:
            level, sd = self.held[piece, :, SCORED_ROOTS.index(root.name)], np.zeros_like(sd)
        level = level[:, rows.section]
        if rows.shift.any():
            level = level + self.draws["score_shift_size"][piece] @ rows.shift.T
        x, w = gauss_hermite(self.nodes) if sd.any() else (np.zeros(1), np.ones(1))
        # from here on single precision: probabilities, good to seven digits
        score = (level[:, None, :] + sd[rows.section] * x[:, None]).astype(np.float32)
        applies = self.inputs.applies[rows.section][:, list(root.mechanisms)]
        centre, slope, w = (np.ascontiguousarray(a, np.float32) for a in (np.moveaxis(centre, 2, 0), slope, w))
        chances = [
            expit(centre[m][:, None, :] - slope[:, m, None, None] * score) * applies[:, m]
            for m in range(len(root.mechanisms))
        ]
        products = subset_products(chances, np.ones_like(chances[0]))
        moments = [np.einsum("q,bqu->bu", w, product) for product in products]
        return np.stack(moments, axis=1) * subset_signs(len(root.mechanisms)).astype(np.float32)[:, None]

    def _log_odds(self, piece: slice, r: int) -> np.ndarray:
        """Log-odds of susceptibility at score 0, shape (sample, row, member)."""
        rows, root, draws = self.roots[r], self.inputs.roots[r], self.draws
        members = list(root.mechanisms)
        common = np.outer(draws["year_slope"][piece], self.inputs.decades)
        for group in self.priors.groups:
            if root.name in group.roots and group.column in self.terms:
                common = common + self.terms[group.column][piece]
        eta = draws["intercept"][piece][:, :, members][:, self.inputs.types] + common[:, :, None]
        names = [self.priors.mechanisms[m].name for m in members]
        for d, driver in enumerate(self.priors.drivers):
            acts = np.isin(names, list(driver.acts_on))
            if acts.any():
                size = np.outer(draws["driver_coefficient"][piece][:, d], self.inputs.drivers[:, d])
                eta = eta + size[:, :, None] * acts
        eta = eta[:, rows.section]
        if rows.chosen.any():
            eta = eta + (draws["selection"][piece] @ rows.chosen.T)[:, :, None]
        if rows.acts.any():
            eta = eta - np.matmul(rows.acts, draws["delta"][piece][:, :, None] * self.members[r])
        return eta

    def _chance(self, piece: slice, mixture: Mixture) -> np.ndarray:
        """Probability of each row, shape (sample, row)."""
        if not (mixture.comply.any() or mixture.lapse.any()):
            return np.broadcast_to(mixture.weight, (len(range(*piece.indices(self.draws.count))), len(mixture.weight)))
        compliance = self.draws["compliance"][piece]
        with np.errstate(divide="ignore"):
            logs = np.log(compliance), np.log1p(-compliance)
        # a power of 0 leaves the factor out, also where the compliance is 0 or 1
        done, lapsed = (np.maximum(log, NEVER) for log in logs)
        return mixture.weight * np.exp(done @ (mixture.comply > 0).T + lapsed @ (mixture.lapse > 0).T)

    def _wear(self, piece: slice, mixture: Mixture, ages: np.ndarray) -> np.ndarray:
        draws = self.draws
        log_median = np.log(draws["wear_out_median"][piece])[:, self.inputs.types]
        for d, driver in enumerate(self.priors.drivers):
            if driver.acts_on == ("wear_out",):
                log_median = log_median + np.outer(draws["driver_coefficient"][piece][:, d], self.inputs.drivers[:, d])
        shape = draws["wear_out_shape"][piece][:, None]
        if not mixture.stretch.any():
            return _weibull(log_median, shape, ages).astype(np.float32)
        rows = log_median[:, mixture.section] + np.log(draws["time_ratio"][piece]) @ mixture.stretch.T
        alive = _weibull(rows, shape, ages) * self._chance(piece, mixture)[:, :, None]
        starts = np.flatnonzero(np.diff(mixture.section, prepend=-1))
        return np.add.reduceat(alive, starts, axis=1).astype(np.float32)


def _weibull(log_median: np.ndarray, shape: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Survival exp(-ln2 (t / median)^shape), shape (sample, row, age)."""
    power = shape[:, :, None] * (np.log(np.maximum(ages, 1e-9)) - log_median[:, :, None])
    return np.exp(-LN2 * np.exp(np.minimum(power, 50.0)))


def _held_scores(inputs: Inputs, programme: xr.Dataset, draws: Draws, seed: int, replicate: int) -> np.ndarray:
    """One score a draw, section and root, shape (sample, section, root): those of `montecarlo` for replicate 0."""
    names = programme["section"].values.astype(str)
    purpose = "score" if replicate == 0 else f"score, replicate {replicate}"
    u = uniforms(seed, purpose, names, draws.first + draws.count, len(SCORED_ROOTS))[:, draws.first :]
    return inputs.score_mean + np.sqrt(inputs.score_variance) * ndtri(u.transpose(1, 0, 2))
