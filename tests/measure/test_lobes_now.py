"""Lobe by lobe and advance by speed while a run goes on, from edges and readings made here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.measure.lobes_now import (
    MOST_TURNS,
    AdvancePoint,
    AdvanceTrail,
    LobeTurns,
    Reference,
)
from breakerbench.measure.now import Reading, Turn, Turns, read

from .test_now import PULSES, Shaft, even

lobes_of = st.integers(1, 12)


@given(st.floats(100.0, 3000.0), lobes_of, st.floats(-0.06, 0.06), st.integers(0, 10**6))
def test_each_opening_of_the_turn_stands_where_it_does(
    rpm: float, lobes: int, change: float, seed: int
) -> None:
    """While the speed changes by up to 6 % a turn, by the index alone too; lobes may be uneven."""
    rng = np.random.default_rng(seed)
    opens = even(lobes, float(rng.uniform(0.0, 360.0 / lobes))) + rng.uniform(-0.1, 0.1, lobes) * (
        360.0 / lobes
    )
    shaft = Shaft(
        rpm, opens, 0.5 * 360.0 / lobes, rise=change * rpm / 60.0, turns=rng.uniform(4.2, 6.0)
    )
    c = shaft.contacts()
    last = 360.0 * shaft.angle[len(c) - lobes : len(c)]
    for turns, most in (
        (Turns(shaft.index(), shaft.encoder(), PULSES), 0.02),
        (Turns(shaft.index()), 0.06),
    ):
        turn = read(c, turns, lobes, each=True).turn
        assert turn is not None
        assert turn.indexed
        off = (turn.opened_deg - last + 180.0) % 360.0 - 180.0
        assert np.abs(off).max() < most
        assert np.abs(turn.dwell_deg - shaft.dwell_deg).max() < 2.0 * most
    assert read(c, Turns(shaft.index()), lobes).turn is None  # not asked for


def test_an_unseen_touch_has_no_dwell() -> None:
    shaft = Shaft(600.0, even(4), 52.0)
    c = shaft.contacts()
    valid = c.valid.copy()
    valid[-2] = False
    turn = read(replace(c, valid=valid), Turns(shaft.index()), 4, each=True).turn
    assert turn is not None
    assert np.isnan(turn.dwell_deg).tolist() == [False, False, True, False]


def turned(
    opened_deg: np.ndarray, dwell_deg: np.ndarray, ended_s: float, indexed: bool = True
) -> tuple[Turn, Reading]:
    """A turn of 0.1 s that ends then, and its reading; it looks back over two."""
    lobes = len(opened_deg)
    time_s = ended_s - 0.1 / lobes * np.arange(2 * lobes)[::-1]
    turn = Turn(time_s, indexed, opened_deg, dwell_deg)
    return turn, Reading(opened_s=ended_s, revolution_s=0.1, lobes=lobes, pitch_s=0.1 / lobes)


@given(lobes_of, st.floats(0.0, 1.0), st.floats(0.0, 0.6), st.integers(0, 10**6))
@settings(max_examples=60)
def test_lobes_are_tracked_past_the_index_as_the_advance_comes_in(
    lobes: int, at: float, advance: float, seed: int
) -> None:
    """Errors and dwell of each lobe are its own, whichever the turn begins with."""
    rng = np.random.default_rng(seed)
    pitch = 360.0 / lobes
    error = rng.uniform(-0.02, 0.02, lobes) * pitch if lobes > 1 else np.zeros(1)
    error -= error.mean()
    dwell = 0.6 * pitch + rng.uniform(-0.02, 0.02, lobes) * pitch
    zero = (
        0.03 + 0.94 * at
    ) * pitch  # lobe 1 opens here at rest, and no lobe within the errors of 0
    kept = LobeTurns()
    for k in range(150):
        earlier = advance * pitch * np.clip((k - 20) / 80, 0.0, 1.0)
        begin = int(rng.integers(0, lobes))
        lobe = begin + np.arange(lobes)
        opened = (
            zero + pitch * lobe + error[lobe % lobes] - earlier - rng.choice([0.0, 360.0, 720.0])
        )
        kept.add(*turned(opened, dwell[lobe % lobes], 0.1 * k))
    grid = zero + 0.5 * (lobes - 1) * pitch
    late, closed = kept.tables(Reference(250.0, grid % pitch), None)
    assert late.shape == closed.shape == (MOST_TURNS, lobes)
    np.testing.assert_allclose(late, np.tile(error, (MOST_TURNS, 1)), atol=1e-9)
    np.testing.assert_allclose(closed, np.tile(dwell, (MOST_TURNS, 1)), atol=1e-9)


def test_a_lobe_at_the_index_does_not_change_its_number() -> None:
    """Where the slowest speed's own place wanders across angle 0, lobe 1 stays lobe 1."""
    kept, rng = LobeTurns(), np.random.default_rng(1)
    error = np.array([0.3, -0.1, -0.4, 0.2])
    for k in range(60):
        zero = float(rng.normal(0.05, 0.1))
        kept.add(*turned(zero + 90.0 * np.arange(4) + error, np.full(4, 52.0), 0.1 * k))
        late, _ = kept.tables(Reference(250.0, (zero + 135.0) % 90.0), None)
        np.testing.assert_allclose(late[-1], error, atol=1e-9)


def test_lobe_1_is_the_first_after_the_index_not_the_first_of_the_grid() -> None:
    """The even grid begins just after angle 0, but the lobe there opens before it."""
    error = np.array([-1.5, 0.5, 0.7, 0.3])
    kept = LobeTurns()
    for k in range(10):
        lobe = k + np.arange(4)
        opened = 0.5 + 90.0 * lobe + error[lobe % 4]
        kept.add(*turned(opened, np.full(4, 52.0), 0.1 * k))
    late, _ = kept.tables(Reference(250.0, 0.5 + 45.0), None)
    np.testing.assert_allclose(late, np.tile(np.roll(error, -1), (10, 1)), atol=1e-9)


def test_uneven_lobes_are_held_against_their_nominal_angles() -> None:
    nominal = np.array([0.0, 80.0, 180.0, 260.0])
    error = np.array([0.3, -0.1, -0.4, 0.2])
    kept = LobeTurns()
    for k in range(5):
        kept.add(*turned(31.0 + nominal + error, np.full(4, 40.0), 0.1 * k))
    late, _ = kept.tables(None, nominal)
    np.testing.assert_allclose(late, np.tile(error, (5, 1)), atol=1e-9)
    # Another of the lobes may be the first to open.
    rolled = np.array([0.0, 100.0, 180.0, 280.0])
    kept = LobeTurns()
    kept.add(*turned(31.0 + rolled + error, np.full(4, 40.0), 0.0))
    late, _ = kept.tables(None, nominal)
    np.testing.assert_allclose(late[0], error, atol=1e-9)


def test_a_turn_is_kept_once() -> None:
    kept = LobeTurns()
    for k in range(100):
        kept.add(*turned(31.0 + 90.0 * np.arange(4), np.full(4, 52.0), 0.025 * k))
    assert len(kept.tables(None, None)[0]) == 25


def test_without_an_index_the_lobes_are_counted_on() -> None:
    """Asked every so often, not always after the same lobe; after a break they begin anew."""
    error = np.array([0.3, -0.1, -0.4, 0.2])
    rng, kept, k = np.random.default_rng(2), LobeTurns(), 0
    first = None
    for _ in range(30):
        lobe = (k + np.arange(4)) % 4
        first = k if first is None else first
        kept.add(
            *turned(7.0 + 90.0 * np.arange(4) + error[lobe], np.full(4, 52.0), 0.025 * k, False)
        )
        k += int(rng.integers(4, 7))
    late, _ = kept.tables(None, None)
    assert len(late) == 30
    np.testing.assert_allclose(late, np.tile(np.roll(error, -first), (30, 1)), atol=1e-9)
    kept.add(*turned(7.0 + 90.0 * np.arange(4) + error, np.full(4, 52.0), 0.025 * (k + 20), False))
    assert len(kept.tables(None, None)[0]) == 1


def test_no_turns_make_empty_tables() -> None:
    late, dwell = LobeTurns().tables(None, None)
    assert late.shape == dwell.shape == (0, 0)
    assert AdvanceTrail().points(None) == AdvanceTrail().points(Reference(250.0, 3.0)) == ()


def reading(at_s: float, rpm: float, place_deg: float, change: float = 0.0) -> Reading:
    pitch_s = 15.0 / rpm
    return Reading(
        opened_s=at_s, revolution_s=4 * pitch_s, lobes=4, pitch_s=pitch_s,
        place_deg=place_deg % 90.0, change=change,
    )  # fmt: skip


@given(st.floats(0.0, 90.0), st.floats(0.0, 2.0), st.integers(0, 10**6))
@settings(max_examples=40)
def test_the_trail_is_the_curve_up_and_down(zero: float, friction: float, seed: int) -> None:
    """Each way its own curve; the speed scatters, as it does on a bench."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0.0, 36.0, 1.0 / 30.0)
    rpm = np.interp(at_s, [0.0, 3.0, 18.0, 21.0, 36.0], [250.0, 250.0, 1900.0, 1900.0, 250.0])

    def advance(speed: float, falling: bool) -> float:
        return float(np.interp(speed, [450.0, 1700.0], [0.0, 12.0])) + friction * falling

    trail = AdvanceTrail()
    for t, r in zip(at_s.tolist(), rpm.tolist(), strict=True):
        deg = advance(r, t > 20.0)
        trail.add(reading(t, r * (1.0 + float(rng.normal(0.0, 0.001))), zero - deg))
    points = trail.points(Reference(250.0, zero))
    assert [p.rising for p in points] == sorted((p.rising for p in points), reverse=True)
    for rising in (True, False):
        mine = [p for p in points if p.rising == rising]
        assert len(mine) >= 32
        assert np.all(np.diff([p.rpm for p in mine]) > 25.0)
        for p in mine:
            # A bin that the curve bends in has the mean of both sides, 0.06 deg off at most; the way back
            # begins within the bin of the highest speed.
            most = 0.08 if 300.0 < p.rpm < 1850.0 else 0.08 + friction
            assert p.deg == pytest.approx(advance(p.rpm, not rising), abs=most), p


def test_a_quick_change_tells_no_advance() -> None:
    trail = AdvanceTrail()
    for k in range(60):
        trail.add(reading(0.05 * k, 600.0 + k, 30.0))
        trail.add(reading(0.05 * k + 0.02, 600.0 + k, 50.0, change=0.2))
    assert {round(p.deg, 6) for p in trail.points(Reference(250.0, 35.0))} == {5.0}


def test_other_lobes_begin_anew() -> None:
    trail = AdvanceTrail()
    for k in range(20):
        trail.add(reading(0.1 * k, 600.0, 30.0))
    for k in range(20, 40):
        trail.add(replace(reading(0.1 * k, 600.0, 10.0), lobes=8, pitch_s=0.0125))
    assert trail.points(Reference(250.0, 12.0)) == (AdvancePoint(pytest.approx(600.0), 2.0, True),)
