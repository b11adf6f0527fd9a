"""Edges of points that switch a coil, on closed-form waveforms (``waves``)."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.coil import learn_coil, learn_ramp, place_ramps
from breakerbench.edges.crossings import Crossings
from breakerbench.edges.shapes import LN2, Response
from breakerbench.edges.touch import learn_front, place_touches

from .waves import Wave, falls_in, windows

LOW = 125.0


def touches(
    rng: np.random.Generator,
    count: int,
    tau: float,
    w: float,
    amplitude: tuple[float, float],
    rest: float = 1000.0,
    noise: float = 4.0,
    top: float = np.inf,
    bottom: float = -np.inf,
) -> tuple[Crossings, np.ndarray]:
    """Touches at random places out of a ring of random phase: crossings, and true instants."""
    rows, at, true = [], [], []
    while len(rows) < count:
        t0 = 100.0 + rng.uniform()
        size = rng.uniform(*amplitude)
        phase = rng.uniform(0, 2 * np.pi)
        wave = Wave(tau).ring(
            0.0, rest, rest + size * np.cos(phase), -size * w * np.sin(phase), w, 30.0
        )
        wave.level(t0, 0.0)
        row = wave.at(np.arange(200.0)) + rng.normal(0, noise, 200)
        row = np.rint(row).clip(bottom, top)
        k = falls_in(row, LOW, t0)
        rows.append(row)
        at.append(k)
        true.append(t0)
    return windows(rows, at, max(noise, 0.3)), np.array(true) + tau * LN2


@pytest.mark.parametrize("tau", [0.53, 0.88, 1.33, 2.65])
@pytest.mark.parametrize("w", [0.04, 0.12, 0.3])
def test_touch_out_of_a_ring_is_placed_within_its_u(tau: float, w: float) -> None:
    rng = np.random.default_rng(3)
    c, true = touches(rng, 300, tau, w, (0.0, 900.0))
    r = Response(tau, coil=True, ring=w)
    placed = place_touches(c, r)
    error = placed.at - true
    assert np.isfinite(placed.u).all()
    assert np.sqrt(np.mean(error**2)) < 0.1
    assert np.sqrt(np.mean((error / placed.u) ** 2)) < 1.6
    assert np.abs(error.mean()) < 0.02


def test_touch_while_the_ring_passes_closed_says_how_little_it_shows() -> None:
    rng = np.random.default_rng(4)
    rows, at, true = [], [], []
    for _ in range(200):
        t0 = 100.0 + rng.uniform()
        # The ring stands within half a volt of closed when the touch comes.
        wave = Wave(1.33).ring(0.0, 1000.0, 1000.0, 0.0, 0.05, 30.0)
        size = 2500.0 / np.exp(-0.05 / 60.0 * t0)
        wave.pieces[0] = (0.0, 1000.0, 0.0, complex(-0.05 / 60.0, 0.05))
        phase = np.arccos(-1000.0 / 2500.0) + rng.uniform(-0.05, 0.05) - 0.05 * t0
        wave.pieces[0] = (0.0, 1000.0, size * np.exp(1j * phase), wave.pieces[0][3])
        wave.level(t0, 0.0)
        row = np.rint(wave.at(np.arange(200.0)) + rng.normal(0, 4.0, 200))
        rows.append(row)
        at.append(falls_in(row, LOW, t0 - 6.0))
        true.append(t0)
    c = windows(rows, at)
    placed = place_touches(c, Response(1.33, coil=True, ring=0.05))
    error = placed.at - np.array(true) - 1.33 * LN2
    assert np.sqrt(np.mean(error**2)) < 0.5
    assert np.sqrt(np.mean((error / placed.u) ** 2)) < 2.0


def test_touch_from_beyond_the_rail_is_late_by_what_is_not_seen_and_says_so() -> None:
    rng = np.random.default_rng(5)
    c, true = touches(rng, 200, 1.33, 0.03, (0.0, 300.0), rest=3500.0, top=2047.0)
    placed = place_touches(c, Response(1.33, coil=True, ring=0.03, top=2047.0))
    error = placed.at - true
    assert np.abs(error).max() < 1.5
    assert (np.abs(error) < 3.0 * placed.u).all()
    assert placed.u.min() > 0.3


def test_touch_while_the_cut_off_ring_is_below_closed_left_no_sign() -> None:
    """A converter from zero volts up: the ring below zero looks like the closed contact."""
    rng = np.random.default_rng(6)
    rows, at = [], []
    for _ in range(50):
        t0 = 100.0 + rng.uniform(0, 20)
        wave = Wave(1.33).ring(0.0, 1000.0, -400.0, -60.0, 0.05, 30.0)
        phase = rng.uniform(-0.1, 0.1)
        size = 3000.0
        wave.pieces[0] = (
            0.0, 1000.0, size * np.exp(1j * (np.pi - 1.0 + phase - 0.05 * 100.0)),
            complex(0.0, 0.05),
        )  # fmt: skip
        wave.level(t0, -20.0)
        row = np.rint(wave.at(np.arange(220.0)) + rng.normal(0, 4.0, 220)).clip(0.0, None)
        inside = np.flatnonzero(row[60:] <= LOW)
        rows.append(row)
        at.append(60 + int(inside[0]))
    c = windows(rows, at)
    r = Response(1.33, coil=True, ring=0.05, closed=-20.0, cut_closed=True)
    placed = place_touches(c, r)
    assert np.isnan(placed.u).mean() > 0.9


@pytest.mark.parametrize("tau", [0.53, 0.88, 1.33, 2.65])
def test_time_constant_is_learned_out_of_ringing_touches(tau: float) -> None:
    rng = np.random.default_rng(7)
    c, _ = touches(rng, 64, tau, 0.1, (0.0, 900.0))
    learned = learn_front(c, np.inf, -np.inf)[0]
    assert learned == pytest.approx(tau, rel=0.04)


@pytest.mark.parametrize(("ahead", "size"), [((-4.0, 2.0), 330.0), ((3.0, 9.0), 345.0)])
def test_time_constant_is_learned_though_most_touches_come_at_the_turn_of_the_ring(
    ahead: tuple[float, float], size: float
) -> None:
    """A ring that decays into closed falls like a front end, only slower; a few plain falls tell."""
    rng = np.random.default_rng(13)
    rows, at = [], []
    for n in range(64):
        t0 = 100.0 + rng.uniform()
        turn = t0 - (rng.uniform(*ahead) if n % 5 else rng.uniform(-14.0, -8.0))
        rate = complex(-0.004, 0.2)
        wave = Wave(1.06)
        wave.pieces.append((0.0, 300.0, -size * np.exp(-rate * turn), rate))
        wave.level(t0, 0.0)
        row = np.rint(wave.at(np.arange(200.0)) + rng.normal(0, 4.0, 200))
        rows.append(row)
        at.append(falls_in(row, 61.0, t0 - 16.0))
    tau = learn_front(windows(rows, at, swing=245.0), np.inf, -np.inf)[0]
    assert tau == pytest.approx(1.06, rel=0.05)


def test_no_front_end_is_learned_where_edges_are_sharp() -> None:
    rng = np.random.default_rng(8)
    c, true = touches(rng, 64, 0.0, 0.1, (0.0, 900.0))
    tau, _, cut, _ = learn_front(c, np.inf, -np.inf)
    assert tau < 0.05
    assert not cut
    placed = place_touches(c, Response(tau, coil=True, ring=0.1))
    assert np.abs(placed.at - true).max() < 0.75
    assert placed.u.min() > 0.2


@pytest.mark.parametrize("level", [-20.0, -60.0])
def test_cut_off_closed_level_is_found_under_the_rail(level: float) -> None:
    rng = np.random.default_rng(9)
    rows, at = [], []
    for _ in range(64):
        t0 = 100.0 + rng.uniform()
        wave = Wave(1.33).level(0.0, rng.uniform(900.0, 1100.0)).level(t0, level)
        row = np.rint(wave.at(np.arange(200.0)) + rng.normal(0, 4.0, 200)).clip(0.0, None)
        rows.append(row)
        at.append(falls_in(row, LOW, t0))
    tau, closed, cut, _ = learn_front(windows(rows, at), np.inf, -np.inf)
    assert cut
    assert tau == pytest.approx(1.33, rel=0.06)
    assert closed == pytest.approx(level, abs=12.0)


def openings(
    rng: np.random.Generator, count: int, tau: float, slope: float, w: float, top: float
) -> tuple[Crossings, np.ndarray]:
    rows, at, true = [], [], []
    for _ in range(count):
        t0 = 100.0 + rng.uniform()
        wave = Wave(tau).level(0.0, 0.0).ring(t0, 500.0, 0.0, slope, w, 10.0)
        row = np.rint(wave.at(np.arange(200.0)) + rng.normal(0, 4.0, 200)).clip(None, top)
        k = 100
        while row[k] <= LOW:
            k += 1
        rows.append(row)
        at.append(k)
        true.append(t0)
    return windows(rows, at, out=True), np.array(true) + tau * LN2


@pytest.mark.parametrize(("slope", "top"), [(400.0, 2047.0), (3000.0, 2047.0), (20000.0, 2047.0)])
@pytest.mark.parametrize("tau", [0.53, 1.33])
def test_openings_are_placed_where_the_ramp_begins(slope: float, top: float, tau: float) -> None:
    rng = np.random.default_rng(10)
    c, true = openings(rng, 200, tau, slope, 0.1, top)
    ramp = learn_ramp(c, tau, top)
    placed = place_ramps(c, Response(tau, coil=True, ramp=ramp, top=top))
    error = placed.at - true
    assert np.abs(error.mean()) < 0.12
    assert np.abs(error).max() < 0.8
    # The scatter has this taken off: too large a u is as wrong as too small a one.
    spread, said = error.std(), np.sqrt(np.mean(placed.u**2))
    assert spread < 1.5 * said
    assert said < 1.5 * spread + 0.04


def test_sampling_too_slow_for_a_ramp_is_noticed() -> None:
    """A ring of three samples a period is over before two samples lie on its ramp."""
    rng = np.random.default_rng(11)
    c, true = openings(rng, 200, 0.1, 4000.0, 2.1, 1e9)
    ramp = learn_ramp(c, 0.1, np.inf)
    assert ramp == np.inf
    placed = place_ramps(c, Response(0.1, coil=True, ramp=ramp))
    error = placed.at - true
    assert np.abs(error).max() < 1.0
    assert placed.u.min() > 0.25


def test_all_is_learned_from_one_set_of_edges() -> None:
    rng = np.random.default_rng(12)
    touch, _ = touches(rng, 64, 1.33, 0.06, (0.0, 900.0))
    leave, _ = openings(rng, 64, 1.33, 1000.0, 0.06, 2047.0)
    r = learn_coil(touch, leave, np.inf)
    assert r.coil
    assert r.tau == pytest.approx(1.33, rel=0.04)
    assert r.ring == pytest.approx(0.06, rel=0.3)
    assert r.ramp == pytest.approx(1000.0, rel=0.1)
    assert r.top == pytest.approx(2047.0)
    assert not r.cut_closed
