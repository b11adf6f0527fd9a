"""The averaged contact trace against a plain mean over the whole trace at once, however it is cut."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from breakerbench.edges import average
from breakerbench.edges.average import Averaged, Averages, Shape
from breakerbench.pipeline import analyze
from independent.generator import TraceSource, case

Floats = NDArray[np.float64]


class Watched(Averages):
    """Keeps what it is told of the contacts."""

    def __init__(self, header: Any) -> None:
        super().__init__(header)
        self.seen: list[tuple[Floats, Floats, NDArray[np.bool_]]] = []

    def contacts(self, touch_at: Floats, open_at: Floats, seen: NDArray[np.bool_]) -> None:
        self.seen.append((touch_at, open_at, seen))
        super().contacts(touch_at, open_at, seen)


def averaged(source: TraceSource) -> tuple[Averaged, Watched]:
    watched = Watched(source.header)
    result = analyze(source, averages=watched)
    assert result == analyze(source)  # the result is the same without
    found = watched.averaged()
    assert found is not None
    return found, watched


def source_of(seed: int, **given: Any) -> TraceSource:
    source, _, _ = case(
        seed,
        **{
            "feed": "dry", "condenser_tau_s": 0.0, "rate_hz": 100e3, "lobes": 4,
            "profile": ((0.0, 900.0), (4.0, 900.0)), "reference": "encoder", "rail_v": 25.0,
        } | given,
    )  # fmt: skip
    assert isinstance(source, TraceSource)
    return source


def by_hand(source: TraceSource, at: Floats, shape: Shape) -> tuple[Floats, Floats]:
    """Mean and standard deviation at the shape's times of the events at samples ``at``."""
    channel = source.header.channels[0]
    volts = channel.zero + channel.scale * source.made.counts.astype(float)
    grid = shape.time_s * source.header.sample_rate_hz
    rows = np.array([np.interp(each + grid, np.arange(len(volts)), volts) for each in at])
    return rows.mean(axis=0), rows.std(axis=0, ddof=1)


@pytest.mark.parametrize("feed", ["dry", "coil"])
def test_against_a_plain_mean(feed: str) -> None:
    source = source_of(3, feed=feed)
    found, watched = averaged(source)
    touch, opened, seen = (np.concatenate(each) for each in zip(*watched.seen, strict=True))
    # The first opening has none before it, from which the speed is told.
    touch, opened, seen = touch[1:], opened[1:], seen[1:]
    for shape, at in ((found.opening, opened), (found.touch, touch[seen])):
        assert shape is not None
        assert abs(shape.n - len(at)) <= 1  # the last one may lie too near the end
        assert shape.n > 200
        mean, std = by_hand(source, at[: shape.n], shape)
        assert shape.mean_v == pytest.approx(mean, abs=1e-6)
        assert shape.std_v == pytest.approx(std, abs=1e-4)
    assert found.interval_s == pytest.approx(60.0 / 900.0 / 4.0, rel=1e-3)


@pytest.mark.parametrize("feed", ["dry", "coil"])
def test_no_split_of_the_trace_changes_a_digit(feed: str) -> None:
    seen = set()
    for blocks in (65536, (1, 70001, 333), 10**9):
        source = source_of(5, feed=feed, profile=((0.0, 500.0), (8.0, 1600.0)))
        source.blocks = blocks
        found, _ = averaged(source)
        parts = [found.interval_s, found.closed_s]
        for shape in (found.touch, found.opening):
            assert shape is not None
            parts += [shape.mean_v.tobytes(), shape.std_v.tobytes(), shape.n, shape.most_v]
            parts += [volts.tobytes() for _, volts in shape.singles]
        seen.add(tuple(parts))
    assert len(seen) == 1


def test_the_edge_stands_at_half_its_height_between_samples() -> None:
    found, _ = averaged(source_of(3, rate_hz=250e3))
    for shape in (found.touch, found.opening):
        assert shape is not None
        settled = (shape.mean_v[0], np.median(shape.mean_v[-400:]))
        at_zero = float(np.interp(0.0, shape.time_s, shape.mean_v))
        assert at_zero == pytest.approx(np.mean(settled), abs=0.08 * abs(np.diff(settled)[0]))


def test_the_fastest_speed_with_enough_is_shown_else_the_one_with_most() -> None:
    stays = ((0.0, 600.0), (3.0, 600.0), (3.2, 1500.0), (6.0, 1500.0), (6.1, 2300.0), (6.3, 2300.0))
    found, _ = averaged(source_of(2, profile=stays))
    assert 60.0 / 4.0 / found.interval_s == pytest.approx(1500.0, rel=0.05)
    found, _ = averaged(source_of(2, profile=((0.0, 700.0), (1.0, 700.0), (1.2, 1500.0))))
    assert 60.0 / 4.0 / found.interval_s == pytest.approx(700.0, rel=0.1)


def test_nothing_reaches_across_a_hole() -> None:
    source = source_of(4)
    whole, _ = averaged(source)
    assert whole.opening is not None
    source.holes = tuple((k, k + 4000) for k in range(30_000, 380_000, 50_000))
    found, _ = averaged(source)
    assert found.opening is not None
    assert 100 < found.opening.n < whole.opening.n
    # Steps only: a hole that was bridged would put an open level among the closed ones.
    assert found.opening.std_v[0] < 0.2
    assert found.opening.mean_v == pytest.approx(whole.opening.mean_v, abs=0.1)


def test_bounded_in_events_and_in_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(average, "MOST", 37)
    source = source_of(6)
    found, watched = averaged(source)
    assert found.opening is not None
    assert found.opening.n == 37
    opened = np.concatenate([each for _, each, _ in watched.seen])[1:38]
    mean, _ = by_hand(source, opened, found.opening)
    assert found.opening.mean_v == pytest.approx(mean, abs=1e-6)
    monkeypatch.setattr(average, "KEEP", 300_000)
    held = Averages(source.header)
    for k in range(40):
        held.samples(k * 65536, np.zeros(65536, np.int16))
        assert sum(len(each) for each in held._held) <= 300_000 + 65536


def test_nothing_to_show_where_nothing_opens() -> None:
    source = source_of(6)
    assert Averages(source.header).averaged() is None
