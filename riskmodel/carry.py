"""A posterior as prior files for other sections: marginals refitted, correlations beside them.

The files hold one distribution a quantity, of the family that its prior has. How quantities go together is a table
of its own, the correlations of their normal scores (see `joint`).
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from .distribution import PARAMETERS, Distribution
from .elicitation import fit_quantiles
from .lives import Draws
from .places import COMMON, EFFECT, OFFSET, OWN_MEDIAN, Path, Place
from .priorfiles import VALUE_KEYS
from .priors import PriorSet
from .stated import stated_draws

__all__ = ["Carried", "carry_on", "normal_score_correlation", "toml_text"]

TAILS = (0.05, 0.50, 0.95)
ENOUGH = 10
"""Different draws a quantity whose correlations are taken as they are."""
ABOUT = ("interval_90", "status", "source", "rationale", "unit")
Floats = NDArray[np.float64]
_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


@dataclass(frozen=True)
class Carried:
    """Prior files made of a posterior.

    Parameters
    ----------
    tables : mapping
        As a TOML file holds them.
    correlations : DataFrame
        Of the normal scores of the quantities, square.
    """

    tables: Mapping[str, Any]
    correlations: pd.DataFrame


def carry_on(
    posterior: xr.Dataset, priors: PriorSet, *, early_age: float, mix: Floats, source: str, marks: Sequence[str]
) -> Carried:
    """Refit every quantity that the records speak of to its posterior draws.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    priors : PriorSet
        With the measures in play; the others stay as they were.
    early_age : float
        Years.
    mix : ndarray (type,)
        Sections of each overlay type (see `delta_distributions`).
    source : str
        Where the draws came from, for every quantity's `source`.
    marks : sequence of str
        Of the sections that they were learnt on (see `carried.section_marks`).
    """
    tables = copy.deepcopy(dict(priors.raw.data))
    draws, drawn = Draws.of(posterior), {}
    for place, values in _learnt(draws, priors, early_age, mix):
        if place.prior.family == "fixed" or values.std() <= 0:
            continue
        drawn[place.key] = values
        if place.variable not in (COMMON, OFFSET):
            _state(tables, place.path, refitted(place.prior, values), source)
    _shares(tables, draws, priors, source)
    _common_wear_out(tables, draws, source)
    tables["carried"] = {"source": source, "sections": sorted(marks)}
    return Carried(tables, normal_score_correlation(drawn))


def refitted(prior: Distribution, values: Floats) -> Distribution:
    """Distribution of the prior's family with the draws' moments, or their quantiles where it is skewed."""
    mean, sd = float(values.mean()), float(values.std())
    match prior.family:
        case "normal":
            return Distribution("normal", (mean, sd))
        case "lognormal":
            return Distribution("lognormal", (float(np.log(values).mean()), float(np.log(values).std())))
        case "beta":
            size = mean * (1.0 - mean) / sd**2 - 1.0
            return Distribution("beta", (mean * size, (1.0 - mean) * size))
        case "gamma":
            return Distribution("gamma", ((mean / sd) ** 2, sd**2 / mean))
    return fit_quantiles(TAILS, np.quantile(values, TAILS), family=prior.family).distribution


def _state(tables: dict[str, Any], path: Path, found: Distribution, source: str) -> None:
    """Write a distribution in the place of the prior's own."""
    table: Any = tables
    for part in path:
        table = table[part] if isinstance(part, int) else table.setdefault(part, {})
    for key in VALUE_KEYS & table.keys():
        del table[key]
    numbers = dict(zip(PARAMETERS[found.family], (float(v) for v in found.parameters), strict=True))
    table |= {
        "distribution": found.family,
        "parameters": numbers,
        "interval_90": [float(end) for end in found.interval()],
        "status": "carried",
        "source": source,
        "rationale": "Marginal of the posterior, refitted. How quantities go together is in correlations.csv.",
    }


def _learnt(draws: Draws, priors: PriorSet, early_age: float, mix: Floats) -> Iterator[tuple[Place, Floats]]:
    """Posterior draws of every quantity, as its prior file states it."""
    common = draws.values.get(COMMON, np.zeros(draws.count)).reshape(-1)
    for place, prior, values in stated_draws(draws, priors, early_age, mix):
        match place.variable:
            case variable if variable == EFFECT:
                yield place, place.prior.ppf(ndtr(-prior.score(values)))
            case variable if variable == OWN_MEDIAN:  # what all types share is carried around nought
                yield place, values * np.exp(common.mean())
            case _:
                yield place, values


def normal_score_correlation(values: Mapping[str, Floats]) -> pd.DataFrame:
    """Correlation of the normal scores of draws; shrunk towards none where the draws are few.

    Parameters
    ----------
    values : mapping of str to ndarray (sample,)

    Returns
    -------
    DataFrame
        Square, index and columns the names; positive definite.

    Notes
    -----
    Scores are Phi^-1 of (rank - 1/2) / n. With under `ENOUGH` different draws a quantity the correlations are
    multiplied by one less the sum of their sampling variances, (1 - r^2)^2 / (n - 1) each, over the sum of their
    squares (J. Schaefer and K. Strimmer, Statistical Applications in Genetics and Molecular Biology 4 (2005) 32; page
    not seen). More draws are not shrunk: what is known of a sum better than of its parts would be lost first.
    """
    table = pd.DataFrame(values)
    found = np.corrcoef(ndtri((table.rank() - 0.5) / len(table)), rowvar=False).reshape(2 * (table.shape[1],))
    apart, different = ~np.eye(len(found), dtype=bool), int(table.nunique().min())
    if different < ENOUGH * len(found):
        noise = np.square(1.0 - np.square(found[apart])).sum() / (different - 1)
        found = found * max(1.0 - noise / np.square(found[apart]).sum(), 0.0)
    return pd.DataFrame(np.where(apart, found, 1.0), table.columns, table.columns)


def _shares(tables: dict[str, Any], draws: Draws, priors: PriorSet, source: str) -> None:
    """Shares of the mechanisms by type, moved by the mean of their common log offsets, and what spread is left."""
    if "share_offset" not in draws or not priors.mechanisms:
        return
    offset = draws["share_offset"] - draws["share_offset"].mean(axis=1, keepdims=True)
    factor = np.exp(offset.mean(axis=0))
    moved = {
        m.name: {kind: share * factor[i] for kind, share in m.share.items()} for i, m in enumerate(priors.mechanisms)
    }
    total = {t.name: sum(one.get(t.name, 0.0) for one in moved.values()) for t in priors.types}
    tables.pop("root_share", None)
    for name, shares in moved.items():
        table = tables["mechanism"][name]
        table.pop("within_root", None)
        table |= {"share": {kind: float(v / total[kind]) for kind, v in shares.items()}, "status": "carried"}
        table["source"] = source
    left = float(np.sqrt(offset.var(axis=0).mean() * len(factor) / max(len(factor) - 1, 1)))
    tables["share_sd"] |= {"value": left, "status": "carried", "source": source,
                           "rationale": "Mean spread of the log shares that the records left open."}  # fmt: skip


def _common_wear_out(tables: dict[str, Any], draws: Draws, source: str) -> None:
    """What is left open of the age at wear-out that all types share."""
    if "wear_out_common" in draws and draws["wear_out_common"].std() > 0:
        table = tables["wear_out"]["sd_common"]
        table |= {"value": float(draws["wear_out_common"].std()), "status": "carried", "source": source}


def scales_in_use(tables: dict[str, Any], priors: PriorSet) -> None:
    """State each effect on the scale on which its carried ratio is."""
    for measure in priors.measures:
        for place, effect in enumerate(measure.effects):
            table = tables["measure"][measure.name]["effect"][place]
            unit = effect.scale.replace("_", " ")
            table |= {"scale": effect.scale, "from": "elicited"}
            table["ratio"]["unit"] = unit


# ------------------------------------------------------------------------------------------- TOML


def toml_text(tables: Mapping[str, Any]) -> str:
    """Tables of text, numbers, lists and tables as TOML; single values before tables."""
    return "\n".join(_lines(tables, ())).lstrip("\n") + "\n"


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    nested = {k: v for k, v in table.items() if isinstance(v, Mapping)}
    lists = {k: v for k, v in table.items() if isinstance(v, list) and v and isinstance(v[0], Mapping)}
    yield from (f"{_key(k)} = {_value(v)}" for k, v in table.items() if k not in nested and k not in lists)
    for key, value in nested.items():
        yield from ("", f"[{'.'.join(map(_key, (*path, key)))}]", *_lines(value, (*path, key)))
    for key, entries in lists.items():
        for entry in entries:
            yield from ("", f"[[{'.'.join(map(_key, (*path, key)))}]]", *_lines(entry, (*path, key)))


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else json.dumps(name, ensure_ascii=False)


def _value(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(v) for v in value)}]"
    return repr(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)
