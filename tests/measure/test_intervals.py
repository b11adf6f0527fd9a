"""Speeds of openings from their intervals, whatever the lobes are like."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.edges.cycles import Batch, Held
from breakerbench.measure.intervals import Intervals
from breakerbench.trace import Channel, Header

RATE = 1e5


def _batch(number: np.ndarray, interval: np.ndarray) -> Batch:
    held = Held(Header(RATE, (Channel("points_v", "V"),)))
    none = np.zeros(len(number))
    return Batch(number, none, none, none, none, interval * RATE, none == 0.0, held)


@given(lobes=st.integers(1, 12), seed=st.integers(0, 99), cut=st.integers(1, 200))
def test_uneven_lobes_at_a_steady_speed_are_one_speed(lobes: int, seed: int, cut: int) -> None:
    chance = np.random.default_rng(seed)
    turn_s = 0.06
    shares = 1.0 + 0.2 * chance.uniform(-1.0, 1.0, lobes)
    shares *= turn_s / shares.sum()
    interval = np.tile(shares, 300 // lobes + 2)[:300]
    interval[0] = np.nan
    taker = Intervals(RATE)
    number = np.arange(300)
    for part in (slice(0, cut), slice(cut, 300)):
        taker.add(_batch(number[part], interval[part]))
    found = taker.evened_s(number, lobes)
    inner = slice(lobes, 300 - lobes)
    np.testing.assert_allclose(found[inner], turn_s / lobes, rtol=1e-9)


def test_a_missed_opening_is_left_out() -> None:
    interval = np.full(50, 0.01)
    interval[20] = 0.02
    taker = Intervals(RATE)
    taker.add(_batch(np.arange(50), interval))
    np.testing.assert_allclose(taker.evened_s(np.arange(2, 48), 4), 0.01)


def test_nothing_known() -> None:
    assert np.isnan(Intervals(RATE).evened_s(np.arange(3), 4)).all()
    taker = Intervals(RATE)
    taker.add(_batch(np.array([0]), np.array([np.nan])))
    assert np.isnan(taker.evened_s(np.array([0]), None)).all()
    assert pytest.approx(0.0) == len(taker.evened_s(np.empty(0, np.int64), 4))
