"""Section 4 of the page: why overlays die young, and what each cause costs."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import pandas as pd

from ..figures import plot_intervals
from ..measures import CURRENT_PRACTICE
from ..priors import WEAR_OUT
from ..rounding import Known
from .material import Material, rows_of
from .parts import Figure, Section, Table, Text, table
from .pictures import Picture

__all__ = ["causes_section"]

ROOTS = {
    "existing": "the existing pavement",
    "design": "the design",
    "workmanship": "the workmanship",
    "other": "other causes",
}
ROOT = "root: "
EARLY, YEARS = "early_failure_probability", "restricted_mean_age"


def causes_section(material: Material) -> Section:
    """The section, from the table of causes."""
    table = material.tables["causes"]
    found = _known(table, "share_of_early_failures")
    shares = {cause: found[cause] for cause in sorted(found, key=lambda c: -found[c].value) if found[cause].upper > 0}
    if not shares:
        return Section("causes", "Why overlays die young", "No early failures are expected.", ())
    parts = (
        Figure(_picture(material, shares)),
        _roots(material, table),
        _mechanisms(material, table, shares),
        Text(
            "Avoidable: what would be gained if that cause alone were taken away and the others stayed, acting "
            "independently given the quality of the work. These do not add up, because a road saved from one cause may "
            "die of the next. The fair share splits the whole loss so that the shares do add up.",
            "quiet",
        ),
    )
    return Section("causes", "Why overlays die young", _finding(material, table, shares), parts)


def _known(table: pd.DataFrame, quantity: str) -> dict[str, Known]:
    """Cause to one quantity under current practice; probabilities as numbers of 100."""
    here = (table["reference"] == CURRENT_PRACTICE) & (table["quantity"] == quantity)
    factor = 1.0 if quantity.endswith(YEARS) else 100.0
    return {str(row["cause"]): Known.row(row).times(factor) for row in rows_of(table[here])}


def _label(material: Material, cause: str) -> str:
    if cause == WEAR_OUT:
        return "worn out already"
    labels = {mechanism.name: mechanism.label for mechanism in material.priors.mechanisms}
    return labels.get(cause, material.words(cause))


def _finding(material: Material, table: pd.DataFrame, shares: Mapping[str, Known]) -> str:
    first = next(iter(shares))
    fair = {name: one for name, one in _known(table, f"fair_share_of_loss: {EARLY}").items() if name.startswith(ROOT)}
    total = sum(one.value for one in fair.values())
    root = ""
    if total > 0:
        worst = max(fair, key=lambda name: fair[name].value)
        root = f"; by root, {_root(worst)} carries {100.0 * fair[worst].value / total:.0f} % of the loss"
    return f"The commonest early death is {_label(material, first)}: {shares[first]} of 100 early failures{root}."


def _root(name: str) -> str:
    plain_name = name.removeprefix(ROOT)
    return ROOTS.get(plain_name, plain_name)


def _picture(material: Material, shares: Mapping[str, Known]) -> Picture:
    words = [_label(material, cause) for cause in shares]
    said = "; ".join(f"{name} {one}" for name, one in zip(words, shares.values(), strict=True))
    quantity = f"Of 100 failures before age {material.early_age:g}"
    rows = [(one.value, one.lower, one.upper) for one in shares.values()]
    return Picture(
        "causes",
        "Causes of early failure under current practice",
        f"{quantity}, mean and 90 % interval: {said}.",
        (partial(plot_intervals, words=[_folded(name) for name in words], sets={"": rows}, quantity=quantity),),
        0.8 + 0.36 * len(words),
    )


def _folded(words: str, longest: int = 30) -> str:
    """A name over two lines if it is long, broken at a space near its middle."""
    if len(words) <= longest:
        return words
    spaces = [i for i, letter in enumerate(words) if letter == " "] or [longest]
    middle = min(spaces, key=lambda i: abs(i - len(words) / 2))
    return f"{words[:middle]}\n{words[middle + 1 :]}"


def _roots(material: Material, causes: pd.DataFrame) -> Table:
    fair, alone, years = (
        _known(causes, f"{kind}: {loss}")
        for kind, loss in (("fair_share_of_loss", EARLY), ("avoidable_loss", EARLY), ("fair_share_of_loss", YEARS))
    )
    names = [name for name in fair if name.startswith(ROOT)]
    rows: list[list[object]] = [[_root(name), fair[name], alone[name], years[name]] for name in names]
    total = [sum(one[name].value for name in names) for one in (fair, years)]
    rows.append(["all of them together", total[0], "", total[1]])
    heads = ["root", f"fair share of the early failures, of 100 {material.whole}", "avoidable alone",
             f"fair share of the lost mean life up to {material.horizon:g}, years"]  # fmt: skip
    return table("roots", "What each root cause costs: mean (90 % interval); the shares add up", heads, rows)


def _mechanisms(material: Material, causes: pd.DataFrame, shares: Mapping[str, Known]) -> Table:
    fair, alone = (_known(causes, f"{kind}: {EARLY}") for kind in ("fair_share_of_loss", "avoidable_loss"))
    roots = {mechanism.name: mechanism.root for mechanism in material.priors.mechanisms}
    rows = [
        [_label(material, cause), _root(roots.get(cause, "-")), one, fair.get(cause, "-"), alone.get(cause, "-")]
        for cause, one in shares.items()
    ]
    heads = ["cause", "root", "of 100 early failures", f"fair share, of 100 {material.whole}", "avoidable alone"]
    return table("mechanisms", "Every cause: mean (90 % interval)", heads, rows, texts=(0, 1), sortable=True)
