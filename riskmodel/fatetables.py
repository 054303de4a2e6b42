"""What the compiled kernel of simulated lives reads: tables of sections, of draws, and keys of streams.

Whether a measure is chosen, verified, complied with or required is one bit of an integer, measure k
being bit k; effects of measures are sums over the bits that are set.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from .inputs import Facts
from .lives import Draws
from .measures import Requirements, deltas_of, roots_of, selections_of, shifts_of
from .priors import PriorSet
from .quality import SCORED_ROOTS
from .streams import purpose_key, section_words

__all__ = ["LANES", "Keys", "Laws", "Roads", "keys_of", "laws_of", "roads_of"]

LANES = 64
"""Sections that the kernel works side by side; tables of sections are filled up to whole blocks."""
MOST_MEASURES = 62


class Roads(NamedTuple):
    """Sections, filled up to whole blocks of `LANES`; the section comes last.

    Parameters
    ----------
    words : ndarray of uint64 (2, section)
    type : ndarray of int (section,)
    decades : ndarray (section,)
    drivers : ndarray (driver, section)
    score_mean, score_sd : ndarray (scored root, section)
    applies : ndarray of bool (mechanism, section)
    chosen, unknown, verified, free : ndarray of int (section,)
        Bits: recorded as chosen; not recorded; verified; not randomised, so that selection terms act.
    forced : ndarray of int (portfolio, section)
        Bits that a portfolio requires.
    banned : ndarray of bool (portfolio,)
    """

    words: np.ndarray
    type: np.ndarray
    decades: np.ndarray
    drivers: np.ndarray
    score_mean: np.ndarray
    score_sd: np.ndarray
    applies: np.ndarray
    chosen: np.ndarray
    unknown: np.ndarray
    verified: np.ndarray
    free: np.ndarray
    forced: np.ndarray
    banned: np.ndarray


class Laws(NamedTuple):
    """Draws; the sample comes first.

    Parameters
    ----------
    intercept, slack : ndarray (sample, mechanism, type)
        Log-odds; the most by which measures can raise them.
    year_slope, wear_power : ndarray (sample,)
    driver : ndarray (sample, mechanism, driver)
    wear_driver : ndarray (sample, driver)
    score_effect, log_median, power : ndarray (sample, mechanism)
        Ages are median (hazard / ln 2)^power, power = 1 / shape.
    selection : ndarray (sample, root, measure)
    change, slowing : ndarray (sample, mechanism, type, measure)
        Of the log-odds, and of the log of the age at failure, where the measure is done.
    wear_log_median : ndarray (sample, type)
    stretch : ndarray (sample, type, measure)
        Of the log of the age at wear-out.
    compliance : ndarray (sample, measure)
    """

    intercept: np.ndarray
    slack: np.ndarray
    year_slope: np.ndarray
    wear_power: np.ndarray
    driver: np.ndarray
    wear_driver: np.ndarray
    score_effect: np.ndarray
    log_median: np.ndarray
    power: np.ndarray
    selection: np.ndarray
    change: np.ndarray
    slowing: np.ndarray
    wear_log_median: np.ndarray
    stretch: np.ndarray
    compliance: np.ndarray


class Keys(NamedTuple):
    """Keys of the streams, and what belongs to what.

    Parameters
    ----------
    score, wear : ndarray of uint64 (1,)
    mechanism : ndarray of uint64 (mechanism,)
        Each stream gives two numbers a draw and section: susceptibility and age.
    required, compliance : ndarray of uint64 (measure,)
    rate : ndarray (measure,)
        At which a measure was chosen where that is not recorded.
    root : ndarray of int (mechanism,)
        Mechanisms stand root by root; `order` is their place in the prior set.
    order : ndarray of int (mechanism,)
    score_of_root : ndarray of int (root,)
        Column of the root's score, -1 without one.
    groups : ndarray of bool (root, group)
    acting : ndarray of int (mechanism, type)
        Bits of the measures that change this mechanism.
    stretching : ndarray of int (type,)
        Bits of the measures that stretch wear-out.
    first : int
        Number of the first draw in the streams.
    """

    score: np.ndarray
    wear: np.ndarray
    mechanism: np.ndarray
    required: np.ndarray
    compliance: np.ndarray
    rate: np.ndarray
    root: np.ndarray
    order: np.ndarray
    score_of_root: np.ndarray
    groups: np.ndarray
    acting: np.ndarray
    stretching: np.ndarray
    first: int


# ------------------------------------------------------------------------------------ sections


def roads_of(names: np.ndarray, facts: Facts, asked: Requirements, forced: np.ndarray, banned: Sequence[bool]) -> Roads:
    """Tables of some sections.

    Parameters
    ----------
    names : ndarray of str (section,)
    facts : Facts
    asked : Requirements
        Of the records, without a portfolio.
    forced : ndarray of int (portfolio, section)
        Bits, from `bits_of`.
    banned : sequence of bool (portfolio,)
    """
    short = -len(names) % LANES

    def filled(array: np.ndarray, dtype: type = np.float64) -> np.ndarray:
        """Section last, whole blocks."""
        edges = [(0, 0)] * (array.ndim - 1) + [(0, short)]
        return np.array(np.pad(array, edges, mode="edge"), dtype, order="C")

    return Roads(
        filled(section_words(names), np.uint64),
        filled(facts.types, np.int64),
        filled(facts.decades),
        filled(facts.drivers.T),
        filled(facts.score_mean.T),
        filled(np.sqrt(facts.score_variance.T)),
        filled(facts.applies.T, np.bool_),
        filled(bits_of(asked.required == 1.0), np.int64),
        filled(bits_of(np.isnan(asked.required)), np.int64),
        filled(bits_of(asked.verified), np.int64),
        filled(bits_of(~asked.randomised), np.int64),
        filled(forced, np.int64),
        np.array(banned, np.bool_),
    )


def bits_of(flags: np.ndarray) -> np.ndarray:
    """Integers whose bit k is flag k, (...) from bool (..., measure)."""
    return flags.astype(np.int64) @ (np.int64(1) << np.arange(flags.shape[-1], dtype=np.int64))


# ---------------------------------------------------------------------------------------- draws


def laws_of(draws: Draws, priors: PriorSet) -> Laws:
    """Tables of the draws."""
    count, mechanisms = draws.count, len(priors.mechanisms)
    change, slowing = _effects(draws, priors)
    empty = np.zeros((count, mechanisms))

    def early(name: str) -> np.ndarray:
        return draws[name] if mechanisms else empty

    intercept = np.swapaxes(draws["intercept"], 1, 2) if mechanisms else np.zeros((count, 0, len(priors.types)))
    drivers = _drivers(draws, priors)
    tables = (
        intercept, np.maximum(change, 0.0).sum(axis=3), draws["year_slope"] if mechanisms else np.zeros(count),
        1.0 / draws["wear_out_shape"], *drivers, early("score_effect"),
        np.log(draws["age_median"]) if mechanisms else empty, 1.0 / draws["age_shape"] if mechanisms else empty,
        _selection(draws, priors), change, slowing, np.log(draws["wear_out_median"]), _stretch(draws, priors),
        draws["compliance"] if priors.measures else np.zeros((count, 0)),
    )  # fmt: skip
    return Laws(*(np.array(table, float, order="C") for table in tables))


def _drivers(draws: Draws, priors: PriorSet) -> tuple[np.ndarray, np.ndarray]:
    mechanism = np.zeros((draws.count, len(priors.mechanisms), len(priors.drivers)))
    wear = np.zeros((draws.count, len(priors.drivers)))
    for d, driver in enumerate(priors.drivers):
        acts = np.array([m.name in driver.acts_on for m in priors.mechanisms], bool)
        mechanism[:, acts, d] = draws["driver_coefficient"][:, [d]]
        if driver.acts_on == ("wear_out",):
            wear[:, d] = draws["driver_coefficient"][:, d]
    return mechanism, wear


def _effects(draws: Draws, priors: PriorSet) -> tuple[np.ndarray, np.ndarray]:
    """Change of the log-odds, and of the log of the age, by measures, (sample, mechanism, type, measure)."""
    change = np.zeros((draws.count, len(priors.mechanisms), len(priors.types), len(priors.measures)))
    slowing = np.zeros_like(change)
    for i, delta in enumerate(deltas_of(priors)):
        size = draws["delta"][:, i][:, None] * delta.types
        if delta.scale == "hazard_ratio":
            slowing[:, delta.mechanism, :, delta.measure] += size / draws["age_shape"][:, [delta.mechanism]]
        else:
            change[:, delta.mechanism, :, delta.measure] -= size
    roots = [m.root for m in priors.mechanisms]
    for i, (k, name) in enumerate(shifts_of(priors)):
        if name not in SCORED_ROOTS:
            continue
        for m in (m for m, root in enumerate(roots) if root == name):
            shift = draws["score_effect"][:, m] * draws["score_shift_size"][:, i]
            change[:, m, :, k] -= shift[:, None] * _applicable(priors, k)
    return change, slowing


def _selection(draws: Draws, priors: PriorSet) -> np.ndarray:
    names = [root.name for root in roots_of(priors)]
    out = np.zeros((draws.count, len(names), len(priors.measures)))
    for i, (k, name) in enumerate(selections_of(priors)):
        out[:, names.index(name), k] = draws["selection"][:, i]
    return out


def _stretch(draws: Draws, priors: PriorSet) -> np.ndarray:
    out = np.zeros((draws.count, len(priors.types), len(priors.measures)))
    for k, measure in enumerate(priors.measures):
        if measure.time_ratio is not None:
            out[:, :, k] = np.log(draws["time_ratio"][:, [k]]) * _applicable(priors, k)
    return out


def _applicable(priors: PriorSet, measure: int) -> np.ndarray:
    return np.isin([t.name for t in priors.types], list(priors.measures[measure].applies_to))


# ------------------------------------------------------------------------------------- streams


def keys_of(
    priors: PriorSet, columns: Sequence[str], rate: np.ndarray, seed: int, renewal: int, first: int = 0
) -> Keys:
    """Keys and belongings.

    Parameters
    ----------
    priors : PriorSet
    columns : sequence of str
        Columns of the groups that have terms.
    rate : ndarray (measure,)
    seed, renewal : int
    first : int
        Number of the first draw.
    """
    again = f", renewal {renewal}" if renewal else ""
    roots = roots_of(priors)
    of_root = np.array([r for r, root in enumerate(roots) for _ in root.mechanisms], np.int64)
    groups = {g.column: g for g in priors.groups}
    member = np.array([[root.name in groups[c].roots for c in columns] for root in roots], np.bool_)

    def keys(purposes: Sequence[str]) -> np.ndarray:
        return np.array([purpose_key(seed, purpose) for purpose in purposes], np.uint64)

    return Keys(
        keys(["score"]),
        keys([f"wear-out{again}"]),
        keys([f"mechanism {m.name}{again}" for m in priors.mechanisms]),
        keys([f"required {m.name}" for m in priors.measures]),
        keys([f"compliance {m.name}{again}" for m in priors.measures]),
        np.array(rate, float),
        of_root,
        np.array([m for root in roots for m in root.mechanisms], np.int64),
        np.array([SCORED_ROOTS.index(r.name) if r.name in SCORED_ROOTS else -1 for r in roots], np.int64),
        member.reshape(len(roots), len(columns)),
        *_bits_that_act(priors),
        first,
    )


def _bits_that_act(priors: PriorSet) -> tuple[np.ndarray, np.ndarray]:
    """Bits of measures that change each mechanism, (mechanism, type), and wear-out, (type,)."""
    acts = np.zeros((len(priors.mechanisms), len(priors.types), len(priors.measures)), bool)
    stretches = np.zeros((len(priors.types), len(priors.measures)), bool)
    for delta in deltas_of(priors):
        acts[delta.mechanism, :, delta.measure] |= delta.types
    for k, name in shifts_of(priors):
        for m in (m for m, mechanism in enumerate(priors.mechanisms) if mechanism.root == name):
            acts[m, :, k] |= _applicable(priors, k)
    for k, measure in enumerate(priors.measures):
        if measure.time_ratio is not None:
            stretches[:, k] = _applicable(priors, k)
    return bits_of(acts), bits_of(stretches)
