"""Records drawn from known truth by code that shares nothing with the package's simulation.

One section at a time, in plain loops, straight from the model's description. Invented data.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import xarray as xr

from riskmodel.condition import Condition
from riskmodel.priors import Driver, PriorSet

ROOTS = ("existing", "design", "workmanship")
CLOSE = 2025.0
RATERS = ("Ardel", "Bry", "crew 7", "Dunmor", "Eskel", "Fenn")


def truth_of(posterior: xr.Dataset, draw: int) -> dict[str, np.ndarray]:
    """One draw of the parameters as plain arrays."""
    return {str(k): v.values[0, draw] for k, v in posterior.data_vars.items()}


def unit_of(driver: Driver, value: float) -> float:
    """A covariate from its centre, in its own unit."""
    return ((math.log2(value) if driver.transform == "log2" else value) - driver.centre) / driver.scale


class Generator:
    """Draws roads, fates and surveys from one truth."""

    def __init__(self, priors: PriorSet, truth: dict[str, Any], rng: np.random.Generator, condition: Condition):
        self.priors, self.truth, self.rng, self.condition = priors, truth, rng, condition
        self.contractors = {f"c{i}": rng.normal() * float(truth.get("contractor_sd", 0.0)) for i in range(8)}
        self.project_terms: dict[str, float] = {}
        self.district_terms: dict[str, float] = {}
        raters = RATERS if "rater_sd" in truth else ()
        self.raters = {name: rng.normal() * float(truth["rater_sd"]) for name in raters}

    @property
    def terms(self) -> dict[str, dict[str, float]]:
        """True terms of every group, by column and level."""
        return {"contractor": self.contractors, "project": self.project_terms, "district": self.district_terms}

    # -------------------------------------------------------------------------------- roads

    def road(self, number: int, records_from: float) -> dict[str, Any]:
        rng = self.rng
        opened = rng.uniform(1995.0, 2020.0)
        project = f"p{number // 3}"
        self.project_terms.setdefault(project, rng.normal() * float(self.truth.get("project_sd", 0.0)))
        types = [t.name for t in self.priors.types]
        road: dict[str, Any] = {
            "name": f"s{number}",
            "opened": opened,
            "type": int(rng.integers(len(types))),
            "project": project,
            "contractor": f"c{rng.integers(8)}",
            "trucks_per_day": float(np.exp(rng.normal(np.log(1000.0), 0.6))),
            "score": dict(zip(ROOTS, rng.normal(size=3), strict=True)),
            "entry": max(0.0, records_from - opened),
        }
        for indicator in self.priors.indicators:
            x = indicator.loading * road["score"][indicator.score]
            x += math.sqrt(1 - indicator.loading**2) * rng.normal()
            road[indicator.column] = indicator.centre + indicator.scale * x if rng.random() < 0.7 else math.nan
        for k, measure in enumerate(self.priors.measures):
            chosen = rng.random() < 0.35
            randomised = rng.random() < 0.1
            road[f"chosen {measure.name}"] = chosen
            road[f"randomised {measure.name}"] = randomised
            road[f"done {measure.name}"] = chosen and rng.random() < self.truth["compliance"][k]
            road[f"hidden {measure.name}"] = not randomised and rng.random() < 0.1
        return road

    # -------------------------------------------------------------------------------- fates

    def log_odds(self, road: dict[str, Any], m: int) -> float:
        truth, mechanism = self.truth, self.priors.mechanisms[m]
        eta = float(truth["intercept"][road["type"], m]) - 0.0
        eta += float(truth["year_slope"]) * (road["opened"] - self.priors.year_centre) / 10.0
        if mechanism.root in ROOTS:
            eta -= float(truth["score_effect"][m]) * road["score"][mechanism.root]
        for group in self.priors.groups:
            if mechanism.root in group.roots:
                eta += self.terms[group.column][road[group.column]]
        for d, driver in enumerate(self.priors.drivers):
            if mechanism.name in driver.acts_on:
                eta += float(truth["driver_coefficient"][d]) * unit_of(driver, road[driver.column])
        acting: set[int] = set()
        number = 0
        for k, measure in enumerate(self.priors.measures):
            for effect in measure.effects:
                for name in effect.mechanisms:
                    root = next(x.root for x in self.priors.mechanisms if x.name == name)
                    if root == mechanism.root:
                        acting.add(k)
                    acts = effect.scale != "hazard_ratio" and self.priors.types[road["type"]].name in effect.applies_to
                    if name == mechanism.name and road[f"done {measure.name}"] and acts:
                        eta -= float(truth["delta"][number])
                    number += 1
        terms = [
            (k, root)
            for k, measure in enumerate(self.priors.measures)
            for root in dict.fromkeys(x.root for x in self.priors.mechanisms)
            if any(
                next(x.root for x in self.priors.mechanisms if x.name == n) == root
                for e in measure.effects
                for n in e.mechanisms
            )
        ]
        for i, (k, root) in enumerate(terms):
            name = self.priors.measures[k].name
            if root == mechanism.root and road[f"chosen {name}"] and not road[f"randomised {name}"]:
                eta += float(truth["selection"][i])
        return eta

    def fate(self, road: dict[str, Any]) -> tuple[float, int]:
        """Age at failure and cause (number of mechanisms: wear-out)."""
        truth, rng = self.truth, self.rng
        median = float(truth["wear_out_median"][road["type"]])
        for d, driver in enumerate(self.priors.drivers):
            if driver.acts_on == ("wear_out",):
                median *= math.exp(float(truth["driver_coefficient"][d]) * unit_of(driver, road[driver.column]))
        life, cause = (
            median * rng.weibull(float(truth["wear_out_shape"])) / math.log(2) ** (1 / float(truth["wear_out_shape"])),
            len(self.priors.mechanisms),
        )
        for m in self.possible(road):
            if rng.random() < 1.0 / (1.0 + math.exp(-self.log_odds(road, m))):
                shape = float(truth["age_shape"][m])
                age = float(truth["age_median"][m]) * rng.weibull(shape) / math.log(2) ** (1 / shape)
                if age < life:
                    life, cause = age, m
        return life, cause

    def possible(self, road: dict[str, Any]) -> list[int]:
        """Mechanisms that the road's overlay type knows."""
        name = self.priors.types[road["type"]].name
        return [m for m, mechanism in enumerate(self.priors.mechanisms) if mechanism.share.get(name, 0.0) > 0]

    # ------------------------------------------------------------------------------- records

    def error(self, road: dict[str, Any], age: float) -> float:
        """Error of one reading on the z scale."""
        return self.rng.normal() * float(self.truth["noise"])

    def rater(self, road: dict[str, Any], age: float) -> str:
        """Who takes a reading; "" where nobody is named."""
        return str(self.rng.choice(RATERS)) if self.raters else ""

    def exponent(self, cause: int) -> float:
        """Exponent of the path of a section that fails by `cause`."""
        early = cause < len(self.priors.mechanisms)
        return float(self.truth["kappa"]) * (math.exp(float(self.truth["kappa_early_log_ratio"])) if early else 1.0)

    def history(self, road: dict[str, Any], number: int) -> dict[str, Any] | None:
        """What the agency has on file, or None if the road left before the records began."""
        truth, rng = self.truth, self.rng
        life, cause = self.fate(road)
        lag = rng.gamma(2.0, float(truth["removal_lag"]) / 2.0)
        if life + lag <= road["entry"]:
            return None
        end = CLOSE - road["opened"]
        removed = math.nan
        gone = rng.uniform(road["entry"], end) if rng.random() < 0.1 else end  # for reasons of its own
        if life + lag < gone:
            removed = end = life + lag
        else:
            end = gone
        kappa = self.exponent(cause)
        start = float(self.condition.to_z(float(truth["start_index"]))) + rng.normal() * float(truth["start_spread"])
        goal = float(self.condition.to_z(self.condition.threshold))
        readings = []
        age = road["entry"] + rng.uniform(0.2, 2.0)
        while age < end:
            x = (age / life) ** kappa
            z = start * (1 - x) + goal * x + self.error(road, age)
            rater = self.rater(road, age)
            readings.append((number, age, z + self.raters.get(rater, 0.0), rater))
            age += rng.uniform(1.0, 3.0)
        label = np.zeros(len(self.priors.mechanisms) + 1, bool)
        if not math.isnan(removed) and rng.random() < 0.4:
            legal = [*self.possible(road), len(self.priors.mechanisms)]
            label[cause if rng.random() > float(truth["label_error"]) else legal[rng.integers(len(legal))]] = True
        return {"life": life, "cause": cause, "removed": removed, "in_service": math.nan if removed == removed else end,
                "readings": readings, "label": label}  # fmt: skip

    def records(self, count: int, *, records_from: float = 2003.0, surveys: bool = True) -> SimpleNamespace:
        """A `Records` look-alike of `count` sections."""
        self.kept = self.keep(count, records_from)
        return SimpleNamespace(
            sections=self._sections(self.kept),
            readings=self._readings(self.kept if surveys else []),
            condition=self.condition,
        )

    def keep(self, count: int, records_from: float) -> list[tuple[dict[str, Any], dict[str, Any]]]:
        """The first `count` roads that the records saw, each with its history."""
        kept: list[tuple[dict[str, Any], dict[str, Any]]] = []
        tried = 0
        self.unseen: list[dict[str, Any]] = []
        while len(kept) < count:
            road = self.road(tried, records_from)
            history = self.history(road, len(kept))
            tried += 1
            if history is None:
                self.unseen.append(road)
            else:
                kept.append((road, history))
        return kept

    def _sections(self, kept: list[tuple[dict[str, Any], dict[str, Any]]]) -> xr.Dataset:
        roads = [road for road, _ in kept]
        histories = [history for _, history in kept]
        names = [m.name for m in self.priors.measures]
        required = np.array(
            [[math.nan if r[f"hidden {n}"] else float(r[f"chosen {n}"]) for n in names] for r in roads]
        ).reshape(len(roads), len(names))
        types = [self.priors.types[r["type"]] for r in roads]
        data: dict[str, Any] = {
            "opened_year": [r["opened"] for r in roads],
            "bond": [t.bond for t in types],
            "base": [t.base for t in types],
            "district": ["" for _ in roads],
            "contractor": [r["contractor"] for r in roads],
            "project": [r["project"] for r in roads],
            "trucks_per_day": [r["trucks_per_day"] for r in roads],
            "age_entry": [r["entry"] for r in roads],
            "age_in_service": [h["in_service"] for h in histories],
            "age_removed": [h["removed"] for h in histories],
            "age_lower": np.zeros(len(roads)),
            "age_upper": np.full(len(roads), np.inf),
        }
        data |= {i.column: [r[i.column] for r in roads] for i in self.priors.indicators}
        out = xr.Dataset({k: ("section", np.asarray(v)) for k, v in data.items()})
        out["required"] = (("section", "measure"), required)
        out["verified"] = (("section", "measure"), np.zeros(required.shape, bool))
        out["randomised"] = (
            ("section", "measure"),
            np.array([[r[f"randomised {n}"] for n in names] for r in roads], bool).reshape(required.shape),
        )
        out["named"] = (("section", "cause"), np.array([h["label"] for h in histories]))
        causes = [m.name for m in self.priors.mechanisms] + ["wear_out"]
        return out.assign_coords(section=[r["name"] for r in roads], measure=names, cause=causes)

    def _readings(self, kept: list[tuple[dict[str, Any], dict[str, Any]]]) -> xr.Dataset:
        rows = [reading for _, history in kept for reading in history["readings"]]
        z = np.array([r[2] for r in rows], float)
        top = float(self.condition.to_z(self.condition.highest))
        status = np.where(z >= top, "capped", "used").astype(object)
        section = np.array([r[0] for r in rows], int)
        low = z < float(self.condition.to_z(self.condition.threshold - self.condition.far_below))
        # from the first reading so far down on, none is used as it stands
        for i in set(section[low]):
            status[np.flatnonzero(section == i)[np.argmax(low[section == i]) :]] = "far_below"
        raters = {"rater": ("reading", np.array([r[3] for r in rows], str))} if self.raters else {}
        return xr.Dataset(
            {
                "section_index": ("reading", section),
                "age": ("reading", np.array([r[1] for r in rows], float)),
                "z": ("reading", np.minimum(z, top)),
                "status": ("reading", status.astype(str)),
                **raters,
            }
        )
