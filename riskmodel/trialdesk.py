"""The value of a trial for a finished study: what it reads from the results, and its table.

`net_benefit_of` is the one place that says what a section's net benefit is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from .desk import SIMULATION, Desk
from .errors import RiskModelError
from .firstsigns import FirstSigns, first_signs
from .lives import Draws
from .measures import CURRENT_PRACTICE
from .newsections import new_lives
from .notebook import page_of
from .pipeline import open_results, results_folder
from .store import lock_folder, write_table
from .study import Study
from .trial import TrialDesign, draw_outcomes, trial_profiles, with_new_rater
from .trialvalue import Programme, TrialCost, TrialValue, value_of_trials
from .trialwords import trial_lines

__all__ = [
    "TRIALS",
    "NetBenefit",
    "TrialAnswer",
    "TrialQuestion",
    "answer_trial",
    "net_benefit_of",
    "trials_table",
]

Progress = Callable[[int, int, str], None]
TRIALS = "tables/trials.csv"
USUAL_RATE = 0.03
"""Real discount rate where the study weighs no costs."""
SPAN = 20
"""Years ahead for which ordinary condition data are simulated."""
ORDINARY_DRAWS, ORDINARY_PAIRS = 500, 400
"""Most simulated futures, and most pairs in one, of ordinary condition data: memory."""


@dataclass(frozen=True)
class NetBenefit:
    """Expected net benefit of one section at each draw.

    Parameters
    ----------
    values : DataArray (sample, portfolio)
    unit : str
    basis : str
        What it is, as a sentence.
    costs : ndarray (sample, cost) or None
        Drawn costs in it.
    """

    values: xr.DataArray
    unit: str
    basis: str
    costs: np.ndarray | None = None


@dataclass(frozen=True)
class TrialQuestion:
    """What is asked of a trial.

    Parameters
    ----------
    design : TrialDesign
        Its size and length are the first of `sizes` and `lengths`.
    sizes, lengths : tuple of int
    cost : TrialCost
    worth : float or None
        What a section-year of good order is worth; None counts in section-years.
    prices : mapping of measure to float
        First cost of a measure per section, in the unit of the net benefit.
    sections_per_year : float or None
        None: as many as the records opened each year on average.
    horizon : int
    discount_rate : float or None
        Real, a year; None: the study's.
    level : float
    trials : int
    ordinary : bool
        Whether ordinary condition data are simulated too.
    """

    design: TrialDesign
    sizes: tuple[int, ...]
    lengths: tuple[int, ...]
    cost: TrialCost
    worth: float | None = None
    prices: Mapping[str, float] | None = None
    sections_per_year: float | None = None
    horizon: int = 20
    discount_rate: float | None = None
    level: float = 0.95
    trials: int = 200
    ordinary: bool = True


@dataclass(frozen=True)
class TrialAnswer:
    """Values, ordinary data by whether chance assigns, the net benefit behind them, and the file written."""

    value: TrialValue
    signs: dict[bool, FirstSigns]
    benefit: NetBenefit
    file: Path

    @property
    def lines(self) -> list[str]:
        """The answer in words."""
        return trial_lines(self.value, self.signs, unit=self.benefit.unit, basis=self.benefit.basis)

    def _repr_html_(self) -> str:
        return page_of("\n".join(self.lines))


def net_benefit_of(desk: Desk, *, worth: float | None = None, prices: Mapping[str, float] | None = None) -> NetBenefit:
    """Expected net benefit of one section under each portfolio at each draw.

    The saving of the study's decision. Where the study weighs no costs, or `worth` or `prices` are stated:
    section-years in good order within the horizon times what one is worth, less the first cost of the
    portfolio's measures.

    Parameters
    ----------
    desk : Desk
        With a finished simulation, and decision where the study has one.
    worth : float, optional
        Of a section-year; None counts in section-years.
    prices : mapping of measure to float, optional
        First cost per section.

    Raises
    ------
    RiskModelError
        When a price names a measure that no portfolio holds.
    """
    if desk.study.policy is not None and worth is None and not prices:
        return _saving(desk)
    prices, sets = dict(prices or {}), {p.name: p.measures for p in desk.portfolios}
    known = sorted({m for measures in sets.values() for m in measures})
    unknown = sorted(set(prices) - set(known))
    if unknown:
        raise RiskModelError(
            f"no portfolio holds {', '.join(unknown)}, so its cost changes nothing. Known: {', '.join(known)}."
        )
    years = desk.simulation["value"].sel(quantity="restricted_mean_age", drop=True)
    names = [str(p) for p in years["portfolio"].values]
    first = xr.DataArray([sum(prices.get(m, 0.0) for m in sets.get(name, ())) for name in names], dims="portfolio")
    values = years * (1.0 if worth is None else worth) - first
    unit = "section-years" if worth is None else "money"
    horizon = float(desk.simulation.attrs["horizon"])
    told = f"years in good order within {horizon:g} years" + ("" if worth is None else f", each worth {worth:,g}")
    cost = f", less the first cost of {', '.join(f'{m} {prices[m]:,g}' for m in prices)}" if prices else ""
    free = [m for m in known if m not in prices]
    rest = f" No first cost is counted for {', '.join(free)}." if free else ""
    basis = f"Net benefit of a section: {told}{cost}, in {unit}.{rest} It rests on {desk.basis}."
    return NetBenefit(values.transpose("sample", "portfolio"), unit, basis)


def _saving(desk: Desk) -> NetBenefit:
    """What the study's decision rests on."""
    decision = desk.decision
    values = decision["net_benefit"].transpose("sample", "portfolio")
    years, rate = decision.attrs["analysis_period"], 100.0 * decision.attrs["discount_rate"]
    basis = (
        f"Net benefit of a section: its saving on current practice in present value over {years} years at {rate:g} %, "
        f"as in the study's decision. It rests on {desk.basis}."
    )
    prices = np.asarray(decision["price"].values)
    moving = np.ptp(prices, axis=0) > 0
    unit = f"{decision.attrs['currency']} of {decision.attrs['price_year']}"
    return NetBenefit(values, unit, basis, np.log(prices[:, moving]) if moving.any() else None)


def answer_trial(
    study: Study, question: TrialQuestion, *, out: Path | None = None, progress: Progress | None = None
) -> TrialAnswer:
    """Read a finished study, value the trials and write `tables/trials.csv`.

    Raises
    ------
    StoreError
        When there are no results, they are older than their inputs, or the folder cannot be written.
    RiskModelError
        When the question does not fit the study.
    """
    weighed = ("decide",) if study.policy is not None else ()
    desk = open_results(study, out, needs=("calibrate", "simulate", *weighed))
    benefit = net_benefit_of(desk, worth=question.worth, prices=question.prices)
    draws = with_new_rater(Draws.of(desk.calibration.posterior, benefit.values.sizes["sample"]), study.seed)
    per_year = question.sections_per_year or _built_each_year(desk)
    stated = USUAL_RATE if study.policy is None else study.policy.discount_rate
    rate = stated if question.discount_rate is None else question.discount_rate
    programme = Programme(per_year, question.horizon, rate)
    value = value_of_trials(
        benefit.values, draws, desk.programme, desk.priors, study.condition, design=question.design,
        sizes=question.sizes, lengths=question.lengths, programme=programme, cost=question.cost,
        costs=benefit.costs, level=question.level, trials=question.trials, seed=study.seed, progress=progress,
    )  # fmt: skip
    signs = _ordinary(desk, draws, benefit, question, per_year, progress) if question.ordinary else {}
    folder = results_folder(study, out)
    with lock_folder(folder):
        write_table(trials_table(value, signs, desk, benefit.unit), folder / TRIALS)
    return TrialAnswer(value, signs, benefit, folder / TRIALS)


def _built_each_year(desk: Desk) -> float:
    """Sections that the records opened each year on average."""
    if desk.records is None:
        raise RiskModelError(
            "without records nobody knows how many sections are built each year. State it: --sections-per-year 20."
        )
    opened = desk.records.sections["opened_year"].values
    span = float(np.nanmax(opened) - np.nanmin(opened)) if np.isfinite(opened).any() else 1.0
    return round(len(opened) / max(span, 1.0), 1)


def _ordinary(
    desk: Desk,
    draws: Draws,
    benefit: NetBenefit,
    question: TrialQuestion,
    per_year: float,
    progress: Progress | None,
) -> dict[bool, FirstSigns]:
    """Yearly comparisons of roads with and without the measure, without a trial."""
    gain = (
        benefit.values.sel(portfolio=question.design.measure) - benefit.values.sel(portfolio=CURRENT_PRACTICE)
    ).values
    origin = np.unique(np.linspace(0, draws.count - 1, min(draws.count, ORDINARY_DRAWS)).round().astype(int))
    pairs = int(np.clip(round(per_year / 2.0), 1, ORDINARY_PAIRS // SPAN))
    found = {}
    for number, assigned in enumerate((True, False)):
        if progress is not None:
            progress(number, 2, "ordinary condition data")
        design = replace(question.design, sections=pairs * SPAN, years=SPAN, assigned=assigned, verified=False)
        profiles = trial_profiles(design, desk.programme, desk.priors)
        lives = new_lives(draws, profiles.table, desk.priors)
        outcomes = draw_outcomes(
            draws, lives, profiles.order, desk.study.condition, years=SPAN, origin=origin, seed=desk.study.seed,
            purpose="ordinary data",
        )  # fmt: skip
        found[assigned] = first_signs(outcomes, pairs, gain[origin] > 0, level=question.level)
    return found


# ---------------------------------------------------------------------------------------- table

COLUMNS = ("subject", "sections_each_arm", "years", "quantity", "unit", "value", "mcse", "basis", "simulation")


def trials_table(value: TrialValue, signs: Mapping[bool, FirstSigns], desk: Desk, unit: str) -> pd.DataFrame:
    """Everything found, one number a row.

    Returns
    -------
    DataFrame
        Columns `subject, sections_each_arm, years, quantity, unit, value, mcse, basis, simulation`; the last
        holds the beginning of the digest of the simulation behind it.
    """
    rows: list[tuple[object, ...]] = []

    def add(subject: str, quantity: str, unit: str, number: float, mcse: float = np.nan,
            size: object = "", years: object = "") -> None:  # fmt: skip
        rows.append((subject, size, years, quantity, unit, number, mcse))

    per = f"{unit} per section"
    add("everything", "evpi", per, value.perfect.value, value.perfect.error)
    add("everything a trial could teach", "evppi", per, value.partial.value, value.partial.error)
    for name, one in value.groups.items():
        add(name, "evppi", per, one.value, one.error)
        add(name, "variance_explained", "1", one.explained)
    for trial in value.trials:
        measure, size, years, sample = trial.design.measure, trial.design.sections, trial.design.years, trial.sample
        at = {"size": size, "years": years}
        add(f"trial of {measure}", "evsi", per, sample.value, sample.error, **at)
        add(f"trial of {measure}", "gain", unit, trial.gain.value, trial.gain.error, **at)
        add(f"trial of {measure}", "cost", unit, trial.cost, **at)
        add(f"trial of {measure}", "net_value", unit, trial.net.value, trial.net.error, **at)
        add(f"trial of {measure}", "changes_the_choice", "1", sample.switch, sample.switch_error, **at)
        add(f"trial of {measure}", "settles_the_sign", "1", trial.settled, **at)
        add(f"trial of {measure}", "effective_sample_size", "draws", float(np.median(sample.ess)), **at)
        add(f"trial of {measure}", "pareto_k_over_0.7", "1", float((sample.pareto_k > 0.7).mean()), **at)
    for assigned, found in signs.items():
        way = "assigned by chance" if assigned else "chosen by the agency"
        for row in found.table.to_dict("records"):
            subject = f"ordinary data, {way}: {row['reading']}"
            add(subject, "sure_within_span", "1", float(row["confirmed"]), years=found.span)
            add(subject, "median_years_until_sure", "years", float(row["median_years"]), years=found.span)
            add(subject, "mean_years_where_sure", "years", float(row["mean_years"]), years=found.span)
            add(subject, "chance_of_the_true_sign_at_end", "1", float(row["chance_at_end"]), years=found.span)
    digest = str(desk.entries["simulate"]["outputs"][SIMULATION])[:12]
    return pd.DataFrame([(*row, desk.basis, digest) for row in rows], columns=list(COLUMNS))
