"""The comparison of one figure with its limits (JCGM 106:2012)."""

from __future__ import annotations

import math

PASS = "pass"
FAIL = "fail"
UNDECIDED = "undecided"
NOT_MEASURED = "not measured"


def compare(value: float, u: float, low: float | None, high: float | None) -> str:
    """PASS, FAIL or UNDECIDED with a guard band of the expanded uncertainty ``u``.

    A value exactly one ``u`` inside its limit passes; one exactly ``u`` outside is undecided. A
    limit of None is no limit.
    """
    if (low is not None and value + u < low) or (high is not None and value - u > high):
        return FAIL
    inside = (low is None or value - u >= low) and (high is None or value + u <= high)
    return PASS if inside else UNDECIDED


def conformance_probability(value: float, u: float, low: float | None, high: float | None) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.4 and 7.5).

    u  *standard* uncertainty, above 0; the true value is taken as normal about ``value``, nothing
       being known of it beforehand
    """
    scale = u * math.sqrt(2.0)
    too_low = 0.0 if low is None else 0.5 * math.erfc((value - low) / scale)
    too_high = 0.0 if high is None else 0.5 * math.erfc((high - value) / scale)
    return max(0.0, 1.0 - too_low - too_high)
