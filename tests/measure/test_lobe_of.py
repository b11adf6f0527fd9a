"""Lobes of openings, by their angles."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.lobe_of import lobe_of_opening


@given(
    lobes=st.integers(1, 12),
    first=st.floats(0.5, 29.5),
    turns=st.integers(14, 30),
    start=st.integers(0, 11),
    advance=st.floats(0.0, 60.0),
    seed=st.integers(0, 99),
)
def test_lobes_are_counted_through_advance_and_missed_openings(
    lobes: int, first: float, turns: int, start: int, advance: float, seed: int
) -> None:
    chance = np.random.default_rng(seed)
    number = np.arange(start, start + lobes * (turns + 2))
    # Slow first, then quicker with the weights moving, up to more than a lobe's pitch.
    rpm = np.linspace(300.0, 3000.0, len(number))
    time_s = np.cumsum(60.0 / rpm / lobes)
    share = np.clip(np.linspace(-0.6, 1.0, len(number)), 0.0, 1.0)
    deg = first + number * 360.0 / lobes - advance * share
    seen = chance.random(len(number)) > 0.1
    known = chance.random(len(number)) > 0.05
    deg = np.where(known, deg, np.nan)
    found = lobe_of_opening(deg[seen], time_s[seen], lobes)
    wanted = np.where(known, number % lobes, -1)[seen]
    assert found.tolist() == wanted.tolist()


def test_none_known() -> None:
    assert lobe_of_opening(np.full(3, np.nan), np.arange(3.0), 4).tolist() == [-1, -1, -1]
    assert lobe_of_opening(np.empty(0), np.empty(0), 4).tolist() == []
