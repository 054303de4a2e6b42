"""The command line. Loads nothing heavy before a command runs."""

from __future__ import annotations

import os
import sys
import time
import warnings
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import click

from . import __version__
from .ask import cores, curing_water, sawing
from .askexclusion import exclusion
from .briefcommand import brief
from .crew import keep_products_whole
from .crews import WHERE, crew_at
from .elicitcommand import elicit
from .errors import RiskModelError, RiskModelWarning, printable
from .priorscommand import priors_group
from .trialcommand import trial_sections
from .trustcommand import trust
from .updatecommand import update
from .verifycommand import verify
from .watchcommand import planned, watch

__all__ = ["TerminalWatcher", "commands", "main"]

FAULT, INTERRUPTED = 2, 130
STUDY = click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
OUT = click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")


class TerminalWatcher:
    """Tells a person at a terminal how far a run is; in a pipe, one line a stage.

    Parameters
    ----------
    moving : bool
        Whether the line may be rewritten in place.
    """

    WIDTH = 79
    EVERY = 0.1  # seconds between two rewrites

    def __init__(self, *, moving: bool):
        self.moving = moving
        self.words = self.text = ""
        self.started = self.shown = self.done = 0.0

    def begin(self, words: str, hint: str = "") -> None:
        """A stage begins; `hint` says what to expect."""
        self.words, self.text, self.shown = words, "", 0.0
        if hint and self.moving:
            click.echo(hint, err=True)
        self._rewrite(f"{words} ...")

    def advance(self, done: int, total: int, text: str) -> None:
        """Part of a stage is done."""
        now, share = time.monotonic(), done / total if total else 0.0
        if text != self.text:  # compiling tells nothing of the pace of sampling
            self.text, self.started, self.done, self.shown = text, now, share, 0.0
        if now - self.shown < self.EVERY:
            return
        self.shown = now
        left = time_left(now - self.started, share - self.done, 1.0 - share)
        self._rewrite(f"{self.words}: {share:.0%}{f', {spoken(left)} left' if left else ''} ({text})")

    def end(self, words: str, seconds: float | None) -> None:
        """A stage ended."""
        self._rewrite("")
        click.echo(f"{words}: {'up to date' if seconds is None else spoken(seconds)}", err=True)

    def note(self, text: str) -> None:
        """The result stands, but read it with this in mind."""
        self._rewrite("")
        click.echo(f"Note: {safe(text)}", err=True)

    def _rewrite(self, line: str) -> None:
        if self.moving:
            click.echo("\r" + printable(line, self.WIDTH).ljust(self.WIDTH) + "\r", nl=False, err=True)


def time_left(elapsed: float, done: float, left: float) -> float:
    """Seconds left if the part `left` goes as fast as the part `done` did; 0 when that is not known."""
    return elapsed * left / done if done > 0 else 0.0


def spoken(seconds: float) -> str:
    """A duration in words, as exact as one cares to know it."""
    if seconds < 1:
        return "under a second"
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min"


def safe(text: str) -> str:
    """Text of users' files with everything that could move a terminal replaced; line ends stay."""
    return "\n".join(printable(line, 10_000) for line in text.split("\n"))


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="riskmodel")
def commands() -> None:
    """Why some concrete overlays fail early, and which requirement would stop it.

    STUDY is a folder with a study.toml, or that file. Begin with `riskmodel new DIR`.

    The tool informs a specification. It designs no pavement: local standards and a licensed engineer
    decide.
    """


@commands.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
def new(folder: Path) -> None:
    """Write a commented study with empty tables into the new folder DIR."""
    from .priors import load_priors
    from .scaffold import write_new_study

    for file in write_new_study(folder, load_priors()):
        click.echo(safe(str(folder / file.name)))
    click.echo(f"Fill the tables, then: riskmodel check {safe(str(folder))}")


@commands.command()
@STUDY
def check(study: Path) -> None:
    """Read everything of STUDY and say what is there; nothing is calculated or written."""
    from .preview import preview
    from .study import read_study

    click.echo(safe(preview(read_study(study))), nl=False)


@commands.command()
@STUDY
@OUT
@click.option("--fresh", is_flag=True, help="Run every stage, up to date or not.")
@click.option(
    "--thresholds",
    default="",
    metavar="50,70",
    help="Calibrate again at other thresholds of the condition index: does the first place change?",
)
@WHERE
def run(study: Path, out: Path | None, fresh: bool, thresholds: str, scheduler: str, device: str) -> None:
    """Calibrate STUDY, simulate its programme and write the results.

    Stages whose inputs have not changed are skipped. The first calibration on a machine compiles for
    about half a minute.
    """
    from .pipeline import run_study
    from .study import read_study
    from .thresholds import OPTION, parse_thresholds

    others = parse_thresholds(thresholds) if thresholds else ()
    asked = replace(read_study(study), thresholds=others)
    options = ["--out", out.name] if out else []
    options += [OPTION, ",".join(f"{at:g}" for at in others)] if others else []
    typed = " ".join(["riskmodel run", asked.folder.resolve().name, *options])
    watcher = TerminalWatcher(moving=sys.stderr.isatty())
    with crew_at(scheduler, device) as crew:
        outcome = run_study(asked, out=out, fresh=fresh, command=typed + " --fresh" * fresh, watcher=watcher, crew=crew)
    click.echo(f"Results: {safe(str(outcome.folder))}. Open brief.html there, or: riskmodel show {safe(str(study))}")


@commands.command()
@STUDY
@OUT
def show(study: Path, out: Path | None) -> None:
    """Print the report and the main table of STUDY again."""
    from .pipeline import show_results
    from .study import read_study

    click.echo(safe(show_results(read_study(study), out)), nl=False)


for command in (
    brief, sawing, cores, curing_water, exclusion, trial_sections, update, priors_group, watch, planned, elicit, trust,
    verify,
):  # fmt: skip
    commands.add_command(command)


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line and end the process: 0 done, 2 at fault, 3 not whole, 130 stopped by the user."""
    keep_products_whole()
    warnings.simplefilter("ignore")
    warnings.simplefilter("always", RiskModelWarning)
    warnings.showwarning = _show_warning
    try:
        status = commands.main(arguments, prog_name="riskmodel", standalone_mode=False, obj=TerminalWatcher) or 0
    except click.ClickException as error:
        error.show()
        status = FAULT
    except RiskModelError as error:
        click.echo(safe(f"riskmodel: {error}"), err=True)
        status = FAULT
    except (KeyboardInterrupt, click.Abort):
        # click has ended the moving line already
        click.echo("riskmodel: stopped. The earlier results are as they were.", err=True)
        status = INTERRUPTED
    except BrokenPipeError:  # the reader of our output went away
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 1
    except OSError as error:  # no permission, a disk that went away
        if error.errno is None:  # raised by a library in other words: a fault of ours
            raise
        name = Path(os.fsdecode(error.filename)).name if error.filename else "a file"
        click.echo(safe(f"riskmodel: {name} cannot be used ({error.strerror or type(error).__name__})."), err=True)
        status = FAULT
    sys.exit(int(status))


def _show_warning(message: Warning | str, *rest: object, **others: object) -> None:
    click.echo(f"Note: {safe(str(message))}", err=True)
