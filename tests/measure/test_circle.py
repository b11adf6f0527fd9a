"""Closed stretches on a circle against a count of every tenth of a degree."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.circle import Stretch, pairing, stretch, union, wrapped

#: Whole degrees: ends that meet meet exactly, and half degrees lie in no doubt.
WHOLE = st.integers(0, 359)
STRETCHES = st.lists(st.tuples(WHOLE, st.integers(1, 360)), min_size=1, max_size=12)
BETWEEN = np.arange(360) + 0.5


def covered(stretches: list[tuple[int, int]]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.any([(BETWEEN - begin) % 360 < length for begin, length in stretches], axis=0)


@given(STRETCHES)
def test_union_is_where_any_is_closed(pairs: list[tuple[int, int]]) -> None:
    found = union([Stretch(float(a), float(b), (0, k), (1, k)) for k, (a, b) in enumerate(pairs)])
    closed = covered(pairs)
    assert (
        covered([(round(one.begin_deg), round(one.length_deg)) for one in found]) == closed
    ).all()
    assert sum(one.length_deg for one in found) == closed.sum()
    if closed.all():
        assert len(found) == 1
        return
    # as many stretches as openings, each named by what really begins and ends it
    assert len(found) == int((closed & ~np.roll(closed, -1)).sum())
    for one in found:
        assert one.begin_deg % 360 == pairs[one.first[1]][0]
        begin, length = pairs[one.last[1]]
        assert one.end_deg % 360 == (begin + length) % 360


@given(STRETCHES, st.randoms())
def test_order_does_not_matter(pairs: list[tuple[int, int]], chance: object) -> None:
    stretches = [Stretch(float(a), float(b)) for a, b in pairs]
    mixed = list(stretches)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    assert union(mixed) == union(stretches)


def test_stretch_past_the_zero() -> None:
    assert stretch(350.0, 20.0).length_deg == 30.0
    assert [
        (one.begin_deg, one.length_deg) for one in union([stretch(350, 20), stretch(10, 40)])
    ] == [(350.0, 50.0)]


@given(st.integers(0, 7), st.floats(-20.0, 20.0))
def test_pairing_finds_the_turn(turn: int, off: float) -> None:
    here = np.arange(8) * 45.0 + np.array([0.0, 1.0, -2.0, 0.5, 1.5, 0.0, -1.0, 2.0])
    there = np.roll((here + off) % 360.0, turn)
    assert pairing(here.tolist(), there.tolist()) == turn


@given(st.floats(-1e4, 1e4))
def test_wrapped(deg: float) -> None:
    assert -180.0 <= wrapped(deg) < 180.0 + 1e-9
    assert abs(np.sin(np.deg2rad(deg)) - np.sin(np.deg2rad(wrapped(deg)))) < 1e-9
