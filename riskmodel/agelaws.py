"""Laws of an age at failure in the sampler's graph, symbolic (PyTensor)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytensor.tensor as pt

from .hazard import LN2, LOG_SD, WEIBULL

__all__ = ["cumulative_hazard", "log_normal_cdf"]

Tensor = Any
LARGEST = 30.0  # exponents of a hazard beyond it change nothing: nobody survives


def cumulative_hazard(exponent: Tensor, law: str) -> Tensor:
    """Cumulative hazard of an age, dimensionless.

    Parameters
    ----------
    exponent : tensor
        shape x (ln age - ln median) of a Weibull age.
    law : {"weibull", "lognormal"}
        A lognormal age has the median of the Weibull one and the sd of its ln, pi / (sqrt(6) shape).
    """
    exponent = pt.minimum(exponent, LARGEST)
    return LN2 * pt.exp(exponent) if law == WEIBULL else -log_normal_cdf(-exponent / LOG_SD)


def log_normal_cdf(x: Tensor) -> Tensor:
    """ln Phi(x), accurate in both tails, with finite gradients."""
    root2 = float(np.sqrt(2.0))
    low = pt.log(pt.erfcx(-pt.minimum(x, 0.0) / root2)) - 0.5 * pt.minimum(x, 0.0) ** 2
    high = pt.log(pt.erfc(-pt.maximum(x, 0.0) / root2))
    return pt.switch(x < 0, low, high) - float(np.log(2.0))
