"""The likelihood once more, slowly and obviously: one section, one age, one cause at a time.

Plain Python loops over states, score nodes and mechanisms on an age grid ten times finer; nothing of
`riskmodel.likelihood` or `riskmodel.lives` is used.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
from scipy import stats

ROOTS = ("existing", "design", "workmanship")


class Twin:
    """Log-likelihood of sections at one draw of the parameters."""

    def __init__(self, priors: Any, truth: dict[str, Any], records: Any, *, fine: int = 960, nodes: int = 7):
        self.priors, self.truth, self.records = priors, truth, records
        self.x, w = np.polynomial.hermite_e.hermegauss(nodes)
        self.w = w / w.sum()
        self.edges = np.concatenate([[0.0], np.geomspace(0.05, 120.0, fine), [1e4]])
        required = records.sections["required"].values
        known = np.isfinite(required)
        self.rate = np.where(known.any(axis=0), np.nansum(required, axis=0) / np.maximum(known.sum(axis=0), 1), 0.0)

    # ------------------------------------------------------------------ susceptibility

    def score(self, i: int, root: str) -> tuple[float, float]:
        precision, weighted = 1.0, 0.0
        for indicator in self.priors.indicators:
            value = float(self.records.sections[indicator.column].values[i])
            if indicator.score == root and not math.isnan(value):
                x = (value - indicator.centre) / indicator.scale
                noise = 1 - indicator.loading**2
                precision += indicator.loading**2 / noise
                weighted += indicator.loading * x / noise
        return weighted / precision, 1 / precision

    def measures_of(self, root: str) -> list[int]:
        names = {m.name for m in self.priors.mechanisms if m.root == root}
        return [
            k for k, m in enumerate(self.priors.measures) if any(set(e.mechanisms) & names for e in m.effects)
        ]  # fmt: skip

    def states(self, i: int, k: int) -> list[tuple[float, bool, bool]]:
        """(probability, chosen, done) of one measure in one section."""
        recorded = float(self.records.sections["required"].values[i, k])
        c = float(self.truth["compliance"][k])
        if bool(self.records.sections["verified"].values[i, k]):
            return [(1.0, True, True)]
        origin = [(1 - self.rate[k], False), (self.rate[k], True)] if math.isnan(recorded) else [(1.0, recorded == 1)]
        out = []
        for p, chosen in origin:
            out += [(p * c, True, True), (p * (1 - c), True, False)] if chosen else [(p, False, False)]
        return out

    def log_odds(self, i: int, m: int, chosen: dict[int, bool], done: dict[int, bool], score: float) -> float:
        truth, priors, sections = self.truth, self.priors, self.records.sections
        mechanism = priors.mechanisms[m]
        eta = float(truth["intercept"][0, m])
        eta += float(truth["year_slope"]) * (float(sections["opened_year"].values[i]) - priors.year_centre) / 10
        eta -= float(truth["score_effect"][m]) * score
        for group in priors.groups:
            if mechanism.root in group.roots:
                names = sorted(set(sections[group.column].values.astype(str)) - {""})
                eta += float(truth[f"{group.column}_effect"][names.index(str(sections[group.column].values[i]))])
        number = 0
        for k, measure in enumerate(priors.measures):
            for effect in measure.effects:
                for name in effect.mechanisms:
                    if name == mechanism.name and done.get(k) and effect.scale != "hazard_ratio":
                        eta -= float(truth["delta"][number])
                    number += 1
        for term, (k, root) in enumerate(self.selection_terms()):
            randomised = bool(sections["randomised"].values[i, k])
            if root == mechanism.root and chosen.get(k) and not randomised:
                eta += float(truth["selection"][term])
        return eta

    def selection_terms(self) -> list[tuple[int, str]]:
        roots = list(dict.fromkeys(m.root for m in self.priors.mechanisms))
        return [(k, r) for k in range(len(self.priors.measures)) for r in roots if k in self.measures_of(r)]

    def slowing(self, m: int, done: dict[int, bool]) -> float:
        total, number = 0.0, 0
        for k, measure in enumerate(self.priors.measures):
            for effect in measure.effects:
                for name in effect.mechanisms:
                    if name == self.priors.mechanisms[m].name and done.get(k) and effect.scale == "hazard_ratio":
                        total += float(self.truth["delta"][number])
                    number += 1
        return math.exp(-total)

    # ---------------------------------------------------------------------------- life

    def failed(self, m: int, ages: np.ndarray, speed: float = 1.0) -> np.ndarray:
        hazard = math.log(2) * (ages / float(self.truth["age_median"][m])) ** float(self.truth["age_shape"][m])
        return 1 - np.exp(-speed * hazard)

    def worlds(self, i: int, root: str) -> list[tuple[float, dict[int, float], dict[int, float]]]:
        """(probability, susceptibility, speed by mechanism) of every state and score node."""
        members = [m for m, x in enumerate(self.priors.mechanisms) if x.root == root]
        mean, variance = self.score(i, root) if root in ROOTS else (0.0, 0.0)
        acting = self.measures_of(root)
        out = []
        for combination in itertools.product(*(self.states(i, k) for k in acting)):
            p = math.prod(s[0] for s in combination)
            chosen = {k: s[1] for k, s in zip(acting, combination, strict=True)}
            done = {k: s[2] for k, s in zip(acting, combination, strict=True)}
            for x, w in zip(self.x, self.w, strict=True):
                score = mean + math.sqrt(variance) * x
                pi = {m: 1 / (1 + math.exp(-self.log_odds(i, m, chosen, done, score))) for m in members}
                out.append((p * w, pi, {m: self.slowing(m, done) for m in members}))
        return out

    def life(self, i: int, ages: np.ndarray) -> tuple[np.ndarray, list[list[tuple]]]:
        roots = list(dict.fromkeys(m.root for m in self.priors.mechanisms))
        worlds = [self.worlds(i, r) for r in roots]
        early = np.ones_like(ages)
        for world in worlds:
            early *= sum(
                p * np.prod([1 - pi[m] * self.failed(m, ages, speed[m]) for m in pi], axis=0) for p, pi, speed in world
            )
        return early, worlds

    def wear(self, i: int, ages: np.ndarray) -> np.ndarray:
        truth = self.truth
        median = float(truth["wear_out_median"][0])
        for d, driver in enumerate(self.priors.drivers):
            x = (math.log2(float(self.records.sections[driver.column].values[i])) - driver.centre) / driver.scale
            median *= math.exp(float(truth["driver_coefficient"][d]) * x)
        return np.exp(-math.log(2) * (ages / median) ** float(truth["wear_out_shape"]))

    def cause_increments(self, i: int, edges: np.ndarray) -> np.ndarray:
        """P(failure in each cell by each cause), wear-out last; mid-cell exposure."""
        middle = np.where(edges[1:] > 200, 150.0, np.sqrt(np.maximum(edges[:-1], 1e-3) * edges[1:]))
        _, worlds = self.life(i, middle)
        roots = list(dict.fromkeys(m.root for m in self.priors.mechanisms))
        alive = [
            sum(p * np.prod([1 - pi[m] * self.failed(m, middle, speed[m]) for m in pi], axis=0) for p, pi, speed in w)
            for w in worlds
        ]
        wear_mid, wear_step = self.wear(i, middle), -np.diff(self.wear(i, edges))
        out = np.zeros((len(self.priors.mechanisms) + 1, len(middle)))
        out[-1] = wear_step * np.prod(alive, axis=0)
        for r, world in enumerate(worlds):
            others = np.prod([a for j, a in enumerate(alive) if j != r], axis=0) * wear_mid
            for m in [m for m, x in enumerate(self.priors.mechanisms) if x.root == roots[r]]:
                for p, pi, speed in world:
                    rest = np.prod([1 - pi[j] * self.failed(j, middle, speed[j]) for j in pi if j != m], axis=0)
                    out[m] += p * pi[m] * np.diff(self.failed(m, edges, speed[m])) * rest * others
        return out

    def never_susceptible(self, i: int) -> float:
        """P(section i is susceptible to no early mechanism), before its records."""
        roots = dict.fromkeys(m.root for m in self.priors.mechanisms)
        return math.prod(
            sum(p * math.prod(1 - x for x in pi.values()) for p, pi, _ in self.worlds(i, r)) for r in roots
        )

    # ---------------------------------------------------------------------- likelihood

    def path(self, i: int, age: float, kappa: float) -> float:
        """ln density of the readings of section i if it fails at `age`: the multivariate normal, written out."""
        truth, condition, readings = self.truth, self.records.condition, self.records.readings
        mine = readings["section_index"].values == i
        used = mine & (readings["status"].values == "used")
        start = float(condition.to_z(float(truth["start_index"])))
        goal = float(condition.to_z(condition.threshold))
        omega, sigma = float(truth["start_spread"]), float(truth["noise"])
        t, z = np.maximum(readings["age"].values[used], 1e-3), readings["z"].values[used]
        x = (t / age) ** kappa
        total, cov = 0.0, sigma**2 * np.eye(len(t)) + omega**2 * np.outer(1 - x, 1 - x)
        mean = start * (1 - x) + goal * x
        if len(t):
            total += stats.multivariate_normal.logpdf(z, mean, cov)
        capped = readings["age"].values[mine & (readings["status"].values == "capped")]
        below = readings["age"].values[mine & np.isin(readings["status"].values, ["far_below", "at_floor"])][:1]
        if len(capped) or len(below):
            total += self.one_sided(capped, below, age, kappa, z - mean, 1 - x, cov)
        return total

    def one_sided(
        self, capped: Any, below: Any, age: float, kappa: float, residual: Any, loading: Any, cov: Any
    ) -> float:
        """ln P(readings at ages `capped` at the cap, those at `below` far down | the others), built-in condition out.

        Given the section's own built-in condition its readings are independent; 120 Gauss-Hermite nodes
        over that condition given the other readings.
        """
        truth, condition = self.truth, self.records.condition
        start, cap = (float(condition.to_z(v)) for v in (float(truth["start_index"]), condition.highest))
        low = float(condition.to_z(max(condition.threshold - condition.far_below, condition.lowest)))
        goal = float(condition.to_z(condition.threshold))
        omega, sigma = float(truth["start_spread"]), float(truth["noise"])
        gain = omega**2 * loading @ np.linalg.inv(cov) if len(residual) else np.zeros(0)
        centre, spread = start + gain @ residual, omega**2 - gain @ loading * omega**2
        nodes, weights = np.polynomial.hermite_e.hermegauss(120)
        own = centre + math.sqrt(spread) * nodes
        at_cap, down = ((own[:, None] * (1 - x) + goal * x) for x in ((capped / age) ** kappa, (below / age) ** kappa))
        log_tail = stats.norm.logsf(cap, at_cap, sigma).sum(axis=1) + stats.norm.logcdf(low, down, sigma).sum(axis=1)
        peak = log_tail.max()
        return float(peak + math.log((weights / weights.sum()) @ np.exp(log_tail - peak)))

    def joint(self, i: int) -> tuple[np.ndarray, np.ndarray]:
        """P(records of section i, failing in the cell by the cause), wear-out last, and the edges of the cells."""
        truth, sections = self.truth, self.records.sections
        lower, upper = float(sections["age_lower"].values[i]), float(sections["age_upper"].values[i])
        edges = np.unique(np.clip(self.edges, lower, upper))
        middle = np.where(edges[1:] > 200, 150.0, 0.5 * (edges[:-1] + edges[1:]))
        parts = self.cause_increments(i, edges)
        readings = self.records.readings
        mine = (readings["section_index"].values == i) & np.isin(readings["status"].values, ["used", "capped"])
        last = readings["age"].values[mine].max(initial=0.0)
        kappas = (float(truth["kappa"]), float(truth["kappa"]) * math.exp(float(truth["kappa_early_log_ratio"])))
        wear = np.array([self.path(i, a, kappas[0]) if a >= last / 2 else -np.inf for a in middle])
        early = np.array([self.path(i, a, kappas[1]) if a >= last / 2 else -np.inf for a in middle])
        label = self.label(i)
        joint = parts * label[:, None] * np.exp(np.vstack([*[early] * len(parts[:-1]), wear]))
        scale = float(truth["removal_lag"]) / 2
        removed, serving = float(sections["age_removed"].values[i]), float(sections["age_in_service"].values[i])
        if not math.isnan(removed):
            joint = joint * stats.gamma.pdf(removed - middle, 2, scale=scale)
        elif not math.isnan(serving):
            joint = joint * stats.gamma.sf(serving - middle, 2, scale=scale)
        return joint, edges

    def log_likelihood(self, i: int) -> float:
        total, scale = math.log(self.joint(i)[0].sum()), float(self.truth["removal_lag"]) / 2
        entry = float(self.records.sections["age_entry"].values[i])
        if entry > 0:
            whole = self.edges
            centre = np.where(whole[1:] > 200, 150.0, 0.5 * (whole[:-1] + whole[1:]))
            alive = self.life(i, whole)[0] * self.wear(i, whole)
            total -= math.log((-np.diff(alive) * stats.gamma.sf(entry - centre, 2, scale=scale)).sum())
        return total

    def label(self, i: int) -> np.ndarray:
        named = self.records.sections["named"].values[i]
        if not named.any():
            return np.ones(len(named))
        eps, applicable = float(self.truth["label_error"]), len(self.priors.mechanisms) + 1
        return (1 - eps) * named + eps * named.sum() / applicable
