"""The commands `watch` and `planned`: single sections, built and not yet built. Loads nothing heavy before it runs."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import click

from .errors import Faults, InputError, printable

__all__ = ["PlannedError", "planned", "watch"]

STUDY = click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
OUT = click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")


class PlannedError(InputError):
    """Faults of the options of `planned`."""


@contextlib.contextmanager
def _told(words: str) -> Iterator[Callable[[int, int, str], None]]:
    """Tell the person at the terminal how far it is, as the command line shows progress."""
    from .pipeline import Quiet

    shown_by, started = click.get_current_context().obj, time.monotonic()
    watcher = shown_by(moving=sys.stderr.isatty()) if shown_by is not None else Quiet()
    watcher.begin(words)
    yield watcher.advance
    watcher.end(words, time.monotonic() - started)


@click.command()
@STUDY
@OUT
@click.option("--until", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="Of the next survey, as 2027-06-30.")
@click.option("--years", type=click.FloatRange(0.0, 50.0, min_open=True), help="To it after the records close [1].")
@click.option("--top", type=click.IntRange(1, 1000), default=15, help="Rows to print [15].")
@click.option("--csv", is_flag=True, help="Print the whole table as CSV instead.")
def watch(study: Path, out: Path | None, until: datetime | None, years: float | None, top: int, csv: bool) -> None:
    """Which sections of STUDY to look at first.

    For every section on record, from a finished run: its chance of reaching the threshold by the next survey, its
    remaining life, whether it is susceptible to an early mechanism and which one is likely, and whether its records
    look like a mistake. The whole list goes to tables/watch.csv.

    \b
    riskmodel watch STUDY --until 2027-06-30
    """
    if until is not None and years is not None:
        raise click.UsageError("The next survey has a date or comes after some years: drop --until or --years.")
    from .store import table_text
    from .study import read_study
    from .watchdesk import answer_watch
    from .watchwords import watch_lines

    asked = read_study(study)
    with _told("Weighing every section's records") as progress:
        day = None if until is None else until.date()
        answer = answer_watch(asked, day=day, years=years, out=out, progress=progress)
    if csv:
        click.echo("\n".join(printable(line, 10_000) for line in table_text(answer.table).splitlines()))
        return
    lines = watch_lines(answer.table, survey=answer.survey, threshold=answer.threshold, basis=answer.basis, top=top)
    click.echo("\n".join(printable(line, 10_000) for line in [*lines, "", f"Table: {answer.file}"]))


@click.command()
@STUDY
@click.argument("table", type=click.Path(path_type=Path), metavar="PLANNED")
@OUT
@click.option("--csv", metavar="FILE", help="Write everything found to a .csv file too.")
def planned(study: Path, table: Path, out: Path | None, csv: str | None) -> None:
    """How likely planned overlays are to fail early, and why.

    PLANNED is a table with the columns of a sections table without outcomes. For every row, from the finished run of
    STUDY: the chance of failing early, what drives it against the average section, the measures that would help most,
    and bonded against unbonded where the base allows both.

    \b
    riskmodel planned STUDY next_year.csv --csv chances.csv
    """
    from .ask import targets
    from .planned import planned_table
    from .store import write_table
    from .study import read_study
    from .watchdesk import answer_planned
    from .watchwords import planned_lines

    faults = Faults()
    files = targets({"--csv": csv}, faults)
    faults.raise_any(PlannedError)
    asked = read_study(study)
    with _told("Weighing planned sections") as progress:
        answer = answer_planned(asked, table, out=out, progress=progress)
    lines = planned_lines(answer.sections, early_age=answer.early_age, basis=answer.basis)
    if "--csv" in files:
        write_table(planned_table(answer.sections).assign(basis=answer.basis), files["--csv"])
        lines += ["", f"Table: {files['--csv']}"]
    click.echo("\n".join(printable(line, 10_000) for line in lines))
