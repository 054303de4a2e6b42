"""Life tables straight from the records, without a model.

`kaplan_meier` for ages known exactly or not reached, `turnbull` for ages known within an
interval, `cumulative_incidence` for failures told apart by cause. They check the model, so they
share no code with it.

An observation says that a section was in service at `age_lower` and had failed by `age_upper`:
the failure lies in `(age_lower, age_upper]`. Equal ages are an exact failure age, an infinite
`age_upper` a section not seen to fail. `age_entry` is the age at which it came under observation
(left truncation): it is in the records because it outlived that age.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from riskmodel import innermost
from riskmodel.errors import Faults, InputError, RiskModelWarning
from riskmodel.schema import Kind, Variable, define, stamp

__all__ = ["cumulative_incidence", "kaplan_meier", "survival_at", "turnbull"]

Floats = NDArray[np.float64]

_AGE, _CAUSE, _INTERVAL = ("age",), ("age", "cause"), ("age_interval",)
_CURVE = {
    "at_risk": Variable(_AGE, "float", "1", "sections at risk just before the age"),
    "survival": Variable(_AGE, "float", "1", "share surviving the age"),
    "standard_error": Variable(_AGE, "float", "1", "standard error of survival"),
}
_AT_AGE = {"age": Variable(_AGE, "float", "year", "age")}

define(
    Kind(
        "life_table",
        coords=_AT_AGE,
        variables={**_CURVE, "failures": Variable(_AGE, "float", "1", "sections failed at the age")},
    )
)
define(
    Kind(
        "incidence_table",
        coords={**_AT_AGE, "cause": Variable(("cause",), "text", "", "cause of failure")},
        variables={
            **_CURVE,
            "failures": Variable(_CAUSE, "float", "1", "sections failed at the age"),
            "incidence": Variable(_CAUSE, "float", "1", "share failed by the cause up to the age"),
            "incidence_error": Variable(_CAUSE, "float", "1", "standard error of incidence"),
        },
    )
)
define(
    Kind(
        "interval_life_table",
        coords={
            "age_lower": Variable(_INTERVAL, "float", "year", "age after which the interval begins"),
            "age_upper": Variable(_INTERVAL, "float", "year", "age at which the interval ends"),
        },
        variables={
            "mass": Variable(_INTERVAL, "float", "1", "share failing in the interval"),
            "survival": Variable(_INTERVAL, "float", "1", "share surviving the interval"),
            "at_risk": Variable(_INTERVAL, "float", "1", "expected sections at risk"),
            "failures": Variable(_INTERVAL, "float", "1", "expected sections failed"),
            "undetermined": Variable(_INTERVAL, "bool", "1", "whether other masses are as likely"),
        },
    )
)
define(
    Kind(
        "survival",
        coords=_AT_AGE,
        variables={
            "survival_lower": Variable(_AGE, "float", "1", "least survival that the table allows"),
            "survival_upper": Variable(_AGE, "float", "1", "greatest survival that the table allows"),
        },
    )
)


@dataclass(frozen=True)
class _Observations:
    """Checked observations, one entry a section: failure in (lower, upper], seen from entry on."""

    lower: Floats
    upper: Floats
    entry: Floats
    weight: Floats


def kaplan_meier(
    age_lower: ArrayLike,
    age_upper: ArrayLike,
    age_entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    *,
    from_age: float = 0.0,
) -> xr.Dataset:
    """Survival from exact and right-censored ages, with late entries.

    Parameters
    ----------
    age_lower : (section,) array_like
        Failure age, or the age last seen in service [yr], not negative.
    age_upper : (section,) array_like
        The same age for a failure, infinity for a section not seen to fail [yr].
    age_entry : (section,) array_like, optional
        Age at which the section came under observation [yr]; 0 by default. It counts as at risk
        at ages above it.
    weights : (section,) array_like, optional
        How many like sections the entry stands for; 1 by default.
    from_age : float
        The table is for sections that reached this age [yr]. Use it where the first few entries
        leave so few at risk that the curve is spoilt from the start.

    Returns
    -------
    xarray.Dataset
        Dimension `age` (failure ages): `at_risk`, `failures` [sections], `survival` just after
        that age and its `standard_error` [-].

    Raises
    ------
    InputError
        If ages are out of order, missing or negative, or a failure is known only within an
        interval.

    Warns
    -----
    RiskModelWarning
        If all sections at risk fail at an age and others enter later.

    Notes
    -----
    S(t) = prod over failure ages a <= t of (1 - d_a / n_a); Greenwood's variance
    S(t)^2 sum d_a / (n_a (n_a - d_a)). A section that leaves at an age at which another fails
    counts as at risk there.

    Source: Kaplan & Meier (1958), J. Am. Stat. Assoc. 53, 457-481; Greenwood (1926), Reports on
    Public Health and Medical Subjects 33 (pages not seen).
    """
    seen = _observations(age_lower, age_upper, age_entry, weights)
    _refuse_intervals(seen)
    failed = np.isfinite(seen.upper)
    ages, at_risk, failures = _risk_sets(seen.lower, seen.entry, seen.weight, failed[:, None], from_age)
    _warn_if_emptied(ages, at_risk, failures[:, 0], seen.entry)
    survival, variance = _product_limit(at_risk, failures)
    columns = {
        "at_risk": at_risk,
        "failures": failures[:, 0],
        "survival": survival,
        "standard_error": np.sqrt(variance[:, 0]),
    }
    table = xr.Dataset({name: ("age", value) for name, value in columns.items()}, coords={"age": ages})
    return stamp(table, "life_table")


def cumulative_incidence(
    age: ArrayLike,
    cause: Sequence[str] | NDArray[np.str_],
    age_entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    *,
    causes: Sequence[str] | None = None,
    from_age: float = 0.0,
) -> xr.Dataset:
    """Share of sections failed by each cause at each age, with late entries.

    Parameters
    ----------
    age : (section,) array_like
        Failure age, or the age last seen in service [yr].
    cause : (section,) sequence of str
        What the section failed by; an empty text where it was not seen to fail.
    age_entry, weights, from_age
        As for `kaplan_meier`.
    causes : sequence of str, optional
        Causes to tabulate, in this order; by default those found, sorted.

    Returns
    -------
    xarray.Dataset
        Dimensions `age` (failure ages) and `cause`: `at_risk` (age), `failures` (age, cause)
        [sections], `incidence` and `incidence_error` (age, cause), `survival` and
        `standard_error` (age) [-].

    Raises
    ------
    InputError
        If ages are missing, negative or out of order, or a cause is not among `causes`.

    Notes
    -----
    F_k(t) = sum over failure ages a <= t of S(a-) d_ka / n_a, so that S + sum_k F_k = 1. The
    variance carries the multinomial variance of the failures at each age through the product
    (Greenwood type). With one cause it is Kaplan-Meier.

    Source: Aalen & Johansen (1978), Scand. J. Stat. 5, 141-150 (page not seen); the variance as
    in Andersen, Borgan, Gill & Keiding (1993), Statistical Models Based on Counting Processes,
    section IV.4 (page not seen).
    """
    names = np.asarray(cause, dtype=str)
    seen = _observations(age, np.where(names == "", np.inf, np.asarray(age, dtype=float)), age_entry, weights)
    listed = tuple(sorted(set(names.tolist()) - {""})) if causes is None else tuple(causes)
    _refuse_unlisted(names, listed)
    by_cause = names[:, None] == np.array(listed, dtype=str)[None, :]
    ages, at_risk, failures = _risk_sets(seen.lower, seen.entry, seen.weight, by_cause, from_age)
    _warn_if_emptied(ages, at_risk, failures.sum(axis=1), seen.entry)
    survival, variance = _product_limit(at_risk, failures)
    before = np.concatenate([[1.0], survival[:-1]])[: ages.size]
    incidence = np.cumsum(before[:, None] * failures / at_risk[:, None], axis=0)
    table = xr.Dataset(
        {
            "at_risk": ("age", at_risk),
            "failures": (("age", "cause"), failures),
            "incidence": (("age", "cause"), incidence),
            "incidence_error": (("age", "cause"), np.sqrt(variance[:, 1:])),
            "survival": ("age", survival),
            "standard_error": ("age", np.sqrt(variance[:, 0])),
        },
        coords={"age": ages, "cause": np.array(listed, dtype=str)},
    )
    return stamp(table, "incidence_table")


def turnbull(
    age_lower: ArrayLike,
    age_upper: ArrayLike,
    age_entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    *,
    tolerance: float = 1e-9,
    max_iterations: int = 500,
) -> xr.Dataset:
    """Survival from failure ages known within intervals, with late entries.

    Parameters
    ----------
    age_lower, age_upper : (section,) array_like
        The failure lies in `(age_lower, age_upper]` [yr]; equal = exact, infinite upper = not
        seen to fail. Any mixture.
    age_entry : (section,) array_like, optional
        Age at which the section came under observation [yr]; 0 by default.
    weights : (section,) array_like, optional
        How many like sections the entry stands for; 1 by default.
    tolerance : float
        Largest breach of the self-consistency equation, as a share of the sections.
    max_iterations : int
        Steps after which the search is given up.

    Returns
    -------
    xarray.Dataset
        Dimension `age_interval`, the only places where the estimate can put failures:
        `age_lower`, `age_upper` (coordinates) [yr], `mass` [-], `survival` after the interval
        [-], expected `at_risk` and `failures` [sections], `undetermined` (true where another
        sharing-out of the mass has the same likelihood; only late entries can cause it). Attributes `log_likelihood`,
        `self_consistency`, `iterations`. Within an interval the course of the curve is not
        determined: see `survival_at`.

    Raises
    ------
    InputError
        If ages are out of order, missing or negative.
    RuntimeError
        If the search has not converged after `max_iterations`.

    Warns
    -----
    RiskModelWarning
        If at some age no section is known to have lived across it: the curve beyond hangs on
        nothing, and may drop to zero there. Mend by starting every section at a later age.

    Notes
    -----
    The failures lie in the innermost intervals (a left end followed at once by a right end); an
    entry age counts as a right end. With hazard h_j in interval j and L_j = -ln(1 - h_j),

        ln L = sum_i w_i [ln(exp(-L(lower_i)) - exp(-L(upper_i))) + L(entry_i)]

    is concave in L_j >= 0. It is maximised by expectation-maximisation steps, then projected
    Newton steps; at the maximum h_j = d_j / r_j (expected failures over expected at risk), which
    is Turnbull's self-consistency, and no empty interval would gain from mass.

    Source: Turnbull (1976), J. R. Stat. Soc. B 38, 290-295; entry ages as right ends: Frydman
    (1994), J. R. Stat. Soc. B 56, 71-74; uniqueness: Gentleman & Geyer (1994), Biometrika 81,
    618-623 (pages not seen).
    """
    seen = _observations(age_lower, age_upper, age_entry, weights)
    cells = innermost.Cells.of(seen.lower, seen.upper, seen.entry, seen.weight)
    _warn_if_unlinked(innermost.unlinked_ages(cells))
    increments, iterations = innermost.maximise(cells, tolerance, max_iterations)
    failures, at_risk = innermost.expected(cells, increments)
    survival = np.append(np.exp(-np.cumsum(increments)), 0.0)
    table = xr.Dataset(
        {
            "mass": ("age_interval", np.diff(1.0 - survival, prepend=0.0)),
            "survival": ("age_interval", survival),
            "at_risk": ("age_interval", at_risk),
            "failures": ("age_interval", failures),
            "undetermined": ("age_interval", innermost.undetermined(cells, increments)),
        },
        coords={"age_lower": ("age_interval", cells.lower), "age_upper": ("age_interval", cells.upper)},
    )
    return stamp(table, "interval_life_table").assign_attrs(
        log_likelihood=innermost.log_likelihood(cells, increments),
        self_consistency=innermost.breach(cells, increments),
        iterations=iterations,
    )


def survival_at(table: xr.Dataset, age: ArrayLike, *, given: float = 0.0) -> xr.Dataset:
    """Survival read off a life table at any age.

    Parameters
    ----------
    table : xarray.Dataset
        From `kaplan_meier`, `turnbull` or `cumulative_incidence`.
    age : (age,) array_like
        Ages [yr].
    given : float
        Survival among sections that reached this age [yr].

    Returns
    -------
    xarray.Dataset
        Dimension `age`: `survival_lower`, `survival_upper` [-]. They differ only inside an
        interval of a Turnbull table, where the records leave the curve open between them.

    Raises
    ------
    InputError
        If the table has no survivors at `given`.
    """
    ages = np.atleast_1d(np.asarray(age, dtype=float))
    start_lower, start_upper = _bounds(table, np.array([float(given)]))
    if start_lower[0] <= 0:
        faults = Faults()
        faults.add("the table must have survivors at this age", column="given", got=given, remedy="Give a lower age")
        faults.raise_any(InputError)
    lower, upper = _bounds(table, np.maximum(ages, given))
    curve = {"survival_lower": lower / start_upper, "survival_upper": np.minimum(upper / start_lower, 1.0)}
    return stamp(xr.Dataset({name: ("age", value) for name, value in curve.items()}, coords={"age": ages}), "survival")


def _bounds(table: xr.Dataset, ages: Floats) -> tuple[Floats, Floats]:
    """Least and greatest survival at each age that the table allows."""
    lower, upper = (table["age"],) * 2 if "age" in table.dims else (table["age_lower"], table["age_upper"])
    after = np.concatenate([[1.0], table["survival"].values])
    begun = np.searchsorted(lower.values, ages, side="left")
    ended = np.searchsorted(upper.values, ages, side="right")
    return after[np.maximum(begun, ended)], after[ended]


# Observations ------------------------------------------------------------------------------


def _observations(
    age_lower: ArrayLike, age_upper: ArrayLike, age_entry: ArrayLike | None, weights: ArrayLike | None
) -> _Observations:
    """Arguments as equally long arrays, or every fault in them at once."""
    lower = np.atleast_1d(np.asarray(age_lower, dtype=float))
    given = {
        "age_lower": lower,
        "age_upper": np.atleast_1d(np.asarray(age_upper, dtype=float)),
        "age_entry": np.zeros(lower.shape) if age_entry is None else np.atleast_1d(np.asarray(age_entry, dtype=float)),
        "weights": np.ones(lower.shape) if weights is None else np.atleast_1d(np.asarray(weights, dtype=float)),
    }
    faults = Faults()
    for name, values in given.items():
        if values.ndim != 1 or values.shape != lower.shape or not values.size:
            faults.add("one number a section is expected", column=name, got=f"shape {values.shape}")
    faults.raise_any(InputError)
    _check_order(faults, **given)
    faults.raise_any(InputError)
    upper, entry = given["age_upper"], given["age_entry"]
    return _Observations(np.maximum(lower, entry), upper, entry, given["weights"])


def _check_order(faults: Faults, age_lower: Floats, age_upper: Floats, age_entry: Floats, weights: Floats) -> None:
    """Note entries that are missing, negative or out of order."""
    for name, values in {"age_lower": age_lower, "age_entry": age_entry, "weights": weights}.items():
        _note(
            faults, name, ~(np.isfinite(values) & (values >= 0)), values, "a finite number, not negative, is expected"
        )
    _note(faults, "weights", weights == 0, weights, "a weight above zero is expected", "Leave the section out")
    _note(faults, "age_upper", ~(age_upper >= age_lower), age_upper, "must not lie below `age_lower`", "Swap the two")
    late = ~(age_upper > age_entry)
    _note(faults, "age_entry", late, age_entry, "must lie below the failure age", "It was not seen in service: drop it")


def _note(faults: Faults, name: str, bad: NDArray[np.bool_], values: Floats, rule: str, remedy: str = "") -> None:
    """One fault with the first offending positions and values."""
    where = np.flatnonzero(bad)[:5]
    if where.size:
        got = ", ".join(f"{values[i]:g} at position {i}" for i in where)
        faults.add(rule, column=name, got=got, remedy=remedy)


def _refuse_intervals(seen: _Observations) -> None:
    """Kaplan-Meier takes no failure known only within an interval."""
    faults = Faults()
    between = np.isfinite(seen.upper) & (seen.upper > seen.lower)
    rule = "a failure age must be exact here (equal to `age_lower`) or infinite"
    _note(faults, "age_upper", between, seen.upper, rule, "Use `turnbull`")
    faults.raise_any(InputError)


def _refuse_unlisted(names: NDArray[np.str_], listed: Sequence[str]) -> None:
    """Every cause found must be one that is tabulated."""
    faults = Faults()
    for name in sorted(set(names.tolist()) - {"", *listed}):
        faults.add(f"one of {', '.join(listed)} or an empty text is expected", column="cause", got=name)
    if "" in listed or len(set(listed)) < len(listed):
        faults.add("different names, none empty, are expected", column="causes", got=", ".join(listed))
    faults.raise_any(InputError)


# Exact ages --------------------------------------------------------------------------------


def _risk_sets(
    leave: Floats, entry: Floats, weight: Floats, failed: NDArray[np.bool_], from_age: float
) -> tuple[Floats, Floats, Floats]:
    """Failure ages (age,), sections at risk (age,) and failures (age, cause)."""
    kept = leave > from_age
    leave, entry, weight, failed = leave[kept], np.maximum(entry[kept], from_age), weight[kept], failed[kept]
    ages = np.unique(leave[failed.any(axis=1)])
    at_risk = _weight_below(ages, entry, weight) - _weight_below(ages, leave, weight)
    failures = np.zeros((ages.size, failed.shape[1]))
    section, cause = np.nonzero(failed)
    np.add.at(failures, (np.searchsorted(ages, leave[section]), cause), weight[section])
    return ages, at_risk, failures


def _weight_below(ages: Floats, values: Floats, weight: Floats) -> Floats:
    """Summed weight of the values below each age."""
    order = np.argsort(values, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(weight[order])])
    return total[np.searchsorted(values[order], ages, side="left")]


def _product_limit(at_risk: Floats, failures: Floats) -> tuple[Floats, Floats]:
    """Survival (age,) and the variances (age, 1 + cause) of survival and of each incidence.

    The state (survival, incidences) moves at each age by the failure shares q, whose covariance
    is (diag(q) - q q') / n; the covariance of the state is carried along.
    """
    shares = failures / at_risk[:, None]
    causes = failures.shape[1]
    survival, covariance = 1.0, np.zeros((1 + causes, 1 + causes))
    curve, variances = np.empty(at_risk.size), np.empty((at_risk.size, 1 + causes))
    spread = np.vstack([-np.ones(causes), np.eye(causes)])
    for i, (n, q) in enumerate(zip(at_risk, shares, strict=True)):
        carry = np.eye(1 + causes)
        carry[:, 0] += spread @ q
        noise = survival**2 * (np.diag(q) - np.outer(q, q)) / n
        covariance = carry @ covariance @ carry.T + spread @ noise @ spread.T
        survival *= max(1.0 - q.sum(), 0.0)
        curve[i], variances[i] = survival, np.diag(covariance)
    return curve, np.maximum(variances, 0.0)


def _warn_if_emptied(ages: Floats, at_risk: Floats, failures: Floats, entry: Floats) -> None:
    """Survival falls to zero for good when a small risk set fails entirely before others enter."""
    emptied = ages[failures >= at_risk * (1 - 1e-12)]
    if emptied.size and (later := int((entry >= emptied[0]).sum())):
        warnings.warn(
            f"every section at risk at age {emptied[0]:g} fails there, while {later} come under observation later: "
            f"survival stays at zero from then on. Give `from_age` = {emptied[0]:g} or more.",
            RiskModelWarning,
            stacklevel=3,
        )


# Interval ages -----------------------------------------------------------------------------


def _warn_if_unlinked(ages: Floats) -> None:
    """The curve beyond hangs on nothing where no section is known to have lived across an age."""
    if ages.size:
        warnings.warn(
            f"no section is known to have lived across age {', '.join(f'{a:g}' for a in ages[:5])}: the curve beyond "
            "hangs on nothing and may drop to zero there. Start every section at a later age (`age_entry`).",
            RiskModelWarning,
            stacklevel=3,
        )
