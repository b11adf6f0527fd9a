"""Student's t, chi-square and F, as far as uncertainties need them.

Of our own because importing the library that has them takes 0.3 s, more than all the rest of the
start of `analyze` (measured); the tests hold every function against that library.

Sources: NIST Digital Library of Mathematical Functions (DLMF) 8.7.1, 8.17; Abramowitz and Stegun,
Handbook of Mathematical Functions, 26.4.17, 26.6.2, 26.7.1, 26.7.5.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

#: From here on t is expanded in powers of 1 / dof; what is left out is below 1e-9.
MANY_DOF_T = 200.0
#: From here on chi-square is taken as the cube of a normal one; probabilities are off by 1e-5.
MANY_DOF_CHI2 = 2000.0
_SMALL = 1e-300


@lru_cache(maxsize=4096)
def t_factor(dof: float, probability: float, normal: float) -> float:
    """k such that Student's t lies within -k .. k with this probability.

    dof     degrees of freedom, above 0, infinite allowed
    normal  the same for infinite degrees of freedom
    """
    if dof > MANY_DOF_T:
        # A&S 26.7.5, z the normal quantile.
        z, n = normal, dof
        z2 = z * z
        g1 = (z2 + 1.0) / 4.0
        g2 = ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0
        g3 = (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0
        return z * (1.0 + g1 / n + g2 / n**2 + g3 / n**3)

    def inside(log_k: float) -> float:
        # A&S 26.7.1: 1 - I_x(dof / 2, 1 / 2), x = dof / (dof + k^2).
        k2 = math.exp(2.0 * log_k)
        x = dof / (dof + k2)
        return 1.0 - incomplete_beta(0.5 * dof, 0.5, x, k2 / (dof + k2))

    near = 0.25 * (normal**2 + 1.0) / dof
    return math.exp(_where(inside, probability, math.log(normal) + near, 0.1 + near))


@lru_cache(maxsize=4096)
def chi2_below(dof: float, x: float) -> float:
    """Probability that chi-square with ``dof`` degrees of freedom is below ``x``."""
    if x <= 0.0:
        return 0.0
    if dof > MANY_DOF_CHI2:
        # A&S 26.4.17 (Wilson and Hilferty).
        spread = 2.0 / (9.0 * dof)
        z = ((x / dof) ** (1.0 / 3.0) - (1.0 - spread)) / math.sqrt(spread)
        return 0.5 * math.erfc(-z / math.sqrt(2.0))
    return _lower_gamma(0.5 * dof, 0.5 * x)


def chi2_quantile(dof: float, probability: float) -> float:
    """x such that chi-square with ``dof`` degrees of freedom is below it with this probability."""
    return math.exp(
        _where(lambda log_x: chi2_below(dof, math.exp(log_x)), probability, math.log(dof), 3.0)
    )


def f_above(dof: float, other_dof: float, ratio: float) -> float:
    """Probability that a ratio of two mean squares of one variance is above ``ratio`` (A&S 26.6.2)."""
    rest = other_dof + dof * ratio
    return incomplete_beta(0.5 * other_dof, 0.5 * dof, other_dof / rest, dof * ratio / rest)


def _where(rising: Callable[[float], float], value: float, begin: float, step: float) -> float:
    """Where a rising function takes the value: bracketed, then by false position (Illinois)."""
    low = high = begin
    below = above = rising(begin) - value
    while above < 0.0:
        low, below, high = high, above, high + step
        above = rising(high) - value
        if high > 600.0:
            raise ValueError("these degrees of freedom say nothing")
    while below > 0.0:
        high, above, low = low, below, low - step
        below = rising(low) - value
        if low < -600.0:
            raise ValueError("these degrees of freedom say nothing")
    stays_low = stays_high = False
    for _ in range(200):
        if not above > below or high - low < 1e-13:
            break
        middle = high - above * (high - low) / (above - below)
        if not low < middle < high:
            middle = 0.5 * (low + high)
            if not low < middle < high:
                break
        off = rising(middle) - value
        if abs(off) < 1e-14:
            return middle
        # The end that stays is trusted half as much each time, or it would stay for ever.
        if off < 0.0:
            low, below, above = middle, off, (0.5 * above if stays_high else above)
            stays_high, stays_low = True, False
        else:
            high, above, below = middle, off, (0.5 * below if stays_low else below)
            stays_low, stays_high = True, False
    return 0.5 * (low + high)


def _lower_gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(a, x) by its power series (DLMF 8.7.1)."""
    if x > a + 40.0 * math.sqrt(a) + 100.0:
        return 1.0
    term = total = 1.0
    n = a
    while term > 1e-17 * total:
        n += 1.0
        term *= x / n
        total += term
    return min(total * math.exp(a * math.log(x) - x - math.lgamma(a + 1.0)), 1.0)


def incomplete_beta(a: float, b: float, x: float, y: float) -> float:
    """Regularised incomplete beta function I_x(a, b), y = 1 - x (DLMF 8.17.4 and 8.17.22)."""
    if x <= 0.0:
        return 0.0
    if y <= 0.0:
        return 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - incomplete_beta(b, a, y, x)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(y)
    )
    # The continued fraction from its top (Lentz's way, as modified by Thompson and Barnett).
    value, c, d = _SMALL, _SMALL, 0.0
    for m in range(10_000):
        if m == 0:
            numerator = 1.0
        elif m == 1:
            numerator = -(a + b) * x / (a + 1.0)
        else:
            k, odd = divmod(m - 1, 2)
            if odd:
                k += 1
                numerator = k * (b - k) * x / ((a + 2 * k - 1.0) * (a + 2 * k))
            else:
                numerator = -(a + k) * (a + b + k) * x / ((a + 2 * k) * (a + 2 * k + 1.0))
        d = 1.0 / (1.0 + numerator * d or _SMALL)
        c = 1.0 + numerator / c or _SMALL
        value *= c * d
        if m > 1 and abs(c * d - 1.0) < 1e-15:
            break
    return front * value / a
