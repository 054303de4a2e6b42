"""Greatest likelihood of failure ages known within intervals: the arithmetic under `lifetable.turnbull`.

The failures lie in the innermost intervals, here *cells*. With hazard h_j in cell j and increments
L_j = -ln(1 - h_j) of the cumulative hazard L, the log-likelihood

    sum_i w_i [ ln(exp(-L(lower_i)) - exp(-L(upper_i))) + L(entry_i) ]

is concave in L_j >= 0, late entries included. The hazard of the last cell is one, because life ends
somewhere. Plain arrays in, plain arrays out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import nnls

__all__ = ["Cells", "breach", "expected", "log_likelihood", "maximise", "undetermined", "unlinked_ages"]

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]

_EXACT_LEFT, _RIGHT, _OPEN_LEFT = 0, 1, 2  # order of the ends that share one age


@dataclass(frozen=True)
class Cells:
    """Innermost intervals and, for each section, the run of them in which its failure can lie.

    Parameters
    ----------
    lower, upper : (cell,) ndarray
        Ends of the intervals [yr].
    begin, end : (section,) ndarray of int
        First and last cell of the section's own interval.
    seen_from : (section,) ndarray of int
        First cell after its entry.
    weight : (section,) ndarray
        How many like sections it stands for.
    """

    lower: Floats
    upper: Floats
    begin: Integers
    end: Integers
    seen_from: Integers
    weight: Floats

    @classmethod
    def of(cls, lower: Floats, upper: Floats, entry: Floats, weight: Floats) -> Cells:
        """Cells of failures in `(lower, upper]`: a left end followed at once by a right end.

        An entry age is a right end too: mass below it costs its section nothing.
        Source: Turnbull (1976), J. R. Stat. Soc. B 38, 290-295; entries: Frydman (1994), J. R.
        Stat. Soc. B 56, 71-74 (pages not seen).
        """
        left = np.where(lower == upper, _EXACT_LEFT, _OPEN_LEFT)
        right = np.full(left.shape, _RIGHT)
        ends_seen = np.stack([np.concatenate([lower, upper, entry]), np.concatenate([left, right, right])], axis=1)
        ends, rank = np.unique(ends_seen, axis=0, return_inverse=True)
        lower_rank, upper_rank, entry_rank = rank.reshape(3, -1)
        is_right = ends[:, 1] == _RIGHT
        opens = np.flatnonzero(~is_right[:-1] & is_right[1:])
        return cls(
            lower=ends[opens, 0],
            upper=ends[opens + 1, 0],
            begin=np.searchsorted(opens, lower_rank),
            end=np.searchsorted(opens + 1, upper_rank, side="right") - 1,
            seen_from=np.searchsorted(opens, entry_rank),
            weight=weight,
        )

    @property
    def count(self) -> int:
        """Number of cells."""
        return self.lower.size

    @property
    def ending(self) -> NDArray[np.bool_]:
        """Sections whose interval ends before the last cell (the others have no upper bound that binds)."""
        return self.end < self.count - 1

    def runs(self) -> Floats:
        """Rows of ones over each `ending` interval, (section, cell - 1)."""
        j = np.arange(self.count - 1)
        return ((self.begin[self.ending, None] <= j) & (j <= self.end[self.ending, None])).astype(float)

    def survived(self) -> Floats:
        """Weight of the sections known to have lived through each cell but the last, (cell - 1,)."""
        return self.cover(self.seen_from, self.begin - 1, self.weight)[:-1]

    def cover(self, first: Integers, last: Integers, weight: Floats) -> Floats:
        """Summed weight, at each cell, of the runs first..last (both included) that cover it."""
        steps = np.zeros(self.count + 1)
        kept = first <= last
        np.add.at(steps, first[kept], weight[kept])
        np.add.at(steps, last[kept] + 1, -weight[kept])
        return np.cumsum(steps)[:-1]


def unlinked_ages(cells: Cells) -> Floats:
    """Ages across which no section is known to have lived although some lie wholly beyond.

    The likelihood then does not tie the curve beyond to the curve before, and may have no maximum.
    """
    j = np.arange(cells.count)
    known = cells.cover(cells.seen_from + 1, cells.begin, np.ones(cells.begin.shape))
    inside = (j > cells.seen_from.min()) & (j <= cells.begin.max())
    return cells.lower[inside & (known == 0)]


def expected(cells: Cells, increments: Floats) -> tuple[Floats, Floats]:
    """Expected failures and sections at risk in each cell, given the hazards."""
    survival = np.concatenate([[1.0], np.exp(-np.cumsum(increments)), [0.0]])
    after = survival[cells.end + 1]
    density = cells.weight / (survival[cells.begin] - after)
    inside = cells.cover(cells.begin, cells.end, density)
    failures = -np.diff(survival) * inside
    passed = cells.cover(cells.seen_from, cells.begin - 1, cells.weight)
    at_risk = passed + survival[:-1] * inside - cells.cover(cells.begin, cells.end, density * after)
    return failures, np.maximum(at_risk, failures)


def log_likelihood(cells: Cells, increments: Floats) -> float:
    """Log-likelihood at the increments (cell - 1,)."""
    with np.errstate(divide="ignore"):
        failed = np.log(-np.expm1(-_span(cells, increments)))
    return float(cells.weight[cells.ending] @ failed - cells.survived() @ increments)


def breach(cells: Cells, increments: Floats) -> float:
    """Largest breach of self-consistency |d - h r|, or gain left in a cell, per section."""
    gradient = _gradient(cells, increments)
    hazard = -np.expm1(-increments)
    worst = np.maximum(np.abs(gradient * hazard), gradient)
    return float(worst.max(initial=0.0) / cells.weight.sum())


def maximise(cells: Cells, tolerance: float, max_iterations: int) -> tuple[Floats, int]:
    """Increments at the maximum and the number of steps.

    Expectation-maximisation first, because it never overshoots; then Newton steps, because it
    crawls near the end.

    Raises
    ------
    RuntimeError
        If `breach` is above `tolerance` after `max_iterations`.
    """
    increments = -np.log1p(-1.0 / np.arange(cells.count, 1, -1.0))
    for _ in range(20):
        increments = em_step(cells, increments)
    for iteration in range(max_iterations):
        if breach(cells, increments) <= tolerance:
            return increments, iteration
        newton = _newton_step(cells, increments)
        increments = em_step(cells, increments) if newton is None else newton
    raise RuntimeError(
        f"no self-consistent life table after {max_iterations} steps: breach {breach(cells, increments):.2g}, "
        f"limit {tolerance:g}. Raise `max_iterations` or `tolerance`."
    )


def em_step(cells: Cells, increments: Floats) -> Floats:
    """One expectation-maximisation step: hazard = expected failures / expected at risk."""
    failures, at_risk = expected(cells, increments)
    hazard = np.divide(failures, at_risk, out=np.zeros_like(failures), where=at_risk > 0)[:-1]
    return -np.log1p(-np.minimum(hazard, 1.0 - 1e-15))


def undetermined(cells: Cells, increments: Floats) -> NDArray[np.bool_]:
    """Cells whose mass can change along a direction in which the likelihood is flat.

    Source: Gentleman & Geyer (1994), Biometrika 81, 618-623 (page not seen).
    """
    flat = np.zeros(cells.count, dtype=bool)
    gradient = _gradient(cells, increments)
    held = np.flatnonzero((increments > 0) | (gradient > -1e-6 * cells.weight.sum()))
    if held.size:
        directions = _null_space(cells.runs()[:, held])
        flat[held] = (np.abs(directions) > 1e-8).any(axis=1)
        flat[-1] = bool((np.abs(directions.sum(axis=0)) > 1e-8).any())
    return flat


def _span(cells: Cells, increments: Floats) -> Floats:
    """Cumulative hazard over each `ending` interval."""
    total = np.concatenate([[0.0], np.cumsum(increments)])
    return total[cells.end[cells.ending] + 1] - total[cells.begin[cells.ending]]


def _gradient(cells: Cells, increments: Floats) -> Floats:
    """Derivative of the log-likelihood; in each cell (d - h r) / h."""
    ends = cells.ending
    pull = cells.cover(cells.begin[ends], cells.end[ends], cells.weight[ends] / np.expm1(_span(cells, increments)))
    return pull[:-1] - cells.survived()


def _newton_step(cells: Cells, increments: Floats) -> Floats | None:
    """The maximum of the local parabola over increments >= 0, approached until the likelihood gains."""
    gradient = _gradient(cells, increments)
    step = _parabola_top(cells, increments, gradient) - increments
    start, slope = log_likelihood(cells, increments), float(gradient @ step)
    noise = 1e-13 * (1.0 + abs(start))
    for halving in range(30):
        trial = increments + 0.5**halving * step
        if log_likelihood(cells, trial) >= start + 1e-4 * 0.5**halving * slope - noise:
            return trial
    return None


def _parabola_top(cells: Cells, increments: Floats, gradient: Floats) -> Floats:
    """Maximum over u >= 0 of g'(u - L) - (u - L)'C(u - L)/2, as a least-squares problem."""
    span = _span(cells, increments)
    runs = cells.runs() * np.sqrt(cells.weight[cells.ending] / (np.expm1(span) * -np.expm1(-span)))[:, None]
    curvature = runs.T @ runs
    # a touch more on the diagonal keeps flat directions from stopping the factorisation
    curvature[np.diag_indices_from(curvature)] *= 1.0 + 1e-9
    curvature[np.diag_indices_from(curvature)] += 1e-12 * cells.weight.sum()
    factor = cholesky(curvature)
    target = solve_triangular(factor, gradient + curvature @ increments, trans="T")
    return nnls(factor, target)[0]


def _null_space(rows: Floats) -> Floats:
    """Orthonormal directions (column, direction) that every row maps to zero."""
    _, singular, right = np.linalg.svd(np.unique(rows, axis=0), full_matrices=True)
    rank = int((singular > 1e-10 * max(1.0, float(singular.max(initial=0.0)))).sum())
    return right[rank:].T
