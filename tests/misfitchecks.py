"""Which checks of the model notice a misfit: the checks applied to the kept data sets of `wholeruns`. Resumable.

    python tests/misfitchecks.py [--folder .statistics/whole]

Each kept data set (`wholeruns.py --keep`) gets a `checks.json` beside its draws; the table goes to
`studies/calibration_of_the_whole/noticed.csv`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
from misfits import MISFITS
from wholeruns import FOLDER
from wholetables import HERE

from riskmodel.criticism import fit_table
from riskmodel.desk import Desk
from riskmodel.groupfit import fit_by_group
from riskmodel.leaveout import leave_out, leave_projects_out
from riskmodel.model import LifeSettings
from riskmodel.predicted import predicted_table
from riskmodel.readingscores import reading_scores
from riskmodel.replicas import SAMPLES, draw_replicas
from riskmodel.simulate import simulate
from riskmodel.store import load_tree
from riskmodel.study import read_study
from riskmodel.trustchecks import (
    group_verdicts,
    left_out_verdicts,
    predicted_verdicts,
    score_verdicts,
    threshold_verdicts,
)
from riskmodel.verdicts import FAILED, Verdict

SEED = 1


def verdicts_of(folder: Path) -> Iterator[Verdict]:
    """Checks of one kept data set that set the model against its records."""
    desk = Desk(read_study(folder), folder, progress=lambda *_: None)
    tree = load_tree(folder / "posterior.nc")
    posterior, records = tree["posterior"].to_dataset(), desk.records
    assert records is not None
    replicas = draw_replicas(posterior, records, desk.priors, seed=SEED)
    lives = simulate(posterior, desk.programme, desk.priors, portfolios=(), ages=(), seed=SEED, samples=SAMPLES)
    predicted = predicted_table(tree["prior"].to_dataset(), records, desk.priors, replicas, seed=SEED)
    yield from predicted_verdicts(predicted, pd.DataFrame(columns=["quantity", "portfolio"]), 10.0)
    by_group = fit_by_group(posterior, records, desk.priors, replicas, seed=SEED)
    yield from group_verdicts(by_group)
    yield from threshold_verdicts(fit_table(posterior, lives, records, replicas), by_group)
    likelihood, sections = tree["log_likelihood"].to_dataset()["records"], records.sections
    left_out = leave_out(likelihood)
    yield from left_out_verdicts(left_out, leave_projects_out(likelihood, sections["project"].values.astype(str)))
    scores = reading_scores(posterior, left_out, records, desk.priors, settings=LifeSettings(), seed=SEED)
    names = {name: sections[name].values.astype(str) for name in ("section", "district", "contractor")}
    yield from score_verdicts(scores, pd.DataFrame(names))


def checked(folder: Path) -> dict[str, str]:
    """Verdict of every check of a kept data set, from its file where it was made before."""
    done = folder / "checks.json"
    if not done.exists():
        found = {v.check: v.verdict for v in verdicts_of(folder)}
        done.write_text(json.dumps(found))
        print(folder, [check for check, verdict in found.items() if verdict == FAILED], flush=True)
    return dict(json.loads(done.read_text()))


def noticed_table(folder: Path) -> pd.DataFrame:
    """Of the kept data sets of each kind: how many failed each check."""
    rows = []
    for kind in MISFITS:
        kept = [place.parent for place in sorted((folder / kind).glob("[0-9]*/posterior.nc"))]
        kept = [place for place in kept if place.with_suffix(".json").exists()]
        failed = pd.DataFrame([checked(place) for place in kept]) == FAILED
        rows.append({"misfit": kind, "data_sets": len(kept), **failed.sum().to_dict()})
    return pd.DataFrame(rows).fillna(0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=FOLDER)
    noticed_table(parser.parse_args().folder).to_csv(HERE / "noticed.csv", index=False, lineterminator="\n")
