"""Laws of ages and normal tails in JAX, double precision; `agelaws` is the definition."""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from .hazard import LN2, LOG_SD, WEIBULL
from .kernelages import LARGEST, SMALLEST

__all__ = ["Array", "cumulative_hazard", "log_normal_cdf"]

# the log density needs double precision, which JAX gives to a process as a whole
jax.config.update("jax_enable_x64", True)

Array = Any
ROOT_2, LOG_ROOT_2_PI = float(np.sqrt(2.0)), 0.5 * float(np.log(2.0 * np.pi))
# of (1 + 2 x) erfcx(x) as a polynomial in (x - 3.75) / (x + 3.75): see `vectormath.erfcx`
ERFCX = (
    1.7312209083118933e-08, 8.512559451761331e-09, -2.1321360409864602e-07, -2.7685663849700945e-08,
    1.6939254478276176e-06, -1.0084713725546233e-06, -1.1397625287921655e-05, 2.241015775977701e-05,
    5.162479200942778e-05, -0.00029016639136143893, 0.0002937218341919264, 0.0017556295487634313,
    -0.009746581262494456, 0.02836227674782648, -0.05869339838397541, 0.09230432122771155, -0.10880393015433062,
    0.08227673848704045, 0.0035854154857627857, -0.14024059858550575, 1.2375126308378264,
)  # fmt: skip


def cumulative_hazard(exponent: Array, law: str) -> Array:
    """Cumulative hazard of an age, dimensionless, any shape; arguments as in `agelaws.cumulative_hazard`."""
    held = jnp.clip(exponent, SMALLEST, LARGEST)
    return LN2 * jnp.exp(held) if law == WEIBULL else -log_normal_cdf(-held / LOG_SD)


@jax.custom_jvp
def log_normal_cdf(x: Array) -> Array:
    """ln Phi(x), accurate in both tails."""
    tail = 0.5 * _erfcx(jnp.abs(x) / ROOT_2)
    square = 0.5 * x**2
    return jnp.where(x < 0.0, jnp.log(tail) - square, jnp.log1p(-jnp.where(x < 0.0, 0.0, tail * jnp.exp(-square))))


@log_normal_cdf.defjvp
def _log_normal_cdf_jvp(primals: tuple[Array], tangents: tuple[Array]) -> tuple[Array, Array]:
    (x,), (step,) = primals, tangents
    return log_normal_cdf(x), inverse_mills(x) * step


@jax.custom_jvp
def inverse_mills(x: Array) -> Array:
    """phi(x) / Phi(x)."""
    tail, density = 0.5 * _erfcx(jnp.abs(x) / ROOT_2), jnp.exp(-0.5 * x**2)
    return float(np.exp(-LOG_ROOT_2_PI)) * jnp.where(x < 0.0, 1.0 / tail, density / (1.0 - tail * density))


@inverse_mills.defjvp
def _inverse_mills_jvp(primals: tuple[Array], tangents: tuple[Array]) -> tuple[Array, Array]:
    (x,), (step,) = primals, tangents
    mills = inverse_mills(x)
    return mills, -mills * (mills + x) * step


def _erfcx(x: Array) -> Array:
    """exp(x^2) erfc(x) for x >= 0."""
    y = (x - 3.75) / (x + 3.75)
    p = ERFCX[0]
    for factor in ERFCX[1:]:
        p = p * y + factor
    return p / (1.0 + 2.0 * x)
