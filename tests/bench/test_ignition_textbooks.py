"""The coil alone against textbook examples of RL, LC and RLC circuits; modes that all but coincide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from breakerbench.bench.front_end import Converter, FrontEnd, channel_of
from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.bench.ignition_modes import CURRENT_A, POINTS_V
from breakerbench.bench.ignition_signals import Ringing

from .kirchhoff import contact_at, run_alone


def coil_alone(ohm: float, henry: float, volts: float) -> Ignition:
    """A coil that hardly knows of its secondary, at a supply without resistance."""
    return Ignition(
        volts=volts,
        inner_ohm=1e-6,
        feed_ohm=0.0,
        coil_ohm_20c=ohm,
        coil_h=henry,
        coupling=1e-6,
        contact_ohm=1e-4,
        lead_ohm=0.0,
        plate_ohm=0.0,
        clamp_ohm=0.0,
        gaps=(Gap(breakdown_v=None),),
    )


@pytest.mark.parametrize(
    ("ohm", "henry", "volts", "time_s", "amps"),
    [
        # OpenStax University Physics 2, RL circuits: half of the end value in 1.75 ms with 250 mH
        (99.02, 250e-3, 99.02, 1.75e-3, 0.5),
        # same: 90 % in 5.0 s with 20 ohm needs 43 H
        (20.0, 43.43, 20.0, 5.0, 0.9),
        # OpenStax College Physics, exercise: 80.0 mH and 15.0 ohm come to 99.0 % in 24.6 ms
        (15.0, 80e-3, 15.0, 24.6e-3, 0.990),
        # a textbook exercise: 12 V, 10 mH, 2 ohm come to 95 % in 14.98 ms
        (2.0, 10e-3, 12.0, 14.98e-3, 0.95 * 6.0),
    ],
)
def test_the_current_rises_as_in_textbooks(
    ohm: float, henry: float, volts: float, time_s: float, amps: float
) -> None:
    run = run_alone(coil_alone(ohm, henry, volts), contact_at(1e-3, closed_at_start=False))
    found = run.at(CURRENT_A, np.array([1e-3 + time_s]))[0]
    assert found == pytest.approx(amps, rel=1.5e-3)


def test_current_and_energy_of_the_textbook_ignition() -> None:
    """Alexander and Sadiku, Fundamentals of Electric Circuits, car ignition (attribution from memory):
    12 V, 4 ohm and 6 mH hold 3 A and 27 mJ."""
    run = run_alone(coil_alone(4.0, 6e-3, 12.0), contact_at(1.0, closed_at_start=False))
    amps = run.at(CURRENT_A, np.array([1.5]))[0]
    assert amps == pytest.approx(3.0, rel=1e-4)
    assert 0.5 * 6e-3 * amps**2 == pytest.approx(27e-3, rel=1e-4)


def test_ring_of_the_textbook_lc() -> None:
    """OpenStax University Physics 2, LC circuits: 20 mH, 8.0 uF, 12 uC: 2500 rad/s, 0.030 A, and a
    quarter period of 6.3e-4 s. Here it begins with the current and comes to the charge."""
    circuit = replace(
        coil_alone(1e-4, 20e-3, 0.030 * 2.01e-4),
        condenser_f=8e-6,
        condenser_ohm=1e-4,
        leakage_ohm=1e12,
    )
    run = run_alone(circuit, contact_at(1e-3))
    assert run.at(CURRENT_A, np.array([0.9e-3]))[0] == pytest.approx(0.030, rel=1e-2)
    quarter = 1e-3 + 6.283e-4
    times = quarter + np.linspace(-50e-6, 50e-6, 2001)
    volts = run.at(POINTS_V, times)
    assert np.max(volts) * 8e-6 == pytest.approx(12e-6, rel=1e-2)
    assert times[np.argmax(volts)] == pytest.approx(quarter, abs=1e-6)


def test_ring_of_the_textbook_rlc_dies_away() -> None:
    """OpenStax University Physics 2, RLC circuits: 10 mH, 1.5 uF, 2.0 ohm: half after 6.9 ms."""
    circuit = replace(
        coil_alone(2.0 - 1e-3, 10e-3, 2.0),
        condenser_f=1.5e-6,
        condenser_ohm=1e-3,
        leakage_ohm=1e12,
    )
    run = run_alone(circuit, contact_at(0.0))

    period = 2.0 * np.pi / np.sqrt(1.0 / 1.5e-8 - 100.0**2)

    def swing(begin: float) -> float:
        return float(np.ptp(run.at(POINTS_V, begin + np.linspace(0.0, period, 4000))))

    # nine periods, so that both look at the same phase
    assert 9.0 * period == pytest.approx(6.9e-3, abs=0.05e-3)
    assert swing(1e-3 + 9.0 * period) == pytest.approx(0.5 * swing(1e-3), rel=1e-3)


@pytest.mark.parametrize("off", [0.0, 1e-13, 1e-9, -1e-6, 1e-3])
def test_modes_that_are_all_but_equal(off: float) -> None:
    """A circuit damped critically, or nearly: ``(1 + t / tau) exp(-t / tau)``, from the textbook."""
    henry, farad = 8e-3, 0.22e-6
    ohm = 2.0 * np.sqrt(henry / farad) * (1.0 + off)
    circuit = replace(
        coil_alone(ohm - 1e-3 - 1e-6, henry, 12.0),
        condenser_f=farad,
        condenser_ohm=1e-3,
        leakage_ohm=1e12,
    )
    run = run_alone(circuit, contact_at(0.0))
    tau = np.sqrt(henry * farad)
    times = np.linspace(0.01, 12.0, 500) * tau
    amps = 12.0 / ohm
    expected = 12.0 - (12.0 + (12.0 / tau - amps / farad) * times) * np.exp(-times / tau)
    found = run.at(POINTS_V, times)
    np.testing.assert_allclose(found, expected, atol=max(2e-4, 20.0 * abs(off)))


def test_front_end_as_fast_as_a_mode() -> None:
    circuit = coil_alone(4.0, 4.0 * FrontEnd().tau_s, 12.0)
    run = run_alone(circuit, contact_at(1e-3, closed_at_start=False))
    front_end = FrontEnd()
    tau = front_end.tau_s
    channel = channel_of("current_a", "A", 10.0, front_end, Converter(), 0, 1)
    ringing = Ringing(run, CURRENT_A, 1.0, front_end, channel, 250e3)
    since = np.linspace(0.0, 10.0, 200) * tau
    expected = 3.0 * (1.0 - (1.0 + since / tau) * np.exp(-since / tau))
    np.testing.assert_allclose(ringing.at(1e-3 + since), expected, atol=2e-3)
