"""The coil's circuit against textbooks, technical manuals and common practice.

Status of the figures: V read in a public text, C recomputed, M from memory, as in each docstring.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from breakerbench.tools.ignition import Known, judge_coil
from breakerbench.tools.ignition_circuit import (
    current_a,
    energy_j,
    period_s,
    secondary_v,
    winding_ohm,
)
from breakerbench.tools.ignition_figures import (
    CONTACTS_A,
    DWELL_SHARE,
    E12,
    FEED_WITH_BALLAST_V,
    POINTS_CLOSED_V,
)
from breakerbench.tools.ignition_plan import Told, plan
from breakerbench.tools.ignition_words import RIGHT
from outside.nist import certified


def test_alexander_and_sadiku_car_ignition() -> None:
    """Fundamentals of Electric Circuits, car-ignition example (V; attribution M)."""
    current = current_a(12.0, 4.0, 6e-3, 1.0)  # settled
    assert current == pytest.approx(3.0)
    assert energy_j(6e-3, current) == pytest.approx(27e-3)
    assert 6e-3 * current / 1e-6 == pytest.approx(18e3)  # opened in 1 us: L di/dt


def test_openstax_college_physics_rl() -> None:
    """RL circuits, example (V): 7.50 mH, 3.00 ohm, 10 A dying away, tau 2.50 ms.

    What is left of a current that dies away is what a rising one lacks.
    """
    supply = 10.0 * 3.0
    left = 10.0 - current_a(supply, 3.0, 7.5e-3, np.array([2.5e-3, 5e-3, 10e-3]))
    assert left[0] == pytest.approx(10.0 / math.e)
    assert left[1:] == pytest.approx([1.35, 0.183], abs=0.005)


@pytest.mark.parametrize(
    ("henry", "ohm", "share", "seconds", "rel"),
    [
        pytest.param(80e-3, 15.0, 0.99, 24.6e-3, 2e-3, id="College Physics, exercise (V)"),
        pytest.param(43.0, 20.0, 0.90, 5.0, 0.01, id="University Physics 2 (V)"),
        pytest.param(250e-3, 99.02, 0.5, 1.75e-3, 1e-3, id="University Physics 2, half (V)"),
        pytest.param(10e-3, 2.0, 0.95, 14.98e-3, 1e-3, id="textbook exercise (C)"),
    ],
)
def test_time_to_a_share_of_the_current(
    henry: float, ohm: float, share: float, seconds: float, rel: float
) -> None:
    """OpenStax, and a textbook exercise with 12 V: the current after the stated time."""
    reached = current_a(12.0, ohm, henry, seconds) / (12.0 / ohm)
    lacking = -math.log(1.0 - float(reached))
    assert lacking == pytest.approx(-math.log(1.0 - share), rel=rel)


@pytest.mark.parametrize("name", ["misra1a", "boxbod"])
def test_the_form_of_the_charge_curve_by_nist(name: str) -> None:
    """NIST StRD Misra1a and BoxBOD (V): b1 (1 - exp(-b2 x)) with the certified parameters leaves
    the certified residual deviation."""
    file = certified(name)
    y, x = file.observations.T
    b1, b2 = file.parameters
    residuals = y - current_a(b1, 1.0, 1.0 / b2, x)
    deviation = math.sqrt(float(residuals @ residuals) / (len(x) - 2))
    assert deviation == pytest.approx(file.residual_sd, rel=1e-9)


def test_openstax_lc() -> None:
    """University Physics 2, LC (V): 20 mH, 8.0 uF, 12 uC, so 1.5 V; largest current 0.030 A."""
    volts = secondary_v(energy_j(20e-3, 0.030), 8e-6, 0.0, 1.0, 0.0)
    assert volts == pytest.approx(12e-6 / 8e-6)


def test_copper() -> None:
    """IEC 60028 (M): 0.00393 per K at 20 deg C, zero at -234.5; OpenStax's table (V): 0.0039."""
    assert winding_ohm(1.0, 21.0) - 1.0 == pytest.approx(0.0039, abs=4e-5)
    assert winding_ohm(1.0, -234.4) == pytest.approx(0.0, abs=6e-4)
    # common practice, no source: about 3 ohm cold, 3.6 warm, a winding at some 70 deg C
    assert winding_ohm(3.0, 71.0) == pytest.approx(3.6, abs=0.005)


def test_tm_9_8000_secondary_and_primary() -> None:
    """TM 9-8000, ch. 15 (V): 100:1, 200 V or more in the primary gives 20 kV.

    A 3 ohm coil on 12 V, all else assumed: both figures lie within the bands at every speed to
    2,500 rpm, and the two go together by the ratio.
    """
    made = plan(Told(12.0, 3.0, turns_ratio=100.0))
    for row in made.curve:
        assert row.secondary_v.holds(20e3)
        assert row.primary_v.holds(200.0)
        assert row.secondary_v.high == pytest.approx(100.0 * row.primary_v.high)


def test_tm_9_8000_contacts() -> None:
    """TM 9-8000, ch. 15 (V): contacts carry 4 to 5 A. A right circuit stays within, cold."""
    assert (CONTACTS_A.low, CONTACTS_A.high) == (4.0, 5.0)
    for volts, coil, ballast in ((12.0, 3.0, ()), (12.0, 1.5, (1.5,)), (6.0, 1.5, ())):
        made = plan(Told(volts, coil, resistors=ballast))
        assert made.verdict.key == RIGHT
        assert made.rest.current_a.high == pytest.approx(4.0)
    assert "burn" not in judge_coil(12.0, Known(3.0), None, Known(4.9)).contacts
    assert "burn" in judge_coil(12.0, Known(3.0), None, Known(5.1)).contacts


@pytest.mark.parametrize("ballast", [1.2, 1.5, 1.8])
def test_navedtra_14329_volts_with_a_ballast(ballast: float) -> None:
    """NAVEDTRA 14329, ch. 6 (V): 4.5 to 6.9 V coil to ground with a ballast, points closed.

    A coil of 1.5 ohm (common range, M), cold to warm, with the usual resistors lies within; 3 ohm
    without one shows the battery.
    """
    terminal = plan(Told(12.0, 1.5, resistors=(ballast,))).rest.feed_terminal_v
    assert FEED_WITH_BALLAST_V.low <= terminal.low
    assert terminal.low <= FEED_WITH_BALLAST_V.high
    if ballast >= 1.5:
        assert terminal.high <= FEED_WITH_BALLAST_V.high
    alone = plan(Told(12.0, 3.0)).rest.feed_terminal_v
    assert (alone.low, alone.high) == pytest.approx((12.0, 12.0))


def test_navedtra_14329_points_terminal() -> None:
    """NAVEDTRA 14329, ch. 6 (V): coil minus to ground at most 0.1 V."""
    assert POINTS_CLOSED_V == 0.1
    for volts, said in ((0.09, False), (0.11, True)):
        notes = plan(Told(12.4, 3.0, standing_a=4.0, points_v=volts)).notes
        assert any("NAVEDTRA 14329" in note for note in notes) is said


def test_navedtra_14273_dwell() -> None:
    """NAVEDTRA 14273, ch. 2 (V): 30 deg with 8 cylinders; within what is assumed."""
    assert DWELL_SHARE.holds(30.0 / 45.0)


def test_firings_by_the_handbooks() -> None:
    """n N / 120 a second with n the crankshaft speed (V): 4 cylinders at 2,000, 4,000 a minute."""
    assert 60.0 / period_s(2000.0 / 2.0, 4) == pytest.approx(4000.0)


def test_iec_60063_e12() -> None:
    """IEC 60063 (M): powers of ten in twelfths, to two figures; five values differ by one step."""
    exact = [round(10.0 ** (step / 12.0), 1) for step in range(12)]
    differ = {ours: rule for ours, rule in zip(E12, exact, strict=True) if ours != rule}
    assert differ == {2.7: 2.6, 3.3: 3.2, 3.9: 3.8, 4.7: 4.6, 8.2: 8.3}
