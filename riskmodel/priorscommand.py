"""The command `priors export`: what a study learnt, as prior files for other sections."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["priors_group"]


@click.group("priors")
def priors_group() -> None:
    """Prior files made of what a study learnt."""


@priors_group.command("export")
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.option("--out", "target", type=click.Path(path_type=Path), metavar="DIR", required=True,
              help="New folder for the prior files.")  # fmt: skip
@click.option("--results", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the study's results.")
def export(study: Path, target: Path, results: Path | None) -> None:
    """Write the posterior of STUDY as prior files for OTHER sections than those of its records.

    Name the folder in the other study: [priors] directory = "DIR". A study whose records share a section with
    this one refuses them: later readings of a section share one life with the earlier ones, which would count
    twice. For those, `riskmodel update` takes new records in.
    """
    from .carrydesk import export_priors
    from .study import read_study

    for file in export_priors(read_study(study), target, results):
        click.echo(str(file))
    click.echo(
        "Each quantity carries its own distribution; correlations.csv says how they go together, and a study that\n"
        "names the folder takes them so. A quantity that it states anew under [priors.override] is taken alone."
    )
