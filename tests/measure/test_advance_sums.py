"""Rising and falling, told of many revolutions at once, against one after the other."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.advance_sums import (
    BEFORE,
    FALLING,
    RISING,
    TURN_RPM,
    TURN_SHARE,
    Advance,
)


def one_by_one(speeds: list[float]) -> list[int]:
    way, low, high, ways = BEFORE, np.inf, -np.inf, []
    for rpm in speeds:
        low, high = min(low, rpm), max(high, rpm)
        back = max(TURN_RPM, TURN_SHARE * rpm)
        if way != RISING and rpm > low + back:
            way, high = RISING, rpm
        elif way != FALLING and rpm < high - back:
            way, low = FALLING, rpm
        ways.append(way)
    return ways


@given(
    st.lists(st.floats(-60.0, 60.0), min_size=1, max_size=80),
    st.lists(st.integers(1, 20), min_size=1, max_size=8),
)
def test_ways_of_the_speed(steps: list[float], pieces: list[int]) -> None:
    speeds = (600.0 + np.cumsum(steps)).tolist()
    told, at = Advance(4), 0
    ways: list[int] = []
    for piece in [*pieces, len(speeds)]:
        ways += told._tell(np.array(speeds[at : at + piece])).tolist()
        at += piece
    expected = one_by_one(speeds)
    assert ways == expected
    turned = [way for way in expected if way != BEFORE]
    assert told.first_way == (turned[0] if turned else RISING)
