"""Brief touches of a coil's points told from a ring that passes, strong and faint."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from breakerbench.edges.crossings import POST, PRE, Crossings
from breakerbench.edges.faint import fit_faint, is_faint, is_faint_touch
from breakerbench.edges.jump import BRIEFEST, Stand, brief_touch, contact_runs, stand_of, stay_at
from breakerbench.edges.steady import last_stay

TAU = 1.1
FINE = 64


def windows(
    rng: np.random.Generator, n: int, noise: float, open_counts: float, lasts: tuple[float, float],
    *, touch: bool = True,
) -> tuple[Crossings, np.ndarray, np.ndarray]:  # fmt: skip
    """(crossings, instant of each touch in columns, samples in the band) of a ring that is touched.

    Without a touch the ring swings down to closed, turns about there, and goes up again.
    The front end is stepped through by 1/64 of a sample.
    """
    t = np.arange((PRE + POST + 40) * FINE) / FINE - 40.0
    rows, instants, lengths = [], [], []
    swing = open_counts
    while len(rows) < n:
        w = rng.uniform(0.05, 0.2)
        if touch:
            at = PRE - rng.uniform(0.0, 1.0) - TAU
            course = open_counts + 0.3 * open_counts * np.sin(w * (t - at) + rng.uniform(0, 6.3))
            until = at + rng.uniform(*lasts)
            # A coil's current has hardly begun: it rises slowly from there.
            rises = open_counts * (1 - np.cos(0.25 * np.maximum(t - until, 0.0)))
            v = np.where(t < at, course, np.where(t < until, 0.0, rises))
        else:
            at = np.nan
            middle = PRE + rng.uniform(0.0, 6.0)
            lowest = rng.uniform(-0.1, 0.15) * open_counts
            v = lowest + 1.5 * open_counts * (1 - np.cos(w * (t - middle)))
        out = np.empty(t.size)
        a = np.exp(-1 / FINE / TAU)
        level = v[0]
        for k, x in enumerate(v.tolist()):
            level = x + (level - x) * a
            out[k] = level
        samples = out[40 * FINE :: FINE][: PRE + POST] + rng.normal(0, noise, PRE + POST)
        away = np.abs(samples) > max(0.25 * swing, 5 * noise)
        inside = np.flatnonzero(~away[PRE - 4 :]) + PRE - 4
        if not inside.size:
            continue
        shift = int(inside[0]) - PRE
        if shift != 0:
            samples, at = np.roll(samples, -shift), at - shift
            away = np.roll(away, -shift)
        later = np.flatnonzero(away[PRE:])
        rows.append(samples)
        instants.append(at)
        lengths.append(int(later[0]) if later.size else POST)
    window = np.array(rows)
    m = len(window)
    c = Crossings(
        np.arange(m) * 1000, np.zeros(m, bool), window, np.zeros(m), np.full(m, swing),
        np.full(m, noise),
    )  # fmt: skip
    return c, np.array(instants), np.array(lengths, np.int64)


@pytest.mark.parametrize("lasts", [(3.5, 8.0), (8.0, 30.0)])
def test_brief_touches_are_found_where_they_began(lasts: tuple[float, float]) -> None:
    c, at, length = windows(np.random.default_rng(1), 60, 4.0, 240.0, lasts)
    column, level, found = brief_touch(c, length, TAU, 0.12)
    assert found.mean() > 0.9
    # Closed begins with the interval that holds the touch, where most of it is closed, or the next.
    after = column[found] - at[found]
    assert after.min() > -0.6
    assert np.quantile(after, 0.9) < 1.6
    # Of the few intervals of a touch: nearly all within the noise, the highest a tenth of the way up.
    assert np.quantile(np.abs(level[found]), 0.9) < 8.0
    assert np.abs(level[found]).max() < 24.0


def test_a_ring_that_turns_at_closed_is_no_touch() -> None:
    rng = np.random.default_rng(2)
    c, _, length = windows(rng, 200, 4.0, 240.0, (0, 0), touch=False)
    assert contact_runs(c, length, np.ones(200, bool), TAU, 0.0, 0.12, np.inf).sum() <= 2


def test_the_stay_ends_where_the_contact_is_lost() -> None:
    c, _, length = windows(np.random.default_rng(3), 40, 4.0, 240.0, (6.0, 12.0))
    column, _, found = brief_touch(c, length, TAU, 0.12)
    some = c.take(found)
    stays, level = stay_at(some, TAU, column[found])
    assert (stays >= BRIEFEST).all()
    assert (stays <= 12 + 5).all()
    assert np.abs(level).max() < 24.0


def test_where_touches_stand_is_told_by_those_that_last() -> None:
    c, _, length = windows(np.random.default_rng(6), 80, 4.0, 240.0, (60.0, 70.0))
    low = replace(c, held=c.window - 9.0, row=None)
    stand = stand_of(low, length, TAU)
    assert stand is not None
    assert stand.level == pytest.approx(-9.0, abs=1.5)
    assert 0.3 < stand.spread < 4.0
    assert stand_of(low.take(slice(0, 3)), length[:3], TAU) is None


@pytest.mark.parametrize(("off", "share"), [(0.0, 0.85), (-25.0, 0.1), (30.0, 0.1)])
def test_what_stands_elsewhere_than_touches_do_is_none(off: float, share: float) -> None:
    """A ring that stays for a moment does so anywhere, a touch where all others do."""
    c, _, length = windows(np.random.default_rng(7), 60, 4.0, 240.0, (7.0, 20.0))
    there = replace(c, held=c.window + off, row=None)
    found = brief_touch(there, length, TAU, 0.12, stand=Stand(0.0, 1.5))[2]
    assert (found.mean() > share) if off == 0.0 else (found.mean() <= share)


def test_a_slow_ring_just_below_closed_is_not_where_the_contact_begins() -> None:
    rng = np.random.default_rng(8)
    place = np.arange(PRE + POST)
    rows, touches = [], []
    for _ in range(60):
        at, lowest = rng.uniform(24.0, 30.0), rng.uniform(20.0, 30.0)
        # Down through closed at the crossing, lowest six samples before the touch.
        course = -lowest + 0.25 * (place - at + 6.0) ** 2
        rows.append(np.where(place < at, course, 0.0) + rng.normal(0, 4.0, len(place)))
        touches.append(at)
    n = len(rows)
    c = Crossings(
        np.arange(n) * 1000, np.zeros(n, bool), np.array(rows), np.zeros(n), np.full(n, 240.0),
        np.full(n, 4.0),
    )  # fmt: skip
    column, level, use = last_stay(c, TAU, np.full(n, PRE), np.full(n, -20.0))
    assert use.all()
    assert np.abs(column - np.array(touches)).max() < 3.5  # as far as the fit looks back
    assert np.abs(level).max() < 6.0


def test_faint_touches_are_placed_with_an_honest_uncertainty() -> None:
    """Eight noises of swing, long contacts: errors in units of the stated standard uncertainty."""
    c, at, length = windows(np.random.default_rng(4), 200, 4.0, 32.0, (60.0, 70.0))
    assert is_faint(c)
    t, u, _, good = fit_faint(c, length, TAU, 0.12, np.inf)
    assert good.mean() > 0.8
    z = (t - at)[good] / u[good]
    assert abs(np.median(t - at)) < 0.1
    assert (np.abs(z) < 2.5).mean() > 0.85


def test_faint_touches_of_some_length_are_told_from_rings() -> None:
    rng = np.random.default_rng(5)
    c, _, length = windows(rng, 100, 4.0, 32.0, (12.0, 30.0))
    ring, _, passing = windows(rng, 200, 4.0, 32.0, (0, 0), touch=False)
    near = np.zeros(100, bool), np.zeros(200, bool)
    assert is_faint_touch(c, length, TAU, 0.12, np.inf, near[0]).mean() > 0.6
    assert is_faint_touch(ring, passing, TAU, 0.12, np.inf, near[1]).mean() < 0.05


def test_faint_touches_lost_again_at_once_are_told_just_before_a_contact_alone() -> None:
    """Of 20 us, as a blow lasts; and a ring that turns there is none."""
    rng = np.random.default_rng(9)
    c, at, length = windows(rng, 200, 4.0, 50.0, (4.5, 6.0))
    ring, _, passing = windows(rng, 400, 4.0, 50.0, (0, 0), touch=False)
    near, far = np.ones(200, bool), np.zeros(200, bool)
    told = is_faint_touch(c, length, TAU, 0.12, np.inf, near)
    assert told.mean() > 0.5
    assert is_faint_touch(c, length, TAU, 0.12, np.inf, far).mean() < 0.3 * told.mean()
    by = [is_faint_touch(ring, passing, TAU, 0.12, np.inf, np.full(400, b)) for b in (True, False)]
    assert by[0].sum() <= by[1].sum() + 2
    t, _, _, good = fit_faint(c, length, TAU, 0.12, np.inf)
    assert good[told].mean() > 0.8
    assert abs(np.median((t - at)[told & good])) < 0.15
