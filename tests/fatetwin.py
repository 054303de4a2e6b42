"""Simulated lives one by one: a plain loop over portfolios, sections, draws and mechanisms.

Shares the streams and the reading of tables with `riskmodel.montecarlo`, nothing of its arithmetic.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, ndtri

from riskmodel.inputs import Facts
from riskmodel.lives import group_terms
from riskmodel.measures import NO_MEASURES, Requirements, deltas_of, selections_of, shifts_of
from riskmodel.quality import SCORED_ROOTS
from riskmodel.streams import uniforms


class Twin:
    """Ages at failure and wear-out of one draw, section and portfolio."""

    def __init__(self, draws, programme, priors, portfolios, *, seed, score_shift=None, renewal=0):
        self.draws, self.priors, self.portfolios = draws, priors, portfolios
        self.facts = Facts.from_table(programme, priors, {}, score_shift=score_shift)
        self.asked = [Requirements.of(programme, priors, p) for p in portfolios]
        self.terms = group_terms(draws, programme, priors, seed)
        names, again = programme["section"].values.astype(str), f", renewal {renewal}" if renewal else ""

        def drawn(purpose, width=1):
            return uniforms(seed, purpose, names, draws.count, width)

        self.score_u, self.wear_u = drawn("score", len(SCORED_ROOTS)), drawn(f"wear-out{again}")
        self.strike_u = {m.name: drawn(f"mechanism {m.name}{again}", 2) for m in priors.mechanisms}
        self.chosen_u = {k.name: drawn(f"required {k.name}") for k in priors.measures}
        self.comply_u = {k.name: drawn(f"compliance {k.name}{again}") for k in priors.measures}

    def lives(self):
        """Ages at failure and at wear-out, each (sample, portfolio, section)."""
        shape = (self.draws.count, len(self.portfolios), self.facts.sections)
        failed, worn = np.empty(shape), np.empty(shape)
        for s, p, i in np.ndindex(shape):
            done = self.done(s, p, i)
            worn[s, p, i] = self.wear_age(s, i, done)
            ages = [self.age(s, i, m, done) for m in range(len(self.priors.mechanisms))]
            failed[s, p, i] = min([worn[s, p, i], *ages])
        return failed, worn

    def chosen(self, s, i, k):
        recorded = self.asked[0].required[i, k]
        if np.isnan(recorded):
            return self.chosen_u[self.priors.measures[k].name][i, s] < self.asked[0].rate[k]
        return recorded == 1.0

    def done(self, s, p, i):
        """Measures that are really done."""
        if self.portfolios[p].name == NO_MEASURES:
            return set()
        found = set()
        for k, measure in enumerate(self.priors.measures):
            chosen = self.chosen(s, i, k)
            complied = self.comply_u[measure.name][i, s] < self.draws["compliance"][s, k]
            if (chosen and self.asked[p].verified[i, k]) or ((chosen or self.asked[p].forced[i, k]) and complied):
                found.add(k)
        return found

    def type_of(self, i):
        return self.priors.types[self.facts.types[i]].name

    def wear_age(self, s, i, done):
        draws = self.draws
        log_median = np.log(draws["wear_out_median"][s, self.facts.types[i]])
        for d, driver in enumerate(self.priors.drivers):
            if driver.acts_on == ("wear_out",):
                log_median += draws["driver_coefficient"][s, d] * self.facts.drivers[i, d]
        for k, measure in enumerate(self.priors.measures):
            if measure.time_ratio is not None and k in done and self.type_of(i) in measure.applies_to:
                log_median += np.log(draws["time_ratio"][s, k])
        return np.exp(log_median) * (-np.log(self.wear_u[i, s]) / np.log(2)) ** (1.0 / draws["wear_out_shape"][s])

    def age(self, s, i, m, done):
        """Age at failure by mechanism m, infinite where not susceptible."""
        name = self.priors.mechanisms[m].name
        u = self.strike_u[name][i, s]
        if not self.facts.applies[i, m] or u[0] >= expit(self.log_odds(s, i, m, done)):
            return np.inf
        hazard = -np.log(u[1])
        for n, delta in enumerate(deltas_of(self.priors)):
            if delta.mechanism == m and delta.scale == "hazard_ratio" and self.acts(delta, i, done):
                hazard *= np.exp(self.draws["delta"][s, n])
        return self.draws["age_median"][s, m] * (hazard / np.log(2)) ** (1.0 / self.draws["age_shape"][s, m])

    def acts(self, delta, i, done):
        return delta.measure in done and delta.types[self.facts.types[i]]

    def log_odds(self, s, i, m, done):
        draws, mechanism = self.draws, self.priors.mechanisms[m]
        eta = draws["intercept"][s, self.facts.types[i], m] + draws["year_slope"][s] * self.facts.decades[i]
        for group in self.priors.groups:
            if mechanism.root in group.roots and group.column in self.terms:
                eta += self.terms[group.column][s, i]
        for d, driver in enumerate(self.priors.drivers):
            if mechanism.name in driver.acts_on:
                eta += draws["driver_coefficient"][s, d] * self.facts.drivers[i, d]
        eta -= draws["score_effect"][s, m] * self.score(s, i, mechanism.root, done)
        for n, (k, root) in enumerate(selections_of(self.priors)):
            if root == mechanism.root and self.chosen(s, i, k) and not self.asked[0].randomised[i, k]:
                eta += draws["selection"][s, n]
        for n, delta in enumerate(deltas_of(self.priors)):
            if delta.mechanism == m and delta.scale != "hazard_ratio" and self.acts(delta, i, done):
                eta -= draws["delta"][s, n]
        return eta

    def score(self, s, i, root, done):
        if root not in SCORED_ROOTS:
            return 0.0
        r = SCORED_ROOTS.index(root)
        score = self.facts.score_mean[i, r] + np.sqrt(self.facts.score_variance[i, r]) * ndtri(self.score_u[i, s, r])
        for n, (k, name) in enumerate(shifts_of(self.priors)):
            if name == root and k in done and self.type_of(i) in self.priors.measures[k].applies_to:
                score += self.draws["score_shift_size"][s, n]
        return score
