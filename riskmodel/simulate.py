"""Life distribution of a programme under every portfolio: closed forms over posterior draws.

Averages over the programme come from the closed form, so that intervals over draws carry no Monte
Carlo noise; simulated lives (`montecarlo`) give what has no closed form and check the rest.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from .errors import RiskModelWarning
from .inputs import Inputs, Levels
from .lives import Draws, RootLife, group_terms, root_life, wear_survival
from .measures import CURRENT_PRACTICE, NO_MEASURES, Mixture, Portfolio, recorded_rates, type_index
from .montecarlo import draw_lives
from .outcomes import assured, check, extrapolated, quantities, values
from .priors import PriorSet
from .schema import Kind, Variable, define, stamp
from .shares import fair_shares
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
CAUSE_CELLS = 20


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
    chunk: int = 64,
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
    plan = _Plan(draws, programme, priors, tuple(portfolios), seed, score_nodes, score_shift, weight_by_area)
    grid = age_grid(horizon)
    units = quantities(early_age, ages)
    shape = (draws.count, len(portfolios))
    survival, without_early = np.empty((*shape, len(grid))), np.empty((draws.count, len(grid)))
    references = [p.name for p in portfolios if p.reference]
    causes = [m.name for m in priors.mechanisms] + ["wear_out"]
    incidence = np.empty((draws.count, len(references), len(causes)))
    weights = np.empty((draws.count, plan.sections))
    losses = _Losses.empty(draws.count, priors, horizon, early_age)
    for s in range(draws.count):
        state = plan.at(s, grid)
        weights[s] = state.weight
        survival[s] = state.programme_survival()
        without_early[s] = state.wear_out_survival()
        for j, name in enumerate(references):
            incidence[s, j] = state.early_incidence(name, early_age)
        losses.record(s, state, grid)
        if progress is not None:
            progress(s + 1, draws.count, "closed form")
    value = values(survival, grid, plan.names, early_age, horizon, ages)
    lives = draw_lives(
        draws, programme, priors, portfolios, seed=seed, score_shift=score_shift, chunk=chunk, workers=workers
    )
    result = xr.Dataset(
        {
            "value": (("sample", "portfolio", "quantity"), value),
            "survival": (("sample", "portfolio", "age"), survival.astype(np.float32)),
            "survival_without_early": (("sample", "age"), without_early.astype(np.float32)),
            "cause_incidence": (("sample", "reference", "cause"), incidence),
            "assured_age": (("portfolio", "statement"), assured(value[:, :, 2], lives, weights)),
            "extrapolated": (
                ("portfolio", "quantity"),
                extrapolated(
                    value, survival, grid, [p.name for p in portfolios], observed_to, horizon, early_age, ages
                ),
            ),
            **losses.variables(),
            **check(value[:, :, 0], lives, weights, early_age),
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
            "sections": plan.sections,
            "programme": programme.attrs.get("programme", "table"),
            "weighted_by_area": int(weight_by_area),
            "chains": posterior.sizes["chain"],
            "seed": seed,
        },
    )
    return stamp(result, "simulation")


# ------------------------------------------------------------------------ one draw, all portfolios


class _Plan:
    """Constants of a programme under all portfolios; mixtures that portfolios share are kept once."""

    def __init__(
        self,
        draws: Draws,
        programme: xr.Dataset,
        priors: PriorSet,
        portfolios: tuple[Portfolio, ...],
        seed: int,
        nodes: int,
        score_shift: Mapping[str, float] | None,
        weight_by_area: bool,
    ):
        self.draws, self.priors, self.portfolios, self.nodes = draws, priors, portfolios, nodes
        levels: Levels = {}
        self.inputs = [Inputs.of(programme, priors, levels, portfolio=p, score_shift=score_shift) for p in portfolios]
        self.terms = group_terms(draws, programme, priors, seed)
        self.sections = programme.sizes["section"]
        self.entry = np.asarray(programme["age_entry"].values, float)
        self.area = _areas(programme) if weight_by_area else np.ones(self.sections)
        self.names = [p.name for p in portfolios]

    @cached_property
    def shared(self) -> list[list[int]]:
        """For each root, the first portfolio with the same mixture as each portfolio; wear-out last."""
        roots = len(self.inputs[0].roots)
        columns = [[_fingerprint(i.mixtures[r]) for i in self.inputs] for r in range(roots)]
        columns.append([_fingerprint(i.wear) for i in self.inputs])
        return [[column.index(key) for key in column] for column in columns]

    def at(self, s: int, grid: np.ndarray) -> _State:
        """Everything at draw `s`."""
        lives: list[dict[int, RootLife]] = []
        for r, firsts in enumerate(self.shared[:-1]):
            lives.append(
                {
                    j: root_life(self.draws, s, self.priors, self.inputs[j], r, self.terms, self.nodes)
                    for j in sorted(set(firsts))
                }
            )
        wear = {j: wear_survival(self.draws, s, self.priors, self.inputs[j], grid) for j in set(self.shared[-1])}
        return _State(self, s, grid, lives, wear)


def _fingerprint(mixture: Mixture) -> bytes:
    parts = (mixture.section, mixture.weight, mixture.comply, mixture.lapse, mixture.chosen)
    return b"".join(
        np.ascontiguousarray(a).tobytes() for a in (*parts, mixture.acts, mixture.slows, mixture.shift, mixture.stretch)
    )


def _areas(programme: xr.Dataset) -> np.ndarray:
    count = programme.sizes["section"]
    area = np.asarray(programme["area"].values, float) if "area" in programme else np.full(count, np.nan)
    known = np.isfinite(area)
    return np.where(known, area, area[known].mean() if known.any() else 1.0)


class _State:
    """Root survivals of every section at one draw."""

    def __init__(
        self, plan: _Plan, s: int, grid: np.ndarray, lives: list[dict[int, RootLife]], wear: dict[int, np.ndarray]
    ):
        self.plan, self.s, self.grid, self.lives, self.wear = plan, s, grid, lives, wear
        self.root_survival = [{j: life.survival(grid) for j, life in by.items()} for by in lives]

    def factors(self, portfolio: int) -> list[np.ndarray]:
        """Survival by root and of wear-out (last) under a portfolio, each (section, age)."""
        shared = self.plan.shared
        roots = [by[shared[r][portfolio]] for r, by in enumerate(self.root_survival)]
        return [*roots, self.wear[shared[-1][portfolio]]]

    def root_lives(self, portfolio: int) -> list[RootLife]:
        """Moments by root under a portfolio."""
        return [by[self.plan.shared[r][portfolio]] for r, by in enumerate(self.lives)]

    def survival(self, portfolio: int) -> np.ndarray:
        """Survival of each section, (section, age)."""
        return np.multiply.reduce(self.factors(portfolio))

    @cached_property
    def weight(self) -> np.ndarray:
        """Weight of each section in the programme, sums to 1."""
        weight = self.plan.area / self._seen()
        return weight / weight.sum()

    def _seen(self) -> np.ndarray:
        """P(in service when the section came under observation), (section,)."""
        late = np.flatnonzero(self.plan.entry > 0)
        seen = np.ones(self.plan.sections)
        if not len(late):
            return seen
        survival = self.survival(self.plan.names.index(CURRENT_PRACTICE))[late]
        dying = np.concatenate([survival[:, :-1] - survival[:, 1:], survival[:, -1:]], axis=1)
        middle = np.concatenate([0.5 * (self.grid[1:] + self.grid[:-1]), [np.inf]])
        years = np.maximum(self.plan.entry[late][:, None] - middle[None, :], 0.0)
        lag = self.plan.draws["removal_lag"][self.s]
        if lag > 0:
            waits = 2.0 * years / lag
            still = (1.0 + waits) * np.exp(-waits)
        else:
            still = (years == 0).astype(float)
        seen[late] = (dying * still).sum(axis=1)
        return np.maximum(seen, 1e-6)

    def programme_survival(self) -> np.ndarray:
        """Weighted mean survival, (portfolio, age)."""
        return np.stack([self.weight @ self.survival(j) for j in range(len(self.plan.names))])

    def wear_out_survival(self) -> np.ndarray:
        """The same roads under current practice with every susceptibility set to 0, (age,)."""
        return self.weight @ self.factors(self.plan.names.index(CURRENT_PRACTICE))[-1]

    def early_incidence(self, portfolio: str, early_age: float) -> np.ndarray:
        """P(life ends before the early age, by cause), wear-out last, (cause,)."""
        j = self.plan.names.index(portfolio)
        edges = early_age * np.linspace(0.0, 1.0, CAUSE_CELLS + 1) ** 1.5
        wear = wear_survival(self.plan.draws, self.s, self.plan.priors, self.plan.inputs[j], edges)
        return self.weight @ incidences(self.root_lives(j), wear, edges, self.plan.inputs[j]).sum(axis=2).T


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
class _Losses:
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
    def empty(cls, count: int, priors: PriorSet, horizon: float, early_age: float) -> _Losses:
        ages = np.linspace(0.0, horizon, 61)
        trapezium = np.full(61, horizon / 60.0)
        trapezium[[0, -1]] *= 0.5
        roots = len({m.root for m in priors.mechanisms})
        shape = (count, 2, roots + len(priors.mechanisms))
        return cls(priors, early_age, ages, trapezium, np.zeros(shape), np.zeros(shape))

    def record(self, s: int, state: _State, grid: np.ndarray) -> None:
        """Fill draw `s`."""
        if not self.priors.mechanisms:
            return
        plan = state.plan
        j = plan.names.index(CURRENT_PRACTICE)
        lives = state.root_lives(j)
        for loss, ages in enumerate((self.ages, np.array([self.early_age]))):
            without = [life.without(ages) for life in lives]
            wear = wear_survival(plan.draws, s, plan.priors, plan.inputs[j], ages)
            measure = state.weight[:, None] * (self.weights if loss == 0 else np.ones(1))[None, :]
            alone, split = fair_shares(without, wear * measure)
            roots = len(lives)
            self.avoidable[s, loss], self.shapley[s, loss] = (
                self._ordered(a, plan.inputs[j], roots) for a in (alone, split)
            )

    def _ordered(self, values: list[np.ndarray], inputs: Inputs, roots: int) -> np.ndarray:
        """Roots first, then mechanisms in the order of the prior set."""
        out = np.zeros(roots + len(self.priors.mechanisms))
        for r, (root, value) in enumerate(zip(inputs.roots, values, strict=True)):
            out[r] = value[0]
            out[[roots + m for m in root.mechanisms]] = value[1:]
        return out

    def variables(self) -> dict[str, tuple[tuple[str, ...], np.ndarray]]:
        """Variables of the result."""
        dims = ("sample", "loss", "source")
        roots = list(dict.fromkeys(m.root for m in self.priors.mechanisms))
        names = [f"root: {r}" for r in roots] + [m.name for m in self.priors.mechanisms]
        return {
            "avoidable": (dims, self.avoidable),
            "shapley": (dims, self.shapley),
            "loss_name": (("loss",), np.array(["restricted_mean_age", "early_failure_probability"])),
            "source_name": (("source",), np.array(names, dtype=str)),
        }


def observed_to(sections: xr.Dataset) -> float:
    """95th percentile of the ages to which the records see their sections, years."""
    seen = np.fmax(sections["age_in_service"].values, sections["age_removed"].values)
    seen = seen[np.isfinite(seen)]
    return float(np.quantile(seen, 0.95)) if len(seen) else 0.0
