"""Windows around the contacts: each once, whole, in its place, and never over a hole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.edges.events import Openings
from breakerbench.edges.recent import AFTER_S, BEFORE_S, MOST, Recent, Seen, Windows
from breakerbench.trace import Block, Channel, Header

SLOPE = 1000.0  # of the made signals, a second


def openings(
    opened_s: np.ndarray, touched_s: np.ndarray, seen: np.ndarray | None = None
) -> Openings:
    none, zero = np.full(len(opened_s), np.nan), np.zeros(len(opened_s))
    valid = np.ones(len(opened_s), bool) if seen is None else seen
    return Openings(opened_s, touched_s, none, none, zero, zero, touched_s, zero, valid)


@dataclass
class Made:
    """Signals that rise evenly about each edge, so that straight lines between samples are exact.

    points_v about each opening is SLOPE times the time from it, and so from halfway to it on; about each
    touch likewise. current_a is SLOPE times the time from the last touch.
    """

    rate_hz: float
    opened_s: np.ndarray
    touched_s: np.ndarray
    channels: tuple[Channel, ...]

    @property
    def header(self) -> Header:
        return Header(self.rate_hz, self.channels)

    def block(self, first: int, end: int) -> Block:
        rows = []
        for c in self.channels:
            # What a sample shows happened earlier by the delay, and it was taken later by the offset.
            at = np.arange(first, end) / self.rate_hz + c.offset_s - c.delay_s
            edges = np.sort(np.concatenate([self.opened_s, self.touched_s]))
            if c.name == "current_a":
                place = np.maximum(np.searchsorted(self.touched_s, at, side="right") - 1, 0)
                value = at - self.touched_s[place]
            else:
                middle = 0.5 * (edges[1:] + edges[:-1])
                value = at - edges[np.searchsorted(middle, at)]
            rows.append(((SLOPE * value - c.zero) / c.scale).astype(np.float32))
        return Block(first, tuple(rows))


def made(seed: int, many: int = 30) -> Made:
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([100e3, 167e3, 250e3]))
    pitch_s = float(rng.uniform(8e-3, 30e-3))
    opened_s = pitch_s * (1.0 + np.arange(many)) + rng.uniform(-1e-4, 1e-4, many)
    touched_s = opened_s - pitch_s * rng.uniform(0.5, 0.6) + rng.uniform(-1e-4, 1e-4, many)

    def channel(name: str, unit: str) -> Channel:
        return Channel(
            name, unit, 0.5, 0.25, offset_s=float(rng.uniform(0, 8e-6)),
            delay_s=float(rng.uniform(0, 2e-5)),
        )  # fmt: skip

    return Made(rate_hz, opened_s, touched_s, (channel("points_v", "V"), channel("current_a", "A")))


def fed(m: Made, rng: np.random.Generator, gone: tuple[int, int] | None = None) -> Windows:
    """In blocks of any length; asked now and then, with what has come by then and not over a hole."""
    recent = Recent((0, 1), int(6.0 * m.rate_hz))
    windows, first = Windows(m.header, recent), 0
    end = int((m.opened_s[-1] + 6e-3) * m.rate_hz)
    begun_s = asked_s = 0.0
    while first < end:
        after = min(first + int(rng.choice([1, 300, 2000, 9000])), end)
        if gone is not None and first < gone[0]:
            after = min(after, gone[0])
        elif gone is not None and first == gone[0]:
            first, after = gone[1], gone[1] + 1
            recent.cut(first)
            begun_s = first / m.rate_hz
        recent.add(m.block(first, after))
        first = after
        if first / m.rate_hz - asked_s > 0.25 or rng.random() < 0.5 or first == end:
            asked_s = first / m.rate_hz
            # As placed: the one at the very end is not there yet.
            there = (m.opened_s > begun_s) & (m.opened_s < first / m.rate_hz - 2e-4)
            lately = there & (m.opened_s > first / m.rate_hz - 0.4)
            if lately.any():
                seen = m.touched_s[lately] > begun_s
                windows.collect(openings(m.opened_s[lately], m.touched_s[lately], seen))
    return windows


def seen(found: Seen | None) -> Seen:
    assert found is not None
    k = len(found.time_s)
    assert all(len(x) == k for x in (found.mean, found.low, found.high, found.newest))
    assert (found.low <= found.mean + 1e-3).all()
    assert (found.mean <= found.high + 1e-3).all()
    return found


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_windows_lie_where_the_edges_do_however_the_trace_is_cut(seed: int) -> None:
    m = made(seed)
    windows = fed(m, np.random.default_rng([seed, 1]))
    for found in (seen(windows.opening), seen(windows.touch)):
        assert found.n == len(m.opened_s)
        assert found.time_s[0] == pytest.approx(-BEFORE_S, abs=1.01 / m.rate_hz)
        assert found.time_s[-1] == pytest.approx(AFTER_S, abs=1.01 / m.rate_hz)
        for each in (found.mean, found.low, found.high, found.newest):
            np.testing.assert_allclose(each, SLOPE * found.time_s, atol=5e-3)
    # A point of these is of several samples, and the first of them lies anywhere in the first sample.
    burn, current = seen(windows.burn), seen(windows.current)
    assert burn.n == len(m.opened_s) - 1
    assert current.n >= len(m.opened_s) - 1  # what was before the trace is not held
    closed_s = float(np.median(m.opened_s - m.touched_s))
    for found, until_s in ((burn, 1e-3), (current, closed_s - 2e-4)):
        step_s = found.time_s[1] - found.time_s[0]
        there = (found.time_s > step_s) & (found.time_s < until_s)
        off_s = found.mean[there] / SLOPE - found.time_s[there]
        assert np.abs(off_s).max() < 0.5 / m.rate_hz + 1e-6
        assert (found.low[there] / SLOPE >= found.time_s[there] - 0.5 * step_s - 1e-6).all()
        assert (found.high[there] / SLOPE <= found.time_s[there] + 0.5 * step_s + 1e-6).all()
    assert burn.time_s[-1] <= 5e-3
    assert current.time_s[-1] == pytest.approx(closed_s + 3e-4, rel=0.1)


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_nothing_is_cut_over_a_hole(seed: int) -> None:
    m = made(seed)
    rng = np.random.default_rng([seed, 2])
    begin_s = float(rng.uniform(m.opened_s[5], m.opened_s[15]))
    gone = int(begin_s * m.rate_hz), int((begin_s + rng.uniform(1e-5, 0.1)) * m.rate_hz)
    windows = fed(m, rng, gone)
    begin_s, end_s = (number / m.rate_hz for number in gone)

    def whole(edge_s: np.ndarray, before_s: float, after_s: float) -> np.ndarray:
        return (edge_s + after_s < begin_s - 3e-5) | (edge_s - before_s > end_s + 3e-5)

    found = seen(windows.opening)
    np.testing.assert_allclose(found.high, SLOPE * found.time_s, atol=5e-3)
    np.testing.assert_allclose(found.low, SLOPE * found.time_s, atol=5e-3)
    assert found.n <= whole(m.opened_s, BEFORE_S - 1e-4, AFTER_S - 1e-4).sum()
    found = seen(windows.current)
    inside = (found.time_s > 1e-4) & (found.time_s < (m.opened_s - m.touched_s).min() - 1e-4)
    assert (np.abs(found.high / SLOPE - found.time_s)[inside] < 2e-4).all()
    assert found.n <= whole(m.touched_s, 1e-4, (m.opened_s - m.touched_s).min()).sum()


def test_a_window_waits_for_all_its_samples_and_is_cut_once() -> None:
    m = made(3)
    recent = Recent((0, 1), int(6.0 * m.rate_hz))
    windows, first = Windows(m.header, recent), 0
    counts = []
    for after_s in (0.5e-3, 1.1e-3, 1.3e-3, 1.5e-3, 2e-3):
        end = int((m.opened_s[9] + after_s) * m.rate_hz)
        recent.add(m.block(first, end))
        first = end
        windows.collect(openings(m.opened_s[:10], m.touched_s[:10]))
        counts.append(seen(windows.opening).n)
    assert counts == [9, 9, 10, 10, 10]


def test_the_last_hundred_are_kept_and_memory_is_bounded() -> None:
    m = made(4, many=700)
    recent = Recent((0, 1), int(2.0 * m.rate_hz))
    windows, first = Windows(m.header, recent), 0
    held = []
    for k in range(5, 700, 5):
        end = int((m.opened_s[k - 1] + 5e-3) * m.rate_hz)
        recent.add(m.block(first, end))
        first = end
        windows.collect(openings(m.opened_s[k - 5 : k], m.touched_s[k - 5 : k]))
        held.append(recent.nbytes + sum(each._rows.nbytes for each in windows._layers.values()))
    assert seen(windows.opening).n == MOST
    assert held[-1] == held[40]
    assert held[-1] < 2 * 2 * 2.0 * m.rate_hz * 4 + 6e6


@pytest.mark.parametrize(("factor", "anew"), [(0.9, False), (0.7, True), (1.5, True)])
def test_another_speed_makes_a_new_picture_of_the_current(factor: float, anew: bool) -> None:
    m = made(5, many=60)
    pitch_s = np.where(np.arange(60) < 30, 0.02, 0.02 * factor)
    m.opened_s = 0.02 + np.cumsum(pitch_s)
    m.touched_s = m.opened_s - 0.55 * pitch_s
    recent = Recent((0, 1), int(6.0 * m.rate_hz))
    windows, first = Windows(m.header, recent), 0
    for k in range(5, 61, 5):
        end = int((m.opened_s[k - 1] + 1.5e-3) * m.rate_hz)
        recent.add(m.block(first, end))
        first = end
        windows.collect(openings(m.opened_s[k - 5 : k], m.touched_s[k - 5 : k]))
    assert seen(windows.current).n == (30 if anew else 60)
    if anew:
        assert seen(windows.current).time_s[-1] == pytest.approx(0.011 * factor + 3e-4, rel=0.05)


def test_a_short_peak_is_kept() -> None:
    """One sample of a thousand volts in a burn is its highest, however wide a point is."""
    rate_hz = 500e3
    header = Header(rate_hz, (Channel("points_v", "V"),))
    x = np.zeros(20_000, np.int16)
    x[3333] = 1000
    recent = Recent((0,), 100_000)
    recent.add(Block(0, (x,)))
    windows = Windows(header, recent)
    windows.collect(openings(np.array([6e-3, 26e-3]), np.array([2e-3, 20e-3])))
    burn = seen(windows.burn)
    assert burn.high.max() == 1000.0
    assert burn.time_s[np.argmax(burn.high)] == pytest.approx(3333 / rate_hz - 6e-3, abs=8e-6)
    assert 0.0 < burn.mean.max() < 1000.0
    assert burn.low.max() == 0.0


def test_without_the_channels_there_is_nothing() -> None:
    header = Header(250e3, (Channel("contact_v", "V"),))
    recent = Recent((0,), 1000)
    recent.add(Block(0, (np.zeros(5000, np.int16),)))
    windows = Windows(header, recent)
    windows.collect(openings(np.array([0.0185]), np.array([0.0175])))
    assert (windows.opening, windows.touch, windows.burn, windows.current) == (None,) * 4
