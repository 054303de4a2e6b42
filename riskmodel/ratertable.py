"""How high or low each rater reads the condition index, as a table and in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from .errors import printable
from .raters import NOT_RECORDED, RATER
from .records import Records

__all__ = ["COLUMNS", "rater_sentence", "rater_table"]

TAILS = (0.05, 0.95)
COLUMNS = ("rater", "readings", "index", "points", "points_lower", "points_upper", "z", "z_lower", "z_upper", "words")
MOST_NAMED = 3


def rater_table(posterior: xr.Dataset, records: Records) -> pd.DataFrame:
    """Offsets of the raters, those who read lowest first.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
        Of the calibration to these records.
    records : Records
        That name raters.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`: `readings` taken; `points` by which the rater reads a road too high whose true index is
        `index`, halfway between threshold and top of the scale, mean and central 90 % interval over draws; the same as
        `z`, on the worked scale, where it is one number at every index; and in `words`.
    """
    condition = records.condition
    usual = 0.5 * (condition.threshold + condition.highest)
    z = posterior["rater_effect"].transpose(RATER, "chain", "draw").values.reshape(posterior.sizes[RATER], -1)
    points = condition.from_z(condition.to_z(usual) + z) - usual
    taken = records.readings[RATER].values.astype(str)
    rows = []
    for name, own, raw in zip(posterior[RATER].values.astype(str), points, z, strict=True):
        known = _summary(own)
        rows.append((name, int((taken == name).sum()), usual, *known, *_summary(raw), _words(name, *known)))
    return pd.DataFrame(rows, columns=list(COLUMNS)).sort_values("z", ignore_index=True)


def _summary(draws: np.ndarray) -> tuple[float, float, float]:
    """Mean and central 90 % interval."""
    lower, upper = np.quantile(draws, TAILS)
    return float(draws.mean()), float(lower), float(upper)


def _words(name: str, points: float, lower: float, upper: float) -> str:
    """What a road manager would say of the rater; an interval on both sides of nought is no finding."""
    size = round(abs(points))
    verb = "read" if name == NOT_RECORDED else "rates"
    if size == 0:
        return f"{verb} like the average"
    chance = "" if lower * upper > 0 else ", which may be chance"
    return f"{verb} {size} point{'s' * (size != 1)} {'low' if points < 0 else 'high'}{chance}"


def rater_sentence(table: pd.DataFrame) -> str:
    """The raters that stand out in one sentence.

    Parameters
    ----------
    table : DataFrame
        From `rater_table`.
    """
    named = table[table["rater"] != NOT_RECORDED]
    apart = named[named["points_lower"] * named["points_upper"] > 0]
    farthest = apart.loc[apart["points"].abs().sort_values(ascending=False).index].head(MOST_NAMED)
    told = "; ".join(f"{printable(str(row.rater))} {row.words}" for row in farthest.itertuples())
    found = told or "none stands out from the others"
    return f"Raters: {len(named)} named, each with an offset of its own; {found} (tables/raters.csv)."
