"""Log posterior density of a study in JAX, for graphics processors: the numbers of `density.LogDensity`.

Needs the optional extra `gpu`. The constants are passed to the compiled functions and not built into them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
from jax.scipy import special
from scipy.special import betaln, gammaln

from .density import LogDensity
from .jaxcells import (
    CellClass,
    Entry,
    Life,
    Root,
    Window,
    class_sums,
    classes_of,
    constants_of,
    entry_of,
    entry_sums,
)  # fmt: skip
from .jaxlaws import Array
from .jaxpath import Path
from .jaxrows import Grouping, RootRows, StateRows, moments_of, spread, state_chances
from .lifesettings import removal_at_threshold
from .parameters import SMALL_SKEWNESS
from .places import taken_jointly
from .raters import RATER
from .together import SMALLEST

__all__ = ["JaxDensity"]

Quantities = dict[str, Array]


class Constants(NamedTuple):
    """What the density takes besides the parameters; sections in the order of the classes.

    Parameters
    ----------
    classes : tuple of CellClass
    entry : Entry or None
    roots : tuple of RootRows
    levels : tuple of Grouping or None
        Sections by level of each group.
    design : array (type + 1 + driver, section)
        Indicators of the types, decades and covariates.
    states : array of int (state, section)
        Rows of wear-out of each section, beyond the end where there are no more.
    wear : array (type + driver + measure, row)
        Indicators of the types, covariates that act on wear-out, and marks of measures that stretch its age.
    chances : StateRows or None
        Of the rows of wear-out; None where every section has one.
    """

    classes: tuple[CellClass, ...]
    entry: Entry | None
    roots: tuple[RootRows, ...]
    levels: tuple[Grouping | None, ...]
    design: Array
    states: Array
    wear: Array
    chances: StateRows | None


@dataclass(frozen=True)
class JaxDensity:
    """Log density over the vector of reals that `Layout` describes.

    Parameters
    ----------
    density : LogDensity
        Whose constants and numbers these are.
    windows : tuple of Window
        Classes of the sections.
    order : ndarray of int (section,)
        Sections in the order of the classes; last those whose records contradict each other.
    largest : int
        Edge up to which late entry looks.
    constants : Constants
    """

    density: LogDensity
    windows: tuple[Window, ...]
    order: np.ndarray
    largest: int
    constants: Constants

    @classmethod
    def of(cls, density: LogDensity) -> JaxDensity:
        """Take the constants of a density."""
        data, priors, inputs = density.data, density.priors, density.inputs
        lagged = not removal_at_threshold(priors)
        windows = tuple(classes_of(data, lagged=lagged))
        counted = np.concatenate([w.sections for w in windows] or [np.zeros(0, int)])
        order = np.concatenate([counted, np.setdiff1d(np.arange(data.sections), counted)])
        members = [np.array(root.mechanisms) for root in inputs.roots] if density.rows else []
        entry, largest = entry_of(data, counted)
        types = np.eye(len(priors.types))[inputs.types[order]]
        levels = tuple(
            Grouping.of(inputs.group[group.column][order], len(density.levels[group.column]))
            if density.levels.get(group.column)
            else None
            for group in priors.groups
        )
        wear = density.wear
        stretched_ = wear.stretch if wear.mixed else wear.stretch[:, :0]
        constants = Constants(
            tuple(constants_of(data, w, inputs.applies, members, lagged=lagged) for w in windows),
            entry, tuple(RootRows.of(density, order)), levels,
            np.column_stack([types, inputs.decades[order], inputs.drivers[order]]).T,
            Grouping.of(np.argsort(order)[wear.section], len(order)).tables[0],
            np.column_stack([np.eye(len(priors.types))[wear.types], wear.drivers, stretched_]).T,
            StateRows.of(wear.states, np.arange(len(wear.section))) if wear.mixed else None,
        )  # fmt: skip
        return cls(density, windows, order, largest, jax.tree.map(jnp.asarray, constants))

    # ----------------------------------------------------------------------------- evaluation

    def log_density(self, x: Array, constants: Constants) -> Array:
        """Log density at reals x (element,): to be differentiated, mapped over chains and compiled."""
        value = self._natural(x)
        sums = self._sums(self._quantities(value), constants)
        return self._log_prior(x, value) + self._together(x) + sums.sum()

    def sections(self, x: Array, constants: Constants) -> Array:
        """Log-likelihood of each section's records at reals x (element,), shape (section,), not compiled."""
        return self._sums(self._quantities(self._natural(x)), constants)[np.argsort(self.order)]

    def value_and_gradient(self, x: Array) -> tuple[Array, Array]:
        """Log density at reals x (element,) or (chain, element), and its gradient."""
        one, many = self._compiled
        return (many if jnp.ndim(x) > 1 else one)(jnp.asarray(x), self.constants)

    def by_section(self, x: Array) -> Array:
        """Log-likelihood of each section's records at reals x (element,), shape (section,)."""
        return self._by_section(jnp.asarray(x), self.constants)

    @cached_property
    def _compiled(self) -> tuple[Callable[..., Any], Callable[..., Any]]:
        both = jax.value_and_grad(self.log_density)
        return jax.jit(both), jax.jit(jax.vmap(both, (0, None)))

    @cached_property
    def _by_section(self) -> Callable[..., Any]:
        return jax.jit(self.sections)

    # --------------------------------------------------------------------------------- priors

    def _natural(self, x: Array) -> Array:
        """Values of the free elements, (element,)."""
        elements, value = self.density.layout.by_family, x
        for family, of in (("lognormal", jnp.exp), ("gamma", jnp.exp), ("beta", jax.nn.sigmoid)):
            at = elements[family]
            value = value.at[at].set(of(x[at]))
        at = elements["skewed"]
        if len(at):
            value = value.at[at].set(_stretched(x[at], *self.density.layout.tables["skewed"]))
        return value

    def _quantities(self, value: Array) -> Quantities:
        """All quantities by name, each (place,)."""
        layout = self.density.layout
        q = jnp.asarray(layout.constant).at[np.array(layout.target)].set(value, unique_indices=True)
        return {name: q[where] for name, where in layout.places.items()}

    def _log_prior(self, x: Array, value: Array) -> Array:
        layout = self.density.layout
        at, mean, sd = layout.bell
        mean = mean + layout.around * x[layout.common] if layout.common >= 0 else mean
        total = -0.5 * (((x[at] - mean) / sd) ** 2).sum() + layout.log_scale
        at = layout.by_family["beta"]
        if len(at):
            a, b = layout.tables["beta"]
            total -= a @ jax.nn.softplus(-x[at]) + b @ jax.nn.softplus(x[at])
        at = layout.by_family["gamma"]
        if len(at):
            a, scale = layout.tables["gamma"]
            total += a @ x[at] - (value[at] / scale).sum()
        return total

    def _together(self, x: Array) -> Array | float:
        """Log of the joint density of the priors over the product of their marginals."""
        together = self.density.together
        if together is None:
            return 0.0
        z = together.scale * x[together.element] - together.shift
        if together.common >= 0:
            z = z + together.minus_common * x[together.common]
        places = taken_jointly(self.density.priors)[0]
        for i, _ in together.curved:
            prior = places[i].prior
            z = z.at[i].set(_score_of(prior.family, *prior.parameters[:2])(x[together.element[i]]))
        return -0.5 * (z @ together.joint.excess_precision @ z + together.joint.log_determinant)

    # ---------------------------------------------------------------------------- likelihood

    def _sums(self, q: Quantities, constants: Constants) -> Array:
        """Log-likelihood of each section, in the order of the classes."""
        density, data = self.density, self.density.data
        law = density.settings.age_law
        lag = None if removal_at_threshold(density.priors) else q["removal_lag"][0]
        error = q["label_error"][0] if "label_error" in q else 0.0
        life, path = self._life(q, constants), self._path(q)
        sums, first = [], 0
        for window, given in zip(self.windows, constants.classes, strict=True):
            here = slice(first, first := first + len(window.sections))
            sums.append(class_sums(given, window, data, law, life.take(here), path, lag, error))
        total = jnp.concatenate([*sums, jnp.full(len(self.order) - first, -1e30)])
        if constants.entry is None:
            return total
        return total.at[constants.entry.rows].add(-entry_sums(constants.entry, self.largest, data, law, life, lag))

    def _path(self, q: Quantities) -> Path:
        condition, index = self.density.data.condition, q["start_index"][0]
        s, gap = condition.stretch, condition.highest - index
        kappa = q["kappa"][0]
        offset = q["rater_sd"] * q["rater_raw"] if "rater_raw" in q and self.density.raters is not None else None
        if offset is not None:
            names = list(self.density.levels[RATER])
            offset = offset[np.array([names.index(name) for name in self.density.data.raters])]
        return Path(
            -jnp.log1p(s * gap) / s if s else -gap, q["start_spread"][0], q["noise"][0],
            jnp.stack([kappa, kappa * jnp.exp(q["kappa_early_log_ratio"][0])]), offset,
        )  # fmt: skip

    def _life(self, q: Quantities, constants: Constants) -> Life:
        if "wear_out_by_type" in q:
            median = q["wear_out_by_type"]
        else:
            median = jnp.log(q["wear_out_multiplier_by_type"]) + q.get("wear_out_common", jnp.zeros(1))
        parts = [median, q.get("driver_coefficient", jnp.zeros(0))]
        if constants.chances is not None:
            parts.append(jnp.log(q["time_ratio"]))
        log_median, weight = jnp.concatenate(parts) @ constants.wear, None
        if constants.chances is not None:
            chances = state_chances(constants.chances, q["compliance"])
            log_median = log_median.at[constants.states].get(mode="fill", fill_value=0.0)
            weight = chances.at[constants.states].get(mode="fill", fill_value=0.0)
        else:
            log_median = log_median[constants.states]
        return Life(self._roots(q, constants), log_median, weight, q["wear_out_shape"][0])

    def _roots(self, q: Quantities, constants: Constants) -> tuple[Root, ...]:
        density, priors = self.density, self.density.priors
        if not constants.roots:
            return ()
        q = q | {"group_sd": jnp.concatenate([jnp.zeros(0), *(q[f"{g.column}_sd"] for g in priors.groups)])}
        number, *law = density.effect
        q["delta"] = _stretched(q["effect_score"][number], *law) if len(number) else jnp.zeros(0)
        out = []
        for rows, centre in zip(constants.roots, self._centres(q, constants), strict=True):
            moments = moments_of(rows, centre, q, density.nodes)
            median, shape = (q[name][rows.members] for name in ("age_median", "age_shape"))
            speed = jnp.exp(-(rows.patterns * q["delta"]) @ rows.onto.T)
            out.append(Root(moments, median, shape, speed))
        return tuple(out)

    def _centres(self, q: Quantities, constants: Constants) -> list[Array]:
        """Log-odds at score 0, measures aside, of each root's mechanisms, (slot, section)."""
        priors = self.density.priors
        early = q["early_failure"]
        total = early * q["odds_multiplier"] / (1.0 - early + early * q["odds_multiplier"])
        offset = q.get("share_offset", jnp.zeros(len(priors.mechanisms)))
        intercept = self.density.baseline.intercepts(total, offset, xp=jnp)
        acts = np.array([np.isin([m.name for m in priors.mechanisms], list(d.acts_on)) for d in priors.drivers], float)
        rows = [intercept, jnp.broadcast_to(q["year_slope"], intercept.shape[1:])[None]]
        if len(acts):
            rows.append(q["driver_coefficient"][:, None] * acts)
        by_mechanism = jnp.concatenate(rows)
        groups = [
            None if level is None else spread(level, q[f"{g.column}_sd"] * q[f"{g.column}_raw"])
            for g, level in zip(priors.groups, constants.levels, strict=True)
        ]
        out = []
        for root in constants.roots:
            centre = by_mechanism[:, root.members].T @ constants.design
            for moved, effect in zip(root.moved, groups, strict=True):
                centre = centre if effect is None else centre + moved * effect
            out.append(centre)
        return out


def _stretched(z: Array, location: np.ndarray, scale: np.ndarray, skewness: np.ndarray) -> Array:
    """Skewed quantities at standard normal scores."""
    straight = np.abs(skewness) < SMALL_SKEWNESS
    bent = np.where(straight, 1.0, skewness)
    return location + scale * jnp.where(straight, z, jnp.expm1(jnp.where(straight, 0.0, bent * z)) / bent)


def _score_of(family: str, a: float, b: float) -> Callable[[Array], Array]:
    """Normal score of a beta quantity at its logit, or of a gamma one at its ln; see `together`."""

    def tails(x: Array) -> tuple[Array, Array, Array]:
        if family == "beta":
            log_density = -a * jax.nn.softplus(-x) - b * jax.nn.softplus(x) - betaln(a, b)
            below, above = special.betainc(a, b, jax.nn.sigmoid(x)), special.betainc(b, a, jax.nn.sigmoid(-x))
        else:
            y = jnp.exp(x) / b
            log_density = a * jnp.log(y) - y - gammaln(a)
            below, above = special.gammainc(a, y), special.gammaincc(a, y)
        return below, above, log_density

    @jax.custom_jvp
    def score(x: Array) -> Array:
        below, above, _ = tails(x)
        z = special.ndtri(jnp.maximum(jnp.minimum(below, above), SMALLEST))
        return jnp.where(below < above, z, -z)

    @score.defjvp
    def _(primals: tuple[Array], tangents: tuple[Array]) -> tuple[Array, Array]:
        below, above, log_density = tails(primals[0])
        z = score(primals[0])
        slope = jnp.exp(log_density + 0.5 * z**2 + 0.5 * float(np.log(2.0 * np.pi)))
        return z, jnp.where(jnp.minimum(below, above) > SMALLEST, slope, 0.0) * tangents[0]

    return score
