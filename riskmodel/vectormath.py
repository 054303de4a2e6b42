"""Elementary functions without branches, so that the compiler turns loops over cells into vector code.

numba has no vector versions of `exp`, `log` and `erfc` that can be installed; called one by one they
would cost four times the rest of the likelihood. Relative accuracy 1e-14 or better.
"""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from typing import Any

from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic

__all__ = ["cells", "digest_of", "erfcx", "exact", "exp", "expm1", "larger", "log", "normal_quantile", "primitive"]

primitive: Any = intrinsic
# Sums over cells may be taken in any order; not a number stays not a number. All is put in line: a function kept apart
# would be looked up by its name when compiled code is loaded, and in the process that compiled it a differently
# optimised one of that name is found first, so that a first run would round otherwise than the next.
cells: Any = njit(fastmath={"reassoc", "contract", "nsz", "arcp"}, error_model="numpy", forceinline=True)
# The functions here depend on the order of their operations.
exact: Any = njit(fastmath={"contract"}, error_model="numpy", forceinline=True)

LOG2_E = 1.4426950408889634
LN2_HIGH, LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
ROUND = 6755399441055744.0  # 1.5 * 2^52: adding it leaves the nearest integer in the lowest bits
SUBNORMAL = 2.3e-308


def digest_of(*modules: str) -> str:
    """Digest of the sources of these modules, which compiled code is made of.

    A cache of compiled code looks at the file of one function, not at those of the functions it calls.
    """
    whole = hashlib.sha256()
    for name in modules:
        whole.update((Path(__file__).parent / f"{name}.py").read_bytes())
    return whole.hexdigest()


@primitive
def float_of(_context: Any, _bits: Any) -> Any:
    """The double with these 64 bits."""
    return types.float64(types.int64), lambda _, builder, __, args: builder.bitcast(args[0], ir.DoubleType())


@primitive
def bits_of(_context: Any, _value: Any) -> Any:
    """The 64 bits of a double."""
    return types.int64(types.float64), lambda _, builder, __, args: builder.bitcast(args[0], ir.IntType(64))


@primitive
def larger(_context: Any, _one: Any, _other: Any) -> Any:
    """The larger of two doubles, not a number where either is: of a row it is found by vector code."""
    number = ir.DoubleType()

    def call(_: Any, builder: Any, __: Any, args: Any) -> Any:
        function = builder.module.declare_intrinsic("llvm.maximum", [number], ir.FunctionType(number, [number] * 2))
        return builder.call(function, args)

    return types.float64(types.float64, types.float64), call


@exact
def exp(x: float) -> float:
    """e^x for x up to 709; 0 below -690: products with smaller numbers would be subnormal, and slow."""
    x = 709.0 if x > 709.0 else x
    shifted = (-690.0 if x < -690.0 else x) * LOG2_E + ROUND
    k = shifted - ROUND
    p = 1.0 + _expm1_near_zero((x - k * LN2_HIGH) - k * LN2_LOW)
    return 0.0 if x < -690.0 else p * float_of((bits_of(shifted) + 1023) << 52)


@exact
def expm1(x: float) -> float:
    """e^x - 1, accurate near 0, for x up to 709."""
    x = 709.0 if x > 709.0 else x
    x = -708.0 if x < -708.0 else x
    shifted = x * LOG2_E + ROUND
    k = shifted - ROUND
    power = float_of((bits_of(shifted) + 1023) << 52)
    return power * _expm1_near_zero((x - k * LN2_HIGH) - k * LN2_LOW) + (power - 1.0)


@exact
def _expm1_near_zero(r: float) -> float:
    """Taylor polynomial of e^r - 1 for |r| <= ln(2) / 2."""
    p = 1.0 / 6227020800.0
    p = p * r + 1.0 / 479001600.0
    p = p * r + 1.0 / 39916800.0
    p = p * r + 1.0 / 3628800.0
    p = p * r + 1.0 / 362880.0
    p = p * r + 1.0 / 40320.0
    p = p * r + 1.0 / 5040.0
    p = p * r + 1.0 / 720.0
    p = p * r + 1.0 / 120.0
    p = p * r + 1.0 / 24.0
    p = p * r + 1.0 / 6.0
    p = p * r + 0.5
    return (p * r) * r + r


@exact
def log(x: float) -> float:
    """ln x of a finite number; anything below 2.3e-308 counts as that."""
    x = SUBNORMAL if x < SUBNORMAL else x
    bits = bits_of(x)
    # split at sqrt(1/2), so that the significand lies in [0.707, 1.414)
    exponent = (bits - 0x3FE6A09E667F3BCD) >> 52
    m = float_of(bits - (exponent << 52))
    k = float_of(exponent + bits_of(ROUND)) - ROUND
    s = (m - 1.0) / (m + 1.0)
    z = s * s
    p = 2.0 / 21.0
    p = p * z + 2.0 / 19.0
    p = p * z + 2.0 / 17.0
    p = p * z + 2.0 / 15.0
    p = p * z + 2.0 / 13.0
    p = p * z + 2.0 / 11.0
    p = p * z + 2.0 / 9.0
    p = p * z + 2.0 / 7.0
    p = p * z + 2.0 / 5.0
    p = p * z + 2.0 / 3.0
    return k * LN2_HIGH + (k * LN2_LOW + (s * (p * z) + 2.0 * s)) + 0.0 * x


@exact
def erfcx(x: float) -> float:
    """Scaled complementary error function exp(x^2) erfc(x) for x >= 0.

    (1 + 2 x) erfcx(x) is a smooth function of y = (x - 3.75) / (x + 3.75) (the substitution of
    Shepherd and Laframboise, Math. Comp. 36, 1981; page not seen), interpolated at 21 Chebyshev points.
    """
    y = (x - 3.75) / (x + 3.75)
    p = 1.7312209083118933e-08
    p = p * y + 8.512559451761331e-09
    p = p * y - 2.1321360409864602e-07
    p = p * y - 2.7685663849700945e-08
    p = p * y + 1.6939254478276176e-06
    p = p * y - 1.0084713725546233e-06
    p = p * y - 1.1397625287921655e-05
    p = p * y + 2.241015775977701e-05
    p = p * y + 5.162479200942778e-05
    p = p * y - 0.00029016639136143893
    p = p * y + 0.0002937218341919264
    p = p * y + 0.0017556295487634313
    p = p * y - 0.009746581262494456
    p = p * y + 0.02836227674782648
    p = p * y - 0.05869339838397541
    p = p * y + 0.09230432122771155
    p = p * y - 0.10880393015433062
    p = p * y + 0.08227673848704045
    p = p * y + 0.0035854154857627857
    p = p * y - 0.14024059858550575
    p = p * y + 1.2375126308378264
    return p / (1.0 + 2.0 * x)


@exact
def normal_quantile(p: float) -> float:
    """Standard normal quantile for p in (0, 1): algorithm AS 241, PPND16 (Wichura, Appl. Statist. 37, 1988; page not
    seen), its three ranges side by side and one division.
    """
    q = p - 0.5
    near = q if q > 0.0 else -q
    r = 0.180625 - q * q
    top = ((((((r * 2509.0809287301226727 + 33430.575583588128105) * r + 67265.770927008700853) * r
              + 45921.953931549871457) * r + 13731.693765509461125) * r + 1971.5909503065514427) * r
           + 133.14166789178437745) * r + 3.387132872796366608  # fmt: skip
    below = ((((((r * 5226.495278852854561 + 28729.085735721942674) * r + 39307.89580009271061) * r
                + 21213.794301586595867) * r + 5394.1960214247511077) * r + 687.1870074920579083) * r
             + 42.313330701600911252) * r + 1.0  # fmt: skip
    r = math.sqrt(-log(0.5 - near)) - 1.6
    tail = ((((((r * 7.7454501427834140764e-4 + 0.0227238449892691845833) * r + 0.24178072517745061177) * r
               + 1.27045825245236838258) * r + 3.64784832476320460504) * r + 5.7694972214606914055) * r
            + 4.6303378461565452959) * r + 1.42343711074968357734  # fmt: skip
    under = ((((((r * 1.05075007164441684324e-9 + 5.475938084995344946e-4) * r + 0.0151986665636164571966) * r
                + 0.14810397642748007459) * r + 0.68976733498510000455) * r + 1.6763848301838038494) * r
             + 2.05319162663775882187) * r + 1.0  # fmt: skip
    f = r - 3.4
    far = ((((((f * 2.01033439929228813265e-7 + 2.71155556874348757815e-5) * f + 1.2426609473880784386e-3) * f
              + 0.026532189526576123093) * f + 0.29656057182850489123) * f + 1.7848265399172913358) * f
           + 5.4637849111641143699) * f + 6.6579046435011037772  # fmt: skip
    beneath = ((((((f * 2.04426310338993978564e-15 + 1.4215117583164458887e-7) * f + 1.8463183175100546818e-5) * f
                  + 7.868691311456132591e-4) * f + 0.0148753612908506148525) * f + 0.1369298809227358053) * f
               + 0.59983220655588793769) * f + 1.0  # fmt: skip
    tail, under = (tail, under) if f <= 0.0 else (far, beneath)
    sign = 1.0 if q > 0.0 else -1.0
    top, below = (q * top, below) if near <= 0.425 else (sign * tail, under)
    return top / below
