"""Prior files become a `PriorSet`: what is believed before the agency's records are seen.

Mechanisms, measures, indicators, drivers, prices and every number live in TOML files (`priors/` of
this project, or a directory of the study), none in code. A set of files is read whole: all faults
are reported together, each with file, table and key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from riskmodel.errors import Faults, PriorError
from riskmodel.joint import Joint
from riskmodel.jointfile import read_joint
from riskmodel.places import marginals_of
from riskmodel.priorfiles import RawTables, instead, override, read_tables
from riskmodel.priorindicators import read_drivers, read_indicators
from riskmodel.priormeasures import ROOTS, read_costs, read_measures
from riskmodel.priorset import (
    ANY,
    OTHER,
    SCORED_ROOTS,
    TRANSFORMS,
    WEAR_OUT,
    ConditionPath,
    Cost,
    Driver,
    Effect,
    Group,
    Indicator,
    Measure,
    Mechanism,
    OverlayType,
    PhysicalInputs,
    PriorSet,
    Quantity,
)
from riskmodel.priortables import Table

__all__ = [
    "ANY",
    "OTHER",
    "SCORED_ROOTS",
    "TRANSFORMS",
    "WEAR_OUT",
    "ConditionPath",
    "Cost",
    "Driver",
    "Effect",
    "Group",
    "Indicator",
    "Measure",
    "Mechanism",
    "OverlayType",
    "PhysicalInputs",
    "PriorSet",
    "Quantity",
    "default_directory",
    "load_priors",
    "with_overrides",
]

BONDS = ("bonded", "unbonded")
BASES = ("asphalt", "concrete", "composite")
TYPES = tuple(f"{bond}_{base}" for bond in BONDS for base in BASES)
GROUPS = ("district", "contractor", "project")
_SUM_TOLERANCE = 1e-6


def default_directory() -> Path:
    """Folder of the prior files that come with the program: inside an installed package, else beside it."""
    packaged = Path(__file__).parent / "prior_files"
    return packaged if packaged.is_dir() else Path(__file__).parent.parent / "priors"


def load_priors(directory: Path | str | None = None, overrides: Mapping[str, Any] | None = None) -> PriorSet:
    """Read a directory of prior files.

    Parameters
    ----------
    directory : path, optional
        Every `*.toml` in it is read, and the table of correlations that they name, if any. Default: the files
        that come with the program.
    overrides : mapping, optional
        A study's changes, nested as the files are. A quantity whose distribution changes keeps its
        unit and states its own status and source; its interval may be left out. It is then taken alone where
        the others are taken jointly: correlations were learnt with another marginal.

    Raises
    ------
    PriorError
        With every fault of every file.
    """
    raw = read_tables(Path(directory) if directory is not None else default_directory())
    if not raw.beside:
        return _build(raw, overrides)
    plain = _build(raw, None)
    ((name, text),) = raw.beside.items()
    joint = read_joint(text, name, plain)
    return _jointly(_build(raw, overrides) if overrides else plain, joint)


def with_overrides(priors: PriorSet, overrides: Mapping[str, Any]) -> PriorSet:
    """The prior set with (further) overrides, without reading the files again.

    Raises
    ------
    PriorError
        As `load_priors`.
    """
    return _jointly(_build(priors.raw, overrides), priors.joint)


def _jointly(priors: PriorSet, joint: Joint | None) -> PriorSet:
    """With a copula, of which quantities that are stated otherwise are left out."""
    return replace(priors, joint=None if joint is None else joint.keeping(marginals_of(priors)))


def _build(raw: RawTables, overrides: Mapping[str, Any] | None) -> PriorSet:
    faults = Faults()
    if overrides:
        raw = override(raw, overrides, faults)
    root = Table(raw.data, (), raw, faults)
    types = _types(root)
    names = tuple(item.name for item in types)
    mechanisms = _mechanisms(root, names)
    indicators = read_indicators(root)
    early_failure = root.quantity("early_failure", "probability", "unit")
    wear_out = root.table("wear_out")
    path = root.table("path")
    built = PriorSet(
        early_failure=early_failure,
        types=types,
        mechanisms=mechanisms,
        share_sd=root.quantity("share_sd", "ln share", "positive", fixed=True),
        wear_out_sd_common=_of(wear_out, "sd_common", "ln years", "positive", fixed=True),
        wear_out_shape=_of(wear_out, "shape", "dimensionless", "positive"),
        path=_path(path),
        removal_lag=root.quantity("removal_lag", "years", "positive"),
        label_error=root.quantity("label_error", "probability", "unit"),
        year_slope=root.quantity("year_slope", "log-odds per decade", "real"),
        year_centre=root.number("year_centre", 1900, 2100),
        groups=_groups(root),
        drivers=read_drivers(root, tuple(m.name for m in mechanisms), indicators),
        indicators=indicators,
        measures=read_measures(root, names, mechanisms, indicators, early_failure.distribution.mean),
        costs=read_costs(root),
        files=dict(raw.digests),
        raw=raw,
        carried=_carried(root),
    )
    for table in (wear_out, path, root):
        if table is not None:
            table.finish()
    faults.raise_any(PriorError)
    return built


def _carried(root: Table) -> tuple[str, ...]:
    """Marks of the sections on which carried priors were learnt."""
    table = root.table("carried", required=False)
    if table is None:
        return ()
    marks = table.get("sections")
    table.text("source")
    table.text("correlations", default="")
    if not isinstance(marks, list) or not all(isinstance(mark, str) for mark in marks):
        table.fault("the marks of the sections are a list of texts", "sections", remedy="Export the priors again")
        return ()
    table.finish()
    return tuple(marks)


def _of(table: Table | None, key: str, unit: str, support: str, *, fixed: bool = False) -> Quantity:
    """A quantity of a table that may be missing (its absence is noted already)."""
    missing = Table({}, (), RawTables({}, {}, {}), Faults())
    return (table or missing).quantity(key, unit, support, fixed=fixed)


def _path(table: Table | None) -> ConditionPath:
    return ConditionPath(
        start=_of(table, "start", "index points", "real"),
        start_spread=_of(table, "start_spread", "z", "positive"),
        noise=_of(table, "noise", "z", "positive"),
        kappa=_of(table, "kappa", "dimensionless", "positive"),
        kappa_early_ratio=_of(table, "kappa_early_ratio", "ln ratio", "real"),
        rater_sd=_of(table, "rater_sd", "z", "positive") if table and "rater_sd" in table.data else None,
    )


# -------------------------------------------------------------------------- types and mechanisms


def _types(root: Table) -> tuple[OverlayType, ...]:
    types = []
    for name, table in root.collection("type"):
        bond, base = "", ""
        if name != ANY:
            bond, base = table.choice("bond", BONDS), table.choice("base", BASES)
            if bond and base and name != f"{bond}_{base}":
                table.fault("the name of an overlay type is bond and base", got=name, remedy=f"Call it {bond}_{base}")
        odds = table.quantity("odds_multiplier", "odds ratio", "positive")
        types.append(OverlayType(name, bond, base, odds, table.quantity("wear_out_median", "years", "positive")))
        table.finish()
    names = [item.name for item in types]
    if not names:
        root.fault("no overlay type is defined", "type", remedy="Define [type.any], or one table for each type")
    elif ANY in names and len(names) > 1:
        root.fault("`any` stands alone", "type", got=", ".join(names), remedy="Remove `any`, or the others")
    return tuple(types)


def _mechanisms(root: Table, types: tuple[str, ...]) -> tuple[Mechanism, ...]:
    root_share = _root_shares(root.table("root_share", required=False), types)
    tables = list(root.collection("mechanism", taken=(WEAR_OUT,)))
    stated = {"share" if "share" in table.data else "within_root" for _, table in tables}
    found = [_mechanism(name, table, types) for name, table in tables]
    if not found:
        return ()
    if len(stated) > 1:
        root.fault("mechanisms state either `share` or `within_root`", "mechanism", remedy="Use one of them in all")
    elif stated == {"within_root"} and root_share is None:
        root.fault("`within_root` needs the shares of the roots", "root_share", remedy="Add [root_share]")
    elif stated == {"share"} and root_share is not None:
        root.fault("`root_share` goes with `within_root`", "root_share", remedy="Remove it")
    else:
        _check_sums(root, found, types, root_share)
        found = _of_all_failures(found, types, root_share)
        for mechanism in found:
            if not mechanism.share:
                root.fault(
                    "the mechanism has no share in any overlay type",
                    "mechanism",
                    got=mechanism.name,
                    remedy="Remove it, or give it a share",
                )
    return tuple(found)


def _mechanism(name: str, table: Table, types: tuple[str, ...]) -> Mechanism:
    """A mechanism with its shares as the file states them, of all failures or within its root."""
    cause = table.choice("root", ROOTS)
    shares = _shares(table, "share" if "share" in table.data else "within_root", types)
    label = table.text("label", default=name.replace("_", " "))
    median = table.quantity("median", "years", "positive")
    shape = table.quantity("shape", "dimensionless", "positive")
    effect = table.quantity("score_effect", "log-odds per score sd", "positive") if cause in SCORED_ROOTS else None
    if cause == OTHER and table.get("score_effect", required=False) is not None:
        table.fault("the root `other` has no score", "score_effect", remedy="Remove it")
    about = table.about()
    table.finish()
    return Mechanism(name, label, cause, shares, median, shape, effect, *about)


def _shares(table: Table, key: str, types: tuple[str, ...]) -> dict[str, float]:
    """Shares by type; a single number holds for every type; types with share 0 are left out."""
    if not isinstance(table.get(key), Mapping):
        number = table.number(key, 0.0, 1.0) if key in table.data else 0.0
        return {kind: number for kind in types if number > 0}
    given = table.table(key)
    assert given is not None
    shares = {kind: given.number(kind, 0.0, 1.0, default=0.0) for kind in types}
    given.finish()
    return {kind: share for kind, share in shares.items() if share > 0}


def _root_shares(table: Table | None, types: tuple[str, ...]) -> dict[str, dict[str, float]] | None:
    """Share of all early failures by type and root, `other` included."""
    if table is None:
        return None
    other = table.number("other", 0.0, 1.0)
    shares = {}
    for kind in types:
        row = table.table(kind)
        values = {root: row.number(root, 0.0, 1.0) if row else 0.0 for root in SCORED_ROOTS}
        if row is not None:
            row.finish()
            if not math.isclose(sum(values.values()), 1.0, abs_tol=_SUM_TOLERANCE):
                row.fault("shares of the roots sum to 1", got=f"{sum(values.values()):g}", remedy="Correct one of them")
        shares[kind] = {root: value * (1 - other) for root, value in values.items()} | {OTHER: other}
    table.about()
    table.finish()
    return shares


def _check_sums(
    root: Table,
    found: Sequence[Mechanism],
    types: tuple[str, ...],
    root_share: Mapping[str, Mapping[str, float]] | None,
) -> None:
    """Shares sum to 1 in each type, or in each type and root that has failures."""
    for kind in types:
        causes = [cause for cause, share in root_share[kind].items() if share > 0] if root_share else [""]
        for cause in causes:
            total = sum(m.share.get(kind, 0.0) for m in found if cause in ("", m.root))
            if not math.isclose(total, 1.0, abs_tol=_SUM_TOLERANCE):
                place = f"of root `{cause}` in" if cause else "of"
                rule = f"shares of mechanisms {place} type `{kind}` sum to 1"
                root.fault(rule, "mechanism", got=f"{total:g}", remedy="Correct one of them")


def _of_all_failures(
    found: Sequence[Mechanism],
    types: tuple[str, ...],
    root_share: Mapping[str, Mapping[str, float]] | None,
) -> list[Mechanism]:
    """The mechanisms with shares of all early failures, summing to 1 to the last digit."""
    shares = [
        {kind: share * (root_share[kind].get(m.root, 0.0) if root_share else 1.0) for kind, share in m.share.items()}
        for m in found
    ]
    total = {kind: sum(one.get(kind, 0.0) for one in shares) for kind in types}
    return [
        replace(m, share={kind: share / total[kind] for kind, share in one.items() if share > 0})
        for m, one in zip(found, shares, strict=True)
    ]


# ----------------------------------------------------------------------------------------- groups


def _groups(root: Table) -> tuple[Group, ...]:
    groups = []
    for column, table in root.collection("group"):
        if column not in GROUPS:
            table.fault("a group is a column of the sections", got=column, remedy=instead(column, GROUPS))
        roots = table.names("roots", SCORED_ROOTS, "root")
        groups.append(Group(column, roots, table.quantity("sd", "log-odds", "positive")))
        table.finish()
    return tuple(groups)
