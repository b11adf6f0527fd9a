"""How the rounding of sampled encoder pulses shows in an angle, against rounding itself."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.angle import Angle


@pytest.mark.parametrize("spacing", [43.95, 25.0, 31.37, 12.5, 8.02])
@pytest.mark.parametrize("off", [-0.5, 0.0, 0.31])
@pytest.mark.parametrize("pulses", [60, 144, 256, 512])
def test_share_of_the_rounding_of_one_pulse(pulses: int, off: float, spacing: float) -> None:
    """20,000 trains of pulses at any phase, rounded up to whole ticks, and the line through them."""
    angle = Angle(pulses, None, tick_s=1.0)
    half = angle._reach
    centre = np.arange(2 * half) - (half - 0.5)
    phase = np.random.default_rng(5).uniform(0.0, 1.0, 20_000)
    true = phase[:, None] + spacing * centre
    error = np.ceil(true) - true
    slope = error @ centre / float((centre**2).sum())
    place = error.mean(axis=1) + slope * off
    share = angle._line_share(np.array([off]), np.array([spacing]))[0]
    assert place.var() * 12.0 == pytest.approx(share, rel=0.05, abs=0.005)


def test_share_of_independent_pulses() -> None:
    angle = Angle(360, None)
    half = angle._reach
    centre = np.arange(2 * half) - (half - 0.5)
    error = np.random.default_rng(6).standard_normal((40_000, 2 * half))
    place = error.mean(axis=1) + 0.4 * error @ centre / float((centre**2).sum())
    share = angle._line_share(np.array([0.4]), np.array([1e-4]))[0]
    assert place.var() == pytest.approx(share, rel=0.04)
