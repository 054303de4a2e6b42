"""Section 7 of the page: can you believe it? Records, priors, fit, readings, sampler, and what is left out."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
import pandas as pd

from ..figures import plot_fit, plot_intervals, plot_readings
from ..rounding import Known
from .checks import checks_finding, checks_parts
from .material import Material, Row, rows_of
from .parts import Figure, Listing, Part, Section, Table, Text, table
from .pictures import Picture

__all__ = ["trust_section"]

LEFT_OUT = (
    "Whether a measure caused what followed it: worse roads get more measures, and only a trial by lot tells. The "
    "prior of the selection terms bounds what records can teach.",
    "Lives beyond the observed ages: the shape of the condition path carries them, and the records cannot check it.",
    "Anything about a site that the records do not hold, and any check of a design.",
    "Dependence between causes beyond the shared quality of the existing pavement, the design and the workmanship.",
    "New kinds of failure, mixtures, traffic or weather that no record has seen.",
)
CURVES = {
    "in_service": ("fit-service", "Share still in service", "still in service", "Kaplan-Meier"),
    "above_threshold": ("fit-threshold", "Share read above the threshold", "read above the threshold", "Turnbull"),
}  # fmt: skip


def trust_section(material: Material) -> Section:
    """The section."""
    if material.prior_only:
        words = (
            "No record was used, so there is nothing to check the model against: every number is what the priors say."
        )
        parts: list[Part] = [Text("What the model leaves out", "heading"), Listing(LEFT_OUT)]
        return Section("trust", "Can you believe it?", words, tuple(parts))
    parts = [
        *checks_parts(material),
        Text("What the records hold", "heading"), Listing(material.census),
        *_moved(material), *_fit(material), *_readings(material), *_sensitivity(material), *_gate(material),
        Text("What the model leaves out", "heading"), Listing(LEFT_OUT),
    ]  # fmt: skip
    if material.notes:
        parts += [Text("Notes of the run", "heading"), Listing(material.notes)]
    return Section("trust", "Can you believe it?", _finding(material), tuple(parts))


def _finding(material: Material) -> str:
    fit, readings = material.table("fit"), material.table("readings")
    said = [found] if (found := checks_finding(material)) else []
    if fit is not None:
        inside, total = _agreement(fit)
        said.append(f"at {inside} of {total} ages the model lies where the life tables of the records do")
    if readings is not None:
        inside, total = _inside(readings)
        said.append(f"{inside} of {total} quantiles of the readings lie where simulated records put nine in ten")
    gate = material.gate or ()
    said.append(
        "the sampler passed its gate" if all(check["passed"] for check in gate) else "THE SAMPLER FAILED ITS GATE"
    )
    words = "; ".join(said)
    return f"{words[:1].upper()}{words[1:]}." if said else ""


def _agreement(fit: pd.DataFrame) -> tuple[int, int]:
    """Ages at which the two 90 % statements overlap: the band of the model and the life table's own."""
    low = fit["recorded_lower"].fillna(fit["recorded"])
    high = fit["recorded_upper"].fillna(fit["recorded"])
    together = (low <= fit["upper"] + 1e-9) & (fit["lower"] <= high + 1e-9)
    return int(together.sum()), len(fit)


def _inside(readings: pd.DataFrame) -> tuple[int, int]:
    here = readings["recorded"].between(readings["lower"], readings["upper"])
    return int(here.sum()), len(readings)


# ------------------------------------------------------------------------------------ priors


def _moved(material: Material) -> Iterator[Part]:
    moved = material.table("moved")
    if moved is None:
        return
    rows = []
    for row in rows_of(moved):
        factor = 100.0 if str(row["unit"]) == "1" else 1.0
        pair = (Known.row(row, "prior").times(factor), Known.row(row).times(factor))
        width = (pair[1].upper - pair[1].lower) / (pair[0].upper - pair[0].lower)
        rows.append([_quantity(material, row), *pair, f"{100 * width:.0f} %"])
    heads = ["", "by the priors", "after the records", "width left"]
    yield Text("What the records changed", "heading")
    yield table("moved", "Priors against posterior: mean (90 % interval)", heads, rows)
    averted = moved[moved["quantity"] == "averted"]
    if len(averted):
        yield Figure(_picture(material, averted))


def _quantity(material: Material, row: Row) -> str:
    words = material.quantity_words(str(row["quantity"]))
    return words or f"averted of 100 by {material.words(str(row['portfolio']))}"


def _picture(material: Material, averted: pd.DataFrame) -> Picture:
    def ends(stem: str) -> list[tuple[float, float, float]]:
        known = [Known.row(row, stem).times(100.0) for row in rows_of(averted)]
        return [(one.value, one.lower, one.upper) for one in known]

    words = [material.words(str(name)) for name in averted["portfolio"]]
    sets = {"by the priors": ends("prior"), "after the records": ends("")}
    return Picture(
        "moved",
        "What the records taught of each measure",
        "Early failures averted of 100, mean and 90 % interval, by the priors and after the records. "
        + "; ".join(f"{name}: {Known(*one)} before, {Known(*two)} after"
                    for name, one, two in zip(words, *sets.values(), strict=True)) + ".",
        (partial(plot_intervals, words=words, sets=sets, quantity=f"Early failures averted of 100 {material.whole}"),),
        1.3 + 0.45 * len(words),
    )  # fmt: skip


# ------------------------------------------------------------------------------------ fit


def _fit(material: Material) -> Iterator[Part]:
    fit = material.table("fit")
    if fit is None:
        return
    yield Text("Fit to the records", "heading")
    for curve, rows in fit.groupby("curve", sort=False):
        yield Figure(_fit_picture(str(curve), rows))
    yield Text(
        "Life tables make no model; dotted: their own 90 % interval. Both are of sections that reached the first age "
        "shown. The second curve goes by readings, whose scatter makes some sections read as failed too soon: records "
        "simulated from the model go through the same table.",
        "quiet",
    )


def _fit_picture(curve: str, rows: pd.DataFrame) -> Picture:
    name, quantity, words, method = CURVES[curve]
    last = rows_of(rows)[-1]
    inside, total = _agreement(rows)
    return Picture(
        name,
        f"{quantity}: records and model agree at {inside} of {total} ages",
        f"{quantity} against age, by {method} from the records and by the model with its 90 % band. At age "
        f"{last['age']:.0f} the records say {100 * last['recorded']:.0f} of 100 are {words}, the model "
        f"{Known(last['model'], last['lower'], last['upper']).times(100.0)}.",
        (partial(plot_fit, fit=rows, quantity=quantity),),
        3.0,
    )


def _readings(material: Material) -> Iterator[Part]:
    readings = material.table("readings")
    if readings is None:
        return
    middle = readings[np.isclose(readings["level"], 0.5)]
    said = "; ".join(
        f"{row['age_from']:g} to {row['age_to']:.0f} years {Known(row['recorded'], row['lower'], row['upper'])}"
        for row in rows_of(middle)
    )
    inside, total = _inside(readings)
    yield Text("Readings against simulated ones", "heading")
    yield Figure(
        Picture(
            "readings",
            f"{inside} of {total} quantiles of the readings lie where simulated records put nine in ten",
            "Each reading is placed among readings simulated for its section and age; shown are the 5, 50 and 95 % "
            f"quantiles of these places by age, with what simulated records show. Medians: {said}.",
            (partial(plot_readings, readings=readings),),
            3.2,
        )
    )


# ------------------------------------------------------------------------------------ priors and sampler


def _sensitivity(material: Material) -> Iterator[Part]:
    found = material.table("robustness")
    yield Text("Sensitivity to the priors", "heading")
    if found is None:
        yield Text("Priors are varied where costs are stated: the first place is then found again under each.")
        return
    priors = found[found["kind"] == "prior"]
    changed = priors[priors["same_first"] == "no"]
    poor = priors[priors["k_hat"] > 0.7]
    yield Text(
        f"Each group of priors was made a quarter more sure and a fifth less: {len(changed)} of {len(priors)} changes "
        f"put another portfolio first{f'; {len(poor)} cannot be trusted (weights too uneven)' if len(poor) else ''}."
    )
    if len(changed):
        said = (f"{row['setting']}: {material.words(str(row['first_place']))}" for row in rows_of(changed))
        yield Listing(tuple(said))


def _gate(material: Material) -> Iterator[Part]:
    if not material.gate:
        return
    yield Text("The sampler", "heading")
    rows: list[list[object]] = [
        [str(c["name"]), f"{c['value']:.4g}", f"{c['limit']:g}", "passed" if c["passed"] else "FAILED"]
        for c in material.gate
    ]
    yield _gate_table(rows)
    simulation = material.simulation
    if "simulated_difference" in simulation:
        errors = np.abs(simulation["simulated_difference"]) / simulation["simulated_error"].where(lambda e: e > 0)
        yield Text(
            f"Simulated lives agree with the closed form within {float(errors.max()):.1f} standard errors in every "
            "portfolio.",
            "quiet",
        )


def _gate_table(rows: list[list[object]]) -> Table:
    heads = ["check", "found", "limit", "verdict"]
    return table("gate", "Checks that the draws had to pass", heads, rows, texts=(0, 3))
