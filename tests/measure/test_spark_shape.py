"""The shape about a spark's end: smooth joint, closed-form openings, clipping, damage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import Mode, mode_of, seen_through
from breakerbench.measure.spark_end import EXCESS, End, find_end
from breakerbench.measure.spark_figures import usable
from breakerbench.measure.spark_fit import grid_of
from breakerbench.measure.spark_free import MISS, Free, free_share, verdicts
from breakerbench.measure.spark_learn import Learned, learn
from breakerbench.measure.spark_level import levels, rough_end
from breakerbench.measure.spark_openings import Verdicts, Window
from breakerbench.measure.spark_shape import Shape, misfit, squares

from .modes import rates

Floats = NDArray[np.float64]

RATE = 250e3
TAU = 5.3e-3
SHAPE = Shape(mode_of(12000.0, 3000.0), mode_of(2300.0, 1500.0), mode_of(14500.0, 5000.0), TAU)
NOISE = 0.1


def _third(mode: Mode) -> Floats:
    """Value, slope, curvature and third derivative of a mode's shapes at 0, (4, 2)."""
    rows = [np.array([1.0, 0.0])]
    for _ in range(3):
        rows.append(rates(mode) @ rows[-1])
    return np.stack(rows)


def _shape_of(
    t: Floats, shape: Shape, line: float, slope: float, ring: Floats, jump: float
) -> Floats:
    """What the points show about an end at 0 (t in ms), about the level at rest.

    ring  amplitudes of the burn's shapes at the end; jump of the third derivative: the current that
    stops. Three joints and the jump are four equations for the amplitudes of the two modes.
    """
    line_4 = np.array([line, slope, 0.0, 0.0])
    burn = _third(shape.burn) @ ring
    after = np.hstack([_third(shape.slow), _third(shape.fast)])
    modes = np.linalg.solve(after, line_4 + burn + np.array([0.0, 0.0, 0.0, jump]))
    early, late = np.minimum(t, 0.0), np.maximum(t, 0.0)
    tau = shape.tau
    before = line + slope * (early - tau) + seen_through(shape.burn, tau, early) @ ring
    then, at_0 = (
        np.hstack([seen_through(m, tau, when) for m in (shape.slow, shape.fast)]) @ modes
        for when in (late, np.zeros(1))
    )
    before_0 = line - slope * tau + seen_through(shape.burn, tau, np.zeros(1))[0] @ ring
    # The front end follows.
    then = then + np.exp(-late / tau) * (before_0 - at_0)
    return np.where(t < 0.0, before, then)


def opening(
    end_ms: float, rng: np.random.Generator, shape: Shape = SHAPE, line: float = 20.0,
    ring: float = 25.0, open_ms: float = 5.0, clip: float = np.inf, noise: float = NOISE,
) -> Window:  # fmt: skip
    """One opening in closed form: a rise, then line and ring (so high at first), then the modes."""
    lead = float(rng.uniform(0.0, 1.0))
    t = (np.arange(int(open_ms * 1e-3 * RATE)) + lead) / RATE * 1e3
    left = ring * np.exp(-shape.burn.d * end_ms)
    phase = rng.uniform(0.0, 2.0 * np.pi)
    while left * np.cos(phase) > 0.15 * line:  # the gap's current would rise: no end
        phase = rng.uniform(0.0, 2.0 * np.pi)
    at_end = left * np.array([np.cos(phase), np.sin(phase) * np.sqrt(shape.burn.w2)])
    volts = _shape_of(t - end_ms, shape, line, -2.0, at_end, 1.5e6)
    rise = t < 0.05
    volts[rise] = -12.0 + (150.0 + 12.0) * np.sin(t[rise] / 0.05 * np.pi / 2.0)
    volts = volts + rng.normal(0.0, noise, len(t))
    good = np.abs(volts) < clip
    return Window(np.clip(volts, -clip, clip), good, lead, -12.0)


def _found(w: Window, shape: Shape = SHAPE) -> End | None:
    free = Free(shape.slow, shape.fast, shape.tau)
    return find_end(Learned(shape, free, NOISE, shape.burn.hz), grid_of(shape, RATE), w)


def test_the_joint_is_smooth() -> None:
    """Value, slope and curvature of what the points show go on; without a front end."""
    shape = Shape(SHAPE.burn, SHAPE.slow, SHAPE.fast, 0.0)
    h = 1e-4
    t = np.array([-3 * h, -2 * h, -h, h, 2 * h, 3 * h])
    for k, y in enumerate(shape.columns(t).T):
        # Extrapolated from either side, by the parabola through three points.
        left, right = 3 * y[2] - 3 * y[1] + y[0], 3 * y[3] - 3 * y[4] + y[5]
        size = np.abs(shape.columns(np.linspace(-0.1, 0.1, 50))[:, k]).max()
        assert left == pytest.approx(right, abs=1e-5 * size)
        slope_l, slope_r = (y[2] - y[1]) / h, (y[4] - y[3]) / h
        assert slope_l == pytest.approx(slope_r, abs=0.02 * size * 100)


def test_squares_are_those_of_a_direct_fit() -> None:
    rng = np.random.default_rng(2)
    columns = SHAPE.columns((np.arange(300) - 150.3) / RATE * 1e3)
    volts, good = rng.normal(0.0, 1.0, 300), rng.random(300) > 0.3
    direct = np.linalg.lstsq(columns[good], volts[good], rcond=None)
    assert squares(columns[None], volts, good)[0][0] == pytest.approx(float(direct[1][0]), rel=1e-6)
    left = misfit(columns, volts, good)
    assert float(left @ left) == pytest.approx(float(direct[1][0]), rel=1e-6)


def test_grid_is_the_shape_on_half_samples() -> None:
    grid = grid_of(SHAPE, RATE)
    part = slice(40, 300)
    for trial in (120.0, 121.5):
        direct = SHAPE.columns((np.arange(40, 300) - trial) / RATE * 1e3)
        assert grid.columns(part, np.array([trial]))[0] == pytest.approx(direct, rel=1e-9)


@settings(max_examples=25)
@given(
    seed=st.integers(0, 10**6), end=st.floats(0.5, 2.5), line=st.floats(8.0, 35.0),
    ring=st.floats(0.0, 40.0),
)  # fmt: skip
def test_end_in_closed_form(seed: int, end: float, line: float, ring: float) -> None:
    w = opening(end, np.random.default_rng(seed), line=line, ring=ring)
    found = _found(w)
    assert found is not None
    assert found.samples / RATE * 1e3 == pytest.approx(end, abs=0.008)
    assert found.excess < EXCESS
    assert usable(found, SHAPE.burn.hz, NOISE, RATE)


def test_end_of_a_clipped_ring() -> None:
    """Half of the ring beyond the converter's reach: what is left tells the end as well."""
    for seed in range(6):
        w = opening(1.2, np.random.default_rng(seed), ring=160.0, clip=38.0)
        assert (~w.good).mean() * 5.0 / 1.2 > 0.1
        found = _found(w)
        assert found is not None
        assert found.samples / RATE * 1e3 == pytest.approx(1.2, abs=0.01)


def test_u_of_an_end_covers_its_noise() -> None:
    errors, u = [], []
    for seed in range(80):
        w = opening(1.0, np.random.default_rng(seed), noise=0.5)
        found = find_end(
            Learned(SHAPE, Free(SHAPE.slow, SHAPE.fast, TAU), 0.5, SHAPE.burn.hz),
            grid_of(SHAPE, RATE),
            w,
        )
        assert found is not None
        errors.append(found.samples / RATE - 1.0e-3)
        u.append(found.u / RATE)
    assert float(np.std(errors)) == pytest.approx(float(np.median(u)), rel=0.5)


def test_a_line_to_the_next_closing_has_no_end() -> None:
    w = opening(5.0, np.random.default_rng(3), open_ms=2.0)
    assert _found(w) is None


def test_a_restrike_is_not_taken_for_one_line() -> None:
    """The gap goes out, rings, and strikes again for a while: the fit leaves too much."""
    rng = np.random.default_rng(4)
    one, two = opening(0.8, rng), opening(1.25, rng, ring=90.0)
    at = np.arange(len(one)) / RATE * 1e3
    volts = np.where((at < 0.8) | (at > 1.25), one.volts, two.volts)
    volts = np.where((at > 0.8) & (at < 0.9), one.volts, volts)
    volts = np.where(at > 1.25, two.volts, volts)
    found = _found(Window(volts, one.good, one.lead, one.closed))
    assert found is None or found.excess > EXCESS or found.samples / RATE > 1.2e-3


def _miss(rng: np.random.Generator, clip: float = np.inf) -> Window:
    """Sine phases of both modes from the closed level on."""
    lead = float(rng.uniform(0.0, 1.0))
    t = (np.arange(1200) + lead) / RATE * 1e3
    slow, fast = SHAPE.slow, SHAPE.fast
    amps = np.array([-9.0, 220.0 * np.sqrt(slow.w2)]), np.array([-3.0, 90.0 * np.sqrt(fast.w2)])
    volts = np.zeros(len(t))
    for m, a in zip((slow, fast), amps, strict=True):
        volts += seen_through(m, TAU, t) @ a
    volts += rng.normal(0.0, NOISE, len(t))
    return Window(np.clip(volts, -clip, clip), np.abs(volts) < clip, lead, -12.0)


@pytest.mark.parametrize("clip", [np.inf, 50.0])
def test_misses_and_sparks_are_told_apart(clip: float) -> None:
    rng = np.random.default_rng(8)
    free = Free(SHAPE.slow, SHAPE.fast, TAU)
    windows = [_miss(rng, clip) for _ in range(5)] + [
        opening(end, rng, clip=clip, ring=60.0) for end in (0.4, 0.8, 1.5, 2.5)
    ]
    share = np.array([free_share(free, w, RATE) for w in windows])
    assert (share[:5] < MISS).all()
    assert (share[5:] > 0.1).all()
    volts = np.stack([w.volts[:600] for w in windows])
    good = np.stack([w.good[:600] for w in windows])
    lead = np.array([w.lead for w in windows])
    told = verdicts(free, NOISE, volts, good, lead, -12.0, RATE)
    assert told.tolist() == [Verdicts.MISS] * 5 + [Verdicts.SPARK] * 4


def test_burn_that_outlasts_the_opening_is_no_miss() -> None:
    """Its ring about a level that was taken for the feed is a free ring, but of the quick mode."""
    rng = np.random.default_rng(9)
    free = Free(mode_of(1600.0, 9000.0), SHAPE.burn, TAU)
    t = np.arange(600) / RATE * 1e3
    volts = seen_through(SHAPE.burn, TAU, t) @ np.array([-12.0, 120.0 * np.sqrt(SHAPE.burn.w2)])
    volts = volts + rng.normal(0.0, NOISE, 600)
    w = Window(volts, np.ones(600, bool), 0.5, -12.0)
    assert free_share(free, w, RATE) == 1.0
    told = verdicts(free, NOISE, volts[None], w.good[None], np.array([0.5]), -12.0, RATE)
    assert told.tolist() == [Verdicts.SPARK]


def test_nothing_there_is_not_told() -> None:
    rng = np.random.default_rng(10)
    free = Free(SHAPE.slow, SHAPE.fast, TAU)
    volts = rng.normal(0.0, NOISE, (2, 600))
    good = np.ones((2, 600), bool)
    good[1] = False
    told = verdicts(free, NOISE, volts, good, np.zeros(2), -0.1, RATE)
    assert told.tolist() == [Verdicts.UNTOLD] * 2


def test_modes_are_learned_from_the_openings() -> None:
    rng = np.random.default_rng(11)
    windows = [opening(float(e), rng, ring=60.0) for e in rng.uniform(0.8, 1.6, 24)]
    learned = learn(windows, NOISE, RATE, TAU)
    assert learned is not None
    assert learned.shape is not None
    assert learned.shape.burn.hz == pytest.approx(SHAPE.burn.hz, rel=0.01)
    assert learned.shape.slow.hz == pytest.approx(SHAPE.slow.hz, rel=0.01)
    assert learned.shape.fast.hz == pytest.approx(SHAPE.fast.hz, rel=0.1)


@pytest.mark.parametrize("windows", [
    [],
    [Window(np.zeros(400), np.ones(400, bool), 0.5, -12.0)] * 20,
    [Window(np.full(400, 50.0), np.zeros(400, bool), 0.5, -12.0)] * 20,
    [Window(np.zeros(3), np.ones(3, bool), 0.5, -12.0)] * 20,
])  # fmt: skip
def test_nothing_to_learn_from(windows: list[Window]) -> None:
    assert learn(windows, NOISE, RATE, TAU) is None


def test_noise_alone_teaches_no_spark() -> None:
    rng = np.random.default_rng(12)
    windows = [
        Window(rng.normal(0.0, NOISE, 800), np.ones(800, bool), 0.5, -0.01) for _ in range(30)
    ]
    learned = learn(windows, NOISE, RATE, TAU)
    if learned is not None and learned.shape is not None:
        ends = [_found(w, learned.shape) for w in windows]
        assert not any(
            e is not None and usable(e, learned.shape.burn.hz, NOISE, RATE) for e in ends
        )


def test_level_under_a_clipped_ring() -> None:
    """A mean of what the converter cuts off would lie several volts off; the fitted level does not."""
    t = np.arange(500) / RATE
    volts = 20.0 + 60.0 * np.sin(2 * np.pi * 12e3 * t)
    clipped = np.clip(volts, -50.0, 37.0)
    at, level = levels(clipped, np.abs(clipped - volts) < 1e-9, 12e3, RATE)
    inner = (at > 40) & (at < 460)
    assert np.nanmax(np.abs(level[inner] - 20.0)) < 0.5
    assert abs(float(clipped[40:460].mean()) - 20.0) > 3.0
    assert rough_end(at, level, 12e3, RATE) == -1


@settings(max_examples=40)
@given(
    d=st.floats(0.05, 500.0), w2=st.floats(1.0, 1e5), fast_d=st.floats(0.05, 500.0),
    lead=st.floats(0.0, 3.0),
)  # fmt: skip
def test_verdicts_take_any_modes(d: float, w2: float, fast_d: float, lead: float) -> None:
    """Also exponents that are over at once, which are enormous before the first sample."""
    rng = np.random.default_rng(1)
    volts = rng.normal(0.0, 5.0, (3, 510))
    free = Free(Mode(d, w2), Mode(fast_d, 7000.0), TAU)
    told = verdicts(free, NOISE, volts, np.ones_like(volts, bool), np.full(3, lead), -12.0, RATE)
    assert set(told.tolist()) <= {Verdicts.UNTOLD, Verdicts.SPARK, Verdicts.MISS}


def test_an_end_where_the_current_would_rise_is_none() -> None:
    """Half a swing on from the trough the gap's current rises: not taken, however well it fits."""
    columns = SHAPE.columns((np.arange(300) - 150.0) / RATE * 1e3)
    line, ring = 20.0, 15.0
    for value, may in ((-ring, True), (0.0, True), (ring, False)):
        volts = _shape_of(
            (np.arange(300) - 150.0) / RATE * 1e3, SHAPE, line, -2.0, np.array([value, 0.0]), 1e6
        )
        best = np.linalg.lstsq(columns, volts, rcond=None)[0]
        assert bool(SHAPE.may_end(best)) is may
        assert float(SHAPE.line_v(best)) == pytest.approx(line, rel=0.2)
