"""A posterior as prior files for other sections: marginals refitted, correlations beside them.

The files hold one distribution a quantity, of the family that its prior has. What the draws say of pairs of
quantities is written to a table of its own; the model reads priors one by one and does not use it.
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
from scipy.special import ndtr

from .baseline import Baseline, delta_distributions
from .distribution import PARAMETERS, Distribution
from .elicitation import fit_quantiles
from .lives import Draws
from .measures import deltas_of
from .priorfiles import VALUE_KEYS
from .priors import PriorSet

__all__ = ["Carried", "carry_on", "toml_text"]

TAILS = (0.05, 0.50, 0.95)
ABOUT = ("interval_90", "status", "source", "rationale", "unit")
Floats = NDArray[np.float64]
Path = tuple[str | int, ...]
_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


@dataclass(frozen=True)
class Carried:
    """Prior files made of a posterior.

    Parameters
    ----------
    tables : mapping
        As a TOML file holds them.
    correlations : DataFrame
        Rank correlations of the quantities, first column `quantity`.
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
    for path, prior, values in _learnt(draws, priors, early_age, mix):
        if prior.family == "fixed" or values.std() <= 0:
            continue
        drawn[".".join(str(part) for part in path)] = values
        _state(tables, path, refitted(prior, values), source)
    _shares(tables, draws, priors, source)
    _common_wear_out(tables, draws, source)
    tables["carried"] = {"source": source, "sections": sorted(marks)}
    ranks = pd.DataFrame(drawn).corr(method="spearman").round(4)
    return Carried(tables, ranks.rename_axis("quantity").reset_index())


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
        "rationale": "Marginal of the posterior, refitted. How quantities go together is in correlations.csv, which "
        "the model does not use.",
    }


def _learnt(
    draws: Draws, priors: PriorSet, early_age: float, mix: Floats
) -> Iterator[tuple[Path, Distribution, Floats]]:
    """Path in the prior files, prior and posterior draws of every quantity."""
    path = priors.path
    scalars: dict[str, tuple[Path, Distribution]] = {
        "early_failure": (("early_failure",), priors.early_failure.distribution),
        "wear_out_shape": (("wear_out", "shape"), priors.wear_out_shape.distribution),
        "start_index": (("path", "start"), path.start.distribution),
        "start_spread": (("path", "start_spread"), path.start_spread.distribution),
        "noise": (("path", "noise"), path.noise.distribution),
        "kappa": (("path", "kappa"), path.kappa.distribution),
        "kappa_early_log_ratio": (("path", "kappa_early_ratio"), path.kappa_early_ratio.distribution),
        "removal_lag": (("removal_lag",), priors.removal_lag.distribution),
        "label_error": (("label_error",), priors.label_error.distribution),
        "year_slope": (("year_slope",), priors.year_slope.distribution),
    }
    scalars |= {f"{g.column}_sd": (("group", g.column, "sd"), g.sd.distribution) for g in priors.groups}
    yield from ((*stated, draws[name]) for name, stated in scalars.items() if name in draws)
    for i, driver in enumerate(priors.drivers):
        yield ("driver", driver.name, "coefficient"), driver.coefficient.distribution, draws["driver_coefficient"][:, i]
    for i, kind in enumerate(priors.types):
        if "odds_multiplier" in draws:
            odds = draws["odds_multiplier"][:, i]
            yield ("type", kind.name, "odds_multiplier"), kind.odds_multiplier.distribution, odds
        yield ("type", kind.name, "wear_out_median"), kind.wear_out_median.distribution, _own_median(draws, i)
    for i, mechanism in enumerate(priors.mechanisms):
        for key in ("median", "shape"):
            yield ("mechanism", mechanism.name, key), getattr(mechanism, key).distribution, draws[f"age_{key}"][:, i]
        if mechanism.score_effect is not None:
            effect = draws["score_effect"][:, i]
            yield ("mechanism", mechanism.name, "score_effect"), mechanism.score_effect.distribution, effect
    yield from _measures(draws, priors, early_age, mix)


def _own_median(draws: Draws, kind: int) -> Floats:
    """Age at wear-out of a type with what all types share at its mean."""
    common = draws.values.get("wear_out_common", np.zeros(draws.count)).reshape(-1)
    return draws["wear_out_median"][:, kind] * np.exp(common.mean() - common)


def _measures(
    draws: Draws, priors: PriorSet, early_age: float, mix: Floats
) -> Iterator[tuple[Path, Distribution, Floats]]:
    for k, measure in enumerate(priors.measures):
        yield ("measure", measure.name, "compliance"), measure.compliance.distribution, draws["compliance"][:, k]
        if measure.time_ratio is not None:
            ratio = draws["time_ratio"][:, k]
            yield ("measure", measure.name, "time_ratio"), measure.time_ratio.distribution, ratio
    if "delta" not in draws:
        return
    every = delta_distributions(priors, Baseline.of(priors, early_age), mix)
    effects = [(m.name, n, effect) for m in priors.measures for n, effect in enumerate(m.effects)]
    first = {delta.effect: i for i, delta in reversed(list(enumerate(deltas_of(priors))))}
    for number, i in first.items():
        name, place, effect = effects[number]
        # a large effect is a small ratio: the score of the one is the other's with its sign changed
        ratio = effect.ratio.distribution.ppf(ndtr(-every[i].score(draws["delta"][:, i])))
        yield ("measure", name, "effect", place, "ratio"), effect.ratio.distribution, ratio


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
