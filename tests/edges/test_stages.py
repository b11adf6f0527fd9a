"""Each stage of the edges alone, on waveforms and pulses in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.edges.angle import Angle
from breakerbench.edges.crossings import (
    POST,
    PRE,
    CrossingFinder,
    Crossings,
    Rechunk,
    changes,
)
from breakerbench.edges.index import IndexCleaner
from breakerbench.edges.lengths import _second_largest
from breakerbench.edges.levels import learn_levels
from breakerbench.edges.logic import LogicEdges
from breakerbench.edges.place import (
    EdgeShape,
    learn_response,
    place_closings,
    place_openings,
    place_steps,
    rise_shape,
    search_rise,
)
from breakerbench.edges.shapes import LN2

RATE = 250e3
BLOCK = 1 << 15


def contact_trace(
    dwell: int, pitch: int, count: int, *, high: float = 1200.0, noise: float = 4.0, seed: int = 0
) -> np.ndarray:
    """Ideal dry contact: closed ``dwell`` samples of each ``pitch``, open at ``high`` counts."""
    x = np.where(np.arange(pitch * count) % pitch < dwell, 0.0, high)
    return x + noise * np.random.default_rng(seed).standard_normal(len(x))


@given(
    st.lists(st.integers(1, 100_000), min_size=1, max_size=8),
    st.integers(0, 3 * BLOCK),
)
def test_rechunk_cuts_at_fixed_places_however_it_is_fed(sizes: list[int], first: int) -> None:
    x = np.arange(sum(sizes), dtype=np.int64).astype(np.int16)
    chunk = Rechunk(BLOCK)
    blocks, at = [], 0
    for size in sizes:
        blocks += [(f, b.copy()) for f, b in chunk.feed(first + at, x[at : at + size])]
        at += size
    rest = chunk.rest()
    if rest is not None:
        blocks.append((rest[0], rest[1].copy()))
    assert np.array_equal(np.concatenate([b for _, b in blocks]), x)
    assert all((f + len(b)) % BLOCK == 0 for f, b in blocks[:-1])
    assert [f for f, _ in blocks] == (first + np.cumsum([0, *map(len, [b for _, b in blocks])]))[
        :-1
    ].tolist()


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("volts", [6.0, 12.0])
def test_levels_are_found_for_either_polarity_and_voltage(sign: int, volts: float) -> None:
    x = sign * contact_trace(500, 900, 60, high=100 * volts)
    levels = learn_levels(x, 0.0, 100.0)
    assert levels is not None
    assert not levels.coil
    assert levels.sign == sign
    assert levels.closed == pytest.approx(0.0, abs=2.0)
    assert levels.swing == pytest.approx(100 * volts, rel=0.02)
    assert levels.noise == pytest.approx(4.0, rel=0.1)


def test_hum_at_rest_is_no_contact() -> None:
    t = np.arange(200_000) / RATE
    assert learn_levels(120.0 * np.sin(2 * np.pi * 50 * t), 0.0, 100.0) is None


def test_crossings_are_the_changes_of_state() -> None:
    x = contact_trace(500, 900, 200).astype(np.int16)
    finder = CrossingFinder(0.0, 100.0)
    found = [*finder.feed(0, x), *finder.finish()]
    at = np.concatenate([c.at for c in found])
    out = np.concatenate([c.out for c in found])
    expected = np.sort(np.concatenate([np.arange(200) * 900 + 500, np.arange(1, 200) * 900]))
    assert np.array_equal(at, expected[expected + POST <= len(x)])
    assert np.array_equal(out, at % 900 == 500)


def steps(tau: float, rise: float, begin: np.ndarray, noise: float, seed: int) -> Crossings:
    """Openings of a known shape from closed (0) to 1,000 counts, beginning at ``begin`` samples."""
    first = np.floor(begin + 0.3 * (tau + rise)).astype(np.int64)
    columns = np.arange(-PRE, POST) + first[:, None] - begin[:, None]
    if tau == rise == 0.0:
        w = np.where(columns > 0.0, 1.0, 0.0)
    elif rise == 0.0:
        w = np.where(columns > 0.0, 1.0 - np.exp(-np.maximum(columns, 0.0) / tau), 0.0)
    else:
        w = rise_shape(columns, tau, rise)[0]
    n = len(begin)
    w = 1000.0 * w + noise * np.random.default_rng(seed).standard_normal(w.shape)
    full = np.full(n, 1000.0)
    return Crossings(first, np.ones(n, bool), w, np.zeros(n), full, np.full(n, noise))


@given(st.floats(0.3, 2.5), st.sampled_from([0.0, 0.5, 1.5]), st.integers(0, 1 << 30))
def test_edges_are_placed_between_samples(tau: float, rise: float, seed: int) -> None:
    begin = 1000.0 * np.arange(1, 101) + np.random.default_rng(seed).uniform(0, 1, 100)
    c = steps(tau, rise, begin, 4.0, seed)
    placed = place_steps(c, np.zeros(100), np.full(100, 1000.0), EdgeShape(tau, rise), tau)
    error = placed.at - begin - tau * LN2
    assert np.abs(error).max() < 0.12
    assert abs(error.mean()) < 0.01


def test_an_ideal_step_lies_half_way_and_says_so() -> None:
    begin = 1000.0 * np.arange(1, 101) + np.linspace(0.01, 0.99, 100)
    c = steps(0.0, 0.0, begin, 0.0, 0)
    # An ideal step at b first shows in the next sample.
    c = Crossings(c.at + 1, c.out, np.roll(c.held, -1, axis=1), c.closed, c.swing, c.noise)
    placed = place_steps(c, np.zeros(100), np.full(100, 1000.0), EdgeShape(0.0), 0.0)
    assert np.abs(placed.at - begin).max() <= 0.5
    assert placed.u == pytest.approx(1 / np.sqrt(12))


@pytest.mark.parametrize("rise", [0.4, 1.0, 5.0, 20.0, 60.0])
def test_the_rise_of_a_condenser_is_found(rise: float) -> None:
    begin = 1000.0 * np.arange(1, 65) + np.random.default_rng(1).uniform(0, 1, 64)
    # The crossing found is where the band is left, at a quarter of the way.
    c = steps(1.33, rise, begin, 4.0, 1)
    found, u = search_rise(c, np.full(64, 1000.0), 1.33)
    assert found == pytest.approx(rise, rel=0.02, abs=0.02)
    assert u < 0.05 * rise


@given(st.floats(0.0, 0.03), st.floats(1.0, 5.0), st.integers(0, 1 << 30))
def test_pulses_of_a_noisy_line_are_found(noise: float, height: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = np.zeros(50_000)
    starts = np.arange(10) * 5000 + rng.integers(100, 4000, 10)
    for s in starts:
        line[s : s + 300] = 1.0
    x = (height * (line + noise * rng.standard_normal(len(line)))).astype(np.float32)
    found = LogicEdges("index", RATE).feed(0, x)
    rising = found.time_s[found.rising] * RATE
    assert len(rising) == 10
    assert np.abs(rising - (starts - 0.5)).max() <= 1.0


def pulses(times: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    t = np.stack([times, times + width], axis=1).ravel()
    return t, np.tile([True, False], len(times))


def cleaned(times: np.ndarray, rising: np.ndarray, lobes: int = 4) -> tuple[list, IndexCleaner]:
    """Knots for index edges on a shaft that turns once in 0.05 s; openings every 90 degrees."""
    cleaner = IndexCleaner(lobes)
    opening = np.arange(0, 4 * 60) * 0.0125 + 0.004
    cleaner.add(times, rising)
    return cleaner.take(opening, np.arange(len(opening), dtype=float), final=True), cleaner


def test_missing_doubled_spurious_and_inverted_index_pulses() -> None:
    true = np.arange(1, 55) * 0.05
    faulty = np.delete(true, [7, 20, 21])
    extra = np.array([0.05 * 30 + 0.0006, 0.05 * 12 + 0.021, 0.05 * 40 + 0.017])
    t, r = pulses(np.sort(np.concatenate([faulty, extra])), 0.0002)
    for sense in (r, ~r):
        knots, cleaner = cleaned(t, sense)
        assert [k[0] for k in knots] == pytest.approx(faulty.tolist())
        turns = np.diff([k[1] for k in knots])
        assert turns.tolist() == np.rint(np.diff(faulty) / 0.05).tolist()
        assert (cleaner.report.missing, cleaner.report.doubled, cleaner.report.spurious) == (
            3,
            1,
            2,
        )
    assert cleaner.report.inverted


def test_the_lobes_are_counted_where_nobody_told() -> None:
    t, r = pulses(np.arange(1, 55) * 0.05, 0.001)
    cleaner = IndexCleaner(None)
    opening = np.arange(0, 6 * 60) * 0.05 / 6 + 0.004
    cleaner.add(t, r)
    cleaner.take(opening, np.arange(len(opening), dtype=float), final=True)
    assert cleaner.lobes == 6


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("edges", [1, 2, 3])
def test_a_few_edges_after_a_hole_do_not_turn_the_index_over(edges: int, inverted: bool) -> None:
    t, r = pulses(np.arange(1, 30) * 0.05, 0.0002)
    _, cleaner = cleaned(t, r ^ inverted)
    for n in range(20):
        cleaner.cut()
        opening = 3.0 + n + np.arange(8) * 0.0125
        some, rising = pulses(3.0 + n + np.array([0.01, 0.06]), 0.0002)
        cleaner.add(some[:edges], (rising ^ inverted)[:edges])
        cleaner.take(opening, np.arange(8.0), final=True)
        assert cleaner.report.inverted == inverted


def test_one_pulse_alone_does_not_tell_how_the_line_idles() -> None:
    t, r = pulses(np.array([0.05]), 0.0002)
    assert not cleaned(t, r)[1].report.inverted


@pytest.mark.parametrize("true", [1, 2, 3, 5, 8, 12])
@pytest.mark.parametrize("told", [1, 4, 6])
def test_a_wrong_number_of_lobes_told_does_not_win(true: int, told: int) -> None:
    rng = np.random.default_rng(true + 100 * told)
    time = np.arange(1, 55) * 0.05
    t, r = pulses(time[rng.random(len(time)) > 0.1], 0.001)
    cleaner = IndexCleaner(told)
    opening = np.arange(0, true * 60) * 0.05 / true + 0.004
    cleaner.add(t, r)
    cleaner.take(opening, np.arange(len(opening), dtype=float), final=True)
    assert cleaner.lobes == true


@pytest.mark.parametrize("seed", range(8))
def test_a_weak_index_does_not_make_another_cam(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = np.arange(1, 55) * 0.05
    t, r = pulses(time[rng.random(len(time)) > 0.5], 0.001)
    cleaner = IndexCleaner(4)
    opening = np.arange(0, 4 * 60) * 0.0125 + 0.004
    cleaner.add(t, r)
    cleaner.take(opening, np.arange(len(opening), dtype=float), final=True)
    assert cleaner.lobes == 4


def test_angle_from_the_index_follows_a_steady_change_of_speed() -> None:
    # revolutions = 10 t + 2 t^2: a quadratic through the index times is exact but for roundness
    def turn_at(t: np.ndarray) -> np.ndarray:
        return 10.0 * t + 2.0 * t**2

    def time_of(turns: np.ndarray) -> np.ndarray:
        return (-10.0 + np.sqrt(100.0 + 8.0 * turns)) / 4.0

    angle = Angle(None, IndexCleaner(4))
    angle.add_index(*pulses(time_of(np.arange(1.0, 40.0)), 1e-4))
    angle.add_openings(time_of(np.arange(0.0, 41.0, 0.25) + 0.1), final=True)
    t = time_of(np.linspace(2.5, 38.0, 400))
    found, valid = angle.at(t)
    assert valid.all()
    off = found / 360.0 - turn_at(t)
    assert np.ptp(off) * 360.0 < 1e-3


def test_encoder_gaps_are_mended_and_the_angle_kept() -> None:
    pulses_a_turn, period = 360, 0.05
    e = np.arange(0, 40 * pulses_a_turn) * period / pulses_a_turn + 1e-5
    lost = (e > 1.01) & (e < 1.0117)  # twelve pulses of one revolution
    angle = Angle(pulses_a_turn, IndexCleaner(4))
    angle.add_encoder(e[~lost], np.ones(int((~lost).sum()), bool))
    angle.add_index(*pulses(np.arange(1, 39) * period, 1e-4))
    angle.add_openings(np.arange(0, 160) * period / 4 + 0.004, final=True)
    t = np.linspace(0.11, 1.89, 2000)
    found, valid = angle.at(t)
    assert angle.encoder.mended == 1
    off = found - 360.0 * t / period
    assert np.ptp(off[valid]) < 1e-3
    assert (~valid).sum() < 25


@given(data=st.data())
def test_changes_of_a_row_of_flags(data: st.DataObject) -> None:
    """Against the plain comparison: long runs, flickers, and rows that alternate at every place."""
    runs = data.draw(st.lists(st.tuples(st.integers(1, 40), st.booleans()), min_size=1))
    flags = np.concatenate([np.full(n, flag) for n, flag in runs])
    if data.draw(st.booleans()):
        flags = np.concatenate([flags, np.arange(data.draw(st.integers(0, 60))) % 2 == 0, flags])
    if data.draw(st.booleans()):
        flags = np.resize(flags, max(len(flags) // 8, 1) * 8)
    assert changes(flags).tolist() == (np.flatnonzero(flags[1:] != flags[:-1]) + 1).tolist()


@given(values=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=80), size=st.integers(2, 34))
def test_second_largest_of_neighbours(values: list[float], size: int) -> None:
    """Against sorting every window."""
    values += [0.0] * (size - len(values))
    rows = np.lib.stride_tricks.sliding_window_view(np.array(values), size)
    assert _second_largest(np.array(values), size).tolist() == np.sort(rows)[:, -2].tolist()


@pytest.mark.parametrize(
    ("tau", "below"), [(0.7, 0.0), (0.7, 25.0), (0.7, 60.0), (1.33, 25.0), (1.33, 60.0), (2.5, 0.0)]
)
def test_edges_of_a_closed_level_below_the_converter(tau: float, below: float) -> None:
    """A converter that cuts off at zero, closed at ``below`` counts under it: tau and instants hold."""
    rng = np.random.default_rng(8)
    n, level = 64, 1200.0
    columns = np.arange(PRE + POST) - PRE
    phase = rng.uniform(0.0, 1.0, n)
    # Time since the edge began, at the first sample past a quarter of the level.
    falling, rising = phase + tau * np.log(4.0), phase + tau * np.log(4.0 / 3.0)

    def share(since: np.ndarray) -> np.ndarray:
        return np.exp(-np.maximum(columns + since[:, None], 0.0) / tau)

    def shown(volts: np.ndarray) -> np.ndarray:
        return np.maximum(volts - below + 4.0 * rng.standard_normal(volts.shape), 0.0)

    def crossings(window: np.ndarray, out: bool) -> Crossings:
        at = np.arange(n) * 1000
        four = np.full(n, 4.0)
        return Crossings(at, np.full(n, out), window, np.zeros(n), np.full(n, level - below), four)

    touch = crossings(shown(level * share(falling)), out=False)
    leave = crossings(shown(level * (1.0 - share(rising))), out=True)
    response = learn_response(touch, leave, coil=False, top=np.inf)
    assert response.tau == pytest.approx(tau, rel=0.05)
    assert response.rise == 0.0
    for c, place, since in (
        (touch, place_closings, falling),
        (leave, place_openings, rising),
    ):
        error = place(c, response).at - (c.at - since + tau * LN2)
        assert abs(float(np.median(error))) < 0.02


def test_hum_at_rest_on_a_converter_that_cuts_off_at_closed_is_no_contact() -> None:
    """Closed under the rail, noise of four counts, hum that lifts it above the rail now and then."""
    rng = np.random.default_rng(2)
    t = np.arange(1 << 17) / 100e3
    x = np.rint(12.0 * np.sin(2 * np.pi * 60.0 * t) - 8.0 + 4.0 * rng.standard_normal(len(t)))
    assert learn_levels(np.maximum(x, 0.0), 0.0, 82.0) is None
