"""Life distribution of a programme under every portfolio: closed forms over posterior draws.

Averages over the programme come from the closed form, so that intervals over draws carry no Monte
Carlo noise; simulated lives (`montecarlo`) give what has no closed form and check the rest.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import xarray as xr

from .closedform import Block, ClosedForm, Losses
from .errors import RiskModelWarning
from .lives import Draws
from .measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio, recorded_rates, type_index
from .montecarlo import Fates, Tally
from .outcomes import assured, check, extrapolated, quantities, values
from .priors import PriorSet
from .schema import Kind, Variable, define, stamp
from .summary import cause_table, portfolio_table

__all__ = [
    "CURRENT_PRACTICE",
    "NO_MEASURES",
    "cause_table",
    "observed_to",
    "portfolio_table",
    "programme_from_records",
    "programme_from_table",
    "simulate",
    "warn_outside_records",
]

Progress = Callable[[int, int, str], None]

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


def programme_from_records(sections: xr.Dataset, priors: PriorSet) -> xr.Dataset:
    """The records' sections as roads to be overlaid again: same roads and contracts, fates redrawn.

    Each keeps its selection terms; sections that entered the records late stand for those that did
    not live to be recorded (their weight is 1 / P(seen), draw by draw).
    """
    programme = sections.copy()
    if "measure" in sections.dims:
        required = sections["required"].reindex(measure=[m.name for m in priors.measures]).values
        rate = recorded_rates(sections, priors, np.asarray(required, float))
        programme["required_rate"] = xr.DataArray(
            rate, coords={"measure": [m.name for m in priors.measures]}, dims="measure"
        ).reindex(measure=sections["measure"].values)
    programme.attrs["programme"] = "records"
    return programme


def programme_from_table(table: xr.Dataset) -> xr.Dataset:
    """A table of planned overlays: nothing was chosen yet, so no selection terms; all are seen."""
    programme = table.copy()
    if "measure" in table.dims:
        programme["randomised"] = xr.ones_like(table["required"], dtype=bool)
    programme["age_entry"] = ("section", np.zeros(table.sizes["section"]))
    programme.attrs["programme"] = "table"
    return programme


def warn_outside_records(programme: xr.Dataset, sections: xr.Dataset, priors: PriorSet) -> None:
    """Warn where a planned programme leaves the range of the records: nothing there was learnt from them.

    Warns
    -----
    RiskModelWarning
        One for each of overlay type, traffic, thickness and panel length that leaves it.
    """
    names = [t.name for t in priors.types]
    known = set(type_index(sections, priors))
    strange = sorted({names[t] for t in type_index(programme, priors)} - {names[t] for t in known})
    if strange:
        warnings.warn(
            f"the programme holds overlay types that the records do not: {', '.join(strange)}. "
            "Their results rest on the priors.",
            RiskModelWarning,
            stacklevel=2,
        )
    for column in ("trucks_per_day", "thickness", "panel_length"):
        if column not in programme or column not in sections or not np.isfinite(sections[column]).any():
            continue
        low, high = float(sections[column].min()), float(sections[column].max())
        beyond = int(((programme[column] < low) | (programme[column] > high)).sum())
        if beyond:
            warnings.warn(
                f"{beyond} of {programme.sizes['section']} sections of the programme have a `{column}` outside the "
                f"range of the records ({low:.4g} to {high:.4g}). Their results are extrapolated.",
                RiskModelWarning,
                stacklevel=2,
            )


def age_grid(horizon: float) -> np.ndarray:
    """Ages of the closed form, years: half years to the horizon, then geometric to 400."""
    fine = np.arange(0.0, horizon + 0.25, 0.5)
    return np.concatenate([fine, np.geomspace(fine[-1], max(400.0, 4 * horizon), 48)[1:]])


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
    workers: int = 1,
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
    form = ClosedForm(
        draws, programme, priors, portfolios, seed=seed, nodes=score_nodes, score_shift=score_shift,
        weight_by_area=weight_by_area,
    )  # fmt: skip
    fates = Fates(draws, programme, priors, portfolios, seed=seed, score_shift=score_shift)
    grid, units = age_grid(horizon), quantities(early_age, ages)
    references = [p.name for p in portfolios if p.reference]
    causes = [m.name for m in priors.mechanisms] + ["wear_out"]
    sums = _Sums.empty(form, grid, [form.names.index(name) for name in references], horizon, early_age)
    tally = Tally.empty(draws.count, len(portfolios), [early_age])
    for number, piece in enumerate(form.blocks()):
        told = None if progress is None else _further(progress, number, len(form.blocks()))
        weight = sums.add(form.block(piece), workers, told)
        tally.add(fates, piece, weight, chunk=chunk, workers=workers)
    survival, value = sums.survival, values(sums.survival, grid, form.names, early_age, horizon, ages)
    result = xr.Dataset(
        {
            "value": (("sample", "portfolio", "quantity"), value),
            "survival": (("sample", "portfolio", "age"), survival.astype(np.float32)),
            "survival_without_early": (("sample", "age"), sums.without_early.astype(np.float32)),
            "cause_incidence": (("sample", "reference", "cause"), sums.incidence),
            "assured_age": (("portfolio", "statement"), assured(value[:, :, 2], tally.quantile(0.10))),
            "extrapolated": (
                ("portfolio", "quantity"),
                extrapolated(
                    value, survival, grid, [p.name for p in portfolios], observed_to, horizon, early_age, ages
                ),
            ),
            **sums.losses.variables(sums.total),
            **check(value[:, :, 0], tally.share_below()[:, :, 0]),
        },
        coords={
            "sample": np.arange(draws.count),
            "portfolio": [p.name for p in portfolios],
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
            "sections": form.sections,
            "programme": programme.attrs.get("programme", "table"),
            "weighted_by_area": int(weight_by_area),
            "chains": posterior.sizes["chain"],
            "seed": seed,
        },
    )
    return stamp(result, "simulation")


# ------------------------------------------------------------------------- sums over sections


@dataclass
class _Sums:
    """Weighted sums over sections, draw by draw; properties divide by the weights."""

    grid: np.ndarray
    early_age: float
    references: list[int]
    total: np.ndarray
    alive: np.ndarray
    wearing: np.ndarray
    failing: np.ndarray
    losses: Losses

    @classmethod
    def empty(
        cls, form: ClosedForm, grid: np.ndarray, references: list[int], horizon: float, early_age: float
    ) -> _Sums:
        count, causes = form.draws.count, len(form.priors.mechanisms) + 1
        return cls(
            grid, early_age, references, np.zeros(count), np.zeros((count, len(form.names), len(grid))),
            np.zeros((count, len(grid))), np.zeros((count, len(references), causes)),
            Losses.empty(count, form.priors, horizon, early_age),
        )  # fmt: skip

    def add(self, block: Block, workers: int, progress: Callable[[int, int], None] | None) -> np.ndarray:
        """Add the sections of a block; their weights, (sample, section)."""
        count = len(self.total)
        weight = np.empty((count, len(block.entry)))

        def work(s: int) -> None:
            weight[s] = self._add_draw(block, s)

        with ThreadPoolExecutor(workers) as pool:
            for done, _ in enumerate(pool.map(work, range(count)), 1):
                if progress is not None:
                    progress(done, count)
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


def _further(progress: Progress, block: int, blocks: int) -> Callable[[int, int], None]:
    """Progress within one of several blocks as progress of the whole."""
    return lambda done, count: progress(block * count + done, blocks * count, "closed form and lives")


def observed_to(sections: xr.Dataset) -> float:
    """95th percentile of the ages to which the records see their sections, years."""
    seen = np.fmax(sections["age_in_service"].values, sections["age_removed"].values)
    seen = seen[np.isfinite(seen)]
    return float(np.quantile(seen, 0.95)) if len(seen) else 0.0
