"""Free parameters of the life model as one vector of real numbers, and their prior density.

The names, families and transformations are those of `model`, whose PyMC model the tests hold this to; it stands
here in plain arrays, so that the sampler needs no graph that would be compiled anew for every study.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.special import betaln, expit, gammaln

from .distribution import Distribution
from .measures import deltas_of, selections_of, shifts_of
from .priors import PriorSet
from .raters import RATER

__all__ = ["Bends", "Layout", "Variable", "coords_of"]

STANDARD = Distribution("normal", (0.0, 1.0))
SMALL_SKEWNESS = 1e-8


@dataclass(frozen=True)
class Variable:
    """A free random variable of the model.

    Parameters
    ----------
    name : str
    laws : tuple of Distribution
        One an element; a `skewed` one has the standard normal score as its variable.
    dim : str
        Empty for a scalar.
    """

    name: str
    laws: tuple[Distribution, ...]
    dim: str


@dataclass(frozen=True)
class Bends:
    """The way from the real numbers of some elements to their values.

    Parameters
    ----------
    logs, odds, scores : ndarray of int
        Elements whose real number is a logarithm, log-odds or the score of a skewed quantity.
    stretch : ndarray (3, score)
        Location, scale and skewness of the skewed ones.
    """

    logs: np.ndarray
    odds: np.ndarray
    scores: np.ndarray
    stretch: np.ndarray

    def of(self, elements: np.ndarray) -> Bends:
        """Of some of the elements, numbered anew in this order."""
        logs, odds, scores = (np.flatnonzero(np.isin(elements, own)) for own in (self.logs, self.odds, self.scores))
        return Bends(logs, odds, scores, self.stretch[:, [list(self.scores).index(elements[i]) for i in scores]])

    def natural(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values at real numbers x (..., element), and their derivatives."""
        value, slope = np.array(x, float), np.ones_like(x, float)
        if len(self.logs):
            value[..., self.logs] = slope[..., self.logs] = np.exp(x[..., self.logs])
        if len(self.odds):
            chance = expit(x[..., self.odds])
            value[..., self.odds], slope[..., self.odds] = chance, chance * expit(-x[..., self.odds])
        if len(self.scores):
            value[..., self.scores], slope[..., self.scores] = stretched(x[..., self.scores], *self.stretch)
        return value, slope


@dataclass
class Layout:
    """Where every free variable and every named quantity stands.

    A quantity is what the model reads by name: constants where a prior is fixed, free elements elsewhere. All
    quantities stand in one vector, `places` says where.

    Parameters
    ----------
    variables : list of Variable
    places : dict of str to slice
    dims : dict of str to str
        Dim of each quantity, empty for a scalar.
    constant : list of float
        The quantities, 0 where an element is free.
    target : list of int
        Place among the quantities of each free element.
    common : int
        Element about which the wear-out ages by type are distributed, -1 if there is none.
    """

    variables: list[Variable] = field(default_factory=list)
    places: dict[str, slice] = field(default_factory=dict)
    dims: dict[str, str] = field(default_factory=dict)
    constant: list[float] = field(default_factory=list)
    target: list[int] = field(default_factory=list)
    common: int = -1

    @classmethod
    def of(cls, priors: PriorSet, levels: Mapping[str, Sequence[str]]) -> Layout:
        """Lay out a prior set; `levels` names the groups and raters that have terms of their own."""
        out = cls()
        out._wear_and_path(priors)
        if levels.get(RATER):
            out.scalar("rater_sd", priors.path.between_raters.distribution)
            out.vector("rater_raw", [STANDARD] * len(levels[RATER]), RATER)
        if priors.mechanisms:
            out._mechanisms(priors)
            out._measures(priors)
            out.scalar("label_error", priors.label_error.distribution)
            out.scalar("year_slope", priors.year_slope.distribution)
            for group in priors.groups:
                out.scalar(f"{group.column}_sd", group.sd.distribution)
                if levels.get(group.column):
                    out.vector(f"{group.column}_raw", [STANDARD] * len(levels[group.column]), group.column)
        return out

    def _wear_and_path(self, priors: PriorSet) -> None:
        common_sd = priors.wear_out_sd_common.distribution.mean
        if common_sd > 0:
            self.common = len(self.target)
            self.scalar("wear_out_common", Distribution("normal", (0.0, common_sd)))
        ages = [t.wear_out_median.distribution for t in priors.types]
        if {d.family for d in ages} == {"lognormal"}:
            logs = [Distribution("normal", d.parameters) for d in ages]
            self.vector("wear_out_by_type", logs, "type")
        else:
            self.vector("wear_out_multiplier_by_type", ages, "type")
        self.scalar("wear_out_shape", priors.wear_out_shape.distribution)
        ratios = [m.time_ratio.distribution if m.time_ratio else Distribution("fixed", (1.0,)) for m in priors.measures]
        self.vector("time_ratio", ratios, "measure")
        path = priors.path
        self.scalar("start_index", path.start.distribution)
        self.scalar("start_spread", path.start_spread.distribution)
        self.scalar("noise", path.noise.distribution)
        self.scalar("kappa", path.kappa.distribution)
        self.scalar("kappa_early_log_ratio", path.kappa_early_ratio.distribution)
        self.scalar("removal_lag", priors.removal_lag.distribution)
        self.vector("driver_coefficient", [d.coefficient.distribution for d in priors.drivers], "driver")

    def _mechanisms(self, priors: PriorSet) -> None:
        mechanisms, none = priors.mechanisms, Distribution("fixed", (0.0,))
        self.vector("age_median", [m.median.distribution for m in mechanisms], "mechanism")
        self.vector("age_shape", [m.shape.distribution for m in mechanisms], "mechanism")
        effects = [m.score_effect.distribution if m.score_effect else none for m in mechanisms]
        self.vector("score_effect", effects, "mechanism")
        self.scalar("early_failure", priors.early_failure.distribution)
        self.vector("odds_multiplier", [t.odds_multiplier.distribution for t in priors.types], "type")
        share_sd = priors.share_sd.distribution.mean
        if share_sd > 0:
            self.vector("share_offset", [Distribution("normal", (0.0, share_sd))] * len(mechanisms), "mechanism")

    def _measures(self, priors: PriorSet) -> None:
        measures = priors.measures
        if not measures:
            return
        self.vector("compliance", [m.compliance.distribution for m in measures], "measure")
        chosen = [measures[k].selection[root].distribution for k, root in selections_of(priors)]
        self.vector("selection", chosen, "selection_term")
        moved = [measures[k].score_shift[root].distribution for k, root in shifts_of(priors)]
        self.vector("score_shift_size", moved, "score_shift")
        if deltas_of(priors):
            self.vector("effect_score", [STANDARD] * sum(len(m.effects) for m in measures), "effect")

    # -------------------------------------------------------------------------------- entries

    def scalar(self, name: str, law: Distribution) -> None:
        """A quantity of one number."""
        suffix = "_score" if law.family == "skewed" else ""
        self._place(name, [law], "", [(f"{name}{suffix}", [0], "")] if law.family != "fixed" else [])

    def vector(self, name: str, laws: Sequence[Distribution], dim: str) -> None:
        """A quantity of several numbers: one free variable if all that vary share a family, else one each."""
        if not laws:
            return
        varying = [i for i, law in enumerate(laws) if law.family != "fixed"]
        families = {laws[i].family for i in varying}
        if len(families) > 1 or families == {"skewed"}:
            suffix = {i: "_part_score" if laws[i].family == "skewed" else "_part" for i in varying}
            parts = [(f"{name}_{n}{suffix[i]}", [i], "") for n, i in enumerate(varying)]
        elif len(varying) == len(laws):
            parts = [(name, varying, dim)]
        else:
            parts = [(f"{name}_part", varying, f"{name}_part_dim_0")] if varying else []
        self._place(name, laws, dim, parts)

    def _place(
        self, name: str, laws: Sequence[Distribution], dim: str, parts: Sequence[tuple[str, list[int], str]]
    ) -> None:
        first = len(self.constant)
        self.places[name], self.dims[name] = slice(first, first + len(laws)), dim
        self.constant += [law.parameters[0] if law.family == "fixed" else 0.0 for law in laws]
        for variable, elements, own in parts:
            self.variables.append(Variable(variable, tuple(laws[i] for i in elements), own))
            self.target += [first + i for i in elements]

    # -------------------------------------------------------------------- the vector of reals

    @cached_property
    def laws(self) -> list[Distribution]:
        """Law of each free element."""
        return [law for variable in self.variables for law in variable.laws]

    @property
    def size(self) -> int:
        """Number of free elements."""
        return len(self.target)

    @cached_property
    def spans(self) -> dict[str, slice]:
        """Elements of each free variable."""
        out, first = {}, 0
        for variable in self.variables:
            out[variable.name] = slice(first, first + len(variable.laws))
            first += len(variable.laws)
        return out

    @cached_property
    def bent(self) -> np.ndarray:
        """Elements whose real number is a logarithm or log-odds of the variable."""
        return np.concatenate([self.by_family[family] for family in ("lognormal", "beta", "gamma")])

    @property
    def described(self) -> str:
        """Every free variable with its number of elements and the values that they may take."""
        kinds = {"lognormal": "positive", "gamma": "positive", "beta": "share"}
        return "; ".join(
            f"{v.name} {len(v.laws)} {'/'.join(sorted({kinds.get(law.family, 'real') for law in v.laws}))}"
            for v in self.variables
        )

    @cached_property
    def by_family(self) -> dict[str, np.ndarray]:
        """Elements of each family."""
        families = np.array([law.family for law in self.laws])
        return {f: np.flatnonzero(families == f) for f in ("normal", "lognormal", "beta", "gamma", "skewed")}

    def _numbers(self, family: str) -> np.ndarray:
        """Parameters of the elements of a family, (parameter, element)."""
        return np.array([self.laws[i].parameters for i in self.by_family[family]], float).T

    @cached_property
    def bell(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Elements whose real number is normal, its mean and its sd."""
        at = np.concatenate([self.by_family[f] for f in ("normal", "lognormal", "skewed")])
        standard = [(0.0, 1.0) if self.laws[i].family == "skewed" else self.laws[i].parameters for i in at]
        mean, sd = np.array(standard, float).reshape(-1, 2).T
        return at, mean, sd

    @cached_property
    def around(self) -> np.ndarray:
        """1 for the elements of `bell` whose mean moves with the common one."""
        by_type = self.spans.get("wear_out_by_type", slice(0, 0))
        return ((self.bell[0] >= by_type.start) & (self.bell[0] < by_type.stop)).astype(float)

    @cached_property
    def tables(self) -> dict[str, np.ndarray]:
        """Parameters of the elements of a family that is no bell, (parameter, element)."""
        return {family: self._numbers(family) for family in ("beta", "gamma", "skewed")}

    @cached_property
    def bends(self) -> Bends:
        """The way from all elements to their values."""
        family, none = self.by_family, np.zeros((3, 0))
        stretch = self.tables["skewed"] if len(family["skewed"]) else none
        return Bends(np.concatenate([family["lognormal"], family["gamma"]]), family["beta"], family["skewed"], stretch)

    def natural(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values of the free elements at real numbers x (..., element), and their derivatives."""
        return self.bends.natural(x)

    def log_prior(self, x: np.ndarray, value: np.ndarray) -> tuple[float, np.ndarray]:
        """Log density of the real numbers x (element,), and its gradient."""
        gradient = np.zeros(self.size)
        at, mean, sd = self.bell
        if self.common >= 0:
            mean = mean + self.around * x[self.common]
        score = (x[at] - mean) / sd
        total = -0.5 * float(score @ score) + self.log_scale
        gradient[at] = -score / sd
        if self.common >= 0:
            gradient[self.common] += float(self.around @ (score / sd))
        at = self.by_family["beta"]
        if len(at):
            (a, b), p = self.tables["beta"], value[at]
            total -= float(a @ np.logaddexp(0.0, -x[at]) + b @ np.logaddexp(0.0, x[at]))
            gradient[at] = a - (a + b) * p
        at = self.by_family["gamma"]
        if len(at):
            a, scale = self.tables["gamma"]
            total += float(a @ x[at] - (value[at] / scale).sum())
            gradient[at] = a - value[at] / scale
        return total, gradient

    @cached_property
    def log_scale(self) -> float:
        """What the log density holds besides the parameters."""
        at, _, sd = self.bell
        total = -len(at) * 0.5 * np.log(2.0 * np.pi) - np.log(sd).sum()
        if len(self.by_family["beta"]):
            total -= betaln(*self.tables["beta"]).sum()
        if len(self.by_family["gamma"]):
            a, scale = self.tables["gamma"]
            total -= (gammaln(a) + a * np.log(scale)).sum()
        return float(total)

    @cached_property
    def centre(self) -> np.ndarray:
        """Real numbers in the middle of the priors, (element,)."""
        middle = [
            {"beta": lambda d: np.log(d.mean / (1.0 - d.mean)), "gamma": lambda d: np.log(d.mean),
             "skewed": lambda d: 0.0}.get(law.family, lambda d: d.parameters[0])(law)
            for law in self.laws
        ]  # fmt: skip
        return np.array(middle, float)

    def real(self, values: Mapping[str, np.ndarray]) -> np.ndarray:
        """Real numbers (..., element) of values of the free variables by name, each (..., its own shape).

        Variables that are not named stand at the middle of their prior.
        """
        lead = next((np.shape(values[v.name])[: np.ndim(values[v.name]) - bool(v.dim)] for v in self.variables
                     if v.name in values), ())  # fmt: skip
        x = np.broadcast_to(self.centre, (*lead, self.size)).copy()
        for variable in self.variables:
            if variable.name in values:
                x[..., self.spans[variable.name]] = np.reshape(values[variable.name], (*lead, len(variable.laws)))
        for family in ("lognormal", "gamma"):
            at = [i for i in self.by_family[family] if self._named(i) in values]
            x[..., at] = np.log(x[..., at])
        at = [i for i in self.by_family["beta"] if self._named(i) in values]
        x[..., at] = np.log(x[..., at]) - np.log1p(-x[..., at])
        return x

    def _named(self, element: int) -> str:
        return next(name for name, span in self.spans.items() if span.start <= element < span.stop)

    @cached_property
    def _sources(self) -> tuple[np.ndarray, np.ndarray]:
        return np.array(self.constant, float), np.array(self.target, int)

    def quantities(self, value: np.ndarray) -> np.ndarray:
        """All quantities (..., place) from the values of the free elements."""
        constant, target = self._sources
        out = np.broadcast_to(constant, (*value.shape[:-1], len(constant))).copy()
        out[..., target] = value
        return out

    def get(self, q: np.ndarray, name: str, otherwise: float | None = None) -> np.ndarray:
        """A quantity by name, (..., element); `otherwise`, if given, where the model has none."""
        if otherwise is not None and name not in self.places:
            return np.full(1, otherwise)
        return q[..., self.places[name]]

    def add(self, out: np.ndarray, name: str, value: np.ndarray | float) -> None:
        """Add to a quantity by name; nothing where the model has none."""
        if name in self.places:
            out[self.places[name]] += value

    def elements(self, name: str) -> np.ndarray:
        """Free element of each place of a quantity, -1 where it is fixed; none where the model has no such quantity."""
        place = self.places.get(name, slice(0, 0))
        free = np.full(len(self.constant), -1)
        free[self.target] = np.arange(self.size)
        return free[place]

    def width(self, name: str) -> int:
        """Elements of a quantity."""
        return self.places[name].stop - self.places[name].start

    def named(self, x: np.ndarray, value: np.ndarray, q: np.ndarray) -> dict[str, tuple[np.ndarray, tuple[str, ...]]]:
        """Free variables and quantities with their dims, from draws (..., element)."""
        skewed = self.by_family["skewed"]
        value = value.copy()
        value[..., skewed] = x[..., skewed]  # the variable is the score
        dims = self.dims | {variable.name: variable.dim for variable in self.variables}
        found = {name: q[..., where] for name, where in self.places.items()}
        found |= {name: value[..., where] for name, where in self.spans.items()}
        return {n: (a, (dims[n],)) if dims[n] else (a[..., 0], ()) for n, a in found.items()}


def stretched(
    z: np.ndarray, location: np.ndarray, scale: np.ndarray, skewness: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Skewed quantities at standard normal scores z (..., element), and their derivatives."""
    straight = np.abs(skewness) < SMALL_SKEWNESS
    per = np.where(straight, 1.0, skewness)
    grown = np.where(straight, 0.0, skewness) * z
    return location + scale * np.where(straight, z, np.expm1(grown) / per), scale * np.exp(grown)


def coords_of(priors: PriorSet, levels: Mapping[str, Sequence[str]]) -> dict[str, list[str]]:
    """Labels of every dim of the parameters."""
    measures = [m.name for m in priors.measures]
    coords = {
        "type": [t.name for t in priors.types],
        "mechanism": [m.name for m in priors.mechanisms],
        "measure": measures,
        "measure_effect": [d.name for d in deltas_of(priors)],
        "effect": [f"{m.name} {n + 1}" for m in priors.measures for n in range(len(m.effects))],
        "selection_term": [f"{measures[k]} on {root}" for k, root in selections_of(priors)],
        "score_shift": [f"{measures[k]} on {root}" for k, root in shifts_of(priors)],
        "driver": [d.name for d in priors.drivers],
    }
    coords |= {column: list(names) for column, names in levels.items()}
    return {name: values for name, values in coords.items() if values}
