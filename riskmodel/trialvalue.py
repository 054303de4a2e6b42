"""What a trial is worth to a programme: gain, cost and net value over sizes and lengths of the trial.

Knows the life model's parameters and the simulated trial; what a road's net benefit is comes from
outside, as an array over draws and portfolios.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from .cells import AgeGrid
from .condition import Condition
from .errors import RiskModelError
from .information import (
    Estimate,
    PartialValue,
    SampleValue,
    check_order,
    evpi,
    evppi,
    evppi_of_groups,
    evsi,
    posterior_probability,
)
from .lives import Draws
from .measures import deltas_of, shifts_of, type_index
from .newsections import new_lives
from .priors import PriorSet
from .trial import TrialDesign, draw_outcomes, trial_profiles
from .trialfit import DrawLikelihood, trial_log_likelihood

__all__ = [
    "Programme",
    "TrialCost",
    "TrialResult",
    "TrialValue",
    "parameter_groups",
    "trial_parameters",
    "value_of_trials",
]

Progress = Callable[[int, int, str], None]
CALM_CELLS = 48
"""Age cells for sections to which nothing happens; the others take the grid of the life model."""
BUILD_YEAR = 1
"""Year in which the trial sections are built, counted from the decision to make the trial."""


@dataclass(frozen=True)
class Programme:
    """Roads that the finding of a trial is for.

    Parameters
    ----------
    sections_per_year : float
        Overlay sections built each year.
    horizon : int
        Years from now in which roads are built that count.
    discount_rate : float
        Real, per year.
    """

    sections_per_year: float
    horizon: int
    discount_rate: float

    def __post_init__(self) -> None:
        rules = [
            (self.sections_per_year > 0, "`sections_per_year` is positive", self.sections_per_year),
            (1 <= self.horizon <= 200, "`horizon` is from 1 to 200 years", self.horizon),
            (0.0 <= self.discount_rate < 1.0, "`discount_rate` is a share from 0 to below 1", self.discount_rate),
        ]
        wrong = [f"{rule}; got {got:g}." for holds, rule, got in rules if not holds]
        if wrong:
            raise RiskModelError("\n".join(wrong))

    def present(self, amount: float, year: int) -> float:
        """Present value of an amount paid in a year from now."""
        return amount * float((1.0 + self.discount_rate) ** -year)

    def sections_after(self, years: int) -> float:
        """Sections built after a trial of so many surveys, each discounted to now."""
        first = BUILD_YEAR + years + 1
        return sum(self.present(self.sections_per_year, year) for year in range(first, self.horizon + 1))


@dataclass(frozen=True)
class TrialCost:
    """Cost of a trial, in the unit of the net benefit.

    Parameters
    ----------
    fixed : float
        Once, in the year the sections are built.
    section : float
        For each section of both arms, in that year.
    survey : float
        For each section and yearly survey.
    """

    fixed: float = 0.0
    section: float = 0.0
    survey: float = 0.0

    def __post_init__(self) -> None:
        wrong = [n for n in ("fixed", "section", "survey") if not getattr(self, n) >= 0]
        if wrong:
            raise RiskModelError(f"costs of a trial are zero or positive; mend {', '.join(wrong)}.")

    def present(self, design: TrialDesign, programme: Programme) -> float:
        """Present value for one design."""
        count = 2 * design.sections
        surveys = sum(programme.present(self.survey * count, BUILD_YEAR + y) for y in range(1, design.years + 1))
        return programme.present(self.fixed + self.section * count, BUILD_YEAR) + surveys


@dataclass(frozen=True)
class TrialResult:
    """One design and what it is worth.

    Parameters
    ----------
    design : TrialDesign
    sample : SampleValue
        Per section of the programme.
    sections : float
        Discounted sections built after it.
    cost : float
        Present value.
    settled : float
        Chance that the trial makes one sign of the measure's net benefit as likely as `level`.
    """

    design: TrialDesign
    sample: SampleValue
    sections: float
    cost: float
    settled: float

    @property
    def gain(self) -> Estimate:
        """Expected gain of all roads built after the trial, present value."""
        return Estimate(self.sample.value * self.sections, self.sample.error * self.sections)

    @property
    def net(self) -> Estimate:
        """Expected gain less cost."""
        return Estimate(self.gain.value - self.cost, self.gain.error)


@dataclass(frozen=True)
class TrialValue:
    """Value of information of a decision, and of trials of one measure.

    Parameters
    ----------
    perfect : Estimate
        Per section.
    groups : mapping of name to PartialValue
        Per section, in falling order.
    partial : PartialValue
        Of all parameters that the trial's records depend on.
    trials : tuple of TrialResult
    programme : Programme
    options : tuple of str
    best : str
        Option that is best by what is known now.
    likely : float
        Probability now that the measure alone has a positive net benefit against current practice.
    level : float
        Probability at which a sign counts as settled.
    broken : tuple of str
        Steps of 0 <= EVSI <= EVPPI <= EVPI that do not hold within three standard errors.
    """

    perfect: Estimate
    groups: dict[str, PartialValue]
    partial: PartialValue
    trials: tuple[TrialResult, ...]
    programme: Programme
    options: tuple[str, ...]
    best: str
    likely: float
    level: float
    broken: tuple[str, ...]

    @property
    def best_trial(self) -> TrialResult:
        """The trial of largest net value."""
        return max(self.trials, key=lambda trial: trial.net.value)


def value_of_trials(
    net_benefit: xr.DataArray,
    draws: Draws,
    sections: xr.Dataset,
    priors: PriorSet,
    condition: Condition,
    *,
    design: TrialDesign,
    sizes: Sequence[int],
    lengths: Sequence[int],
    programme: Programme,
    cost: TrialCost,
    costs: np.ndarray | None = None,
    level: float = 0.95,
    trials: int = 200,
    seed: int,
    workers: int = 2,
    progress: Progress | None = None,
) -> TrialValue:
    """Value of perfect and partial information, and of trials of every size and length asked for.

    Parameters
    ----------
    net_benefit : DataArray (sample, portfolio)
        Expected net benefit per section, on the same draws as `draws`.
    draws : Draws
    sections : Dataset
        The programme for which the net benefit holds.
    priors : PriorSet
    condition : Condition
    design : TrialDesign
        Measure and manner of the trial; its size and length are replaced by those asked for.
    sizes, lengths : sequence of int
        Sections in each arm; yearly surveys.
    programme : Programme
    cost : TrialCost
    costs : ndarray (sample, cost), optional
        Drawn costs behind the net benefit, for the value of knowing them.
    level : float
        Probability at which the sign of the measure's net benefit counts as settled.
    trials : int
        Simulated trials of each design.
    seed : int
    workers : int
        Threads; the numbers do not depend on them.
    progress : callable (done, total, text), optional

    Warns
    -----
    RiskModelWarning
        When the order of the values is broken (see `information.check_order`).
    """
    benefit = net_benefit.transpose("sample", "portfolio").values
    options = tuple(str(p) for p in net_benefit["portfolio"].values)
    if len(benefit) != draws.count:
        raise RiskModelError(f"net benefit has {len(benefit)} draws, the parameters have {draws.count}. Use the same.")
    trial_profiles(design, sections, priors)  # refuses a design that does not fit before anything is worked out
    gains = benefit[:, _option(options, design.measure)] - benefit[:, _option(options, "current_practice")]
    present = np.unique(type_index(sections, priors))
    groups = parameter_groups(draws, priors, present)
    if costs is not None:
        groups["costs"] = costs
    perfect = evpi(benefit)
    partial = evppi(benefit, trial_parameters(draws, priors))
    found: list[TrialResult] = []
    broken: list[str] = []
    for part, years in enumerate(lengths):
        longest = replace(design, sections=max(sizes), years=years)
        logs, origin = _re_weigh(
            longest, sorted(sizes), draws, sections, priors, condition, trials, seed, workers,
            _within(progress, part, len(lengths)),
        )  # fmt: skip
        for size, log_likelihood in zip(sorted(sizes), logs, strict=True):
            sample = evsi(benefit, log_likelihood, origin)
            chance = posterior_probability(gains > 0, log_likelihood, origin)
            one = replace(design, sections=size, years=years)
            settled = float((np.maximum(chance, 1.0 - chance) >= level).mean())
            after = programme.sections_after(years)
            found.append(TrialResult(one, sample, after, cost.present(one, programme), settled))
            broken += check_order(sample, partial, perfect, what=f"a trial of {size} pairs over {years} years")
    return TrialValue(
        perfect, evppi_of_groups(benefit, groups), partial, tuple(found), programme, options,
        options[int(benefit.mean(axis=0).argmax())], float((gains > 0).mean()), level, tuple(broken),
    )  # fmt: skip


def _option(options: Sequence[str], name: str) -> int:
    if name not in options:
        raise RiskModelError(
            f"the study has no portfolio named {name!r}, so its effect cannot be told from others. "
            "Add it to the portfolios and run the study again."
        )
    return list(options).index(name)


def _within(progress: Progress | None, part: int, parts: int) -> Progress | None:
    if progress is None:
        return None
    return lambda done, total, text: progress(part * total + done, parts * total, text)


def _re_weigh(
    design: TrialDesign,
    sizes: Sequence[int],
    draws: Draws,
    sections: xr.Dataset,
    priors: PriorSet,
    condition: Condition,
    trials: int,
    seed: int,
    workers: int,
    progress: Progress | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Log-likelihood of simulated trials (size, trial, sample), and the draws they came from."""
    profiles = trial_profiles(design, sections, priors)
    lives = new_lives(draws, profiles.table, priors)
    origin = np.unique(np.linspace(0, draws.count - 1, min(trials, draws.count)).round().astype(int))
    outcomes = draw_outcomes(
        draws, lives, profiles.order, condition, years=design.years, origin=origin, seed=seed, causes=design.causes
    )
    fit, calm = (
        DrawLikelihood(draws, lives, condition, years=design.years, grid=grid)
        for grid in (AgeGrid(), AgeGrid(cells=CALM_CELLS))
    )
    return trial_log_likelihood(fit, outcomes, sizes, calm=calm, workers=workers, progress=progress), origin


# ------------------------------------------------------------------------- groups of parameters


def parameter_groups(draws: Draws, priors: PriorSet, types: np.ndarray) -> dict[str, np.ndarray]:
    """Named groups of life parameters, each (sample, parameter).

    The effect of each measure, how often measures are really done, how often each mechanism can strike,
    at what age, and wear-out.

    Parameters
    ----------
    draws : Draws
    priors : PriorSet
    types : ndarray of int
        Overlay types of the programme.
    """
    groups: dict[str, np.ndarray] = {}
    for k, measure in enumerate(priors.measures):
        columns = _effects(draws, priors, k)
        if columns.shape[1]:
            groups[f"effect of {measure.name}"] = columns
    if priors.measures:
        groups["how often measures are really done"] = draws["compliance"]
    for m, mechanism in enumerate(priors.mechanisms):
        groups[f"prevalence of {mechanism.name}"] = draws["intercept"][:, types, m]
    if priors.mechanisms:
        groups["ages of early failures"] = np.log(np.hstack([draws["age_median"], draws["age_shape"]]))
    drivers = [d for d, driver in enumerate(priors.drivers) if driver.acts_on == ("wear_out",)]
    groups["wear-out"] = np.column_stack(
        [
            np.log(draws["wear_out_median"][:, types]),
            np.log(draws["wear_out_shape"]),
            *(draws["driver_coefficient"][:, d] for d in drivers),
        ]
    )
    return {name: columns for name, columns in groups.items() if np.ptp(columns, axis=0).any()}


def _effects(draws: Draws, priors: PriorSet, k: int) -> np.ndarray:
    columns = [draws["delta"][:, i] for i, d in enumerate(deltas_of(priors)) if d.measure == k]
    if priors.measures[k].time_ratio is not None:
        columns.append(np.log(draws["time_ratio"][:, k]))
    columns += [draws["score_shift_size"][:, i] for i, (owner, _) in enumerate(shifts_of(priors)) if owner == k]
    return np.column_stack(columns) if columns else np.empty((draws.count, 0))


def trial_parameters(draws: Draws, priors: PriorSet) -> np.ndarray:
    """Every parameter that the records of a trial depend on, (sample, parameter)."""
    names = ("start_index", "start_spread", "noise", "kappa", "kappa_early_log_ratio", "removal_lag", "year_slope")
    columns = [draws[name][:, None] for name in names if name in draws]
    columns += [draws[f"{g.column}_sd"][:, None] for g in priors.groups if f"{g.column}_sd" in draws]
    columns += [np.log(draws["wear_out_median"]), np.log(draws["wear_out_shape"])[:, None]]
    columns += [draws[name] for name in ("driver_coefficient",) if name in draws]
    if priors.mechanisms:
        # by mechanism and by type: an intercept is their sum up to curvature
        columns += [draws["intercept"].mean(axis=1), np.log(draws["odds_multiplier"])]
        columns += [np.log(draws[name]) for name in ("age_median", "age_shape")]
        columns.append(draws["score_effect"])
        columns.append(draws["label_error"][:, None])
    if priors.measures:
        columns.append(draws["compliance"])
        columns += [_effects(draws, priors, k) for k in range(len(priors.measures))]
    return np.hstack(columns)
