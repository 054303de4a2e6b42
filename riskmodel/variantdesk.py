"""Variants of a study's model, fitted one after the other and kept: what was fitted once is not fitted again."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from .desk import SIMULATION, Desk
from .errors import Faults, RiskModelError, StudyError
from .pipeline import Quiet, Watcher, open_results, results_folder
from .records import Records
from .stages import stage_keys
from .store import (
    digest_of,
    file_digest,
    load_table,
    load_tree,
    lock_folder,
    read_json,
    save_tree,
    write_json,
    write_table,
)
from .study import Study
from .thresholds import condition_at
from .trustdesk import CHECKS

if TYPE_CHECKING:
    from .calibrate import Calibration, Gate
    from .leaveout import LeftOut
    from .variants import Variant

__all__ = ["FOLDER", "VARIANTS", "TrustAnswer", "answer_trust"]

FOLDER, LEDGER, VARIANTS = "trust", "variants.json", "tables/variants.csv"
MARK = 16
"""Letters of a digest that tell one simulation from another."""
SAMPLES = 400
"""Draws of a variant of which lives are simulated."""
QUANTITIES = ("early_failure_probability", "b10_age", "restricted_mean_age")
COLUMNS = (
    *("variant", "what", "against", "elpd", "difference", "standard_error", "distrusted", "gate"),
    *(f"{name}_{end}" for name in QUANTITIES for end in ("mean", "lower", "upper")),
    *("verdict", "finding", "what_to_do"),
)


@dataclass(frozen=True)
class TrustAnswer:
    """Checks of the run, sections explained worst, variants, what all rests on, and the files written."""

    checks: pd.DataFrame
    sections: pd.DataFrame
    variants: pd.DataFrame
    basis: str
    files: tuple[Path, ...]


def answer_trust(
    study: Study,
    *,
    wanted: Sequence[str] | None = None,
    thresholds: Sequence[float] = (),
    out: Path | None = None,
    watcher: Watcher | None = None,
) -> TrustAnswer:
    """Read the checks of a finished run, fit the variants that are not fitted yet, and compare them.

    Parameters
    ----------
    study : Study
    wanted : sequence of str, optional
        Names of variants; all by default, none for an empty sequence.
    thresholds : sequence of float
        Other thresholds of the index to compare, too.
    out : Path, optional
        Folder of the results; default `results` beside the study.
    watcher : Watcher, optional

    Raises
    ------
    StoreError
        When there are no results, or they are older than their inputs.
    StudyError
        When a variant is not known.
    """
    watcher = watcher or Quiet()
    needs = ("calibrate", "simulate", "trust")
    desk = open_results(study, out, needs=needs)
    folder, tables = results_folder(study, out), {}
    for name in ("trust", "left_out"):
        file = folder / f"tables/{name}.csv"
        tables[name] = load_table(file) if f"tables/{name}.csv" in desk.entries["trust"]["outputs"] else pd.DataFrame()
    variants = pd.DataFrame(columns=list(COLUMNS))
    files: tuple[Path, ...] = (folder / CHECKS,)
    if desk.records is not None and (wanted is None or len(wanted) or len(thresholds)):
        variants = _Bench(desk, folder, watcher).table(wanted, thresholds)
        with lock_folder(folder):
            write_table(variants.assign(basis=desk.basis), folder / VARIANTS)
        files = (*files, folder / VARIANTS)
    return TrustAnswer(tables["trust"], tables["left_out"], variants, desk.basis, files)


def _listed(desk: Desk) -> tuple[Variant, ...]:
    from .lifesettings import LifeSettings
    from .variants import variants_of

    if desk.records is None:
        return ()
    return variants_of(desk.priors, LifeSettings(**desk.study.life), desk.records)


class _Bench:
    """Fits variants, or finds them fitted, and compares them."""

    def __init__(self, desk: Desk, folder: Path, watcher: Watcher):
        self.desk, self.folder, self.watcher = desk, folder, watcher
        self.ledger: dict[str, Any] = {}
        if (folder / FOLDER / LEDGER).is_file():
            self.ledger = read_json(folder / FOLDER / LEDGER)

    def table(self, wanted: Sequence[str] | None, thresholds: Sequence[float]) -> pd.DataFrame:
        """One row a variant."""
        chosen = self._chosen(wanted, thresholds)
        bases = {_study_name(): self._study()}
        rows = []
        for variant in chosen:
            if variant.why_not:
                rows.append(_unmade(variant))
                continue
            draws, gate = self._fitted(variant)
            left_out = _left_out(draws)
            if gate.passed:
                bases[variant.name] = left_out
            rows.append(self._row(variant, draws, gate, left_out, bases.get(variant.against)))
        made = str(self.desk.entries["simulate"]["outputs"][SIMULATION])
        return pd.DataFrame(rows, columns=list(COLUMNS)).assign(simulation=made[:MARK])

    def _chosen(self, wanted: Sequence[str] | None, thresholds: Sequence[float]) -> list[Variant]:
        """The variants asked for, each after what it is compared with."""
        from .lifesettings import LifeSettings
        from .variants import threshold_variant

        every = {variant.name: variant for variant in _listed(self.desk)}
        faults = Faults("--variants")
        for name in sorted(set(wanted or ()) - set(every)):
            faults.add("a variant of this study", got=name, remedy=f"Choose from {', '.join(every)}")
        faults.raise_any(StudyError)
        names = set(every if wanted is None else wanted)
        names |= {every[name].against for name in names} & set(every)
        chosen = [variant for name, variant in every.items() if name in names]
        settings = LifeSettings(**self.desk.study.life)
        if self.desk.records is not None:
            chosen += [threshold_variant(self.desk.priors, settings, self.desk.records, at) for at in thresholds]
        return chosen

    def _study(self) -> LeftOut:
        return _left_out(self.desk.calibration.tree)

    def _records(self, variant: Variant) -> Records:
        from .variants import fitted_records

        records = self.desk.records
        if records is None:
            raise RiskModelError("the study has no section on record, so there is nothing to compare.")
        if np.isfinite(variant.threshold):
            condition = replace(condition_at(self.desk.study, variant.threshold), far_below=variant.far_below)
            records = self.desk.records_under(condition)
        return fitted_records(variant, records)

    def _fitted(self, variant: Variant) -> tuple[xr.DataTree, Gate]:
        """Draws of a variant and its gate: those kept, or of a fit now."""
        key = self._key(variant)
        noted, file = self.ledger.get(variant.name, {}), self.folder / FOLDER / f"{variant.name}.nc"
        words = f"Variant: {variant.words}"
        if noted.get("key") == key and file.is_file() and file_digest(file) == noted.get("digest"):
            self.watcher.end(words, None)
            return load_tree(file, digest=noted["digest"]), _gate_of(noted["gate"])
        made = _timed(words, self.watcher, lambda: self._calibrate(variant))
        tree = xr.DataTree.from_dict({name: made.tree[name].to_dataset() for name in ("posterior", "log_likelihood")})
        self._keep(variant, key, tree, made.gate)
        return tree, _gate_of([asdict(check) for check in made.gate.checks] if made.gate else [])

    def _calibrate(self, variant: Variant) -> Calibration:
        from .calibrate import Sampling, calibrate

        sampling = Sampling(**self.desk.study.sampling)
        return calibrate(
            self._records(variant), variant.priors, settings=variant.settings, sampling=sampling,
            progress=self.watcher.advance, gate=False,
        )  # fmt: skip

    def _keep(self, variant: Variant, key: str, tree: xr.DataTree, gate: Gate | None) -> None:
        checks = [asdict(check) for check in gate.checks] if gate else []
        with lock_folder(self.folder):
            digest = save_tree(
                tree, self.folder / FOLDER / f"{variant.name}.nc", digests=self.desk.digests,
                settings=self.desk.settings | {"variant": variant.name},
            )  # fmt: skip
            self.ledger[variant.name] = {
                "key": key, "digest": digest, "gate": checks,
                "finished": datetime.now(UTC).isoformat(timespec="seconds"),
            }  # fmt: skip
            write_json(self.ledger, self.folder / FOLDER / LEDGER)

    def _key(self, variant: Variant) -> str:
        """Digest of all that the draws of a variant rest on."""
        code = file_digest(Path(__file__).with_name("variants.py"))
        return digest_of([stage_keys(self.desk.study, self.desk.priors)["calibrate"], variant.name, code])

    def _row(
        self, variant: Variant, draws: xr.DataTree, gate: Gate, left_out: LeftOut, base: LeftOut | None
    ) -> tuple[object, ...]:
        from .variants import compared, variant_verdict

        passed = gate.passed and (base is not None or not variant.against)
        difference, error = (np.nan, np.nan) if base is None or not passed else compared(left_out, base)
        distrusted = int(left_out.distrusted.sum())
        verdict = variant_verdict(variant, difference, error, passed_gate=passed, distrusted=distrusted)
        return (
            variant.name, variant.words, variant.against, left_out.total, difference, error, distrusted,
            "passed" if gate.passed else "FAILED", *self._lives(variant, draws, passed=passed),
            verdict.verdict, verdict.finding, verdict.what_to_do,
        )  # fmt: skip

    def _lives(self, variant: Variant, draws: xr.DataTree, *, passed: bool) -> Iterator[float]:
        """Mean and central 90 % of the life quantities under current practice; NaN where none are simulated."""
        from .hazard import WEIBULL
        from .measures import CURRENT_PRACTICE
        from .programme import programme_from_records
        from .simulate import simulate

        if variant.settings.age_law != WEIBULL or not passed:
            yield from [np.nan] * (3 * len(QUANTITIES))
            return
        study, settings = self.desk.study, variant.settings
        programme = programme_from_records(self._records(variant).sections, variant.priors)
        found = simulate(
            draws["posterior"].to_dataset(), programme, variant.priors, portfolios=(), early_age=settings.early_age,
            horizon=settings.horizon, ages=settings.ages, seed=study.seed, samples=SAMPLES,
            weight_by_area=study.weight_by_area,
        )  # fmt: skip
        for name in QUANTITIES:
            values = found["value"].sel(portfolio=CURRENT_PRACTICE, quantity=name).values
            values = np.where(np.isfinite(values), values, np.nan)
            yield from (float(np.nanmean(values)), *(float(q) for q in np.nanquantile(values, (0.05, 0.95))))


def _study_name() -> str:
    from .variants import STUDY

    return STUDY


def _left_out(tree: xr.DataTree) -> LeftOut:
    from .leaveout import leave_out

    return leave_out(tree["log_likelihood"].to_dataset()["records"])


def _gate_of(checks: Sequence[Mapping[str, Any]]) -> Gate:
    from .calibrate import Check, Gate

    return Gate(tuple(Check(**check) for check in json.loads(json.dumps(list(checks)))))


def _unmade(variant: Variant) -> tuple[object, ...]:
    """The row of a variant that cannot be compared."""
    from .verdicts import NOT_APPLICABLE

    told = (variant.name, variant.words, variant.against, np.nan, np.nan, np.nan, 0, "")
    return (*told, *[np.nan] * (3 * len(QUANTITIES)), NOT_APPLICABLE, f"Not compared: {variant.why_not}.", "")


def _timed(words: str, watcher: Watcher, work: Callable[[], Calibration]) -> Calibration:
    import time

    watcher.begin(words, "Each variant is a calibration of its own.")
    started = time.monotonic()
    made = work()
    watcher.end(words, time.monotonic() - started)
    return made
