"""The command `brief`: the page of a finished run made anew, and printed. Loads nothing heavy before it runs."""

from __future__ import annotations

from pathlib import Path

import click

from .errors import printable

__all__ = ["brief"]

PDF = "brief.pdf"


@click.command()
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")
@click.option("--pdf", is_flag=True, help="Print it to brief.pdf too; needs Chromium, Chrome or Edge.")
@click.option(
    "--browser", type=click.Path(path_type=Path, exists=True, dir_okay=False), help="The browser that prints."
)
def brief(study: Path, out: Path | None, pdf: bool, browser: Path | None) -> None:
    """Write the page of STUDY's finished results anew: one file, opened by a double click.

    A run ends with this page. Write it again after `trial-sections`, whose answer it then shows.
    """
    from .briefdesk import PAGE
    from .pipeline import remake
    from .printing import print_page
    from .store import write_bytes
    from .study import read_study

    folder = remake(read_study(study), "brief", out)
    click.echo(printable(str(folder / PAGE), 10_000))
    if pdf:
        write_bytes(print_page(folder / PAGE, browser), folder / PDF)
        click.echo(printable(str(folder / PDF), 10_000))
