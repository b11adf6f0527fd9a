"""JCGM 106:2012 through our decisions. M from memory, C recomputed.

What rests on a prior distribution of the production (9.5.4, the resistors) is not ours: a decision
here knows nothing of a distributor beforehand.
"""

from __future__ import annotations

import pytest

from breakerbench.judge.guard import compare, conformance_probability

PROBABILITIES = {
    "7.4, upper limit -5.40 V": (-5.47, 0.05, None, -5.40, 0.92, 0.919243),
    "7.4, lower limit 490 kPa": (507.0, 8.6, 490.0, None, 0.98, 0.975965),
    "7.5, between 12.5 and 16.3": (13.6, 1.8, 12.5, 16.3, 0.66, 0.662630),
}


@pytest.mark.parametrize("clause", PROBABILITIES)
def test_conformance_probability(clause: str) -> None:
    """The printed figure (M) and the unrounded one (C)."""
    value, u, low, high, printed, unrounded = PROBABILITIES[clause]
    found = conformance_probability(value, u, low, high)
    assert found == pytest.approx(unrounded, abs=5e-7)
    # 0.975965 is printed as 0.98
    assert round(found, 2) == printed


def test_a_guard_band_of_u_leaves_little_risk() -> None:
    """JCGM 106, 8.3: with a guard band of U = 2 u at most 2.3 % of what just passes is outside."""
    limit, u = 100.0, 1.0
    assert compare(limit - 2.0 * u, 2.0 * u, None, limit) == "pass"
    chance = conformance_probability(limit - 2.0 * u, u, None, limit)
    assert 1.0 - chance == pytest.approx(0.02275, abs=5e-6)  # normal distribution beyond 2
