"""The form of an advance curve: straight over the speed, or as weights and springs make it.

The curves are the balance of a centrifugal governor solved by scipy's root finder for each speed
(torque of the weights m w^2 g (r + g a), of two springs, of the stop), an independent library.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from breakerbench.measure.advance_line import advance_line

RPM = np.arange(205.0, 2200.0, 5.0)


def governor(
    rpm: float, growth: float, start: float, rates: tuple[float, float], stop: float
) -> float:
    """Advance, rad, of weights at radius 1 that grows by ``growth`` a radian.

    start  speed at which the light spring gives way; rates: of both springs a radian, in the weights'
    pull at start; the second comes in at 0.1 rad
    """

    def pull(a: float) -> float:
        held = 1.0 + rates[0] * a + rates[1] * max(a - 0.1, 0.0)
        return (rpm / start) ** 2 * (1.0 + growth * a) - held

    if pull(0.0) <= 0.0:
        return 0.0
    return stop if pull(stop) >= 0.0 else float(brentq(pull, 0.0, stop, xtol=1e-12))


@pytest.mark.parametrize("noise_deg", [0.01, 0.03])
def test_start_of_weights_and_springs(noise_deg: float) -> None:
    inside, errors = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        start = float(rng.uniform(350.0, 600.0))
        growth = float(rng.uniform(0.2, 0.9))
        rates = (float(rng.uniform(9.0, 20.0)), float(rng.uniform(15.0, 60.0)))
        stop = float(rng.uniform(0.14, 0.22))
        true = np.rad2deg([governor(x, growth, start, rates, stop) for x in RPM])
        line = advance_line(
            RPM,
            true + noise_deg * rng.standard_normal(len(RPM)),
            np.full(len(RPM), noise_deg),
            0.05,
        )
        errors.append(float(line.breaks[0]) - start)
        inside.append(abs(errors[-1]) <= 2.0 * line.u_start_rpm)
    print(np.round(errors, 1))
    assert np.quantile(np.abs(errors), 0.95) <= 12.0  # design section 6
    assert np.mean(inside) >= 0.9


def test_straight_pieces_stay_straight() -> None:
    inside = []
    for seed in range(40):
        rng = np.random.default_rng([seed, 5])
        breaks = np.array([450.0, 1000.0, 1700.0]) + rng.uniform(-100.0, 100.0, 3)
        bends = np.array([0.012, -0.007, -0.005])
        true = np.maximum(RPM[:, None] - breaks, 0.0) @ bends
        u = np.full(len(RPM), 0.03)
        line = advance_line(RPM, true + 0.03 * rng.standard_normal(len(RPM)), u, 0.05)
        assert line.power == 1.0
        assert line.breaks == pytest.approx(breaks, abs=12.0)
        inside.append(abs(line.breaks[0] - breaks[0]) <= 2.0 * line.u_start_rpm)
        for (begin, end, slope, u_slope), expected in zip(
            line.slopes(), np.cumsum(bends), strict=True
        ):
            assert begin < end
            assert abs(slope - expected) <= 4.0 * u_slope
    assert np.mean(inside) >= 0.85


def test_a_power_that_is_told_is_taken() -> None:
    true = 6.0 * np.maximum((RPM / 1000.0) ** 2 - 0.25, 0.0)
    u = np.full(len(RPM), 0.01)
    line = advance_line(RPM, true, u, 0.05, power=2.0)
    assert line.power == 2.0
    assert line.breaks == pytest.approx([500.0], abs=0.5)
    begin, end, slope, _ = line.slopes()[0]
    assert (begin, end) == (pytest.approx(500.0, abs=0.5), RPM[-1])
    assert slope == pytest.approx(true[-1] / (RPM[-1] - 500.0), rel=1e-3)
    assert line.at(RPM) == pytest.approx(true, abs=0.01)
