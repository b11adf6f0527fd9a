"""A reading of the last revolution, from edges made here: no samples, no simulator."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.edges.events import Openings
from breakerbench.measure.now import Reading, Turns, Votes, read

PULSES = 360


def openings(opened_s: np.ndarray, touched_s: np.ndarray) -> Openings:
    none = np.full(len(opened_s), np.nan)
    zero = np.zeros(len(opened_s))
    seen = np.ones(len(opened_s), bool)
    return Openings(opened_s, touched_s, none, none, zero, zero, touched_s, zero, seen)


class Shaft:
    """A shaft that turns by omega t + alpha t^2 / 2 (turns); lobes at ``opens``, closed for ``dwell``."""

    def __init__(
        self, rpm: float, opens: np.ndarray, dwell_deg: float, rise: float = 0.0, turns: float = 4.3
    ) -> None:
        self.speed, self.rise = rpm / 60.0, rise * rpm / 60.0
        self.opens, self.dwell_deg = opens, dwell_deg
        angle = (np.arange(int(turns) + 2)[:, None] + opens / 360.0).ravel()
        self.angle = angle[(angle - dwell_deg / 360.0 > 0.0) & (angle < turns)]
        self.turns = turns

    def time_s(self, turned: np.ndarray) -> np.ndarray:
        root = np.sqrt(self.speed**2 + 2.0 * self.rise * turned)
        return 2.0 * turned / (root + self.speed)

    def contacts(self) -> Openings:
        return openings(self.time_s(self.angle), self.time_s(self.angle - self.dwell_deg / 360.0))

    def index(self) -> tuple[np.ndarray, np.ndarray]:
        """A pulse of four degrees at every whole turn."""
        turn = np.arange(1, int(self.turns) + 1)
        edges = np.sort(np.concatenate([turn, turn + 4.0 / 360.0]))
        edges = edges[edges < self.turns]
        return self.time_s(edges), np.arange(len(edges)) % 2 == 0

    def encoder(self) -> np.ndarray:
        return self.time_s(np.arange(0.0, self.turns, 1.0 / PULSES))

    def rpm(self) -> float:
        """Mean speed of the turn that ends at the last opening."""
        end, begin = self.time_s(np.array([self.angle[-1], self.angle[-1] - 1.0]))
        return 60.0 / float(end - begin)


def even(lobes: int, begin_deg: float = 31.0) -> np.ndarray:
    return begin_deg + np.arange(lobes) * 360.0 / lobes


speeds = st.floats(60.0, 3500.0)
lobes_of = st.integers(1, 12)
shares = st.floats(0.3, 0.85)


@given(speeds, lobes_of, shares, st.floats(0.0, 0.99))
def test_an_even_shaft_is_read_as_it_turns(rpm: float, lobes: int, share: float, at: float) -> None:
    opens = even(lobes, at * 360.0 / lobes + 1e-3)
    shaft = Shaft(rpm, opens, share * 360.0 / lobes)
    for turns in (Turns(shaft.index()), Turns(shaft.index(), shaft.encoder(), PULSES)):
        r = read(shaft.contacts(), turns, lobes)
        assert r.revolution_s == pytest.approx(60.0 / rpm, rel=1e-9)
        assert r.dwell_deg == pytest.approx(shaft.dwell_deg, rel=1e-6)
        assert r.steady
        if r.place_deg is not None:
            pitch = 360.0 / lobes
            off = (r.place_deg - opens.mean() + 0.5 * pitch) % pitch - 0.5 * pitch
            assert off == pytest.approx(0.0, abs=1e-6)


@given(speeds, st.integers(2, 12), st.integers(0, 10**6))
def test_uneven_lobes_do_not_count(rpm: float, lobes: int, seed: int) -> None:
    """Speed and dwell are those of whole revolutions, wherever in one it ends."""
    rng = np.random.default_rng(seed)
    opens = even(lobes) + rng.uniform(-0.1, 0.1, lobes) * 360.0 / lobes
    shaft = Shaft(rpm, opens, 0.5 * 360.0 / lobes, turns=float(rng.uniform(3.5, 5.0)))
    r = read(shaft.contacts(), Turns(shaft.index()), lobes)
    assert r.revolution_s == pytest.approx(60.0 / rpm, rel=1e-9)
    assert r.dwell_deg == pytest.approx(shaft.dwell_deg, rel=1e-6)


@given(st.floats(100.0, 3000.0), lobes_of, shares, st.floats(-0.05, 0.05))
def test_a_speed_that_changes(rpm: float, lobes: int, share: float, change: float) -> None:
    """By up to 5 % a turn: the dwell is told to second order, by the encoder as it is."""
    shaft = Shaft(rpm, even(lobes), share * 360.0 / lobes, rise=change * rpm / 60.0)
    r = read(shaft.contacts(), Turns(shaft.index()), lobes)
    assert r.revolution_s == pytest.approx(60.0 / shaft.rpm(), rel=1e-9)
    assert r.dwell_deg == pytest.approx(shaft.dwell_deg, rel=5e-3)
    by_encoder = read(shaft.contacts(), Turns(shaft.index(), shaft.encoder(), PULSES), lobes)
    assert by_encoder.dwell_deg == pytest.approx(shaft.dwell_deg, rel=1e-4)


@given(speeds, st.integers(1, 12), st.integers(0, 10**6))
def test_ripple_within_the_turn_does_not_count_with_an_encoder(
    rpm: float, lobes: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    ripple, phase = rng.uniform(0.0, 0.003), rng.uniform(0.0, 2.0 * np.pi)

    class Rippling(Shaft):
        def time_s(self, turned: np.ndarray) -> np.ndarray:
            wave = ripple * np.sin(2.0 * np.pi * 2.0 * turned + phase)
            return (turned + wave) / self.speed

    shaft = Rippling(rpm, even(lobes), 0.6 * 360.0 / lobes)
    r = read(shaft.contacts(), Turns(shaft.index(), shaft.encoder(), PULSES), lobes)
    assert r.dwell_deg == pytest.approx(shaft.dwell_deg, rel=1e-3)


@given(st.integers(0, 10**6))
def test_lost_encoder_pulses_leave_a_gap_that_is_counted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shaft = Shaft(600.0, even(4), 52.0)
    pulses = shaft.encoder()
    first = int(rng.integers(5, len(pulses) - 60))
    kept = np.delete(pulses, np.arange(first, first + int(rng.integers(1, 30))))
    r = read(shaft.contacts(), Turns(None, kept, PULSES), 4)
    assert r.revolution_s == pytest.approx(0.1, rel=1e-9)
    assert r.dwell_deg == pytest.approx(52.0, rel=1e-6)


@given(st.floats(1.3, 2.2), lobes_of, shares)
def test_from_rest_no_encoder_pulse_is_taken_for_lost(
    turns: float, lobes: int, share: float
) -> None:
    """Steadily faster from standing still: the first spans are many times the last."""
    shaft = Shaft(1e-3, even(lobes), share * 360.0 / lobes, rise=4e5, turns=turns)
    r = read(shaft.contacts(), Turns(None, shaft.encoder(), PULSES), lobes)
    if r.dwell_deg is not None:
        assert r.dwell_deg == pytest.approx(shaft.dwell_deg, rel=0.02)


def test_edges_of_the_encoder_may_come_after_the_samples_of_their_time() -> None:
    shaft = Shaft(3000.0, even(4), 52.0)
    pulses = shaft.encoder()
    late = pulses[pulses < shaft.contacts().time_s[-1] - 1e-3]
    r = read(shaft.contacts(), Turns(None, late, PULSES), 4)
    assert r.dwell_deg == pytest.approx(52.0, rel=1e-6)


@pytest.mark.parametrize("with_encoder", [False, True])
@pytest.mark.parametrize("gone", [-2, -3, -4])
def test_an_opening_that_is_missing_makes_no_dwell(gone: int, with_encoder: bool) -> None:
    shaft = Shaft(600.0, even(4), 52.0)
    c = shaft.contacts()
    kept = c.take(np.delete(np.arange(len(c)), gone))
    turns = Turns(shaft.index(), shaft.encoder() if with_encoder else None, PULSES)
    r = read(kept, turns, 4)
    assert r.dwell_deg is None
    assert r.place_deg is None
    assert r.revolution_s == pytest.approx(0.1, rel=1e-9)


def test_a_touch_without_a_sign_is_that_lobes_of_the_turn_before() -> None:
    shaft = Shaft(600.0, even(2), 52.0)
    c = shaft.contacts()
    # Lobes of different dwell: the mean of the others would not do.
    longer = np.where(np.arange(len(c)) % 2 == 0, 0.004, 0.0)
    c = openings(c.time_s, c.touch_s - longer)
    whole = read(c, Turns(), 2).dwell_deg
    c.valid[-2] = False
    assert read(c, Turns(), 2).dwell_deg == pytest.approx(whole, rel=1e-9)
    c.valid[:] = False
    assert read(c, Turns(), 2).dwell_deg is None


def test_without_index_encoder_and_lobes_only_the_pitch_is_told() -> None:
    shaft = Shaft(600.0, even(4), 54.0)
    r = read(shaft.contacts(), Turns(), None)
    assert (r.revolution_s, r.lobes, r.dwell_deg) == (None, None, None)
    assert r.pitch_s == pytest.approx(0.025, rel=1e-9)
    assert r.closed == pytest.approx(0.6, rel=1e-9)


@given(speeds, lobes_of)
def test_an_encoder_alone_tells_the_lobes(rpm: float, lobes: int) -> None:
    shaft = Shaft(rpm, even(lobes), 0.5 * 360.0 / lobes)
    r = read(shaft.contacts(), Turns(None, shaft.encoder(), PULSES), None)
    assert r.lobes == lobes
    assert r.dwell_deg == pytest.approx(shaft.dwell_deg, rel=1e-6)


def test_points_that_have_stopped_opening() -> None:
    """The shaft turns on: its speed is told, and nothing of the points."""
    shaft = Shaft(600.0, even(4), 52.0, turns=9.3)
    c = shaft.contacts()
    early = c.take(c.time_s < 0.5)
    for turns in (Turns(shaft.index()), Turns(None, shaft.encoder(), PULSES)):
        r = read(early, turns, 4)
        assert r.revolution_s == pytest.approx(0.1, rel=1e-9)
        assert (r.opened_s, r.closed, r.place_deg) == (None, None, None)
        assert read(None, turns, 4).revolution_s == pytest.approx(0.1, rel=1e-9)


def test_nothing_tells_nothing() -> None:
    assert read(None, Turns(), 4) == Reading()


@given(st.integers(1, 12), st.integers(0, 10**6))
def test_false_index_pulses_do_not_make_other_lobes(lobes: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    shaft = Shaft(600.0, even(lobes), 0.5 * 360.0 / lobes, turns=30.0)
    time_s, rising = shaft.index()
    false = rng.uniform(0.0, 3.0, 6)
    time_s = np.concatenate([time_s, false])
    rising = np.concatenate([rising, np.ones(6, bool)])
    order = np.argsort(time_s)
    turns = Turns((time_s[order], rising[order]))
    votes = Votes()
    c = shaft.contacts()
    for end in np.linspace(0.2, 3.0, 30):
        votes.add(c.time_s[c.time_s < end], turns)
    assert votes.lobes == lobes
