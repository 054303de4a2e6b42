"""The practitioner's projection against the life distribution, on a stated mixture. Invented data.

Common practice, no source: a pooled line through condition against age projects some 25 years; with the
poor performers deleted it projects some 45. One section in ten failing near ten years, the rest near 45.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskmodel.hazard import age_at_survival, failure_share, restricted_mean

SHARE, EARLY, LATE = 0.10, 9.0, 45.0


def practice_readings() -> np.ndarray:
    """Sections surveyed every two years to age 24, or until they are removed some years after failing."""
    rng = np.random.default_rng(1)
    rows = []
    for section in range(2000):
        early = rng.random() < SHARE
        life = EARLY * np.exp(0.2 * rng.standard_normal()) if early else LATE * np.exp(0.1 * rng.standard_normal())
        for age in np.arange(2.0, min(24.0, life + rng.gamma(2.0, 4.0)), 2.0):
            index = 97.0 - 37.0 * (age / life) ** 1.3 + 4.0 * rng.standard_normal()
            rows.append((section, age, min(max(index, 0.0), 100.0)))
    return np.array(rows)


@pytest.fixture(scope="module")
def readings() -> np.ndarray:
    return practice_readings()


def projected_age(rows: np.ndarray) -> float:
    """Age at which the least-squares line through condition against age reaches 60."""
    slope, start = np.polyfit(rows[:, 1], rows[:, 2], 1)
    return float((60.0 - start) / slope)


def test_deleting_the_poor_ones_moves_the_line_more_than_the_mean_life(readings, capsys):
    poor = np.unique(readings[readings[:, 2] < 60.0, 0])
    line = projected_age(readings)
    kept = projected_age(readings[~np.isin(readings[:, 0], poor)])
    ages = np.linspace(0.0, 120.0, 4801)
    wear = 1.0 - failure_share(ages, LATE, 8.0)
    both = wear * (1.0 - SHARE * failure_share(ages, EARLY, 5.0))
    means = [float(restricted_mean(s[None], ages, 0.0, 120.0)[0]) for s in (both, wear)]
    b10 = [float(age_at_survival(s[None], ages, 0.90)[0]) for s in (both, wear)]
    with capsys.disabled():
        print(
            f"\npooled line {line:.1f} -> {kept:.1f} years without the poor ones; "
            f"mean life {means[0]:.1f} -> {means[1]:.1f}; age nine in ten reach {b10[0]:.1f} -> {b10[1]:.1f}"
        )
    assert kept - line >= 2.0 * (means[1] - means[0])
    assert means[1] - means[0] == pytest.approx(SHARE * (LATE - EARLY), rel=0.25)
    assert b10[1] - b10[0] >= 8.0
