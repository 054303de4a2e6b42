"""Life distribution of a programme under every portfolio: closed forms over posterior draws.

Averages over the programme come from the closed form, so that intervals over draws carry no Monte
Carlo noise; simulated lives (`montecarlo`) give what has no closed form and check the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from .closedform import ClosedForm, Sums, age_grid, blocks_of
from .crew import Tell, Workers, crew_of
from .lives import Draws
from .measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio
from .montecarlo import Fates, Tally
from .outcomes import assured, check, extrapolated, quantities, values
from .priors import PriorSet
from .schema import Kind, Variable, define, stamp
from .summary import cause_table, portfolio_table

__all__ = [
    "CURRENT_PRACTICE",
    "NO_MEASURES",
    "ProgrammeSums",
    "cause_table",
    "observed_to",
    "portfolio_table",
    "simulate",
]

Progress = Callable[[int, int, str], None]

LONG = 200_000  # draws times sections
_OVER, _BY = ("sample", "portfolio"), ("portfolio",)
define(
    Kind(
        "simulation",
        coords={
            "portfolio": Variable(_BY, "text", "", "portfolio"),
            "quantity": Variable(("quantity",), "text", "", "life quantity"),
            "unit": Variable(("quantity",), "text", "", "unit of the quantity"),
            "age": Variable(("age",), "float", "year", "age"),
            "reference": Variable(("reference",), "text", "", "reference portfolio"),
            "cause": Variable(("cause",), "text", "", "mechanism or wear_out"),
            "sample": Variable(("sample",), "int", "1", "number of the draw"),
            "statement": Variable(("statement",), "text", "", "what an assured age is stated for"),
        },
        variables={
            "loss_name": Variable(("loss",), "text", "", "quantity that is lost"),
            "source_name": Variable(("source",), "text", "", "root or mechanism"),
            "value": Variable((*_OVER, "quantity"), "float", "1", "life quantity, in its own `unit`"),
            "survival": Variable((*_OVER, "age"), "float", "1", "share of the programme in good order"),
            "survival_without_early": Variable(
                ("sample", "age"), "float", "1", "the same under current practice without early mechanisms", True
            ),
            "cause_incidence": Variable(("sample", "reference", "cause"), "float", "1", "early failures by cause"),
            "avoidable": Variable(("sample", "loss", "source"), "float", "1", "gain without that cause"),
            "shapley": Variable(("sample", "loss", "source"), "float", "1", "fair share of the loss"),
            "assured_age": Variable(("portfolio", "statement"), "float", "year", "age 90 % outlive, 95 % sure"),
            "extrapolated": Variable(("portfolio", "quantity"), "float", "1", "part beyond the observed ages"),
            "simulated_difference": Variable(_BY, "float", "1", "simulated minus closed-form early failures"),
            "simulated_error": Variable(_BY, "float", "1", "its standard error"),
        },
    )
)


def simulate(
    posterior: xr.Dataset,
    programme: xr.Dataset,
    priors: PriorSet,
    *,
    portfolios: Sequence[Portfolio],
    early_age: float = 10.0,
    horizon: float = 60.0,
    ages: Sequence[float] = (25.0, 45.0),
    seed: int,
    score_nodes: int = 7,
    score_shift: Mapping[str, float] | None = None,
    weight_by_area: bool = False,
    observed_to: float = np.inf,
    samples: int = 1000,
    chunk: int = 1024,
    workers: Workers = 1,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Life quantities of a programme under each portfolio.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
        Posterior or prior draws of `model.build_model`.
    programme : Dataset
        From `programme_from_records` or `programme_from_table`.
    priors : PriorSet
    portfolios : sequence of Portfolio
        `current_practice` is added if it is missing.
    early_age, horizon, ages : float, float, sequence of float
        Years.
    seed : int
    score_shift : mapping of root to float, optional
    weight_by_area : bool
        Weight sections by `area` (missing areas count as the mean).
    observed_to : float
        95th percentile of the observed ages; what lies beyond is extrapolated.
    samples : int
        Draws used, evenly spaced.
    workers : int or Crew
        Threads or a crew; the numbers do not depend on them.

    Returns
    -------
    Dataset of kind `simulation`
        `value` (sample, portfolio, quantity), `survival` (sample, portfolio, age), `survival_without_early`
        (sample, age), `cause_incidence` (sample, reference, cause), `avoidable` and `shapley` (sample, loss,
        cause), `assured_age`, `extrapolated`, and the check of the closed form against simulated lives.
    """
    draws = Draws.of(posterior, samples)
    if CURRENT_PRACTICE not in [p.name for p in portfolios]:
        portfolios = [Portfolio(CURRENT_PRACTICE, reference=True), *portfolios]
    programme_sums = ProgrammeSums(
        programme, priors, tuple(portfolios), early_age, horizon, seed, score_nodes, score_shift, weight_by_area, chunk
    )
    crew = crew_of(workers)
    total = draws.count * programme_sums.blocks
    told = None if progress is None else lambda done: progress(done, total, "closed form and lives")
    found = crew.map(programme_sums, [draws.part(piece) for piece in crew.cut(draws.count)], told)
    sums, tally = Sums.joined([one for one, _ in found]), Tally.joined([other for _, other in found])
    grid, units, names = sums.grid, quantities(early_age, ages), [p.name for p in portfolios]
    references = [p.name for p in portfolios if p.reference]
    causes = [m.name for m in priors.mechanisms] + ["wear_out"]
    survival, value = sums.survival, values(sums.survival, grid, names, early_age, horizon, ages)
    result = xr.Dataset(
        {
            "value": (("sample", "portfolio", "quantity"), value),
            "survival": (("sample", "portfolio", "age"), survival.astype(np.float32)),
            "survival_without_early": (("sample", "age"), sums.without_early.astype(np.float32)),
            "cause_incidence": (("sample", "reference", "cause"), sums.incidence),
            "assured_age": (("portfolio", "statement"), assured(value[:, :, 2], tally.quantile(0.10))),
            "extrapolated": (
                ("portfolio", "quantity"),
                extrapolated(value, survival, grid, names, observed_to, horizon, early_age, ages),
            ),
            **sums.losses.variables(sums.total),
            **check(value[:, :, 0], tally.share_below()[:, :, 0]),
        },
        coords={
            "sample": np.arange(draws.count),
            "portfolio": names,
            "quantity": list(units),
            "unit": ("quantity", list(units.values())),
            "age": grid,
            "reference": references,
            "cause": causes,
            "statement": ["average programme", "programme of this size"],
        },
        attrs={
            "early_age": early_age,
            "horizon": horizon,
            "observed_to": float(observed_to) if np.isfinite(observed_to) else -1.0,
            "sections": programme.sizes["section"],
            "programme": programme.attrs.get("programme", "table"),
            "weighted_by_area": int(weight_by_area),
            "chains": posterior.sizes["chain"],
            "seed": seed,
        },
    )
    return stamp(result, "simulation")


@dataclass(frozen=True)
class ProgrammeSums:
    """Sums over a programme at some draws: a piece of work for a crew. Arguments as `simulate` takes them."""

    programme: xr.Dataset
    priors: PriorSet
    portfolios: tuple[Portfolio, ...]
    early_age: float
    horizon: float
    seed: int
    score_nodes: int
    score_shift: Mapping[str, float] | None
    weight_by_area: bool
    chunk: int

    @property
    def blocks(self) -> int:
        """Number of blocks of sections."""
        return len(blocks_of(self.programme.sizes["section"]))

    def long(self, parts: Sequence[Draws], running: bool) -> bool:
        """Whether processes are worth it."""
        return running or sum(draws.count for draws in parts) * self.programme.sizes["section"] >= LONG

    def __call__(self, draws: Draws, tell: Tell) -> tuple[Sums, Tally]:
        """Sums of closed forms and of simulated lives; a step is a draw of a block."""
        made = (draws, self.programme, self.priors, self.portfolios)
        form = ClosedForm(
            *made, seed=self.seed, nodes=self.score_nodes, score_shift=self.score_shift,
            weight_by_area=self.weight_by_area,
        )  # fmt: skip
        fates = Fates(*made, seed=self.seed, score_shift=self.score_shift)
        references = [number for number, p in enumerate(self.portfolios) if p.reference]
        sums = Sums.empty(form, age_grid(self.horizon), references, self.horizon, self.early_age)
        tally = Tally.empty(draws.count, len(self.portfolios), [self.early_age])
        for number, piece in enumerate(form.blocks()):
            weight = sums.add(form.block(piece), _after(number * draws.count, tell))
            tally.add(fates, piece, weight, chunk=self.chunk)
        return sums, tally


def _after(steps: int, tell: Tell) -> Tell:
    """Tells of further steps after some."""
    return lambda done: tell(steps + done)


def observed_to(sections: xr.Dataset) -> float:
    """95th percentile of the ages to which the records see their sections, years."""
    seen = np.fmax(sections["age_in_service"].values, sections["age_removed"].values)
    seen = seen[np.isfinite(seen)]
    return float(np.quantile(seen, 0.95)) if len(seen) else 0.0
