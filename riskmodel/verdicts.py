"""What a check of the model came to: passed, failed or not applicable, in a sentence, and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = ["COLUMNS", "FAILED", "NOT_APPLICABLE", "PASSED", "Verdict", "judged", "not_applicable", "verdict_table"]

PASSED, FAILED, NOT_APPLICABLE = "passed", "failed", "not applicable"
COLUMNS = ("check", "verdict", "value", "limit", "finding", "what_to_do")


@dataclass(frozen=True)
class Verdict:
    """One check.

    Parameters
    ----------
    check : str
        What was asked.
    verdict : {"passed", "failed", "not applicable"}
    finding : str
        What was found, one sentence.
    what_to_do : str
        Empty where there is nothing to do.
    value, limit : float
        The figure that decided, and what it was held to; NaN where there is none.
    """

    check: str
    verdict: str
    finding: str
    what_to_do: str = ""
    value: float = np.nan
    limit: float = np.nan


def judged(passed: bool, check: str, finding: str, what_to_do: str, *, value: float, limit: float) -> Verdict:
    """A check that was made; what to do stands only where it failed."""
    return Verdict(check, PASSED if passed else FAILED, finding, "" if passed else what_to_do, value, limit)


def not_applicable(check: str, finding: str, what_to_do: str = "") -> Verdict:
    """A check that could not be made, and why."""
    return Verdict(check, NOT_APPLICABLE, finding, what_to_do)


def verdict_table(verdicts: Iterable[Verdict]) -> pd.DataFrame:
    """Checks as a table, columns `COLUMNS`."""
    rows = [[getattr(verdict, name) for name in COLUMNS] for verdict in verdicts]
    return pd.DataFrame(rows, columns=list(COLUMNS))
