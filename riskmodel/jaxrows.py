"""The way from parameters to moments of susceptibility, in JAX; `rows` holds its constants, root by root."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

from .hazard import subset_products, subset_signs
from .jaxlaws import Array
from .rows import States

if TYPE_CHECKING:
    from .density import LogDensity

__all__ = ["Grouping", "RootRows", "StateRows", "collect", "moments_of", "spread", "state_chances"]

DEEPEST = 32
SOFT = 1e-12  # keeps the root of a variance differentiable at zero


class Grouping(NamedTuple):
    """Members of groups as tables of places, so that sums over groups read and never write to one place at once.

    Parameters
    ----------
    place : array of int (member,)
        Group of each member; the number of groups where it has none.
    tables : tuple of array of int (depth, part)
        Members of each part, then parts of each part, down to the groups; padded with a place beyond the end.
    """

    place: Array
    tables: tuple[Array, ...]

    @classmethod
    def of(cls, place: np.ndarray, count: int) -> Grouping:
        """Group members by `place` (member,), -1 where a member has no group, into `count` groups."""
        tables, at = [], np.where(place < 0, count, place)
        while True:
            sizes = np.bincount(at, minlength=count + 1)[:count]
            depth = int(np.clip(sizes.max(initial=1), 1, DEEPEST))
            parts = np.maximum(-(-sizes // depth), 1)
            first, order = np.cumsum(parts) - parts, np.argsort(at, kind="stable")[: sizes.sum()]
            rank = np.arange(len(order)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
            table = np.full((depth, parts.sum()), len(at))
            table[rank % depth, first[at[order]] + rank // depth] = order
            tables.append(table)
            if len(parts) == parts.sum():
                return cls(np.where(place < 0, count, place), tuple(tables))
            at = np.repeat(np.arange(count), parts)


@jax.custom_vjp
def spread(grouping: Grouping, values: Array) -> Array:
    """Values of groups (..., group) at their members (..., member), 0 where a member has none."""
    return jnp.asarray(values).at[..., grouping.place].get(mode="fill", fill_value=0.0)


@jax.custom_vjp
def collect(grouping: Grouping, values: Array) -> Array:
    """Sums over the members (..., member) of each group (..., group)."""
    for table in grouping.tables:
        values = jnp.asarray(values).at[..., table].get(mode="fill", fill_value=0.0).sum(axis=-2)
    return values


spread.defvjp(lambda grouping, values: (spread(grouping, values), grouping), lambda g, bar: (None, collect(g, bar)))
collect.defvjp(lambda grouping, values: (collect(grouping, values), grouping), lambda g, bar: (None, spread(g, bar)))


class StateRows(NamedTuple):
    """Probabilities of states as functions of compliance: `rows.States`, rows last."""

    weight: Array
    comply: Array
    lapse: Array

    @classmethod
    def of(cls, states: States, which: np.ndarray) -> StateRows:
        """Take the rows `which`."""
        return cls(states.weight[which], states.comply[which].T, states.lapse[which].T)


def state_chances(states: StateRows, compliance: Array) -> Array:
    """Probability of each row, (row,)."""
    kept = jnp.log(jnp.maximum(compliance, States.SMALLEST))
    missed = jnp.log(jnp.maximum(1.0 - compliance, States.SMALLEST))
    return states.weight * jnp.exp(kept @ states.comply + missed @ states.lapse)


class RootRows(NamedTuple):
    """States of the sections in the measures of one root.

    Parameters
    ----------
    sections : Grouping
        Rows by section.
    cells : Grouping
        Rows by pattern and section, pattern * sections + section.
    members : array of int (slot,)
        Mechanisms of the root.
    moved : array (group,)
        1 where a group moves the root.
    states : StateRows
    applies : array (slot, section)
    mean, sd : array (section,)
        Of the score.
    unknown : array (group, section), or None
        1 where the group's variance is averaged with the score.
    chosen : array (selection, row)
    acts : array (delta, row)
    onto : array (slot, delta)
    shift : array (score shift, row)
    patterns : array (pattern, delta)
    """

    sections: Grouping
    cells: Grouping
    members: Array
    moved: Array
    states: StateRows
    applies: Array
    mean: Array
    sd: Array
    unknown: Array | None
    chosen: Array
    acts: Array
    onto: Array
    shift: Array
    patterns: Array

    @classmethod
    def of(cls, density: LogDensity, order: np.ndarray) -> list[RootRows]:
        """Rows of every root; sections in `order`."""
        rows, inputs = density.rows, density.inputs
        if rows is None:
            return []
        slots, place = rows.slots, np.argsort(order)
        onto = slots.onto(density.priors)
        out = []
        for r, root in enumerate(inputs.roots):
            which = np.flatnonzero(slots.root == r)
            width, patterns = slots.in_use[r]
            section = place[slots.section[which]]
            first = np.zeros(len(order), int)
            first[section] = which  # what all rows of a section have in common
            out.append(cls(
                sections=Grouping.of(section, len(order)),
                cells=Grouping.of(slots.pattern[which] * len(order) + section, patterns * len(order)),
                members=slots.member[r, :width],
                moved=np.array([float(root.name in group.roots) for group in density.priors.groups]),
                states=StateRows.of(rows.states, which),
                applies=rows.applies[first, :width].T,
                mean=rows.mean[first],
                sd=rows.sd[first],
                unknown=rows.unknown[first].T if rows.unnamed else None,
                chosen=slots.chosen[which].T,
                acts=slots.acts[which].T,
                onto=onto[:, :width].T,
                shift=slots.shift[which].T,
                patterns=slots.patterns[r, :patterns],
            ))  # fmt: skip
        return out


def moments_of(rows: RootRows, centre: Array, q: Mapping[str, Array], nodes: tuple[np.ndarray, np.ndarray]) -> Array:
    """(-1)^|A| E[prod over A of susceptibility; pattern] of one root, (pattern * subset, section).

    Parameters
    ----------
    rows : RootRows
    centre : array (slot, section)
        Log-odds at score 0, measures aside.
    q : mapping of str to array
        `selection`, `delta`, `score_shift_size`, `compliance`, `group_sd` (group,) and `score_effect` (mechanism,).
    nodes : tuple of ndarray
        Values of a score and their probabilities.
    """
    beta = q["score_effect"][rows.members][:, None]
    wide = rows.sd * beta
    if rows.unknown is not None:
        wide = jnp.sqrt(wide**2 + q["group_sd"] ** 2 @ rows.unknown + SOFT)
    by_section = jnp.concatenate([centre - rows.mean * beta, wide, rows.applies])
    centre, wide, applies = jnp.split(spread(rows.sections, by_section), 3)
    if len(rows.chosen):
        centre = centre + q["selection"] @ rows.chosen
    if len(rows.acts):
        centre = centre - (rows.onto * q["delta"]) @ rows.acts
    if len(rows.shift):
        centre = centre - (q["score_shift_size"] @ rows.shift) * beta
    chance = _products(centre, wide, applies, nodes) * state_chances(rows.states, q["compliance"])
    moments = collect(rows.cells, chance)
    return moments.reshape(len(chance), len(rows.patterns), -1).swapaxes(0, 1).reshape(-1, len(rows.mean))


def _products(centre: Array, wide: Array, applies: Array, nodes: tuple[np.ndarray, np.ndarray]) -> Array:
    """Averages over the score of products of susceptibilities, with the sign of their subsets, (subset, row)."""

    # kept in memory the susceptibilities at every node would be the largest arrays of all
    @jax.checkpoint
    def average(centre: Array, wide: Array, applies: Array) -> Array:
        one, totals = jnp.ones(centre.shape[1]), [0.0] * (1 << len(centre))
        for node, share in zip(*nodes, strict=True):
            chance = applies * jax.nn.sigmoid(centre - wide * node)
            products = subset_products(list(chance), one)
            totals = [total + share * product for total, product in zip(totals, products, strict=True)]
        return jnp.stack(totals)

    return subset_signs(len(centre))[:, None] * average(centre, wide, applies)
