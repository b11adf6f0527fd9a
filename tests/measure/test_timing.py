"""Revolutions added up: what is left out while the advance moves, whatever the pieces they come in."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.events import Openings
from breakerbench.measure.timing import Timing

ERROR = np.array([0.3, -0.1, -0.4, 0.2])


def openings(rpm: np.ndarray, advance_deg: np.ndarray) -> Openings:
    """Four lobes, dwell 50 degrees; speed and advance at each opening as given."""
    k = np.arange(len(rpm))
    deg = 30.0 + 90.0 * k + ERROR[k % 4] - advance_deg
    t = np.concatenate([[0.0], np.cumsum(np.diff(deg) / (6.0 * 0.5 * (rpm[1:] + rpm[:-1])))])
    none = np.zeros(len(k))
    return Openings(
        time_s=t,
        touch_s=t - 50.0 / (6.0 * rpm),
        open_deg=deg,
        touch_deg=deg - 50.0,
        u_open_s=none,
        u_touch_s=none,
        settled_s=t - 50.0 / (6.0 * rpm),
        lost_s=none,
        valid=np.ones(len(k), bool),
    )


def spacing(timing: Timing) -> np.ndarray:
    return np.asarray(timing.bins.error.sum(axis=0) / timing.bins.n.sum())


def added(o: Openings, pieces: int = 1) -> Timing:
    timing = Timing(4)
    for part in np.array_split(np.arange(len(o)), pieces):
        timing.add(o.take(part))
    timing.finish()
    return timing


def test_revolutions_in_which_the_advance_moves_do_not_count() -> None:
    k = np.arange(400)
    rpm = np.interp(k, [0, 200, 206, 400], [400.0, 400.0, 800.0, 800.0])
    timing = added(openings(rpm, 0.02 * (rpm - 400.0)))
    assert timing.revolutions == 100
    assert 1 <= timing.left_out <= 4
    assert spacing(timing) == pytest.approx(ERROR, abs=1e-6)
    # All are taken where hardly any would be left.
    rpm = np.linspace(400.0, 2400.0, 80)
    timing = added(openings(rpm, 0.02 * (rpm - 400.0)))
    assert timing.left_out == 0
    assert timing.bins.n.sum() == 20


def test_a_steady_run_and_a_slow_one_lose_nothing() -> None:
    for rpm in (np.full(400, 700.0), np.linspace(300.0, 2000.0, 4000)):
        timing = added(openings(rpm, 0.01 * (rpm - 300.0)))
        assert timing.left_out == 0


@pytest.mark.parametrize("pieces", [2, 7, 61, 399])
def test_pieces_make_no_difference_to_a_digit(pieces: int) -> None:
    rng = np.random.default_rng(3)
    k = np.arange(400)
    rpm = np.interp(k, [0, 100, 110, 300, 303, 400], [400, 400, 800, 800, 500, 500.0])
    o = openings(rpm, 0.02 * (rpm - 400.0) + rng.normal(0, 0.05, 400))
    whole, part = added(o), added(o, pieces)
    assert whole.left_out == part.left_out > 0
    for name in ("n", "mean", "error", "error2", "dwell", "dwell2", "u_open2"):
        np.testing.assert_array_equal(getattr(whole.bins, name), getattr(part.bins, name))
    np.testing.assert_array_equal(whole.error_steps, part.error_steps)
    np.testing.assert_array_equal(whole.dwell_steps, part.dwell_steps)
