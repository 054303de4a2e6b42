"""Removals of groups of sections, as recorded and in records simulated anew: districts, ages, root causes.

The curves are cumulative incidences (Aalen-Johansen; with one cause, one less Kaplan-Meier) among sections
under observation from an age at which enough of the group are.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from .closedform import ClosedForm, incidences
from .criticism import threshold_curves
from .lifetable import cumulative_incidence
from .lives import Draws
from .measures import CURRENT_PRACTICE, Portfolio
from .priors import WEAR_OUT, PriorSet
from .programme import programme_from_records
from .records import Records
from .replicas import Replicas
from .streams import stream

__all__ = ["BY_READINGS", "COLUMNS", "READ_LOW", "REMOVALS", "SPLITS", "GroupFit", "fit_by_group", "incidence_at"]

FEWEST = 20
"""Sections that a group needs, and that an age needs to enter its curve."""
MOST_GROUPS = 12
SPLITS = {
    "all": "all sections",
    "age": "sections by their age when the records close",
    "district": "districts",
    "root": "root causes recorded",
}
BY_READINGS = ("age", "district")
AGES_NOW = (10.0, 20.0)
UNKNOWN = "no cause recorded"
REMOVED = "removed"
EDGES = np.concatenate([np.arange(0.0, 40.0, 0.5), np.arange(40.0, 121.0, 5.0)])
COLUMNS = (
    *("what", "split", "group", "sections", "age", "at_risk", "recorded", "recorded_error", "middle", "lower", "upper"),
)  # fmt: skip
REMOVALS, READ_LOW = "removed for condition", "read at or below the threshold"
Floats = NDArray[np.float64]
Place = tuple[str, float, float, float]


@dataclass(frozen=True)
class GroupFit:
    """Curves of all groups, and how far each split lies from the simulated records.

    Parameters
    ----------
    table : DataFrame
        Columns `COLUMNS`: share removed for condition by an age, or read at or below the threshold (Turnbull, by
        age now and by district); `lower`, `middle` and `upper` are the 5, 50 and 95 % quantiles of simulated records.
    tail : dict of str to float
        Split to the share of simulated records whose worst group and age lies at least as far from their middle.
    worst : dict of str to tuple
        Split to (group, age, recorded, middle) where it lies farthest.
    read_low : dict of str to tuple
        Split to how many times as far as in any of the few simulated sets the readings at or below the threshold
        lie at their worst, and where that is.
    """

    table: pd.DataFrame
    tail: dict[str, float]
    worst: dict[str, Place]
    read_low: dict[str, tuple[float, Place]]


def incidence_at(leave: Floats, cause: NDArray[np.int64], entry: Floats, causes: int, ages: Floats) -> Floats:
    """Cumulative incidence of every cause at ages, among sections under observation after the first of them.

    Parameters
    ----------
    leave : ndarray (section,)
        Age at removal, or last seen, years.
    cause : ndarray of int (section,)
        0 to causes - 1; -1 where the section was not removed.
    entry : ndarray (section,)
        Age at which it came under observation, years.
    causes : int
    ages : ndarray (age,)

    Returns
    -------
    ndarray (cause, age)

    Notes
    -----
    The same estimator as `lifetable.cumulative_incidence`, without variances, for the many tables of simulated
    records.
    """
    seen = leave > np.maximum(entry, ages[0])
    leave, cause, entry = leave[seen], cause[seen], np.sort(entry[seen])
    order = np.lexsort((cause < 0, leave))
    leave, cause = leave[order], cause[order]
    at_risk = np.searchsorted(entry, leave, side="left") - np.arange(len(leave))
    gone = cause >= 0
    with np.errstate(divide="ignore"):
        survival = np.cumprod(1.0 - gone / np.maximum(at_risk, 1))
    fall = np.concatenate([[1.0], survival[:-1]]) - survival if len(leave) else survival
    place = np.searchsorted(leave, ages, side="right")
    out = np.zeros((causes, len(ages)))
    for c in range(causes):
        out[c] = np.concatenate([[0.0], np.cumsum(fall * (cause == c))])[place]
    return out


def fit_by_group(
    posterior: xr.Dataset, records: Records, priors: PriorSet, replicas: Replicas, *, seed: int
) -> GroupFit:
    """Set the removals of every group beside those of simulated records.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    records : Records
    priors : PriorSet
    replicas : Replicas
        From the same posterior.
    seed : int
        Of the causes of simulated failures.
    """
    rows: list[tuple[object, ...]] = []
    tail, worst = {}, {}
    for split, groups in _splits(records, replicas).items():
        found = [one for one in (_one(split, name, keep, records, replicas) for name, keep in groups.items()) if one]
        if split == "root":
            found = _by_root(posterior, records, priors, replicas, seed)
        if not found:
            continue
        own, others, worst[split] = _distance(found)
        tail[split] = float((1 + (others >= own).sum()) / (1 + len(others)))
        rows += [(REMOVALS, *row) for one in found for row in one.rows(split)]
    low = {split: found for split in BY_READINGS if (found := _read_low(split, records, replicas))}
    rows += [(READ_LOW, *row) for split, found in low.items() for one in found for row in one.rows(split)]
    read_low = {}
    for split, found in low.items():
        own, others, place = _distance(found)
        read_low[split] = (own / float(others.max()), place)
    return GroupFit(pd.DataFrame(rows, columns=list(COLUMNS)), tail, worst, read_low)


# ------------------------------------------------------------------------------------ groups


def _splits(records: Records, replicas: Replicas) -> dict[str, dict[str, NDArray[np.bool_]]]:
    """Sections of every group; root causes are no groups of sections and stand empty."""
    sections, count = records.sections, len(replicas.entry)
    every = {"all sections": np.ones(count, bool)}
    now = replicas.leave
    ages = {
        f"under {AGES_NOW[0]:g} years": now < AGES_NOW[0],
        f"{AGES_NOW[0]:g} to {AGES_NOW[1]:g} years": (now >= AGES_NOW[0]) & (now < AGES_NOW[1]),
        f"over {AGES_NOW[1]:g} years": now >= AGES_NOW[1],
    }
    names = sections["district"].values.astype(str) if "district" in sections else np.full(count, "")
    known, size = np.unique(names[names != ""], return_counts=True)
    largest = known[np.argsort(-size, kind="stable")][:MOST_GROUPS]
    districts = {str(name): names == name for name in largest} if len(largest) > 1 else {}
    return {"all": every, "age": ages, "district": districts, "root": {}}


@dataclass(frozen=True)
class _Curves:
    """Curves of one group: name, sections, ages, at risk, recorded with its error, simulated (sample, age)."""

    name: str
    sections: int
    ages: Floats
    at_risk: NDArray[np.int64]
    recorded: Floats
    error: Floats
    simulated: Floats

    def rows(self, split: str) -> Iterator[tuple[object, ...]]:
        """Rows of the table."""
        low, middle, high = np.quantile(self.simulated, (0.05, 0.5, 0.95), axis=0)
        for i, age in enumerate(self.ages):
            yield (
                split, self.name, self.sections, age, self.at_risk[i], self.recorded[i], self.error[i],
                middle[i], low[i], high[i],
            )  # fmt: skip


def _one(split: str, name: str, keep: NDArray[np.bool_], records: Records, replicas: Replicas) -> _Curves | None:
    """Share of a group's sections removed."""
    removed = records.sections["age_removed"].values.astype(float)
    cause = np.where(np.isnan(removed), -1, 0)
    gone = np.where(replicas.removed < replicas.leave, 0, -1)
    found = _curves([name], keep, cause, [REMOVED], gone, records, replicas)
    return found[0] if found else None


def _curves(
    names: Sequence[str], keep: NDArray[np.bool_], cause: NDArray[np.int64], causes: Sequence[str],
    simulated_cause: NDArray[np.int64], records: Records, replicas: Replicas,
) -> list[_Curves]:  # fmt: skip
    """One curve a cause, of the sections kept; nothing where too few are under observation."""
    removed = records.sections["age_removed"].values.astype(float)
    leave = np.where(np.isnan(removed), records.sections["age_in_service"].values.astype(float), removed)
    keep = keep & (leave > replicas.entry)
    entry = replicas.entry[keep]
    ages, at_risk = _ages(entry, leave[keep])
    if keep.sum() < FEWEST or len(ages) < 2:
        return []
    texts = np.where(cause[keep] < 0, "", np.array([*causes, ""])[cause[keep]])
    table = cumulative_incidence(leave[keep], texts, entry, causes=causes, from_age=float(ages[0]))
    place = np.searchsorted(table["age"].values, ages, side="right")
    recorded, error = (
        np.concatenate([np.zeros((1, len(causes))), table[name].values])[place].T
        for name in ("incidence", "incidence_error")
    )
    simulated = np.stack([
        incidence_at(np.minimum(gone, replicas.leave)[keep], why[keep], replicas.entry[keep], len(causes), ages)
        for gone, why in zip(replicas.removed, simulated_cause, strict=True)
    ])  # fmt: skip
    return [
        _Curves(name, int(keep.sum()), ages, at_risk, recorded[c], error[c], simulated[:, c])
        for c, name in enumerate(names)
    ]


def _ages(entry: Floats, leave: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Whole years at which enough sections are under observation, one run of them."""
    years = np.arange(0.0, float(leave.max(initial=0.0)) + 1.0)
    count = ((entry <= years[:, None]) & (leave >= years[:, None])).sum(axis=1)
    enough = np.flatnonzero(count >= FEWEST)
    if not len(enough):
        return years[:0], count[:0]
    last = enough[0] + int(np.argmin(np.append(count[enough[0] :] >= FEWEST, False)))
    return years[enough[0] : last], count[enough[0] : last]


def _distance(found: Sequence[_Curves]) -> tuple[float, Floats, Place]:
    """Distance of the farthest group and age of a split, that of every simulated set, and where it is.

    Distances are in standard deviations of simulated records, not below that of one section of the group.
    """
    apart = []
    for one in found:
        middle = one.simulated.mean(axis=0)
        spread = np.maximum(one.simulated.std(axis=0), 1.0 / one.sections)
        apart.append((np.abs(one.recorded - middle) / spread, np.abs(one.simulated - middle) / spread, middle))
    own = np.array([recorded.max() for recorded, _, _ in apart])
    simulated: Floats = np.stack([others.max(axis=1) for _, others, _ in apart]).max(axis=0)
    g = int(own.argmax())
    a = int(apart[g][0].argmax())
    place = (found[g].name, float(found[g].ages[a]), float(found[g].recorded[a]), float(apart[g][2][a]))
    return float(own.max()), simulated, place


def _read_low(split: str, records: Records, replicas: Replicas) -> list[_Curves]:
    """Share of each group read at or below the threshold by age; where a simulated curve ends, its middle stands."""
    removed = records.sections["age_removed"].values.astype(float)
    out = []
    for name, keep in _splits(records, replicas)[split].items():
        found = threshold_curves(replicas.of_sections(keep), removed[keep])
        if found is None:
            continue
        ages, at_risk, recorded, simulated = found
        known = np.isfinite(recorded) & np.isfinite(simulated).any(axis=0)
        if not known.any():
            continue
        low = 1.0 - simulated[:, known]
        low = np.where(np.isnan(low), np.nanmedian(low, axis=0), low)
        none = np.full(int(known.sum()), np.nan)
        out.append(_Curves(name, int(keep.sum()), ages[known], at_risk[known], 1.0 - recorded[known], none, low))
    return out


# ------------------------------------------------------------------------------- root causes


def _by_root(posterior: xr.Dataset, records: Records, priors: PriorSet, replicas: Replicas, seed: int) -> list[_Curves]:
    """One curve a root cause that any removal names, wear-out among them; nothing where none is named."""
    named = records.sections["named"].values.astype(bool)
    removed = np.isfinite(records.sections["age_removed"].values.astype(float))
    roots = [*priors.roots, WEAR_OUT]
    of_cause = np.array([roots.index(m.root) for m in priors.mechanisms] + [len(roots) - 1])
    root = np.array([_only(of_cause[row]) for row in named])
    told = removed & (root >= 0)
    if not told.any():
        return []
    cause = np.where(removed, np.where(root >= 0, root, len(roots)), -1)
    labelled = float(told.sum() / removed.sum())
    simulated = _simulated_roots(posterior, records, priors, replicas, of_cause, labelled, seed)
    every = np.ones(len(removed), bool)
    found = _curves([*roots, UNKNOWN], every, cause, [*roots, UNKNOWN], simulated, records, replicas)
    return [one for one in found if one.recorded.any() or one.simulated.any()]


def _only(roots: NDArray[np.int64]) -> int:
    """The root that all named causes share; -1 where there is none or several."""
    return int(roots[0]) if len(roots) and (roots == roots[0]).all() else -1


def _simulated_roots(
    posterior: xr.Dataset, records: Records, priors: PriorSet, replicas: Replicas, of_cause: NDArray[np.int64],
    labelled: float, seed: int,
) -> NDArray[np.int64]:  # fmt: skip
    """Recorded root of every simulated removal, (sample, section): as often unknown or wrong as on record."""
    rng = stream(seed, "causes of simulated removals")
    draws = Draws.of(posterior, len(replicas.removed))
    mechanism = _mechanisms(draws, records, priors, replicas, seed)
    count = len(priors.mechanisms)
    types = _applicable(records, priors)
    wrong = rng.random(mechanism.shape) < (draws["label_error"][:, None] if "label_error" in draws else 0.0)
    anything = (rng.random(mechanism.shape) * (types.sum(axis=1) + 1.0)).astype(int)
    order = np.argsort(~np.column_stack([types, np.ones(len(types), bool)]), axis=1, kind="stable")
    other = np.take_along_axis(np.broadcast_to(order, (len(mechanism), *order.shape)), anything[..., None], axis=2)
    recorded = np.where(wrong, other[..., 0], mechanism)
    root = np.where(rng.random(mechanism.shape) < labelled, of_cause[np.minimum(recorded, count)], of_cause.max() + 1)
    return np.where(replicas.removed < replicas.leave, root, -1)


def _applicable(records: Records, priors: PriorSet) -> NDArray[np.bool_]:
    from .inputs import Inputs

    return Inputs.of(records.sections, priors, {}).applies


def _mechanisms(draws: Draws, records: Records, priors: PriorSet, replicas: Replicas, seed: int) -> NDArray[np.int64]:
    """Cause of every simulated failure, (sample, section), wear-out last, given its age and whether it was early."""
    programme = programme_from_records(records.sections, priors)
    form = ClosedForm(draws, programme, priors, [Portfolio(CURRENT_PRACTICE, reference=True)], seed=seed)
    rng = stream(seed, "mechanisms of simulated failures")
    out = np.full(replicas.failed.shape, len(priors.mechanisms))
    cell = np.clip(np.searchsorted(EDGES, replicas.failed, side="right") - 1, 0, len(EDGES) - 2)
    place = rng.random(out.shape)
    for piece in form.blocks():
        block, at = form.block(piece), np.arange(piece.stop - piece.start)
        for s in range(draws.count):
            state = block.at(s, EDGES)
            found = incidences(
                state.root_lives(form.current), block.wear(s, form.current, EDGES), EDGES, block.inputs[form.current]
            )
            share = np.cumsum(found[:-1, at, cell[s, piece]], axis=0)
            chosen = (place[s, piece] * share[-1] >= share).sum(axis=0)
            out[s, piece] = np.where(
                replicas.early[s, piece], np.minimum(chosen, len(priors.mechanisms) - 1), len(priors.mechanisms)
            )
    return out
