"""A trial of one measure: sections built with it and without, assigned at random, surveyed every year.

What it may find is drawn from the posterior: fates from the closed form, readings from the condition
path with its scatter and its cap, removals after their lag. Every section stands for a new contract.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from scipy.special import gammaincinv, ndtri

from .condition import Condition
from .errors import RiskModelError
from .lives import Draws
from .measures import recorded_rates, section_types, type_index
from .newsections import NewLives
from .priors import WEAR_OUT, PriorSet
from .schema import stamp
from .streams import stream, uniforms

__all__ = [
    "ARMS",
    "FAR_BELOW",
    "NEW_RATER",
    "NOT_RECORDED",
    "NO_READING",
    "READ",
    "READ_AT_CAP",
    "Outcomes",
    "TrialDesign",
    "draw_outcomes",
    "trial_profiles",
    "with_new_rater",
]

ARMS = ("treated", "control")
NO_READING, READ, READ_AT_CAP, FAR_BELOW = range(4)
NOT_RECORDED = -1
AGES = np.geomspace(0.01, 400.0, 700)
LONGEST = 40  # years
NEW_RATER = "new_rater_effect"
STATED = ("trucks_per_day", "thickness", "panel_length")


@dataclass(frozen=True)
class TrialDesign:
    """A trial of one measure.

    Parameters
    ----------
    measure : str
    sections : int
        Sections in each of the two arms.
    years : int
        Yearly surveys, the first one year after opening.
    verified : bool
        Whether it is made sure that the measure is really done; otherwise it is done as often as compliance says.
    overlay_type : str or None
        One overlay type, `bond_base`; None takes the mix of the programme where the measure applies.
    assigned : bool
        Whether chance decides which section gets the measure. Otherwise the agency chooses, and the term of
        the roads for which it is chosen acts.
    causes : bool
        Whether the cause of every removal is recorded, as often rightly as in the records.
    """

    measure: str
    sections: int
    years: int
    verified: bool = True
    overlay_type: str | None = None
    assigned: bool = True
    causes: bool = False

    def __post_init__(self) -> None:
        for name, value, most in (("sections", self.sections, 1000), ("years", self.years, LONGEST)):
            if not 1 <= value <= most:
                raise RiskModelError(
                    f"`{name}` of a trial is from 1 to {most}; got {value}. Choose a number in between."
                )


@dataclass(frozen=True)
class Profiles:
    """The kinds of section in a trial and in what order they are built.

    Parameters
    ----------
    table : Dataset of kind `sections`
        Two rows a kind, treated before control: overlay type, traffic, the measure required or not.
    kinds : ndarray of int (pair,)
        Kind of each pair, so that any number of first pairs is near the mix.
    """

    table: xr.Dataset
    kinds: np.ndarray

    @property
    def order(self) -> np.ndarray:
        """Row of `table` of each section: the treated and the control of the first pair, of the second, ..."""
        return np.stack([2 * self.kinds, 2 * self.kinds + 1], axis=1).ravel()


def trial_profiles(design: TrialDesign, programme: xr.Dataset, priors: PriorSet) -> Profiles:
    """Sections of a trial that are like those of the programme.

    Other measures are done as the programme does them; traffic and dimensions are the mean of the overlay
    type; quality is not known beforehand.

    Raises
    ------
    RiskModelError
        When no prior file knows the measure, or it applies to no overlay type of the programme.
    """
    known = {m.name: m for m in priors.measures}
    if design.measure not in known:
        raise RiskModelError(
            f"the study does not play the measure {design.measure!r}; it plays {', '.join(known) or 'none'}. "
            "Name one of these, or add the measure to the portfolios and run the study again."
        )
    names = [t.name for t in priors.types]
    count = np.bincount(type_index(programme, priors), minlength=len(names)).astype(float)
    if design.overlay_type is not None:
        if design.overlay_type not in names:
            raise RiskModelError(
                f"no prior file knows the overlay type {design.overlay_type!r}. Known: {', '.join(names)}."
            )
        count = (np.array(names) == design.overlay_type).astype(float)
    count *= np.isin(names, list(known[design.measure].applies_to))
    if not count.any():
        where = design.overlay_type or "any overlay type of the programme"
        raise RiskModelError(
            f"{design.measure} does not apply to {where}. It applies to: {', '.join(known[design.measure].applies_to)}."
        )
    present = np.flatnonzero(count)
    table = _table(design, programme, priors, [names[t] for t in present])
    return Profiles(table, _in_turn(count[present] / count.sum(), design.sections))


def _in_turn(share: np.ndarray, pairs: int) -> np.ndarray:
    """Kinds in an order whose every beginning is near the shares."""
    built, out = np.zeros(len(share)), []
    for n in range(1, pairs + 1):
        out.append(int((share * n - built).argmax()))
        built[out[-1]] += 1
    return np.array(out, int)


def _table(design: TrialDesign, programme: xr.Dataset, priors: PriorSet, types: Sequence[str]) -> xr.Dataset:
    """One treated and one control section of each overlay type."""
    measures = [m.name for m in priors.measures]
    by_name = {t.name: t for t in priors.types}
    rows = [(t, arm) for t in types for arm in ARMS]
    on, shape = ("section", "measure"), (len(rows), len(measures))
    k = measures.index(design.measure)
    required, verified, randomised = np.full(shape, np.nan), np.zeros(shape, bool), np.ones(shape, bool)
    required[:, k] = [float(arm == "treated") for _, arm in rows]
    verified[:, k] = required[:, k] * design.verified
    randomised[:, k] = design.assigned
    recorded = np.full((programme.sizes["section"], len(measures)), np.nan)
    if "measure" in programme.dims:
        recorded = np.asarray(programme["required"].reindex(measure=measures).values, float)
    blank = np.full(len(rows), "")
    out = xr.Dataset(
        {
            "bond": ("section", np.array([by_name[t].bond for t, _ in rows], str)),
            "base": ("section", np.array([by_name[t].base for t, _ in rows], str)),
            **{name: ("section", blank) for name in ("district", "contractor", "project")},
            "required": (on, required),
            "verified": (on, verified),
            "randomised": (on, randomised),
            "required_rate": ("measure", recorded_rates(programme, priors, recorded)),
        },
        coords={"section": [f"{t} {arm}" for t, arm in rows], "measure": measures},
    )
    kind = section_types(programme, [t.name for t in priors.types])
    for column in (*STATED, *(d.column for d in priors.drivers)):
        if column in programme and column not in out:
            out[column] = ("section", _typical(programme[column].values, kind, [t for t, _ in rows]))
    newest = np.nanmax(programme["opened_year"].values) if _dated(programme) else priors.year_centre
    out["opened_year"] = ("section", np.full(len(rows), float(newest)))
    return out


def _typical(values: np.ndarray, kind: np.ndarray, rows: Sequence[str]) -> np.ndarray:
    """Mean of a column over the sections of each row's overlay type, or over all where it has none."""
    values = np.asarray(values, float)
    known = np.isfinite(values)
    everywhere = values[known].mean() if known.any() else np.nan
    out = []
    for name in rows:
        here = known & (kind == name)
        out.append(values[here].mean() if here.any() else everywhere)
    return np.array(out)


def _dated(programme: xr.Dataset) -> bool:
    return "opened_year" in programme and bool(np.isfinite(programme["opened_year"]).any())


# ------------------------------------------------------------------------------------ outcomes


@dataclass(frozen=True)
class Outcomes:
    """What simulated trials find.

    Parameters
    ----------
    condition : Condition
    origin : ndarray of int (trial,)
        Draw from which each trial was simulated.
    profile : ndarray of int (section,)
        Row of the table of profiles.
    age_removed : ndarray (trial, section)
        Years; infinite where the section is still in service at the last survey.
    z : ndarray (trial, section, year)
        Reading one, two, ... years after opening on the z scale; NaN where there is none.
    status : ndarray of int (trial, section, year)
        `NO_READING`, `READ`, `READ_AT_CAP` or `FAR_BELOW`.
    cause : ndarray of int (trial, section)
        Recorded cause of the removal, mechanisms then wear-out; `NOT_RECORDED` where there is none.
    """

    condition: Condition
    origin: np.ndarray
    profile: np.ndarray
    age_removed: np.ndarray
    z: np.ndarray
    status: np.ndarray
    cause: np.ndarray

    @property
    def years(self) -> int:
        """Yearly surveys."""
        return self.z.shape[2]

    @property
    def index(self) -> np.ndarray:
        """Readings in index points, within the scale, (trial, section, year)."""
        return np.clip(self.condition.from_z(self.z), self.condition.lowest, self.condition.highest)

    @property
    def calm(self) -> np.ndarray:
        """Sections in service whose readings stay in the upper half above the threshold, bool (trial, section)."""
        half = 0.5 * (self.condition.highest + self.condition.threshold)
        low = np.nan_to_num(self.z, nan=np.inf).min(axis=2) < float(self.condition.to_z(half))
        return ~low & ~np.isfinite(self.age_removed)

    def until(self, years: int) -> Outcomes:
        """The same trials seen for fewer years."""
        removed = np.where(self.age_removed < years, self.age_removed, np.inf)
        cause = np.where(np.isfinite(removed), self.cause, NOT_RECORDED)
        return replace(self, age_removed=removed, z=self.z[:, :, :years], status=self.status[:, :, :years], cause=cause)

    def records(self, trial: int, table: xr.Dataset, priors: PriorSet) -> tuple[xr.Dataset, xr.Dataset]:
        """Sections and readings of one trial as the likelihood reads them.

        Parameters
        ----------
        trial : int
        table : Dataset
            `Profiles.table`.
        priors : PriorSet

        Returns
        -------
        sections, readings : Dataset of kinds `sections` and `readings`
        """
        count, removed = len(self.profile), self.age_removed[trial]
        there = np.isfinite(removed)
        names = np.array([f"{number} {table['section'].values[p]}" for number, p in enumerate(self.profile, 1)], str)
        causes = [*(m.name for m in priors.mechanisms), WEAR_OUT]
        sections = table.isel(section=self.profile).assign_coords(section=names, cause=causes)
        sections = sections.assign(
            age_entry=("section", np.zeros(count)),
            age_in_service=("section", np.where(there, np.nan, float(self.years))),
            age_removed=("section", np.where(there, removed, np.nan)),
            age_lower=("section", np.zeros(count)),
            age_upper=("section", np.full(count, np.inf)),
            named=(("section", "cause"), self.cause[trial][:, None] == np.arange(len(causes))),
        )
        section, year = np.nonzero(self.status[trial] != NO_READING)
        words = np.array(["", "used", "capped", "far_below"])
        columns = {
            "section_index": section,
            "section": names[section],
            "age": year + 1.0,
            "index": self.index[trial, section, year],
            "z": self.z[trial, section, year],
            "status": words[self.status[trial, section, year]],
        }
        return sections, stamp(xr.Dataset({k: ("reading", v) for k, v in columns.items()}), "readings")


def draw_outcomes(
    draws: Draws,
    lives: NewLives,
    profile: np.ndarray,
    condition: Condition,
    *,
    years: int,
    origin: np.ndarray,
    seed: int,
    causes: bool = False,
    purpose: str = "trial",
) -> Outcomes:
    """Simulate trials, one from each draw of `origin`.

    Parameters
    ----------
    draws : Draws
    lives : NewLives
        Of the table of profiles.
    profile : ndarray of int (section,)
    condition : Condition
    years : int
        Yearly surveys.
    origin : ndarray of int (trial,)
    seed : int
        The numbers depend on seed, draw and place of the section alone: a smaller or shorter trial is the
        beginning of a larger one.
    causes : bool
        Whether the cause of every removal is recorded.
    purpose : str
        Name of the random streams.
    """
    names = np.array([str(n) for n in range(len(profile))])

    def random(what: str, width: int = 1) -> np.ndarray:
        return uniforms(seed, f"{purpose} {what}", names, draws.count, width)[:, origin]

    early = _ages(lives.early_survival(AGES)[origin], profile, random("early failure"))
    worn = _ages(np.exp(lives.log_wear_survival(AGES)[origin]), profile, random("wear-out"))
    failed = np.minimum(early, worn)
    lag = gammaincinv(2.0, random("lag")).T * (draws["removal_lag"][origin] / 2.0)[:, None]
    kappa = np.where(early < worn, early_kappa(draws)[origin][:, None], draws["kappa"][origin][:, None])
    start = (
        start_of(draws, condition)[origin][:, None] + ndtri(random("start")).T * draws["start_spread"][origin][:, None]
    )
    age = np.arange(1.0, years + 1)
    x = (age / failed[:, :, None]) ** kappa[:, :, None]
    scatter = ndtri(uniforms(seed, f"{purpose} reading", names, draws.count, LONGEST)[:, origin, :years])
    z = path_at(condition, start[:, :, None], x) + scatter.transpose(1, 0, 2) * draws["noise"][origin][:, None, None]
    z = z + rater_of(draws)[origin][:, None, None]
    removed = failed + lag
    z = np.where(age < removed[:, :, None], z, np.nan)
    floor, top = (float(condition.to_z(end)) for end in (condition.lowest, condition.highest))
    z = np.clip(z, floor, top)  # NaN stays
    removed = np.where(removed < years, removed, np.inf)
    place = np.asarray(profile, int)
    cause = np.full(removed.shape, NOT_RECORDED)
    if causes:
        cause = _causes(draws, lives, place, origin, early, worn, removed, random("cause", 3).transpose(1, 0, 2))
    return Outcomes(condition, np.asarray(origin, int), place, removed, z, _statuses(z, condition), cause)


def with_new_rater(draws: Draws, seed: int) -> Draws:
    """The draws with the offset of a rater whom the records do not name, where they name raters.

    One rater reads a whole trial; the offset is one more parameter, drawn from its prior given each draw.
    """
    if "rater_sd" not in draws:
        return draws
    offset = draws["rater_sd"] * stream(seed, "new rater").standard_normal(draws.count)
    return replace(draws, values={**draws.values, NEW_RATER: offset})


def rater_of(draws: Draws) -> np.ndarray:
    """What the rater of a trial reads too high on the z scale, (sample,); 0 without raters."""
    return np.asarray(draws.values.get(NEW_RATER, np.zeros(draws.count)))


def start_of(draws: Draws, condition: Condition) -> np.ndarray:
    """Mean built-in condition on the z scale, (sample,)."""
    return np.asarray(condition.to_z(draws["start_index"]), float)


def early_kappa(draws: Draws) -> np.ndarray:
    """Path exponent of early failures, (sample,)."""
    return draws["kappa"] * np.exp(draws["kappa_early_log_ratio"])


def path_at(condition: Condition, start: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Condition on the z scale at x = (age / age at failure)^kappa, from the built-in condition `start` (z)."""
    end = float(condition.to_z(condition.threshold))
    if condition.path == "power_z":
        return start * (1.0 - x) + end * x
    if condition.path == "reverse_s":
        bent = 2.0 * x / (1.0 + x)
        return start * (1.0 - bent) + end * bent
    # a built-in condition above the scale bends the path upwards without end; the cap of the scale bounds it
    gap = (condition.highest - condition.from_z(start)) * (1.0 - x) + (condition.highest - condition.threshold) * x
    s = condition.stretch
    return -np.log1p(s * np.maximum(gap, -0.9 / s)) / s if s else -gap


def _ages(survival: np.ndarray, profile: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Ages at which survival (trial, profile, age) falls to u (section, trial); infinite where it never does."""
    out = np.full(u.T.shape, np.inf)
    log_ages = np.log(AGES)[::-1]
    for trial, curves in enumerate(survival):
        for row in np.unique(profile):
            at = np.flatnonzero(profile == row)
            curve = curves[row][::-1]
            wanted = u[at, trial]
            out[trial, at] = np.where(wanted < curve[0], np.inf, np.exp(np.interp(wanted, curve, log_ages)))
    return out


def _causes(
    draws: Draws,
    lives: NewLives,
    profile: np.ndarray,
    origin: np.ndarray,
    early: np.ndarray,
    worn: np.ndarray,
    removed: np.ndarray,
    u: np.ndarray,
) -> np.ndarray:
    """Recorded causes of the removals: the true one, or any that applies where the record errs, (trial, section)."""
    out = np.full(removed.shape, NOT_RECORDED)
    wear = lives.applies.shape[1]
    for trial, section in zip(*np.nonzero(np.isfinite(removed)), strict=True):
        pick, err, other = u[trial, section]
        possible = [*np.flatnonzero(lives.applies[profile[section]]), wear]
        if err < draws["label_error"][origin[trial]]:
            out[trial, section] = possible[int(other * len(possible))]
        elif worn[trial, section] <= early[trial, section]:
            out[trial, section] = wear
        else:
            age = early[trial, section]
            one = lives.of_draw(int(origin[trial]))
            share = one.cause_shares(age * np.array([1.0 - 1e-4, 1.0 + 1e-4]), np.array([age]))[
                0, profile[section], :, 0
            ]
            out[trial, section] = int(np.searchsorted(np.cumsum(share), pick * share.sum()))
    return out


def _statuses(z: np.ndarray, condition: Condition) -> np.ndarray:
    """How each reading is used, by the rules of `trace`, (trial, section, year)."""
    top, floor = float(condition.to_z(condition.highest)), float(condition.to_z(condition.lowest))
    far = float(condition.to_z(max(condition.threshold - condition.far_below, condition.lowest)))
    there = np.isfinite(z)
    status = np.where(there, READ, NO_READING)
    status[there & (np.nan_to_num(z) >= top)] = READ_AT_CAP
    down = there & ((np.nan_to_num(z) < far) | (np.nan_to_num(z) <= floor))
    # what follows a reading so far down is on a path that is long over
    status[there & np.maximum.accumulate(down, axis=2)] = FAR_BELOW
    return status.astype(np.int8)
