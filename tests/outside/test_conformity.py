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


def test_speed_enforcement_with_a_guard_band() -> None:
    """JCGM 106, 8.3.3.2 (M): limit 100, u 2 % of the speed, 99.9 % sure (z = 3.09) from 107 km/h on.

    Our guard band is U; given as z u it must say *fail* from there on and not below.
    """
    z, relative = 3.090232, 0.02  # 3.09 as printed
    least = 100.0 / (1.0 - z * relative)  # 106.5876 (C), printed as 107
    assert least == pytest.approx(106.5876, abs=5e-5)
    assert compare(107.0, z * relative * 107.0, None, 100.0) == "fail"
    assert compare(least - 0.01, z * relative * (least - 0.01), None, 100.0) == "undecided"
    # Half of U = 2 u is the u of our probability: at 107 the speed is over with more than 99.9 %.
    assert 1.0 - conformance_probability(107.0, 0.02 * 107.0, None, 100.0) > 0.999


@pytest.mark.parametrize(
    ("value", "verdict"), [(9.67, "pass"), (9.68, "undecided"), (10.34, "fail")]
)
def test_iso_14253_1_default_rule(value: float, verdict: str) -> None:
    """ISO 14253-1:2017, default rule (M): accept only within T_L + g <= y <= T_U - g, g = 1.65 u for
    95 %. With u = 0.2 the guard band is 0.33; not proven either way between 9.67 and 10.33."""
    assert compare(value, 1.65 * 0.2, 5.0, 10.0) == verdict


def test_the_factor_of_iso_14253_1() -> None:
    """1.65 is the one-sided 95 % point of the normal distribution, 1.644854 (C)."""
    assert conformance_probability(10.0 - 1.644854, 1.0, None, 10.0) == pytest.approx(
        0.95, abs=1e-6
    )


@pytest.mark.parametrize(
    ("value", "u", "inside"), [(10.0, 0.4, 1 - 0.01242), (10.5, 0.4, 1 - 0.10574)]
)
def test_two_sided_spreadsheet(value: float, u: float, inside: float) -> None:
    """9..11 with N(10; 0.4) and N(10.5; 0.4): 0.01242 and 0.10574 out of tolerance (V)."""
    assert conformance_probability(value, u, 9.0, 11.0) == pytest.approx(inside, abs=5e-6)
