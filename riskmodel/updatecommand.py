"""The commands that take in new records and carry priors on. Load nothing heavy before they run."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .crews import WHERE, crew_at
from .errors import Faults, InputError, printable

if TYPE_CHECKING:
    from .records import Intake, Records, Round
    from .study import Study

__all__ = ["UpdateError", "take_in", "update"]

FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


class UpdateError(InputError):
    """Faults of what `update` was given."""


@click.command()
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.option("--surveys", type=FILE, metavar="NEW.csv", help="New rows of the surveys table.")
@click.option("--sections", type=FILE, metavar="NEW.csv", help="New sections, and what became of known ones.")
@click.option("--until", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE",
              help="Day on which the records close now [the latest date in them].")  # fmt: skip
@click.option("--correct", is_flag=True, help="Let the new rows replace what they contradict, and fit anew.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")
@WHERE
def update(
    study: Path,
    surveys: Path | None,
    sections: Path | None,
    until: datetime | None,
    correct: bool,
    out: Path | None,
    scheduler: str,
    device: str,
) -> None:
    """Take a round of new condition data into STUDY and bring its results up to date.

    The new rows are checked as the first ones were; rows that are known are recognised. They are kept as a dated
    folder under `rounds` beside study.toml: taking it away undoes the round. Where the draws of the last fit can
    be weighted by the new records they are; otherwise all records are fitted anew.

    \b
    riskmodel update my_roads --surveys surveys_2026.csv
    """
    from .changedesk import CHANGES
    from .pipeline import Quiet, run_study
    from .study import read_study

    asked = read_study(study)
    end = None if until is None else until.date()
    with crew_at(scheduler, device) as crew:
        intake, closing, name = take_in(asked, sections, surveys, until=end, correct=correct)
        click.echo("\n".join(_intake_lines(intake, closing, name)))
        if not name:
            return
        # the command line hands over how it shows progress
        shown_by = click.get_current_context().obj
        watcher = shown_by(moving=sys.stderr.isatty()) if shown_by is not None else Quiet()
        typed = f"riskmodel update {asked.folder.resolve().name}"
        outcome = run_study(read_study(study), out=out, command=typed, watcher=watcher, crew=crew)
    text = (outcome.folder / CHANGES).read_text(encoding="utf-8")
    click.echo("\n" + "\n".join(printable(line, 10_000) for line in text.rstrip("\n").split("\n")))


def take_in(
    study: Study, sections: Path | None, surveys: Path | None, *, until: date | None = None, correct: bool = False
) -> tuple[Intake, date, str]:
    """Check a delivery and keep it as a round.

    Parameters
    ----------
    study : Study
    sections, surveys : Path or None
    until : date, optional
        Day on which the records close with it; the latest date in all tables by default.
    correct : bool
        Whether its cells replace those that they contradict.

    Returns
    -------
    intake : Intake
        What it brought.
    closing : date
        Day on which the records close.
    name : str
        Of the round; "" where it brought nothing new, so that nothing was written.

    Raises
    ------
    InputError
        With every fault of the delivery; nothing is written then.
    """
    from .records import Round
    from .rounds import keep_round, taking_in

    _validate(study, sections, surveys)
    given = {"sections": sections, "surveys": surveys}
    shown = {kind: file.name for kind, file in given.items() if file is not None}
    with taking_in(study.folder):
        offered = Round("new", until or date.max, sections, surveys, correct, shown)
        records = _read(study, offered, until)
        intake = records.intakes[-1]
        closing = _closing(study, records, until)
        if not intake.news and (until is None or until <= (study.closing or until)):
            return intake, closing, ""
        kept = keep_round(study.folder, replace(offered, until=closing))
        return intake, closing, kept.name


def _validate(study: Study, sections: Path | None, surveys: Path | None) -> None:
    faults = Faults()
    if sections is None and surveys is None:
        faults.add("new rows come in a file", remedy="Name it with --surveys or --sections")
    if study.sections is None:
        rule = "a round joins records, and the study has no table of sections"
        faults.add(rule, file=study.file.name, column="records.sections", remedy="Name the first tables there")
    faults.raise_any(UpdateError)


def _read(study: Study, offered: Round, until: date | None) -> Records:
    """The records with the delivery; its dates may lie later than all before."""
    from .desk import Desk

    rounds = (*study.rounds, replace(offered, until=until or date.today()))
    desk = Desk(replace(study, rounds=rounds), Path(), progress=lambda done, total, text: None)
    assert desk.tables is not None
    return desk.tables


def _closing(study: Study, records: Records, until: date | None) -> date:
    """The day stated; otherwise the later of where the records closed and the latest date in them."""
    known = [day for day in (study.closing, until or records.latest) if day is not None]
    return max(known, default=date.today())


def _intake_lines(intake: Intake, closing: date, name: str) -> list[str]:
    lines = []
    for kind in ("sections", "surveys"):
        new, told, known = (getattr(intake, f"{kind}_{part}") for part in ("new", "told", "known"))
        if new or told or known:
            lines.append(f"{kind.capitalize()}: {new} new, {told} of which more is known, {known} already there")
    lines += [f"Corrected: {printable(text, 200)}" for text in intake.corrected]
    if not name:
        return [*lines, "Nothing new; nothing was written."]
    return [
        *lines,
        f"Taken in as round {name}. The records close on {closing}: a section without a later word counts as in",
        f"service until then. To undo it, take the folder rounds/{name} away and run the study again.",
    ]
