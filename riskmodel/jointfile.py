"""The table of correlations beside prior files: a row and a column a quantity, and the marginal that it goes with."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pandas as pd

from .errors import Faults, PriorError
from .joint import Joint
from .places import marginals_of
from .priorfiles import instead
from .priorset import PriorSet

__all__ = ["joint_table", "read_joint"]

QUANTITY, MARGINAL = "quantity", "marginal"
AGAIN = "Export the priors again"
ALONE = f"{AGAIN}, or take the line `correlations` out of [carried]: quantities are then taken one by one"
SYMMETRIC, LEAST = 1e-6, 1e-9


def joint_table(priors: PriorSet, correlation: pd.DataFrame) -> pd.DataFrame:
    """The table as it is written: `quantity`, `marginal`, and one column a quantity."""
    known = marginals_of(priors)
    names = [name for name in correlation.index if name in known]
    table = correlation.loc[names, names].round(6)
    table.insert(0, MARGINAL, [known[name] for name in names])
    return table.rename_axis(QUANTITY).reset_index()


def read_joint(text: str, file: str, priors: PriorSet) -> Joint:
    """Read the table for the prior files beside which it lies, before any override.

    Parameters
    ----------
    text : str
        CSV.
    file : str
        Its name in faults.
    priors : PriorSet

    Raises
    ------
    PriorError
        With every fault of the table.
    """
    faults = Faults(file)
    rows = [row for row in csv.reader(io.StringIO(text)) if row]
    header = [cell.strip() for cell in rows[0]] if rows else []
    if header[:2] != [QUANTITY, MARGINAL]:
        rule = f"the table begins with the columns {QUANTITY} and {MARGINAL}"
        faults.add(rule, row=1, got=", ".join(header[:2]), remedy=AGAIN)
        faults.raise_any(PriorError)
    names = tuple(row[0].strip() for row in rows[1:])
    _check_names(names, header[2:], faults)
    marginals = tuple(row[1].strip() if len(row) > 1 else "" for row in rows[1:])
    _check_quantities(names, marginals, priors, faults)
    matrix = _numbers(rows[1:], header, faults)
    faults.raise_any(PriorError)
    _check_matrix(matrix, names, faults)
    faults.raise_any(PriorError)
    return Joint(names, (matrix + matrix.T) / 2.0, marginals)


def _check_names(names: tuple[str, ...], columns: list[str], faults: Faults) -> None:
    for row, name in enumerate(names, start=2):
        if names.index(name) != row - 2:
            faults.add("a quantity has one row", row=row, got=name, remedy="Keep one of them")
    if list(names) == columns:
        return
    rule = "each quantity has a row and a column, in the same order"
    apart = [*(n for n in names if n not in columns), *(n for n in columns if n not in names)]
    faults.add(
        rule, row=1, got=f"without the other: {', '.join(apart[:3])}" if apart else "another order", remedy=ALONE
    )


def _check_quantities(names: tuple[str, ...], marginals: tuple[str, ...], priors: PriorSet, faults: Faults) -> None:
    """Every quantity is one of the prior files, with the marginal that it has there; every carried one is here."""
    known = marginals_of(priors)
    for row, (name, words) in enumerate(zip(names, marginals, strict=True), start=2):
        if name not in known:
            rule = "no prior that varies has that name"
            faults.add(rule, row=row, column=QUANTITY, got=name, remedy=instead(name, known))
        elif known[name] != words:
            rule = f"the correlations go with other prior files: {name} is {known[name]} there"
            remedy = f"{ALONE}. A study changes a quantity under [priors.override]; it is then taken alone"
            faults.add(rule, row=row, column=MARGINAL, got=words, remedy=remedy)
    carried = {q.key for q in priors.quantities() if q.status == "carried"}
    missing = [name for name in known if name in carried and name not in names]
    if missing:
        faults.add("every carried quantity has a row", got=f"none for {', '.join(missing[:3])}", remedy=ALONE)


def _numbers(rows: list[list[str]], header: list[str], faults: Faults) -> np.ndarray:
    matrix = np.zeros((len(rows), len(header) - 2))
    for i, row in enumerate(rows):
        if len(row) != len(header):
            rule = f"a row has {len(header)} cells, as the header"
            faults.add(rule, row=i + 2, got=str(len(row)), remedy=AGAIN)
        for j, cell in enumerate(row[2 : len(header)]):
            value = _number(cell)
            if value is None or abs(value) > 1.0:
                rule = "a correlation is a number from -1 to 1"
                faults.add(rule, row=i + 2, column=header[j + 2], got=cell, remedy="Correct it")
            else:
                matrix[i, j] = value
    return matrix


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _check_matrix(matrix: np.ndarray, names: tuple[str, ...], faults: Faults) -> None:
    for i in np.flatnonzero(np.abs(np.diag(matrix) - 1.0) > SYMMETRIC):
        rule = "a quantity's correlation with itself is 1"
        faults.add(rule, row=int(i) + 2, column=names[i], got=f"{matrix[i, i]:g}", remedy="Write 1")
    for i, j in zip(*np.where(np.triu(np.abs(matrix - matrix.T)) > SYMMETRIC), strict=True):
        rule = f"correlations are symmetric, and row {j + 2} says {matrix[j, i]:g} of {names[i]}"
        faults.add(rule, row=int(i) + 2, column=names[j], got=f"{matrix[i, j]:g}", remedy="Correct one of the two")
    if len(faults) or not len(matrix):
        return
    smallest = float(np.linalg.eigvalsh(matrix)[0])
    if smallest <= LEAST:
        rule = "no set of quantities has such correlations together (the matrix is not positive definite)"
        faults.add(rule, got=f"smallest eigenvalue {smallest:.2g}", remedy=ALONE)
