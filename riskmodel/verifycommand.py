"""The command `verify`: whether results are whole and up to date. Loads nothing heavy before it runs."""

from __future__ import annotations

from pathlib import Path

import click

from .errors import printable

__all__ = ["NOT_WHOLE", "verify"]

NOT_WHOLE = 3
"""Exit status where something is stale, damaged, missing or unfinished."""


@click.command()
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")
def verify(study: Path, out: Path | None) -> int:
    """Are the results of STUDY whole, and do they rest on its files as they are now?

    Works out the digest of every file of the results and of every delivered round, and compares it with the one noted
    when the file was written. Writes nothing. Ends with status 0 if all is whole and up to date, with 3 if something
    is stale, damaged, missing or unfinished; files of which no digest is kept are listed and do not count.
    """
    from .study import read_study
    from .verification import FAULTY, verify_study

    found = verify_study(read_study(study), out)
    told = [one for one in found if one.words]
    lines = [f"{one.state}: {one.name} ({one.words})" for one in told]
    whole = f"{len(found) - len(told)} files are those that were written"
    faulty = sum(one.state in FAULTY for one in found)
    lines.append(f"{whole}; {'all is whole and up to date' if not faulty else f'{faulty} findings to mend'}.")
    click.echo("\n".join(printable(line, 10_000) for line in lines))
    return NOT_WHOLE if faulty else 0
