"""Measures and portfolios: what is required where, what is really done, and what that changes.

A measure changes inputs, never results. It lowers the log-odds of susceptibility to a mechanism,
slows a mechanism, shifts a quality score or stretches the wear-out age. A required measure is done
as intended with a probability (compliance), so a section is a mixture of states; the mixture is
listed here once and serves the likelihood and the simulation alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, combinations, product

import numpy as np
import xarray as xr
from scipy.optimize import brentq

from .errors import RiskModelError
from .hazard import Root, mean_susceptibility
from .priorset import Measure, PriorSet

__all__ = [
    "CURRENT_PRACTICE",
    "NO_MEASURES",
    "Delta",
    "Mixture",
    "Portfolio",
    "all_portfolios",
    "build_mixture",
    "deltas_of",
    "in_play",
    "log_odds_of_ratio",
    "relevant_measures",
    "roots_of",
    "selections_of",
    "shifts_of",
    "states_of",
    "type_index",
]

NO_MEASURES = "no_measures"
CURRENT_PRACTICE = "current_practice"


# ---------------------------------------------------------------------------------- portfolios


@dataclass(frozen=True)
class Portfolio:
    """Measures required in addition to current practice.

    Parameters
    ----------
    name : str
        `no_measures`, `current_practice`, or the measures joined by ` + `.
    measures : tuple of str
    where : mapping of measure to {column: allowed values}
        Rules that limit a measure to some sections; a measure without a rule is required wherever
        it is applicable.
    reference : bool
        True for the two references, which require nothing.
    """

    name: str
    measures: tuple[str, ...] = ()
    where: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    reference: bool = False


REFERENCES = (Portfolio(NO_MEASURES, reference=True), Portfolio(CURRENT_PRACTICE, reference=True))


def all_portfolios(measures: Sequence[str]) -> tuple[Portfolio, ...]:
    """Both references and every non-empty set of `measures`, small sets first.

    The order of `measures` does not matter to any number; names keep the order given.
    """
    sets = chain.from_iterable(combinations(measures, n) for n in range(1, len(measures) + 1))
    return REFERENCES + tuple(Portfolio(" + ".join(s), s) for s in sets)


def in_play(priors: PriorSet, portfolios: Sequence[Portfolio], tables: Sequence[xr.Dataset]) -> PriorSet:
    """The prior set without the measures that nobody speaks of.

    A measure stays if a portfolio requires it or a table records it in any section. The others are part
    of how work is done today: the early-failure prior covers them, and records say nothing of them. As
    unknowns of every section they would only multiply the states that the likelihood sums over.

    Parameters
    ----------
    priors : PriorSet
    portfolios : sequence of Portfolio
    tables : sequence of Dataset of kind `sections`
        Records, planned sections.
    """
    named = {measure for portfolio in portfolios for measure in portfolio.measures}
    for table in tables:
        if "measure" in table.dims:
            recorded = np.isfinite(table["required"].transpose("section", "measure").values.astype(float)).any(axis=0)
            named |= set(table["measure"].values[recorded].astype(str))
    return replace(priors, measures=tuple(m for m in priors.measures if m.name in named))


def required_by(portfolio: Portfolio, sections: xr.Dataset, measure: Measure) -> np.ndarray:
    """Sections (bool, shape (section,)) in which the portfolio requires the measure."""
    count = sections.sizes["section"]
    if measure.name not in portfolio.measures:
        return np.zeros(count, bool)
    required = np.isin(section_types(sections, measure.applies_to), list(measure.applies_to))
    for column, allowed in portfolio.where.get(measure.name, {}).items():
        if column not in sections:
            raise RiskModelError(
                f"portfolio `{portfolio.name}`: the rule of `{measure.name}` names the column `{column}`, "
                "which the programme does not have. Add the column or drop the rule."
            )
        required &= np.isin(sections[column].values.astype(str), [str(v) for v in allowed])
    return required


def section_types(sections: xr.Dataset, known: Sequence[str]) -> np.ndarray:
    """Overlay type of each section, `bond_base`, or `any` where the prior set knows no types."""
    if tuple(known) == ("any",):
        return np.full(sections.sizes["section"], "any")
    bond, base = sections["bond"].values.astype(str), sections["base"].values.astype(str)
    return np.char.add(np.char.add(bond, "_"), base)


def type_index(sections: xr.Dataset, priors: PriorSet) -> np.ndarray:
    """Position of each section's overlay type in `priors.types`, shape (section,)."""
    names = [t.name for t in priors.types]
    if names == ["any"]:
        return np.zeros(sections.sizes["section"], int)
    types = section_types(sections, names)
    missing = sorted(set(types) - set(names))
    if missing:
        raise RiskModelError(
            f"overlay types {', '.join(missing)} have no prior; known: {', '.join(names)}. "
            "Add a [type] table to the prior files or correct `bond` and `base`."
        )
    return np.array([names.index(t) for t in types], int)


# ------------------------------------------------------------------- what a measure acts on


@dataclass(frozen=True)
class Delta:
    """One effect of one measure on one mechanism.

    Parameters
    ----------
    measure, mechanism, effect : int
        Positions in the prior set; `effect` numbers the effects of all measures in file order.
    scale : str
        `risk_ratio` and `odds_ratio` act on the log-odds, `hazard_ratio` on the mechanism's age.
    types : ndarray of bool (type,)
        Overlay types on which it acts.
    name : str
        `measure on mechanism`, for tables.
    """

    measure: int
    mechanism: int
    effect: int
    scale: str
    types: np.ndarray
    name: str


def roots_of(priors: PriorSet) -> tuple[Root, ...]:
    """Root causes that have mechanisms, in the order of the prior set."""
    names = [m.root for m in priors.mechanisms]
    return tuple(Root(root, tuple(i for i, n in enumerate(names) if n == root)) for root in dict.fromkeys(names))


def deltas_of(priors: PriorSet) -> tuple[Delta, ...]:
    """Every effect of every measure, one entry a mechanism."""
    mechanisms = [m.name for m in priors.mechanisms]
    types = [t.name for t in priors.types]
    found: list[Delta] = []
    effect_number = 0
    for k, measure in enumerate(priors.measures):
        for effect in measure.effects:
            acts = np.isin(types, list(effect.applies_to))
            for name in effect.mechanisms:
                label = f"{measure.name} on {name}"
                if any(d.name == label for d in found):
                    label += f" ({effect_number})"
                found.append(Delta(k, mechanisms.index(name), effect_number, effect.scale, acts, label))
            effect_number += 1
    return tuple(found)


def shifts_of(priors: PriorSet) -> tuple[tuple[int, str], ...]:
    """(measure, root) of every score shift."""
    return tuple((k, root) for k, m in enumerate(priors.measures) for root in m.score_shift)


def selections_of(priors: PriorSet) -> tuple[tuple[int, str], ...]:
    """(measure, root) of every selection term: the roots on which a measure acts."""
    root = [m.root for m in priors.mechanisms]
    acting = {(d.measure, root[d.mechanism]) for d in deltas_of(priors)} | set(shifts_of(priors))
    order = [r.name for r in roots_of(priors)]
    return tuple(sorted(acting, key=lambda kr: (kr[0], order.index(kr[1]))))


def log_odds_of_ratio(ratio: float, intercept: np.ndarray, spread: float, weight: np.ndarray) -> float:
    """Lowering delta of the log-odds for which the programme's susceptibility is multiplied by `ratio`.

    Parameters
    ----------
    ratio : float, positive
        Programme mean of the susceptibility with the measure over that without.
    intercept : ndarray (type,)
        Log-odds at prior-mean parameters.
    spread : float
        Standard deviation of the log-odds between sections.
    weight : ndarray (type,)
        Share of each type among the sections on which the effect acts.

    Raises
    ------
    RiskModelError
        If no change of the log-odds can reach the ratio (it would take more than every section).
    """
    base = float(weight @ mean_susceptibility(intercept, np.full(len(intercept), spread)))

    def excess(delta: float) -> float:
        return float(weight @ mean_susceptibility(intercept - delta, np.full(len(intercept), spread))) - ratio * base

    low, high = -40.0, 40.0
    if excess(low) < 0 or excess(high) > 0:
        raise RiskModelError(
            f"a risk ratio of {ratio:g} cannot be reached: {base:.3g} of the sections are susceptible without the "
            "measure. State a ratio between 0 and 1 / that share, or an odds_ratio."
        )
    return float(brentq(excess, low, high, xtol=1e-10))


# ------------------------------------------------------------------------- mixtures of states


@dataclass(frozen=True)
class State:
    """One possible state of a section in one measure.

    `chosen`: the road was one for which the measure was chosen (its selection term applies);
    `done`: really done as intended; `comply`, `lapse`: powers of the compliance probability and of
    its complement in the state's weight.
    """

    weight: float
    chosen: bool
    done: bool
    comply: int = 0
    lapse: int = 0


def states_of(required: float, *, verified: bool, forced: bool, banned: bool, rate: float) -> tuple[State, ...]:
    """States of one measure in one section.

    Parameters
    ----------
    required : float
        The record: 1, 0, or NaN (nothing recorded: required at the records' `rate`).
    verified : bool
        The record says that it was really done.
    forced, banned : bool
        A portfolio requires it here; the portfolio is `no_measures`.
    rate : float in [0, 1]
    """
    origins = [(1.0 - rate, False), (rate, True)] if np.isnan(required) else [(1.0, required == 1.0)]
    states: list[State] = []
    for weight, chosen in origins:
        if weight == 0.0:
            continue
        if banned or not (chosen or forced):
            states.append(State(weight, chosen, done=False))
        elif chosen and verified:
            states.append(State(weight, chosen, done=True))
        else:
            states.append(State(weight, chosen, done=True, comply=1))
            states.append(State(weight, chosen, done=False, lapse=1))
    return tuple(states)


@dataclass(frozen=True)
class Mixture:
    """States of all sections in the measures that matter to one root (or to wear-out).

    A row is one state of one section; rows of a section stand together and their weights sum to 1.

    Parameters
    ----------
    section : ndarray of int (row,)
    weight : ndarray (row,)
        Constant factor of the state's probability.
    comply, lapse : ndarray (row, measure)
        The probability is weight * prod compliance^comply (1 - compliance)^lapse.
    chosen : ndarray (row, selection)
        1 where the selection term of that column acts.
    acts : ndarray (row, delta)
        1 where that effect acts on the log-odds.
    slows : ndarray (row, delta)
        1 where that effect acts on the mechanism's age (hazard ratios).
    shift : ndarray (row, shift)
        1 where that score shift acts.
    stretch : ndarray (row, measure)
        1 where the measure stretches the wear-out age.
    pattern : ndarray of int (row,)
        Row of `patterns` that holds this row's `slows` (roots) or `stretch` (wear-out).
    patterns : ndarray (pattern, delta or measure)
    """

    section: np.ndarray
    weight: np.ndarray
    comply: np.ndarray
    lapse: np.ndarray
    chosen: np.ndarray
    acts: np.ndarray
    slows: np.ndarray
    shift: np.ndarray
    stretch: np.ndarray
    pattern: np.ndarray
    patterns: np.ndarray

    def probability(self, compliance: np.ndarray) -> np.ndarray:
        """Probability of each row at one draw of `compliance` (measure,), shape (row,)."""
        with np.errstate(divide="ignore"):
            log_p = np.where(self.comply > 0, np.log(compliance), 0.0) + np.where(
                self.lapse > 0, np.log1p(-compliance), 0.0
            )
        return self.weight * np.exp(log_p.sum(axis=1))


@dataclass(frozen=True)
class Requirements:
    """What the records (or a programme) say of measures, and what a portfolio adds.

    Parameters
    ----------
    required : ndarray (section, measure), 1, 0 or NaN
    verified, randomised, forced : ndarray of bool (section, measure)
    banned : bool
        True under `no_measures`.
    rate : ndarray (measure,)
        Share of sections with the measure where nothing is recorded.
    types : ndarray of int (section,)
    """

    required: np.ndarray
    verified: np.ndarray
    randomised: np.ndarray
    forced: np.ndarray
    banned: bool
    rate: np.ndarray
    types: np.ndarray

    @classmethod
    def of(cls, sections: xr.Dataset, priors: PriorSet, portfolio: Portfolio | None = None) -> Requirements:
        """Read them from a `sections` (or programme) Dataset; no portfolio means the records as they are."""
        names = [m.name for m in priors.measures]
        shape = (sections.sizes["section"], len(names))
        required, verified, randomised = np.full(shape, np.nan), np.zeros(shape, bool), np.zeros(shape, bool)
        if "measure" in sections.dims:
            table = sections.reindex(measure=names)
            required = np.asarray(table["required"].values, float)
            verified = table["verified"].fillna(0).values.astype(bool)
            randomised = table["randomised"].fillna(0).values.astype(bool)
        types = type_index(sections, priors)
        for k in range(len(names)):
            # an empty cell where the measure cannot be required means that it was not
            required[np.isnan(required[:, k]) & ~_applicable(priors, k)[types], k] = 0.0
        rate = recorded_rates(sections, priors, required)
        bare = cls(required, verified, randomised, np.zeros(shape, bool), False, rate, types)
        return bare if portfolio is None else bare.under(portfolio, sections, priors)

    def under(self, portfolio: Portfolio, sections: xr.Dataset, priors: PriorSet) -> Requirements:
        """The same records with what a portfolio adds."""
        columns = [required_by(portfolio, sections, measure) for measure in priors.measures]
        forced = np.stack(columns, axis=1) if columns else np.zeros_like(self.forced)
        return replace(self, forced=forced, banned=portfolio.name == NO_MEASURES)

    def take(self, piece: slice) -> Requirements:
        """The same for some of the sections."""
        parts = {n: getattr(self, n)[piece] for n in ("required", "verified", "randomised", "forced", "types")}
        return replace(self, **parts)


def recorded_rates(sections: xr.Dataset, priors: PriorSet, required: np.ndarray) -> np.ndarray:
    """Rate rho at which each measure was required where that is recorded, shape (measure,).

    Counted over the sections in which it is applicable. A programme may carry the rates of its records
    as the variable `required_rate`; where no cell is recorded the prior file's `required_rate` serves.
    """
    stated = np.array([m.required_rate.distribution.mean for m in priors.measures])
    if "required_rate" in sections:
        carried = sections["required_rate"].reindex(measure=[m.name for m in priors.measures]).values
        return np.where(np.isfinite(carried), carried, stated)
    types = type_index(sections, priors)
    known = np.isfinite(required)
    for k in range(len(priors.measures)):
        known[:, k] &= _applicable(priors, k)[types]
    total = known.sum(axis=0)
    return np.where(total > 0, np.where(known, required, 0.0).sum(axis=0) / np.maximum(total, 1), stated)


def relevant_measures(priors: PriorSet, root: Root | None) -> list[int]:
    """Measures that matter to one root, or to wear-out when `root` is None."""
    if root is None:
        return [k for k, m in enumerate(priors.measures) if m.time_ratio is not None]
    acting = {d.measure for d in deltas_of(priors) if d.mechanism in root.mechanisms}
    return sorted(acting | {k for k, name in shifts_of(priors) if name == root.name})


def build_mixture(asked: Requirements, priors: PriorSet, root: Root | None) -> Mixture:
    """Mixture of states for one root, or for wear-out when `root` is None."""
    deltas, shifts, selections = deltas_of(priors), shifts_of(priors), selections_of(priors)
    here = [d for d in deltas if root is not None and d.mechanism in root.mechanisms]
    relevant = relevant_measures(priors, root)
    section, row, states = _enumerate(asked, relevant)
    rows, measures = len(section), len(priors.measures)
    done, chosen_by, comply, lapse = (np.zeros((rows, measures)) for _ in range(4))
    weight = np.ones(rows)
    for column, k in enumerate(relevant):
        facts = np.array(
            [(s.weight, s.done, s.chosen, s.comply, s.lapse) for s in (several[column] for several in states)]
        )
        one, done[:, k], chosen_by[:, k], comply[:, k], lapse[:, k] = facts[row].T
        weight *= one
    types = asked.types[section]
    acting = np.zeros((rows, len(deltas)))
    for i, d in enumerate(deltas):
        if d in here:
            acting[:, i] = done[:, d.measure] * d.types[types]
    slow = np.array([d.scale == "hazard_ratio" for d in deltas], bool)
    chosen = np.zeros((rows, len(selections)))
    for i, (k, name) in enumerate(selections):
        if root is not None and name == root.name:
            chosen[:, i] = chosen_by[:, k] * ~asked.randomised[section, k]
    shift = np.zeros((rows, len(shifts)))
    for i, (k, name) in enumerate(shifts):
        if root is not None and name == root.name:
            shift[:, i] = done[:, k] * _applicable(priors, k)[types]
    stretch = np.zeros((rows, measures))
    for k in relevant if root is None else ():
        stretch[:, k] = done[:, k] * _applicable(priors, k)[types]
    key = stretch if root is None else acting * slow
    patterns, pattern = np.unique(key, axis=0, return_inverse=True)
    return Mixture(
        section, weight, comply, lapse, chosen, acting * ~slow, acting * slow, shift, stretch, pattern.ravel(), patterns
    )


def _applicable(priors: PriorSet, measure: int) -> np.ndarray:
    return np.isin([t.name for t in priors.types], list(priors.measures[measure].applies_to))


def _enumerate(asked: Requirements, relevant: Sequence[int]) -> tuple[np.ndarray, np.ndarray, list[tuple[State, ...]]]:
    """Every combination of states of the `relevant` measures, section by section.

    Returns
    -------
    section, row : ndarray of int (row,)
        Section, and place of its combination in `states`.
    states : list of tuple of State
        The different combinations, one state a relevant measure.
    """
    columns = [
        np.nan_to_num(asked.required[:, relevant], nan=2.0),
        asked.verified[:, relevant],
        asked.forced[:, relevant],
    ]
    cells, kind = np.unique(np.concatenate(columns, axis=1), axis=0, return_index=True, return_inverse=True)[1:]
    by_kind = [list(product(*_states(asked, int(i), relevant))) for i in cells]
    counts = np.array([len(several) for several in by_kind], int)
    first = np.cumsum(counts) - counts
    kind = kind.ravel()
    section = np.repeat(np.arange(len(kind)), counts[kind])
    begin = np.cumsum(counts[kind]) - counts[kind]
    row = first[kind][section] + np.arange(len(section)) - begin[section]
    return section, row, [states for several in by_kind for states in several]


def _states(asked: Requirements, i: int, relevant: Sequence[int]) -> Iterator[tuple[State, ...]]:
    for k in relevant:
        yield states_of(
            float(asked.required[i, k]),
            verified=bool(asked.verified[i, k]),
            forced=bool(asked.forced[i, k]),
            banned=asked.banned,
            rate=float(asked.rate[k]),
        )
