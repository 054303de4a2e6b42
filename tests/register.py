"""Records of a whole agency drawn from known truth, as the files that a study reads. Invented data.

The roads are settled before the truth is known: where, when, what type, what was asked for, what was
found. What then happens to each is drawn anew until the records would have seen it, so that records and
likelihood condition on the same things.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from generator import CLOSE, ROOTS, Generator

from riskmodel.condition import Condition
from riskmodel.priors import PriorSet

Road = dict[str, Any]
Kept = list[tuple[Road, dict[str, Any]]]
FROM = 2003.0
RECORDED = ("existing_pci", "stripping_seen", "old_slab_distress_seen", "drained", "wcm", "saw_delay_h", "wet_freeze")
BACK = {"identity": lambda x: x, "log": math.exp}


def roads_of(priors: PriorSet, seed: int, count: int) -> list[Road]:
    """Roads in contracts of three, with everything that is recorded of them but their lives."""
    rng = np.random.default_rng([seed, 1])
    roads: list[Road] = []
    for contract in range(math.ceil(count / 3)):
        shared = {
            "type": contract % len(priors.types),
            "project": f"p{contract:03d}",
            "contractor": f"c{contract % 8}",
            "district": f"d{rng.integers(5)}",
        }
        begun = rng.uniform(1995.0, 2019.0)
        for _ in range(min(3, count - len(roads))):
            opened = begun + rng.uniform(0.0, 1.0)
            road = shared | {"name": f"s{len(roads):03d}", "opened": opened, "entry": max(0.0, FROM - opened)}
            road["trucks_per_day"] = float(np.exp(rng.normal(np.log(1000.0), 0.6)))
            roads.append(road | indicators_of(priors, rng) | choices_of(priors, shared["type"], rng))
    return roads


def indicators_of(priors: PriorSet, rng: np.random.Generator) -> Road:
    """Columns of quality that somebody filled in; empty in three of ten roads."""
    score = dict(zip(ROOTS, rng.normal(size=3), strict=True))
    cells: Road = {"wet_freeze": math.nan}
    for one in priors.indicators:
        if one.column not in RECORDED:
            continue
        x = one.loading * score[one.score] + math.sqrt(1.0 - one.loading**2) * rng.normal()
        value = BACK[one.transform](one.centre + one.scale * x)
        if one.kind == "yes_no":
            value = float(value > 0.5)
        filled = rng.random() < 0.7 or one.column == "wet_freeze"
        cells[one.column] = value if filled and one.lowest <= value <= one.highest else math.nan
    return cells


def choices_of(priors: PriorSet, of_type: int, rng: np.random.Generator) -> Road:
    """Which measures were asked for, by whom, and of which nothing is recorded."""
    cells: Road = {}
    for measure in priors.measures:
        applies = priors.types[of_type].name in measure.applies_to
        chosen, randomised, hidden = rng.random() < 0.35, rng.random() < 0.1, rng.random() < 0.1
        cells[f"chosen {measure.name}"] = applies and chosen
        cells[f"randomised {measure.name}"] = randomised
        cells[f"hidden {measure.name}"] = hidden and not randomised
    return cells


class Register(Generator):
    """Fates and surveys of settled roads; nobody is told apart who reads them."""

    names_raters = False

    def __init__(
        self, priors: PriorSet, truth: dict[str, Any], rng: np.random.Generator, condition: Condition, roads: list[Road]
    ):
        super().__init__(priors, {name: v for name, v in truth.items() if name != "rater_sd"}, rng, condition)
        self.roads, self.aside = roads, rng.spawn(1)[0]
        for column, terms in (("project", self.project_terms), ("district", self.district_terms)):
            for name in sorted({road[column] for road in roads}):
                terms[name] = rng.normal() * float(truth[f"{column}_sd"])

    @staticmethod
    def changed(truth: dict[str, Any]) -> dict[str, Any]:
        """The truth of this agency; overridden where it lies where the priors do not expect it."""
        return truth

    def keep(self, count: int, records_from: float) -> Kept:
        """Every road, each with a history that the records saw."""
        return [self.seen(road, number) for number, road in enumerate(self.roads)]

    def seen(self, road: Road, number: int) -> tuple[Road, dict[str, Any]]:
        """A road with hidden quality and work drawn until its history reaches into the records."""
        while True:
            whole = road | self.hidden(road)
            history = self.history(whole, number)
            if history is not None:
                return whole, history

    def hidden(self, road: Road) -> Road:
        """Scores given the recorded columns, and measures really done."""
        precision, pull = dict.fromkeys(ROOTS, 1.0), dict.fromkeys(ROOTS, 0.0)
        for one in self.priors.indicators:
            value = road.get(one.column, math.nan)
            if not math.isnan(value):
                x = ((math.log(value) if one.transform == "log" else value) - one.centre) / one.scale
                precision[one.score] += one.loading**2 / (1.0 - one.loading**2)
                pull[one.score] += one.loading * x / (1.0 - one.loading**2)
        score = {r: pull[r] / precision[r] + self.rng.normal() / math.sqrt(precision[r]) for r in ROOTS}
        done = {
            f"done {m.name}": road[f"chosen {m.name}"] and self.rng.random() < self.truth["compliance"][k]
            for k, m in enumerate(self.priors.measures)
        }
        return {"score": score, **done}


# --------------------------------------------------------------------------------------- files


@dataclass(frozen=True)
class Clock:
    """Dates of one road."""

    opened: date

    @classmethod
    def of(cls, opened: float) -> Clock:
        """Opening in decimal years."""
        year = int(opened)
        days = (date(year + 1, 1, 1) - date(year, 1, 1)).days
        return cls(date(year, 1, 1) + timedelta(days=int((opened - year) * days)))

    def at(self, age: float) -> date:
        """Date at an age in years, no later than the close of the records."""
        return min(self.opened + timedelta(days=round(age * 365.25)), date(int(CLOSE), 1, 1))


def write_records(folder: Path, register: Register) -> None:
    """Write `sections.csv` and `surveys.csv` of the register's roads."""
    register.kept = register.keep(len(register.roads), FROM)
    sections = [section_row(register.priors, road, history) for road, history in register.kept]
    surveys = [row for road, history in register.kept for row in survey_rows(register.condition, road, history)]
    for name, rows in (("sections.csv", sections), ("surveys.csv", surveys)):
        columns = [c for c in rows[0] if c != "rater" or register.names_raters]
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, columns, extrasaction="ignore", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


def section_row(priors: PriorSet, road: Road, history: dict[str, Any]) -> dict[str, str]:
    """One row of sections.csv."""
    clock, of_type = Clock.of(road["opened"]), priors.types[road["type"]]
    gone = history["removed"] if not math.isnan(history["removed"]) else history["in_service"]
    over = clock.opened + timedelta(days=round(gone * 365.25)) >= date(int(CLOSE), 1, 1) - timedelta(days=1)
    removed = "" if over and math.isnan(history["removed"]) else clock.at(max(gone, 1.0 / 365.25)).isoformat()
    reason = ("other" if math.isnan(history["removed"]) else "condition") if removed else ""
    causes = [m.name for m in priors.mechanisms] + ["wear_out"]
    row = {
        "section": road["name"],
        "opened": Clock.of(road.get("written opening", road["opened"])).opened.isoformat(),
        "bond": of_type.bond,
        "base": of_type.base,
        "observed_from": date(int(FROM), 1, 1).isoformat() if road["opened"] < FROM else "",
        "removed": removed,
        "removal_reason": reason,
        "cause": ";".join(c for c, named in zip(causes, history["label"], strict=True) if named),
        "randomised": ";".join(m.name for m in priors.measures if road[f"randomised {m.name}"]),
    }
    row |= {c: road[c] for c in ("district", "contractor", "project")}
    for column in ("trucks_per_day", *RECORDED):
        row[column] = "" if math.isnan(road[column]) else f"{road[column]:.8g}"
    for m in priors.measures:
        row[m.name] = "" if road[f"hidden {m.name}"] else str(int(road[f"chosen {m.name}"]))
    return row


def survey_rows(condition: Condition, road: Road, history: dict[str, Any]) -> list[dict[str, str]]:
    """Rows of surveys.csv of one road."""
    clock = Clock.of(road["opened"])
    s = condition.stretch
    rows = []
    for _, age, z, rater in history["readings"]:
        index = min(max(100.0 - math.expm1(min(-s * z, 50.0)) / s, 0.0), 100.0)
        rows.append({"section": road["name"], "surveyed": clock.at(age).isoformat(), "pci": f"{index:.6f}",
                     "restored": "0", "rater": rater})  # fmt: skip
    return rows
