"""What sets a planned section apart: each recorded input's fair part of its chance of failing early.

The chance is compared with that of the average section of the records. An input counts as known or as average;
over all orders in which inputs could become known, the mean change that one brings is its Shapley value, so that the
parts add up to the whole difference. Survival factors by root, so that each root sees only the inputs that move it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import xarray as xr

from .inputs import Inputs
from .lives import Draws
from .measures import deltas_of, recorded_rates, roots_of, shifts_of
from .newsections import lives_of
from .priors import SCORED_ROOTS, WEAR_OUT, PriorSet
from .shares import shapley_values

__all__ = ["AverageSection", "Part", "fair_parts", "known_levels", "required_of"]

WEAR = "wear-out"
TYPE, YEAR = "overlay type", "opening year"
RECORDED = {
    "existing": "old pavement, as recorded",
    "design": "design, as recorded",
    "workmanship": "workmanship, as recorded",
}
LARGEST = 4_000_000
"""Numbers in one table of coalitions."""
NEW = "project"
"""A planned section is a new contract, whatever its name."""


@dataclass(frozen=True)
class AverageSection:
    """The average section of a table: what an input that is not known counts as.

    Parameters
    ----------
    types : ndarray (type,)
        Share of each overlay type.
    drivers : ndarray (driver,)
    decades : float
        Opening year from the prior set's centre.
    score_mean, score_variance : ndarray (root of SCORED_ROOTS,)
        Between sections and within.
    rates : ndarray (measure,)
        How often each measure is required.
    """

    types: np.ndarray
    drivers: np.ndarray
    decades: float
    score_mean: np.ndarray
    score_variance: np.ndarray
    rates: np.ndarray

    @classmethod
    def of(cls, sections: xr.Dataset, priors: PriorSet) -> AverageSection:
        """The average of a table of kind `sections` or `programme`."""
        inputs = Inputs.of(sections, priors, {})
        count = np.bincount(inputs.types, minlength=len(priors.types))
        names = [m.name for m in priors.measures]
        required = np.full((inputs.sections, len(names)), np.nan)
        if "measure" in sections.dims:
            required = sections["required"].reindex(measure=names).transpose("section", "measure").values.astype(float)
        return cls(
            count / count.sum(),
            inputs.drivers.mean(axis=0),
            float(inputs.decades.mean()),
            inputs.score_mean.mean(axis=0),
            inputs.score_variance.mean(axis=0) + inputs.score_mean.var(axis=0),
            recorded_rates(sections, priors, required),
        )


@dataclass(frozen=True)
class Part:
    """One input's part of the difference from the average section.

    Parameters
    ----------
    name : str
        The input, in words.
    draws : ndarray (sample,)
        Change of the probability of failing early.
    """

    name: str
    draws: np.ndarray


def fair_parts(
    section: xr.Dataset, average: AverageSection, draws: Draws, priors: PriorSet, *, early_age: float, nodes: int = 7
) -> tuple[np.ndarray, np.ndarray, list[Part]]:
    """Probability of failing early of one planned section and of the average one, and the parts between them.

    Parameters
    ----------
    section : Dataset of kind `programme`
        One section.
    average : AverageSection
    draws : Draws
    priors : PriorSet
    early_age : float
        Years.

    Returns
    -------
    own, of_average : ndarray (sample,)
    parts : list of Part
        Largest mean first; they add up to `own - of_average` draw by draw. Inputs that are not recorded, or
        as in the average section, have none.
    """
    game = _Game.of(section, average, draws, priors)
    factors = game.factors(early_age, nodes)
    found = [_shared_out(1.0 - game.survival(factors, piece)) for piece in game.pieces()]
    own, of_average, shares = (np.concatenate(piece, axis=-1) for piece in zip(*found, strict=True))
    parts = [Part(name, value) for name, value in zip(game.players.values(), shares, strict=True)]
    return own, of_average, sorted(parts, key=lambda part: -abs(float(part.draws.mean())))


def _shared_out(failing: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """With every input known, with none, and each input's part, (sample,) and (player, sample)."""
    return failing[-1], failing[0], shapley_values(failing)


# ------------------------------------------------------------------------------- the inputs


@dataclass(frozen=True)
class _Game:
    """A planned section, the average one, and the inputs in which they differ.

    Parameters
    ----------
    players : dict of str to str
        Input to its words: overlay type, opening year, a driver's column, a root's recorded quality, a known
        group, a measure of which the table says whether it is required.
    plain : Inputs
        Of the planned section.
    levels : mapping of str to int
        Place among the draws' levels of the groups to which the section belongs.
    """

    section: xr.Dataset
    average: AverageSection
    draws: Draws
    priors: PriorSet
    players: dict[str, str]
    plain: Inputs
    levels: Mapping[str, int]

    @classmethod
    def of(cls, section: xr.Dataset, average: AverageSection, draws: Draws, priors: PriorSet) -> _Game:
        plain, levels = Inputs.of(section, priors, {}), known_levels(section, draws, priors)
        players = {TYPE: TYPE} if len(priors.types) > 1 else {}
        if np.isfinite(_stated(section, "opened_year")):
            players[YEAR] = YEAR
        for driver in priors.drivers:
            if np.isfinite(_stated(section, driver.column)):
                players[driver.column] = driver.column.replace("_", " ")
        for r, root in enumerate(SCORED_ROOTS):
            if plain.score_variance[0, r] < 1.0:
                players[root] = RECORDED[root]
        players |= {column: f"{column} {section[column].values[0]}" for column in levels}
        for measure in priors.measures:
            required = required_of(section, measure.name)
            if np.isfinite(required):
                players[measure.name] = f"{measure.name} {'required' if required else 'not required'}"
        places = {column: int(place[0]) for column, place in levels.items()}
        return cls(section, average, draws, priors, players, plain, places)

    @property
    def coalitions(self) -> np.ndarray:
        """Numbers of all sets of inputs; bit i is the i-th player."""
        return np.arange(1 << len(self.players))

    @cached_property
    def types(self) -> np.ndarray:
        """Overlay types that occur: those of the average section and the planned section's own."""
        return np.union1d(np.flatnonzero(self.average.types > 0), self.plain.types)

    def pieces(self) -> Iterator[slice]:
        """Draws in pieces that fit in memory with every set of inputs."""
        step = max(1, LARGEST // (len(self.coalitions) * len(self.types)))
        yield from (slice(start, start + step) for start in range(0, self.draws.count, step))

    def factors(self, early_age: float, nodes: int) -> list[tuple[np.ndarray, np.ndarray]]:
        """Of each root and wear-out: survival by set of its own inputs, and which of these sets each set holds."""
        order, numbers, out = list(self.players), self.coalitions, []
        for name, movers in self._moved_by().items():
            place = np.zeros(len(numbers), int)
            for bit, player in enumerate(movers):
                place |= (numbers >> order.index(player) & 1) << bit
            out.append((self._factor(name, movers, early_age, nodes), place))
        return out

    def survival(self, factors: list[tuple[np.ndarray, np.ndarray]], piece: slice) -> np.ndarray:
        """Survival to the early age with every set of inputs known, (coalition, sample of the piece)."""
        numbers, average = self.coalitions, self.average.types[self.types]
        # the overlay type is the first input
        known = (numbers & 1).astype(bool) if TYPE in self.players else np.zeros(len(numbers), bool)
        product: np.ndarray = np.ones(1)
        for table, place in factors:
            product = product * table[:, :, piece][place]
        weight = np.where(known[:, None], self.types == self.plain.types[0], average)
        return np.asarray(np.einsum("ct,cts->cs", weight, product))

    def _moved_by(self) -> dict[str, list[str]]:
        """Players that move each root, and wear-out; survival is the product of these."""
        priors, names = self.priors, [m.name for m in self.priors.mechanisms]
        roots = roots_of(priors)
        root_of = {names[m]: root.name for root in roots for m in root.mechanisms} | {WEAR_OUT: WEAR}
        moved = {root.name: {TYPE, YEAR, root.name} for root in roots} | {WEAR: {TYPE}}
        for driver in priors.drivers:
            for name in driver.acts_on:
                moved[root_of[name]].add(driver.column)
        for group in priors.groups:
            for root in set(group.roots) & set(moved):
                moved[root].add(group.column)
        for delta in deltas_of(priors):
            moved[root_of[names[delta.mechanism]]].add(priors.measures[delta.measure].name)
        for k, root in shifts_of(priors):
            moved[root].add(priors.measures[k].name)
        moved[WEAR] |= {m.name for m in priors.measures if m.time_ratio is not None}
        return {name: [player for player in self.players if player in those] for name, those in moved.items()}

    def _factor(self, name: str, movers: Sequence[str], early_age: float, nodes: int) -> np.ndarray:
        """One root's survival, or wear-out's, with every set of its inputs known, (coalition, type, sample)."""
        types, sets, at = self.types, 1 << len(movers), np.array([early_age])
        bits = np.repeat(np.arange(sets), len(types))
        inputs = self._hybrid({p: (bits >> i & 1).astype(bool) for i, p in enumerate(movers)}, np.tile(types, sets))
        r = [i for i, root in enumerate(inputs.roots) if root.name == name]
        roots, mixtures = tuple(inputs.roots[i] for i in r), tuple(inputs.mixtures[i] for i in r)
        lives = lives_of(self.draws, replace(inputs, roots=roots, mixtures=mixtures), self.priors, nodes=nodes)
        survival = lives.early_survival(at) if r else np.exp(lives.log_wear_survival(at))
        return survival[:, :, 0].T.reshape(sets, len(types), self.draws.count)

    def _hybrid(self, known: Mapping[str, np.ndarray], types: np.ndarray) -> Inputs:
        """Inputs of sections that share the `known` ones with the planned section, average in all others."""
        rows, average = len(types), self.average
        none = np.zeros(rows, bool)
        drivers = np.tile(average.drivers, (rows, 1))
        for d, driver in enumerate(self.priors.drivers):
            drivers[known.get(driver.column, none), d] = self.plain.drivers[0, d]
        mean, variance = np.tile(average.score_mean, (rows, 1)), np.tile(average.score_variance, (rows, 1))
        for r, root in enumerate(SCORED_ROOTS):
            given = known.get(root, none)
            mean[given, r], variance[given, r] = self.plain.score_mean[0, r], self.plain.score_variance[0, r]
        return replace(
            Inputs.of(self._table(known, types), self.priors, {}),
            decades=np.where(known.get(YEAR, none), self.plain.decades[0], average.decades),
            drivers=drivers,
            group={column: np.where(known.get(column, none), place, -1) for column, place in self.levels.items()},
            score_mean=mean,
            score_variance=variance,
        )

    def _table(self, known: Mapping[str, np.ndarray], types: np.ndarray) -> xr.Dataset:
        """Overlay types and measures of such sections."""
        names = [m.name for m in self.priors.measures]
        required, verified = np.full((len(types), len(names)), np.nan), np.zeros((len(types), len(names)), bool)
        for k, name in enumerate(names):
            if name in known:
                required[known[name], k] = required_of(self.section, name)
                verified[known[name], k] = bool(self.section["verified"].sel(measure=name).values[0])
        on, listed = ("section", "measure"), [self.priors.types[t] for t in types]
        return xr.Dataset(
            {
                "bond": ("section", np.array([t.bond for t in listed], dtype=str)),
                "base": ("section", np.array([t.base for t in listed], dtype=str)),
                "required": (on, required),
                "verified": (on, verified),
                "randomised": (on, np.ones(required.shape, bool)),
                "required_rate": ("measure", self.average.rates),
            },
            coords={"section": np.arange(len(types)).astype(str), "measure": names},
        )


def _stated(section: xr.Dataset, column: str) -> float:
    return float(section[column].values[0]) if column in section else float("nan")


def required_of(section: xr.Dataset, measure: str) -> float:
    """Whether a measure is required of the one section of a table: 1, 0, or NaN where that is not stated."""
    if "measure" not in section.dims or measure not in section["measure"].values:
        return float("nan")
    return float(section["required"].sel(measure=measure).values[0])


def known_levels(sections: xr.Dataset, draws: Draws, priors: PriorSet) -> dict[str, np.ndarray]:
    """Place of each section's contractor and district among those of the records, -1 where new, by column.

    Columns in which no section has a known one are left out.
    """
    found = {}
    for group in priors.groups:
        known = {name: i for i, name in enumerate(draws.coords.get(group.column, ()))}
        if group.column == NEW or group.column not in sections or f"{group.column}_effect" not in draws:
            continue
        place = np.array([known.get(name, -1) for name in sections[group.column].values.astype(str)])
        if (place >= 0).any():
            found[group.column] = place
    return found
