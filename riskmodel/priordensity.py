"""Log prior density of draws, by group of parameters: what power-scaling of the priors weights them by.

Terms of single contracts, contractors and districts are part of the model between them and are left as they
are; the priors of their spreads are among the groups.
"""

from __future__ import annotations

import numpy as np

from .lives import Draws
from .places import COMMON, EFFECT, OFFSET, OWN_MEDIAN
from .priors import PriorSet
from .stated import joint_log_ratio, selection_draws, stated_draws

__all__ = ["prior_densities"]

OTHERS = "contracts, contractors and years"
GROUPS = {
    "early_failure": "share failing early",
    EFFECT: "effects of measures",
    "time_ratio": "effects of measures",
    "compliance": "compliance",
    "age_median": "ages of early failure",
    "age_shape": "ages of early failure",
    "wear_out_shape": "shape of wear-out",
    OWN_MEDIAN: "ages of wear-out",
    COMMON: "ages of wear-out",
    **dict.fromkeys(("start_index", "start_spread", "noise", "kappa", "kappa_early_log_ratio"), "condition path"),
    "removal_lag": "removal lag",
    "label_error": "recorded causes",
    "odds_multiplier": "overlay types",
    OFFSET: "shares of causes",
    "score_effect": "quality scores",
    "driver_coefficient": "traffic and other drivers",
}
"""Variable to the group whose priors are weighted together; `OTHERS` for all that is not here (see `places`)."""


def prior_densities(draws: Draws, priors: PriorSet, *, mix: np.ndarray, early_age: float) -> dict[str, np.ndarray]:
    """Log prior density of each draw by group of parameters.

    Parameters
    ----------
    draws : Draws
    priors : PriorSet
    mix : ndarray (type,)
        Sections of each overlay type, to which the effects' stated ratios refer.
    early_age : float
        Years.

    Returns
    -------
    dict of str to ndarray (sample,)
        Densities of the parameters as they are stated, per their own units; of priors taken jointly each group has
        their joint density. Groups that are fixed, or that the draws do not hold, are left out.
    """
    stated = [one for one in stated_draws(draws, priors, early_age, mix) if one[1].family != "fixed"]
    groups = [GROUPS.get(place.variable, OTHERS) for place, _, _ in stated]
    out = {}
    for name in dict.fromkeys(groups):
        part = [one for one, group in zip(stated, groups, strict=True) if group == name]
        out[name] = np.sum([d.logpdf(x) for _, d, x in part], axis=0) + joint_log_ratio(part, priors)
    if selection := selection_draws(draws, priors):
        out["selection of roads"] = np.sum([d.logpdf(x) for d, x in selection], axis=0)
    return {name: total for name, total in out.items() if np.isfinite(total).all() and np.ptp(total) > 0}
