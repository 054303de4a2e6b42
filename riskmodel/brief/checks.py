"""The checks of the model within section 7 of the page: their table, what they found, and other models compared."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pandas as pd

from ..groupfit import REMOVALS
from ..trustfigures import plot_differences, plot_groups, plot_predicted, plot_reading_chances, plot_sensitivity
from ..verdicts import FAILED, NOT_APPLICABLE, PASSED
from .material import Material, rows_of
from .parts import Figure, Folded, Listing, Part, Text, table
from .pictures import Picture

__all__ = ["checks_finding", "checks_parts"]

SHOWN = {PASSED: "passed", FAILED: "FAILED", NOT_APPLICABLE: "not applicable"}
WORST = 8
"""Sections named."""
CAUTION = (
    "A passed check says that these records do not contradict the model there. It proves no life beyond the ages seen, "
    "and no road. Look at a section on site, with traffic control, before anything is done there."
)


def checks_finding(material: Material) -> str:
    """How many checks passed, and which failed, as part of a sentence; empty without checks."""
    checks = material.table("trust")
    if checks is None:
        return ""
    failed = checks.loc[checks["verdict"] == FAILED, "check"].tolist()
    made = int((checks["verdict"] != NOT_APPLICABLE).sum())
    said = f"{made - len(failed)} of {made} checks of the model passed"
    return f"{said}; FAILED: {', '.join(failed)}" if failed else said


def checks_parts(material: Material) -> Iterator[Part]:
    """Table of checks, their figures, the sections explained worst, and other models."""
    checks = material.table("trust")
    if checks is None:
        return
    yield Text("Checks of the model", "heading")
    rows = [[row["check"], SHOWN[str(row["verdict"])], row["finding"]] for row in rows_of(checks)]
    yield table("checks", "What was asked and what was found", ["check", "verdict", "found"], rows, texts=(0, 1, 2))
    failed = checks[checks["verdict"] == FAILED]
    if len(failed):
        yield Listing(tuple(f"{row['check']}: {row['what_to_do']}." for row in rows_of(failed)))
    yield Text(CAUTION, "quiet")
    pictures = tuple(Figure(picture) for picture in _pictures(material))
    if pictures:
        yield Folded("Figures of the checks", pictures)
    yield from _worst(material)
    yield from _variants(material)


def _pictures(material: Material) -> Iterator[Picture]:
    predicted, groups = material.table("predicted"), material.table("by_group")
    scores, sensitivity = material.table("reading_scores"), material.table("sensitivity")
    if predicted is not None:
        said = "; ".join(f"{row['statistic']}: {row['recorded']:.1f} on record, priors {row['prior_lower']:.1f} to "
                         f"{row['prior_upper']:.1f}, model {row['lower']:.1f} to {row['upper']:.1f}"
                         for row in rows_of(predicted))  # fmt: skip
        yield Picture("trust-predicted", "What the priors and the calibrated model expect of the records", f"{said}.",
                      (partial(plot_predicted, predicted=predicted),), 1.2 + 0.32 * len(predicted))  # fmt: skip
    if groups is not None:
        count = groups.loc[groups["what"] == REMOVALS, ["split", "group"]].drop_duplicates().shape[0]
        yield Picture(
            "trust-groups", "Removals of every group, on record and in simulated records",
            "Share removed for condition by the last age at which twenty sections of the group are under observation: "
            "all sections, by age now, by district, by root cause on record.",
            (partial(plot_groups, by_group=groups),), 1.2 + 0.28 * count,
        )  # fmt: skip
    if scores is not None and (scores["what"] == "reading").sum() > 1:
        yield Picture(
            "trust-readings", "Every reading predicted from other sections and its own earlier readings",
            "The chances that the model gave to readings as low as those taken, against those of a right model, which "
            "stay in the band in 99 of 100 cases.",
            (partial(plot_reading_chances, scores=scores),), 2.8,
        )  # fmt: skip
    if sensitivity is not None:
        told = sensitivity.assign(words=[_words(material, row) for row in rows_of(sensitivity)])
        yield Picture(
            "trust-sensitivity", "How far what is decided hangs on the priors and on the records",
            "Change of the distribution of each quantity when priors or records count double; 0.05 is worth a look.",
            (partial(plot_sensitivity, sensitivity=told),), 1.4 + 0.3 * told["words"].nunique(),
        )  # fmt: skip


def _words(material: Material, row: dict[str, object]) -> str:
    quantity = {
        "early_failure_probability": "early failures", "b10_age": "90 in 100 outlive", "life_gain": "life gained by",
        "restricted_mean_age": "mean life", "saving": "saving of",
    }[str(row["quantity"])]  # fmt: skip
    of = "" if row["portfolio"] == "current_practice" else f" {material.words(str(row['portfolio']))}"
    return f"{quantity}{of}"


def _worst(material: Material) -> Iterator[Part]:
    sections = material.table("left_out")
    if sections is None or "why" not in sections:
        return
    worst = sections[sections["why"].notna()].head(WORST)
    if len(worst):
        yield Folded(
            "Sections that the model explains worst",
            (Listing(tuple(f"{row['section']}: {row['why']}." for row in rows_of(worst))),),
        )


def _variants(material: Material) -> Iterator[Part]:
    """Other models, where `riskmodel trust` compared them for these very draws."""
    variants = material.table("variants")
    if variants is None or not material.simulation_digest.startswith(str(variants["simulation"].iloc[0])):
        return
    rows = [[row["what"], SHOWN[str(row["verdict"])], row["finding"]] for row in rows_of(variants)]
    yield Text("Other models of the same records", "heading")
    if variants["difference"].notna().any():
        yield Figure(_differences(variants))
    yield table(
        "variants", "One change each from the study's model", ["model", "verdict", "found"], rows, texts=(0, 1, 2)
    )


def _differences(variants: pd.DataFrame) -> Picture:
    known = variants[variants["difference"].notna()]
    said = "; ".join(f"{row['what']} {row['difference']:+.1f} (standard error {row['standard_error']:.1f})"
                     for row in rows_of(known))  # fmt: skip
    return Picture(
        "trust-variants", "How well other models predict the same records",
        f"Log predictive density less that of the study's model: {said}.",
        (partial(plot_differences, variants=variants),), 1.1 + 0.35 * len(known),
    )  # fmt: skip
