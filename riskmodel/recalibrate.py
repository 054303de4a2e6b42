"""The stage that calibrates: a fit of all records, or the draws of the last fit weighted by what changed since.

The choice is made from the results that lie there: the last fit must be of the same first tables and settings, and
either of the same priors and a beginning of the rounds that the study has now, or of the same rounds under other
priors.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .crew import Crew
from .errors import CalibrationError, StoreError
from .priors import PriorSet
from .raters import raters_of
from .records import Records
from .rounds import round_digests
from .roundtables import Round
from .store import digest_of, file_digest, load_tree
from .study import Study

if TYPE_CHECKING:
    import xarray as xr

    from .calibrate import Calibration, Check, Gate

__all__ = [
    "FORMER", "POSTERIOR", "REFIT", "Calibrated", "Mark", "Published", "calibration_of", "fingerprint", "recalibrate",
]  # fmt: skip

POSTERIOR, REFIT, FORMER = "posterior.nc", "refit.nc", "former.nc"
ESS_WORDS = "effective sample size"
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Published:
    """Results that lie there from before.

    Parameters
    ----------
    folder : Path
    entry : mapping
        What the provenance notes of the stage that calibrates; empty if there is none.
    """

    folder: Path
    entry: Mapping[str, Any] = field(default_factory=dict)

    @property
    def facts(self) -> Mapping[str, Any]:
        """What that stage noted of itself."""
        return dict(self.entry.get("facts", {}))

    def file(self, name: str) -> Path | None:
        """An output that is still the file that was written; None otherwise."""
        digest = self.entry.get("outputs", {}).get(name)
        path = self.folder / name
        return path if digest is not None and path.is_file() and file_digest(path) == digest else None


@dataclass(frozen=True)
class Calibrated:
    """What the stage made.

    Parameters
    ----------
    calibration : Calibration
    facts : mapping
        Gate, rounds, and how the draws came about.
    kept : mapping of str to Path
        Files to keep beside the draws: the last fit, and the draws before the last round.
    """

    calibration: Calibration
    facts: Mapping[str, Any]
    kept: Mapping[str, Path]


@dataclass(frozen=True)
class Mark:
    """Digests of all that a fit rests on except the rounds.

    Parameters
    ----------
    whole : str
        First tables, priors, settings, program.
    without_priors : str
    """

    whole: str
    without_priors: str


def fingerprint(study: Study, priors: PriorSet, code: str) -> Mark:
    """Digests of a study as it is now."""
    settings = study.settings
    tables = [None if file is None else file_digest(file) for file in (study.sections, study.surveys)]
    own = [settings[k] for k in ("columns", "condition", "life", "sampling")]
    stated = None if study.until is None else study.until.isoformat()
    rest = [code, tables, own, stated, [m.name for m in priors.measures]]
    return Mark(digest_of([*rest, dict(priors.files)]), digest_of(rest))


def calibration_of(path: Path, digest: str | None = None) -> Calibration:
    """Draws and gate from a file that this stage wrote."""
    from .calibrate import Calibration, Check, Gate

    tree = load_tree(path, digest=digest)
    stated = tree.attrs.get("gate")
    gate = None if stated is None else Gate(tuple(Check(**check) for check in json.loads(stated)))
    return Calibration(tree, gate, prior_only=gate is None)


def recalibrate(
    study: Study,
    priors: PriorSet,
    records: Records | None,
    published: Published,
    *,
    read: Callable[[Sequence[Round]], Records | None],
    mark: Mark,
    fresh: bool,
    progress: Progress,
    crew: Crew | None = None,
) -> Calibrated:
    """Calibrate a study: by weighting the last fit where that holds, by a fit otherwise.

    Parameters
    ----------
    study : Study
    priors : PriorSet
        With the measures in play.
    records : Records or None
        With every round.
    published : Published
    read : callable
        The records with some of the rounds.
    mark : Mark
        `fingerprint` of the study as it is now.
    fresh : bool
        Fit in any case.
    progress : callable (done, total, text)
    crew : Crew, optional
        Who runs chains and weighs draws.
    """
    now = {each.name: digest_of(round_digests(each)) for each in study.rounds}
    kept, former = _former(published, now, mark.whole)
    noted: dict[str, Any] = {"fingerprint": mark.whole, "without_priors": mark.without_priors, "rounds": now,
                             "former_rounds": former}  # fmt: skip
    found = None if records is None or fresh else _last_fit(published, now, mark.whole)
    why = _why_fit(study, records, published, found, mark.whole, fresh=fresh)
    other = None if records is None or fresh or found is not None else _fit_of_other_priors(published, now, mark)
    if records is not None and other is not None:
        weighed = _by_priors(study, priors, records, other, progress, crew)
        if not isinstance(weighed, list):
            facts = noted | {
                "way": "other priors",
                "fit_rounds": now,
                "fit_mark": other.mark,
                "gate": _checks(weighed.gate),
            }
            return Calibrated(weighed, facts, kept | {REFIT: other.file})
        why = weighed
    if found is not None and not why:
        made, checks = _weighted(study, priors, records, found, read, crew)
        noted["checks"] = [asdict(check) for check in checks]
        why = _failed(checks)
        if not why:
            facts = noted | {
                "way": "weighted" if checks else "fit",
                "fit_rounds": found.rounds,
                "fit_mark": mark.whole,
                "gate": _checks(made.gate),
            }
            return Calibrated(made, facts, kept | ({REFIT: found.file} if checks else {}))
    progress(0, 1, f"fitting anew: {'; '.join(why) or 'no round came since'}")
    start = calibration_of(found.file).posterior if found is not None else None
    warm = start is not None
    try:
        made = _fit(study, priors, records, progress, start, crew)
    except CalibrationError:
        if not warm:
            raise
        warm, why = False, [*why, "started from the priors, since a start from the last fit's draws failed the gate"]
        made = _fit(study, priors, records, progress, None, crew)
    facts = noted | {"way": "fit", "why": why, "warm": warm, "fit_rounds": now, "fit_mark": mark.whole,
                     "gate": _checks(made.gate)}  # fmt: skip
    return Calibrated(made, facts, kept)


@dataclass(frozen=True)
class _Fit:
    """The last fit: its file, its rounds by name with their digests, and the `fingerprint` that it was made under."""

    file: Path
    rounds: Mapping[str, str]
    mark: str


def _former(published: Published, now: Mapping[str, str], mark: str) -> tuple[dict[str, Path], Mapping[str, str]]:
    """Draws before the last round and their rounds, where the results that lie there still hold them."""
    facts = published.facts
    if not now or facts.get("fingerprint") != mark or not _begins(facts.get("rounds", {}), now):
        return {}, {}
    same = len(facts["rounds"]) == len(now)
    file = published.file(FORMER if same else POSTERIOR)
    return ({}, {}) if file is None else ({FORMER: file}, facts["former_rounds" if same else "rounds"])


def _begins(some: Mapping[str, str], every: Mapping[str, str]) -> bool:
    """Whether rounds are the first of all rounds, unchanged."""
    return list(every.items())[: len(some)] == list(some.items())


def _last_fit(published: Published, now: Mapping[str, str], mark: str) -> _Fit | None:
    """The last fit, if it is one of these priors and settings and of the first of these rounds."""
    facts = published.facts
    if facts.get("fit_mark") != mark or not _begins(facts.get("fit_rounds", {}), now):
        return None
    return _fit_in(published)


def _fit_of_other_priors(published: Published, now: Mapping[str, str], mark: Mark) -> _Fit | None:
    """The last fit, if it differs in its priors alone."""
    facts = published.facts
    same = facts.get("without_priors") == mark.without_priors and facts.get("fit_mark") != mark.whole
    return _fit_in(published) if same and facts.get("fit_rounds") == dict(now) else None


def _fit_in(published: Published) -> _Fit | None:
    file = published.file(REFIT if REFIT in published.entry.get("outputs", {}) else POSTERIOR)
    return None if file is None else _Fit(file, published.facts["fit_rounds"], published.facts["fit_mark"])


def _why_fit(
    study: Study, records: Records | None, published: Published, found: _Fit | None, mark: str, *, fresh: bool
) -> list[str]:
    """Reasons to fit without weighing anything."""
    if records is None or not study.rounds:
        return [] if found is not None else ["there is nothing to weigh"]
    if fresh:
        return ["asked for"]
    if found is None:
        earlier = published.facts.get("fit_mark")
        changed = "priors, measures in play, settings, first tables or the program changed since the last fit"
        return ["there is no earlier fit" if earlier is None or earlier == mark else changed]
    since = [intake for intake in records.intakes if intake.name not in found.rounds]
    if raters_of(records.readings) and "rater_sd" not in calibration_of(found.file).posterior:
        return ["raters are named for the first time"]
    return [f"round {intake.name} corrects what was recorded: {text}" for intake in since for text in intake.corrected]


def _weighted(
    study: Study,
    priors: PriorSet,
    records: Records | None,
    found: _Fit,
    read: Callable[[Sequence[Round]], Records | None],
    crew: Crew | None,
) -> tuple[Calibration, tuple[Check, ...]]:
    """The last fit weighted, and what must hold of the weights; as it is where no round came since."""
    from .calibrate import Gate, Sampling
    from .lifesettings import LifeSettings
    from .reweigh import reweighed, weigh_records

    fit = calibration_of(found.file)
    if len(found.rounds) == len(study.rounds):
        return fit, ()
    before = read([each for each in study.rounds if each.name in found.rounds])
    if before is None or records is None or fit.gate is None:
        raise StoreError(f"{found.file.name} holds no fit of records. Run the study again with --fresh.")
    life = LifeSettings(**study.life)
    weighing = weigh_records(fit.tree, before, records, priors, settings=life, seed=study.seed, crew=crew)
    checks = weighing.checks(_smallest(fit.gate, fit.posterior), Sampling(**study.sampling).gate_ess)
    gate = Gate((*fit.gate.checks, *checks))
    return reweighed(fit.tree, weighing, gate, seed=study.seed), checks


def _by_priors(
    study: Study, priors: PriorSet, records: Records, found: _Fit, progress: Progress, crew: Crew | None
) -> Calibration | list[str]:
    """The last fit weighted by the priors as they are now, or why it cannot be."""
    import xarray as xr

    from .calibrate import Gate, Sampling, prior_draws
    from .lifesettings import LifeSettings
    from .reweigh import reweighed, weigh_priors

    progress(0, 1, "weighing the last fit by the priors as they are now")
    fit, life, sampling = calibration_of(found.file), LifeSettings(**study.life), Sampling(**study.sampling)
    if fit.gate is None:
        return ["there is no earlier fit"]
    weighing = weigh_priors(fit.tree, records, priors, settings=life, crew=crew)
    if weighing is None:
        return ["the priors have other variables than those of the last fit"]
    checks = weighing.checks(_smallest(fit.gate, fit.posterior), sampling.gate_ess)
    if not all(check.passed for check in checks):
        return ["the priors changed since the last fit", *_failed(checks)]
    made = reweighed(fit.tree, weighing, Gate((*fit.gate.checks, *checks)), seed=study.seed)
    own = prior_draws(priors, early_age=life.early_age, sampling=sampling, records=records)
    made.tree["prior"] = xr.DataTree(own.posterior)
    return made


def _failed(checks: Sequence[Check]) -> list[str]:
    return [f"{check.name} {check.value:.3g}, limit {check.limit:g}" for check in checks if not check.passed]


def _smallest(gate: Gate, posterior: xr.Dataset) -> float:
    """Smallest effective sample size that the gate of the fit found."""
    found = [check.value for check in gate.checks if ESS_WORDS in check.name]
    return min(found, default=float(posterior.sizes["chain"] * posterior.sizes["draw"]))


def _fit(
    study: Study,
    priors: PriorSet,
    records: Records | None,
    progress: Progress,
    start: xr.Dataset | None,
    crew: Crew | None,
) -> Calibration:
    from .calibrate import Sampling, calibrate
    from .lifesettings import LifeSettings

    warm: dict[str, Any] = {} if start is None else {"start": start}
    return calibrate(
        records,
        priors,
        settings=LifeSettings(**study.life),
        sampling=Sampling(**study.sampling),
        progress=progress,
        crew=crew,
        **warm,
    )


def _checks(gate: Gate | None) -> list[dict[str, Any]] | None:
    return None if gate is None else [asdict(check) for check in gate.checks]
