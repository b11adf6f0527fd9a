"""Figures where something is missing: nothing raises, nothing is invented."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import steady
from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import simulate
from breakerbench.measure.figures import hidden_pattern
from breakerbench.measure.timing import Timing
from breakerbench.pipeline import analyze


def test_a_lobe_without_dwell_hides_nothing_and_raises_nothing() -> None:
    timing = Timing(4)
    error = np.array([0.3, -0.1, -0.3, 0.1])
    none = np.full(4, np.nan)
    assert hidden_pattern(timing, error, none, 20.0) == pytest.approx(np.zeros(8))
    one = np.array([50.0, np.nan, 50.0, 50.0])
    assert np.isfinite(hidden_pattern(timing, error, one, 20.0)).all()


@pytest.mark.parametrize("order", [1, 2])
def test_a_wave_of_the_drive_is_found_whole_in_what_it_does_to_the_angles(order: int) -> None:
    """A locked ripple moves openings and closings by one sine: the pattern is that sine."""
    timing = Timing(4)
    opening = 20.0 + timing.nominal
    closing = opening - 50.0

    def wave(deg: np.ndarray) -> np.ndarray:
        return 0.4 * np.sin(np.deg2rad(order * deg + 25.0))

    error = wave(opening) - wave(opening).mean()
    dwell = 50.0 + wave(opening) - wave(closing)
    found = hidden_pattern(timing, error, dwell, 20.0)
    # What is the same for all lobes cannot be seen, nor does it move dwell against dwell.
    expected = np.concatenate([wave(opening), wave(closing)])
    off = found - expected
    assert np.ptp(off) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(("rpm", "rows"), [(2500.0, 1), (2525.0, 2)])
def test_one_speed_is_no_variation_over_speed(rpm: float, rows: int) -> None:
    """A round speed set by hand has one bin; one at the edge of two bins fills both."""
    result = analyze(simulate(Bench(drive=steady(rpm, 4.0)), 3))
    assert len(result["dwell"]["by_speed"]) == rows
    assert result["dwell"]["variation_deg"] is None
    assert "two speeds" in result["why"]["dwell.variation_deg"]


def test_a_touch_before_the_trace_is_no_touch_without_a_sign() -> None:
    """One lobe, few revolutions: the first dwell began before the recording did."""
    result = analyze(simulate(Bench(cam=cam_for(1, 240.0, 0.5), drive=steady(200.0, 4.0)), 1))
    assert not any("no sign" in note for note in result["notes"])
