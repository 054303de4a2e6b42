"""The command `trust`: can the model be believed? Loads nothing heavy before it runs."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from .errors import printable

__all__ = ["trust"]


@click.command()
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")
@click.option("--variants", default="all", metavar="NAMES", help="all, none, or names with commas between them [all].")
@click.option("--thresholds", default="", metavar="50,70", help="Compare other thresholds of the index, too.")
@click.option("--top", type=click.IntRange(0, 1000), default=10, help="Sections to name [10].")
@click.option("--csv", is_flag=True, help="Print the table of checks as CSV instead.")
def trust(study: Path, out: Path | None, variants: str, thresholds: str, top: int, csv: bool) -> None:
    """Check whether the model of STUDY can be believed.

    Prints the checks of a finished run, each with what was found and what to do, and the sections that the model
    explains worst. Then fits other models of the same records, one change each, and compares how well they predict.
    Each of them is a calibration and takes as long as that of the run; what was fitted is kept under trust/ in the
    results, and is not fitted again as long as the study stands. `--variants none` prints the checks alone.

    \b
    riskmodel trust STUDY --variants no_selection,one_path_exponent
    """
    from .pipeline import Quiet
    from .store import table_text
    from .study import read_study
    from .thresholds import parse_thresholds
    from .trustwords import trust_lines
    from .variantdesk import answer_trust

    wanted = None if variants == "all" else [] if variants == "none" else [v.strip() for v in variants.split(",")]
    shown_by = click.get_current_context().obj
    watcher = shown_by(moving=sys.stderr.isatty()) if shown_by is not None else Quiet()
    answer = answer_trust(
        read_study(study), wanted=wanted, thresholds=parse_thresholds(thresholds) if thresholds else (), out=out,
        watcher=watcher,
    )  # fmt: skip
    if csv:
        lines = table_text(answer.checks).splitlines()
    else:
        lines = trust_lines(answer.checks, answer.sections, answer.variants, basis=answer.basis, top=top)
        lines += ["", *(f"Table: {file}" for file in answer.files)]
        lines += [f"`riskmodel brief {study}` puts the comparison on the page."] if len(answer.variants) else []
    click.echo("\n".join(printable(line, 10_000) for line in lines))
