"""Standard deviations as results: pooled within groups, their uncertainty, noise taken off.

Sources: GUM E.4.3 and H.5.2 (JCGM 100:2008) and the chi-square distribution of a variance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from breakerbench.measure.distributions import chi2_below, chi2_quantile
from breakerbench.measure.uncertainty import COVERAGE


@dataclass(frozen=True, slots=True)
class StandardDeviation:
    """A standard deviation and how well it is known.

    value      s, from ``dof`` degrees of freedom
    u          standard uncertainty of s, the usual approximation s / sqrt(2 dof) (GUM E.4.3)
    U          expanded uncertainty: the true sigma lies in s - U .. s + U in 95.45 % of cases
    low, high  chi-square interval of sigma with 2.275 % on either side; not centred on s

    U is *not* 2 u: at few degrees of freedom sigma sits above s more often than below, and s +- 2 u
    would hold it in too few cases. U comes from the distribution of s itself (chi-square), solved
    for the interval that is symmetric about s, so that it fits the form "value, U" and holds at 5
    degrees of freedom as well as at 5,000; it tends to 2 u. Observations are taken as normal.
    """

    value: float
    dof: float
    u: float
    U: float
    low: float
    high: float


def symmetric_sd_factor(dof: float, coverage: float = COVERAGE) -> float:
    """c such that sigma lies within s (1 - c) .. s (1 + c) with the given probability.

    s^2 dof / sigma^2 follows chi-square with ``dof`` degrees of freedom for normal observations;
    sigma < s (1 + c) means chi-square > dof / (1 + c)^2, and so on. Solved by bisection. Where c is
    1 or more (up to 5 degrees of freedom) the lower end is 0.
    """
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom must be above 0, not {dof}")
    if dof == math.inf:
        return 0.0

    def covered(c: float) -> float:
        above = chi2_below(dof, dof / (1.0 - c) ** 2) if c < 1.0 else 1.0
        return above - chi2_below(dof, dof / (1.0 + c) ** 2)

    low, high = 0.0, 1.0
    while covered(high) < coverage:
        high *= 2.0
        if high > 1e12:
            raise ValueError(f"{dof} degrees of freedom say nothing about a standard deviation")
    for _ in range(45):
        middle = 0.5 * (low + high)
        if covered(middle) < coverage:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def standard_deviation(s: float, dof: float) -> StandardDeviation:
    """A standard deviation ``s`` from ``dof`` degrees of freedom, with its uncertainty."""
    if not (s >= 0.0 and math.isfinite(s)):
        raise ValueError(f"a standard deviation must be finite and 0 or more, not {s}")
    factor = symmetric_sd_factor(dof)
    if dof == math.inf:
        return StandardDeviation(s, dof, 0.0, 0.0, s, s)
    tail = 0.5 * (1.0 - COVERAGE)
    return StandardDeviation(
        value=s,
        dof=dof,
        u=s / math.sqrt(2.0 * dof),
        U=s * factor,
        low=s * math.sqrt(dof / chi2_quantile(dof, 1.0 - tail)),
        high=s * math.sqrt(dof / chi2_quantile(dof, tail)),
    )


def pooled_from_moments(counts: ArrayLike, squared_deviations: ArrayLike) -> StandardDeviation:
    """Pooled within-group standard deviation from running sums.

    counts              observations in each group
    squared_deviations  each group's sum of (x - mean of the group)^2

    s^2 = sum of squared deviations / sum of (n - 1): the within-group mean square of a one-way
    analysis of variance (GUM H.5.2). Groups of fewer than two observations say nothing and are
    left out. Raises ValueError where no group has two.
    """
    counts = np.asarray(counts, dtype=np.float64)
    used = counts >= 2
    dof = float(np.sum(counts[used] - 1.0))
    if dof == 0.0:
        raise ValueError("a pooled standard deviation needs a group of two observations or more")
    total = float(np.sum(np.asarray(squared_deviations, dtype=np.float64)[used]))
    return standard_deviation(math.sqrt(max(0.0, total) / dof), dof)


def pooled_standard_deviation(groups: Iterable[ArrayLike]) -> StandardDeviation:
    """Pooled within-group standard deviation of groups of observations (see above)."""
    arrays = [np.asarray(group, dtype=np.float64).ravel() for group in groups]
    return pooled_from_moments(
        [array.size for array in arrays],
        [float(np.sum((array - np.mean(array)) ** 2)) if array.size else 0.0 for array in arrays],
    )


def without_noise(s: StandardDeviation, noise: float, u_noise: float = 0.0) -> tuple[float, float]:
    """What is left of a standard deviation when an instrument's own noise is taken off.

    s        the observed standard deviation
    noise    standard deviation of the instrument's noise in the same unit, independent of what is
             observed
    u_noise  standard uncertainty of ``noise``

    Returns (sigma, U). sigma = sqrt(s^2 - noise^2), 0 where the noise is all there is. U reaches
    from there to the farther end of the interval got by moving s within its own U and the noise
    within 2 u_noise; the two are combined as root sum of squares. Near 0 the square root is steep
    and U grows as it must.
    """

    def rest(total: float, part: float) -> float:
        return math.sqrt(max(0.0, total**2 - part**2))

    sigma = rest(s.value, noise)
    quieter, louder = max(0.0, noise - 2.0 * u_noise), noise + 2.0 * u_noise
    above = math.hypot(
        rest(s.value + s.U, noise) - sigma,
        rest(s.value, quieter) - sigma,
    )
    below = math.hypot(
        sigma - rest(max(0.0, s.value - s.U), noise),
        sigma - rest(s.value, louder),
    )
    return sigma, max(above, min(below, sigma))
