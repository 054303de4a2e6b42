"""Scores of the likelihood at the truth have mean zero (slow)."""

from __future__ import annotations

import numpy as np
import pytest
from scores import scores

DATA_SETS, SECTIONS = 300, 400


@pytest.mark.slow
def test_scores_at_the_truth_have_mean_zero():
    """300 data sets, truth drawn from the priors; each score's mean within 3.5 standard errors of zero.

    About 24 scores are tested at once: one beyond 3.5 happens in about 1 of 90 sound runs.
    """
    found = [scores(number, SECTIONS) for number in range(DATA_SETS)]
    table = {name: np.array([row[name] for row in found]) for name in found[0]}
    errors = {name: column.std(ddof=1) / np.sqrt(DATA_SETS) for name, column in table.items()}
    moved = {name: column.mean() / errors[name] for name, column in table.items() if errors[name] > 0}
    assert len(moved) > 15
    assert max(map(abs, moved.values())) < 3.5, {k: round(v, 2) for k, v in moved.items() if abs(v) > 2}
