"""Quality scores: what the recorded indicators say of existing pavement, design and workmanship.

A score is standard normal over the agency's current practice, larger is better. An indicator is
`loading * score + noise` after a transformation and standardisation with constants of the prior
file, noise variance `1 - loading^2`. The score given its indicators is then normal in closed form.
An indicator of mechanics that `replaces` others speaks for them where it has a value: they would say
the same thing twice.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from .mechanics import indicator_values
from .priors import SCORED_ROOTS, PriorSet

__all__ = ["SCORED_ROOTS", "scores"]


def scores(sections: xr.Dataset, priors: PriorSet, *, shift: Mapping[str, float] | None = None) -> xr.Dataset:
    """Mean and variance of every section's quality scores given its recorded indicators.

    Parameters
    ----------
    sections : Dataset of kind `sections`
    priors : PriorSet
    shift : mapping of root to float, optional
        Shift of the prior mean of a score in a future programme, in standard deviations.

    Returns
    -------
    Dataset (section, root)
        `score_mean` and `score_variance`; (0, 1) where nothing is recorded.

    Notes
    -----
    With indicators x_j of loading l_j the precision is 1 + sum l_j^2 / (1 - l_j^2) and the mean is
    (prior mean + sum l_j x_j / (1 - l_j^2)) / precision: the conjugate normal result.
    """
    shift = shift or {}
    count = sections.sizes["section"]
    precision = np.ones((count, len(SCORED_ROOTS)))
    weighted = np.tile([float(shift.get(root, 0.0)) for root in SCORED_ROOTS], (count, 1))
    standard = {i.name: i.standardise(indicator_values(i, sections)) for i in priors.indicators}
    known = {name: np.isfinite(x) for name, x in standard.items()}
    for indicator in priors.indicators:
        counts = known[indicator.name].copy()
        for other in priors.indicators:
            if indicator.name in other.replaces:
                counts &= ~known[other.name]
        r = SCORED_ROOTS.index(indicator.score)
        noise = 1.0 - indicator.loading**2
        precision[:, r] += counts * indicator.loading**2 / noise
        weighted[:, r] += np.where(counts, standard[indicator.name], 0.0) * indicator.loading / noise
    dims = ("section", "root")
    return xr.Dataset(
        {
            "score_mean": (dims, weighted / precision, {"units": "1"}),
            "score_variance": (dims, 1.0 / precision, {"units": "1"}),
        },
        coords={"section": sections["section"].values, "root": list(SCORED_ROOTS)},
    )
