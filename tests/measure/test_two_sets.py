"""Lag and union of two sets from angles written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.two_sets import Seen, _later, difference, drift_of, lag, together


def seen(
    lobes: int, first_deg: float, dwell_deg: float, u: float = 0.02, scatter: float = 0.0
) -> Seen:
    opens = (first_deg + np.arange(lobes) * 360.0 / lobes) % 360.0
    touches = (opens - dwell_deg) % 360.0
    us = (u,) * lobes
    return Seen(400.0, tuple(opens.tolist()), us, tuple(touches.tolist()), us, scatter)


@given(st.integers(1, 12), st.floats(0.0, 359.0), st.floats(-0.19, 0.19), st.integers(0, 11))
def test_lag_of_overlapping_sets(lobes: int, first: float, share: float, turn: int) -> None:
    """Whichever lobe stands first in the second list."""
    after = share * 360.0 / lobes
    second = seen(lobes, first + after + turn * 360.0 / lobes, 20.0)
    found = lag(seen(lobes, first, 20.0), second)
    assert found.arrangement == "overlapping"
    assert found.after_deg == pytest.approx([after] * lobes, abs=1e-9)
    assert found.u_deg == pytest.approx([0.02 * np.sqrt(2.0)] * lobes)


@given(st.integers(1, 12), st.floats(0.0, 359.0), st.floats(0.31, 0.69))
def test_lag_of_alternating_sets(lobes: int, first: float, share: float) -> None:
    after = share * 360.0 / lobes
    found = lag(seen(lobes, first, 10.0), seen(lobes, first + after, 10.0))
    assert found.arrangement == "alternating"
    assert found.after_deg == pytest.approx([after] * lobes, abs=1e-9)


def test_a_quarter_of_the_pitch_is_neither() -> None:
    assert lag(seen(4, 20.0, 40.0), seen(4, 20.0 + 22.5, 40.0)).arrangement is None


def test_overlapping_together() -> None:
    made = together(seen(8, 30.0, 27.0), seen(8, 36.0, 28.0))
    assert made.openings == 8
    assert made.dwell_deg == pytest.approx(33.0)
    assert made.overlap_deg == pytest.approx(22.0)
    assert sorted(made.opens) == pytest.approx([36.0 + 45.0 * k for k in range(8)])  # of the last
    assert min(made.touches) == pytest.approx(3.0)  # of the first
    assert made.least_open_deg == pytest.approx(12.0)


def test_one_within_the_other() -> None:
    """The second opens first and touches last: it changes nothing."""
    made = together(seen(4, 30.0, 50.0), seen(4, 25.0, 40.0))
    assert made.dwell_deg == pytest.approx(50.0)
    assert sorted(made.opens) == pytest.approx([30.0, 120.0, 210.0, 300.0])


def test_alternating_together() -> None:
    made = together(seen(4, 30.0, 33.0), seen(4, 75.0, 35.0))
    assert (made.openings, made.overlap_deg) == (8, 0.0)
    assert made.dwell_deg == pytest.approx(34.0)
    assert together(seen(4, 30.0, 52.0), seen(4, 75.0, 52.0)).openings == 0


def test_difference_and_its_limits() -> None:
    first, second = seen(4, 20.0, 50.0), seen(4, 26.0, 50.0)
    made = together(first, second)
    right = seen(4, 26.0, 56.0)
    found = difference(right, made, 0.0)
    assert found.agrees
    assert found.shift_deg == pytest.approx(0.0, abs=1e-9)
    late = replace(right, opens=(right.opens[0] + 0.2, *right.opens[1:]))
    found = difference(late, made, 0.0)
    assert not found.agrees
    assert found.late_open_deg == pytest.approx([0.2, 0.0, 0.0, 0.0], abs=1e-9)
    assert difference(late, made, 0.3).agrees  # the advance may have moved that much


def test_speeds_of_one_bin_that_differ() -> None:
    """0.03 deg per rpm as a rectangle: 2 * 0.3 / sqrt(3)."""
    one = seen(4, 20.0, 50.0)
    assert drift_of(one, one) == 0.0
    assert drift_of(one, replace(one, rpm=410.0)) == pytest.approx(0.6 / np.sqrt(3.0))
    assert lag(one, replace(one, rpm=410.0)).u_mean_deg > 0.3


@pytest.mark.parametrize("apart", [0.0, 0.05, 0.2])
def test_the_later_of_two_against_drawn_ones(apart: float) -> None:
    rng = np.random.default_rng(3)
    a, b = rng.normal(0.0, 0.08, 200_000), rng.normal(apart, 0.06, 200_000)
    beyond = float(np.maximum(a, b).mean()) - apart
    assert _later(apart, 0.1) == pytest.approx(beyond, abs=0.001)
    assert _later(apart, 0.0) == 0.0
