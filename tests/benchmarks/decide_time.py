"""How long costs take on the demo's 416 roads, 16 portfolios and 2,000 draws of the priors. Run by hand."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from riskmodel.decide import decide
from riskmodel.desk import Desk
from riskmodel.policy import FOLLOW_UPS
from riskmodel.priordraws import prior_draws
from riskmodel.study import read_study

DEMO = Path(__file__).resolve().parents[2] / "studies" / "skelderay"


def main(follow_up: str) -> None:
    study = read_study(DEMO)
    desk = Desk(study, Path(), progress=lambda done, total, text: None)
    desk.read_inputs()
    policy = study.policy
    assert policy is not None
    settled = type(policy)(**{**vars(policy), "follow_up": follow_up})
    posterior = prior_draws(desk.priors, draws=2000)
    wall, cpu = time.perf_counter(), time.process_time()
    found = decide(posterior, desk.programme, desk.priors, policy=settled, portfolios=desk.portfolios, seed=study.seed)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"{follow_up}: {len(found.names)} portfolios, {wall:.1f} s, {cpu:.1f} s of processor")


if __name__ == "__main__":
    for name in sys.argv[1:] or FOLLOW_UPS:
        main(name)
