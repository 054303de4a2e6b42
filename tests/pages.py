"""What the tests of the page share: its material, tables of a decision, and the page taken apart. Invented numbers."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
from runs import STAGES

from riskmodel import pipeline
from riskmodel.brief import Material
from riskmodel.briefdesk import gather
from riskmodel.study import read_study

SCRIPT = "<script>alert(1)</script>"
FORMULA = "=cmd()"
MONEY = "USD of 2024 a section"
SAWING, CURING = "prompt_sawing", "internal_curing"
BOTH = f"{SAWING} + {CURING}"
NAMED = f"""[sampling]
chains = 2
draws = 20
seed = 1
[[portfolio]]
name = "{SCRIPT}"
measures = ["prompt_sawing"]
[[portfolio]]
name = "{FORMULA}"
measures = ["internal_curing"]
where = {{ internal_curing = {{ base = ["composite"] }} }}
"""
"""A study whose portfolios have names that would do harm where they are not escaped."""


def material_of(study: Path) -> Material:
    """Material of a finished study."""
    return gather(pipeline.open_results(read_study(study), needs=STAGES[:-1]))


class Elements(HTMLParser):
    """Every element of a page with its attributes, and the text outside scripts and styles."""

    def __init__(self, html: str):
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[str] = []
        self._inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag in ("script", "style"):
            self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        if tag == self._inside:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())

    def values(self, attribute: str) -> list[str]:
        return [attributes[attribute] for _, attributes in self.elements if attribute in attributes]


def data_of(html: str) -> dict[str, Any]:
    """What the page's script looks up."""
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.DOTALL)
    assert found is not None
    return json.loads(found[1])


def _ends(name: str, mean: list[float], half: float) -> dict[str, list[float]]:
    return {
        f"{name}_mean": mean,
        f"{name}_lower": [value - half for value in mean],
        f"{name}_upper": [value + half for value in mean],
    }


def decision_tables() -> dict[str, pd.DataFrame]:
    """Tables as a study with costs has them, for two measures."""
    names = [BOTH, SAWING, "current_practice", CURING]
    ranking = pd.DataFrame(
        {
            "portfolio": [*names, "reconstruct_now"],
            "kind": ["option"] * 4 + ["instead of an overlay"],
            **_ends("present_value", [90e3, 91e3, 95e3, 96e3, 200e3], 9e3),
            **_ends("saving", [5210.0, 4100.0, 0.0, -900.0, -1e5], 2100.0),
            **_ends("extra_first_cost", [1520.0, 310.0, 0.0, 1210.0, 0.0], 110.0),
            **_ends("averted_per_100", [1.3, 0.9, 0.0, 0.5, 0.0], 0.4),
            **_ends("b10_gain", [1.4, 1.1, 0.0, 0.4, 0.0], 0.5),
            "assured_age": [4.1, 3.9, 3.0, 3.2, None],
            "chance_best": [0.71, 0.25, 0.0, 0.04, None],
            "expected_regret": [310.0, 1400.0, 5500.0, 6400.0, None],
            "dominance": ["on the frontier", "on the frontier", "on the frontier", "dominated", None],
            "money": MONEY,
        }
    )
    frontier = pd.DataFrame(
        {
            "portfolio": ["current_practice", SAWING, CURING, BOTH],
            "extra_first_cost": [0.0, 310.0, 1210.0, 1520.0],
            "years_gained": [0.0, 0.3, 0.2, 0.5],
            "status": ["on the frontier", "on the frontier", "dominated", "on the frontier"],
            "step_cost_per_year": [None, 1033.0, None, 6050.0],
            "horizon": 60.0,
            "money": MONEY,
        }
    )
    accepted = pd.DataFrame(
        [
            {
                "payment_per_section_year": payment,
                "portfolio": name,
                "chance_best": chance,
                "on_frontier": "yes" if name == best else "no",
                "money": MONEY,
            }
            for payment, chances, best in (
                (0.0, (0.0, 0.1, 0.9, 0.0), "current_practice"),
                (5000.0, (0.3, 0.6, 0.1, 0.0), SAWING),
                (10000.0, (0.8, 0.2, 0.0, 0.0), BOTH),
            )
            for name, chance in zip(names, chances, strict=True)
        ]
    )
    robust = pd.DataFrame(
        [
            ("as stated", "", BOTH, 5210.0, "yes", None),
            ("discount rate", "7 %", SAWING, 2000.0, "no", None),
            ("discount rate", "1 %", BOTH, 9000.0, "yes", None),
            ("prior", "effect of prompt_sawing, less sure (power 0.8)", SAWING, 4000.0, "no", 0.3),
            ("prior", "effect of prompt_sawing, more sure (power 1.25)", BOTH, 5300.0, "yes", 0.9),
            ("switching value", "price of internal_curing, times 1.9", SAWING, None, "no", None),
            ("what it takes", "internal_curing: price times 0.2; effect times 3.1", CURING, 5210.0, "no", None),
        ],
        columns=["kind", "setting", "first_place", "saving", "same_first", "k_hat"],
    ).assign(money=MONEY)
    known = pd.DataFrame(
        [
            ("everything", "evpi", 212.3, 9.1, 1.0, None),
            ("everything that records of roads could teach", "evppi", 150.0, 9.0, 0.7, 0.8),
            ("effect of prompt_sawing", "evppi", 101.0, 8.0, 0.476, 0.6),
            ("prices", "evppi", 3.0, 8.0, 0.01, 0.02),
        ],
        columns=["subject", "quantity", "value", "mcse", "part_of_everything", "variance_explained"],
    )
    return {"ranking": ranking, "frontier": frontier, "acceptability": accepted, "robustness": robust,
            "information": known}  # fmt: skip


def trials_table(digest: str) -> pd.DataFrame:
    """What `trial-sections` writes, for two designs."""
    rows: list[tuple[Any, ...]] = []
    for size, years, net in ((5, 5, -2000.0), (10, 5, 30123.0)):
        for quantity, value, error in (
            ("evsi", 60.0, 7.0), ("gain", net + 8000, 900.0), ("cost", 8000.0, None), ("net_value", net, 900.0),
            ("changes_the_choice", 0.31, 0.02), ("settles_the_sign", 0.12, None),
        ):  # fmt: skip
            rows.append(("trial of prompt_sawing", size, years, quantity, "USD of 2024", value, error))
    rows.append(("ordinary data, assigned by chance: share failed", "", 20, "sure_within_span", "1", 0.42, None))
    columns = ["subject", "sections_each_arm", "years", "quantity", "unit", "value", "mcse"]
    return pd.DataFrame(rows, columns=columns).assign(basis="priors only", simulation=digest[:12])


def with_tables(material: Material, **tables: pd.DataFrame) -> Material:
    return replace(material, tables={**material.tables, **tables})
