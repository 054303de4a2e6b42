"""Results in a notebook: facts in, escaped HTML out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from riskmodel import trialdesk
from riskmodel.calibrate import Calibration, Check, Gate
from riskmodel.notebook import facts, page_of

SCRIPT = "<script>alert(1)</script>"


def test_every_text_is_escaped() -> None:
    html = facts(SCRIPT, [(SCRIPT, SCRIPT, 3)]) + page_of(SCRIPT)
    assert "<script" not in html
    assert html.count("&lt;script&gt;") == 4
    assert "<td>3</td>" in html


def test_a_calibration_says_what_it_rests_on_and_whether_it_passed() -> None:
    drawn = xr.Dataset({"noise": (("chain", "draw"), np.zeros((2, 30)))})
    tree = xr.DataTree.from_dict({"posterior": drawn})
    gate = Gate((Check("R-hat", 1.5, 1.02, False, "noise", "draw more"),))
    html = Calibration(tree, gate)._repr_html_()
    for part in ("2 x 30", "priors and records", "R-hat", "1.5", "FAILED"):
        assert part in html
    assert "the priors alone" in Calibration(tree, None, prior_only=True)._repr_html_()


def test_records_and_exclusion_show_themselves(done_once) -> None:
    from pages import material_of

    html = material_of(done_once).exclusion._repr_html_()
    assert "restricted_mean_age" in html
    assert "gain" in html


def test_a_trial_answers_in_the_words_of_the_command(monkeypatch) -> None:
    monkeypatch.setattr(trialdesk, "trial_lines", lambda value, signs, *, unit, basis: [f"{unit} {SCRIPT}", basis])
    benefit = trialdesk.NetBenefit(xr.DataArray(0.0), "section-years", "years in good order")
    html = trialdesk.TrialAnswer(None, {}, benefit, Path("trials.csv"))._repr_html_()
    assert html == "<pre>section-years &lt;script&gt;alert(1)&lt;/script&gt;\nyears in good order</pre>"
