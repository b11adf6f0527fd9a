"""Contacts out of crossings: rings told from closings and from bounce (``waves``)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.edges.contact import ContactFinder, Contacts, join_contacts
from breakerbench.edges.crossings import CrossingFinder, join_crossings
from breakerbench.edges.steady import is_contact

from .waves import Floats, Wave, falls_in, windows

TAU, LOW = 1.33, 125.0


def run_of(row: Floats, after: float) -> tuple[int, int]:
    """(first sample, samples) of the run in the closed band at or after ``after``."""
    inside = np.abs(row) <= LOW
    k = int(after)
    while not inside[k]:
        k += 1
    while inside[k - 1]:
        k -= 1
    end = k
    while inside[end]:
        end += 1
    return k, end - k


def told(row: Floats, after: float, noise: float = 4.0) -> bool:
    k, length = run_of(row, after)
    c = windows([row], [k], noise)
    return bool(is_contact(c, np.array([length]), TAU)[0])


@given(
    w=st.floats(0.03, 0.4),
    depth=st.floats(-120.0, 120.0),
    rest=st.floats(400.0, 3000.0),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_ring_that_turns_at_closed_is_no_contact(
    w: float, depth: float, rest: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    wave = Wave(TAU)
    # A ring whose lowest point, at sample 100, lies ``depth`` from closed.
    rate = complex(-w / 40.0, w)
    wave.pieces.append((0.0, rest, (depth - rest) * np.exp(-rate * 100.0), rate))
    row = wave.at(np.arange(240.0)) + rng.normal(0, 4.0, 240)
    lowest = int(np.argmin(np.abs(row[90:112]))) + 90
    if np.abs(row[lowest]) < LOW:
        assert not told(row, lowest)


@given(
    before=st.floats(500.0, 1500.0),
    slope=st.floats(-5.0, 20.0),
    closed_for=st.floats(6.0, 30.0),
    ramp=st.floats(20.0, 600.0),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_contact_that_is_lost_again_at_once_is_one(
    before: float, slope: float, closed_for: float, ramp: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    t0 = 100.0 + rng.uniform()
    wave = Wave(TAU).ring(60.0, before, before - 20.0 * slope, slope, 0.02, 20.0)
    wave.pieces.insert(0, (0.0, before, 0.0, -1.0))
    wave.level(t0, 0.0).ring(t0 + closed_for, before, 0.0, ramp, 0.1, 10.0)
    row = wave.at(np.arange(260.0)) + rng.normal(0, 4.0, 260)
    assert told(row, falls_in(row, LOW, t0))


def test_short_contacts_out_of_a_fast_fall_are_found() -> None:
    """The ring is on its way through closed when the contact comes, and is lost again."""
    rng = np.random.default_rng(17)
    found = []
    for _ in range(300):
        t0, fall = 100.0 + rng.uniform(), rng.uniform(350.0, 600.0)
        top = rng.uniform(-40.0, 60.0) + 12.0 * fall
        wave = Wave(TAU).ring(t0 - 12.0, 0.0, top, -fall, 0.001, 30.0)
        wave.pieces.insert(0, (0.0, top, 0.0, -1.0))
        again = t0 + rng.uniform(11.0, 30.0)
        wave.level(t0, 0.0).ring(again, 700.0, 0.0, rng.uniform(100.0, 600.0), 0.1, 10.0)
        row = wave.at(np.arange(260.0)) + rng.normal(0, 4.0, 260)
        found.append(told(row, falls_in(row, LOW, t0)))
    assert np.mean(found) > 0.98


def _bottom_is_told(w: float, size: float, seed: int) -> bool:
    """Whether the bottom of a ring that the converter cuts off at closed is taken for a contact."""
    rng = np.random.default_rng(seed)
    rest = 1000.0
    wave = Wave(TAU)
    rate = complex(-w / 40.0, w)
    wave.pieces.append((0.0, rest, -size * rest * np.exp(-rate * 100.0), rate))
    row = np.rint(wave.at(np.arange(240.0)) + rng.normal(0, 4.0, 240)).clip(0.0, 4095.0)
    return told(row, 100)


@given(w=st.floats(0.05, 0.25), size=st.floats(1.2, 8.0), seed=st.integers(0, 2**32 - 1))
def test_the_bottom_of_a_ring_that_is_cut_off_at_closed_is_no_contact(
    w: float, size: float, seed: int
) -> None:
    assert not _bottom_is_told(w, size, seed)


def test_the_bottom_of_a_slow_ring_that_is_cut_off_at_closed_is_rarely_one() -> None:
    """At 1.6 kHz and 250 kS/s, barely cut off, noise sometimes makes corners of its bends."""
    assert sum(_bottom_is_told(0.04, 1.75, seed) for seed in range(400)) <= 20


# --- whole stretches --------------------------------------------------------------------------------

RATE = 250e3


def trace(
    rng: np.random.Generator,
    cycles: int,
    bounces: int,
    w: float = 0.1,
    coil: bool = True,
    sign: int = 1,
    period: float = 4000.0,
    noise: float = 4.0,
    alone: int = 0,
    open_share: float = 0.45,
) -> tuple[np.ndarray, Floats, Floats, Floats]:
    """(counts, first touches, last re-closings, openings) of a run at a steady speed.

    alone  every so many openings closed is met for a moment, in the middle of the open time; 0: never
    open_share  of the period
    """
    wave = Wave(TAU)
    rest = 600.0
    start = wave.level(0.0, 0.0) and 0.0
    first, settled, opened = [], [], []
    t = 500.0 + rng.uniform()
    for cycle in range(cycles):
        opened.append(t)
        if coil:
            wave.ring(t, rest, 0.0, 2500.0, w, 9.0)
        else:
            wave.level(t, rest)
        if alone and cycle % alone == 0:
            meets = t + 0.47 * open_share * period
            wave.level(meets, 0.0)
            wave.ring(meets + 12.0, rest, 0.0, 60.0, w, 9.0)
        touch = t + open_share * period + rng.normal(0, 2.0)
        first.append(touch)
        now = touch
        for _ in range(bounces):
            wave.level(now, 0.0)
            up = now + rng.uniform(7.0, 35.0)
            if coil:
                wave.ring(up, rest, 0.0, rng.uniform(60.0, 200.0), w, 9.0)
            else:
                wave.level(up, rest)
            now = up + rng.uniform(8.0, 90.0)
        wave.level(now, 0.0)
        settled.append(now)
        t = start + t + period + rng.normal(0, 2.0)
    count = int(t + 500)
    v = wave.at(np.arange(float(count))) + rng.normal(0, noise, count)
    counts = np.rint(sign * v).clip(-2048, 2047).astype(np.int16)
    return counts, np.array(first), np.array(settled), np.array(opened)


def contacts_of(counts: np.ndarray, per_volt: float = 50.0) -> tuple[Contacts, bool]:
    finder = CrossingFinder(0.0, per_volt)
    parts = finder.feed(0, counts)
    parts += finder.finish()
    assert finder.levels is not None
    groups = ContactFinder()
    crossings = join_crossings(parts)
    coil = finder.levels.coil
    return join_contacts([groups.feed([crossings], coil), groups.finish(coil)]), coil


def nearest(found: np.ndarray, true: Floats) -> Floats:
    return np.abs(found[:, None] - true[None, :]).min(axis=1)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("w", [0.04, 0.1, 0.2])
def test_every_contact_of_a_ringing_coil_is_found_and_nothing_else(w: float, sign: int) -> None:
    rng = np.random.default_rng(1)
    counts, first, _, opened = trace(rng, 60, 0, w, sign=sign)
    contacts, coil = contacts_of(counts)
    assert coil
    assert len(contacts) >= 58
    # The crossing comes after the touch by the fall of the front end.
    assert nearest(contacts.touch.at[1:], first).max() < 8.0
    assert nearest(contacts.leave.at, opened).max() < 3.0
    assert contacts.bounces.sum() == 0


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("w", [0.05, 0.1])
def test_bounce_of_a_ringing_coil_begins_with_its_first_touch(w: float, sign: int) -> None:
    rng = np.random.default_rng(2)
    counts, first, settled, opened = trace(rng, 60, 2, w, sign=sign)
    contacts, coil = contacts_of(counts)
    assert coil
    assert len(contacts) >= 58
    off = nearest(contacts.touch.at[1:], first)
    assert (off < 8.0).mean() > 0.95
    assert (nearest(contacts.settled_at[1:].astype(float), settled) < 8.0).mean() > 0.8
    assert nearest(contacts.leave.at, opened).max() < 3.0
    assert (contacts.bounces[1:] >= 1).mean() > 0.9


@pytest.mark.parametrize("alone", [8, 1])
def test_a_brief_touch_alone_in_the_open_time_begins_a_contact_only_where_most_do(
    alone: int,
) -> None:
    counts, first, _, opened = trace(np.random.default_rng(4), 60, 0, alone=alone, open_share=0.3)
    contacts, coil = contacts_of(counts)
    assert coil
    assert nearest(contacts.leave.at, opened).max() < 3.0
    off = nearest(contacts.touch.at[1:], first)
    if alone == 8:
        assert off.max() < 8.0
        # What came before the first opening of a trace is not known, nor how long it was open.
        assert contacts.bounces[1:].sum() == 0
    else:
        assert off.min() > 500.0


def test_heavy_bounce_of_a_dry_feed_is_not_taken_for_a_ring() -> None:
    rng = np.random.default_rng(3)
    counts, first, settled, opened = trace(rng, 60, 2, coil=False)
    contacts, coil = contacts_of(counts)
    assert not coil
    assert nearest(contacts.touch.at[1:], first).max() < 8.0
    assert nearest(contacts.settled_at[1:].astype(float), settled).max() < 8.0
    assert nearest(contacts.leave.at, opened).max() < 3.0


@given(cut=st.lists(st.integers(1, 200_000), max_size=4), seed=st.integers(0, 100))
def test_contacts_do_not_depend_on_how_crossings_came(cut: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    counts, *_ = trace(rng, 30, 1)
    finder = CrossingFinder(0.0, 50.0)
    crossings = join_crossings(finder.feed(0, counts) + finder.finish())
    whole = ContactFinder()
    once = join_contacts([whole.feed([crossings], True), whole.finish(True)])
    parts, groups, begin = [], ContactFinder(), 0
    for end in [*sorted(cut), len(counts)]:
        upto = int(np.searchsorted(crossings.at, end))
        parts.append(groups.feed([crossings.take(slice(begin, upto))], True))
        begin = upto
    parts.append(groups.feed([crossings.take(slice(begin, None))], True))
    parts.append(groups.finish(True))
    split = join_contacts(parts)
    assert np.array_equal(once.touch.at, split.touch.at)
    assert np.array_equal(once.leave.at, split.leave.at)
    assert np.array_equal(once.settled_at, split.settled_at)
