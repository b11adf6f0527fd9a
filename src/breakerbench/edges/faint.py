"""Touches of a coil's points where the noise is large against the feed's voltage.

A range wide enough for the spikes of a coil leaves some tens of counts for the 6 or 12 V that a touch
falls from. Single samples then tell nothing of closed, and the front end cannot be undone: sums over many
samples can. The closed level is that of the whole trace, the time constant of the front end the stated
one; what is left to be fitted is the course before the touch and its instant.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.fall import AFTER, fit, masked_errors, smooth_model

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A swing of fewer noises than this is faint.
FAINT_NOISES = 16.0
#: Courses before a touch, from the plainest on: (columns before the crossing, terms).
COURSES = ((11, 1), (11, 2), (11, 3), (11, 4), (7, 3))
#: Samples after the crossing that the fall takes, and noises by which three in a row stand off closed.
FALL, RISES = 3, 2.4
#: A touch is looked for about the crossing and so many samples after it.
LATER = (0, 7, 14, 21)
#: Samples before a touch of which the mean must be clear of closed, and after the fall, that of closed.
BEFORE, REST = 4, 14
#: A course that leaves more than 1 + this many standard deviations of chi squared is not taken.
MOST_DEVIATIONS = 3.0
#: Terms of a smooth course that is held against each: where a straight line leads up to the touch, a ring
#: that passes would be a parabola; where it stood still, it would not get there so soon.
SMOOTH = (2, 3, 5, 6, 6)
#: Of fewer samples than these a touch is not placed, if it is not told from a ring; nor is it told from
#: one anywhere, or just before a contact.
FEW, LEAST, LEAST_NEAR = 5, 8, 3
#: Chi squared by which a touch must explain a short run better.
GAIN = 25.0
#: The same of the plainest courses alone where a run is too brief for more, against a smooth course that
#: may bend once more: none of 18,000 passings of a ring of 3 to 7 samples does so, six in ten of 6,900
#: touches that are lost again at once do, a sixth of them or more on every bench (40 simulated coils on
#: +-400 V).
SMOOTH_NEAR = (3, 4)


def is_faint(c: Crossings) -> bool:
    """Whether the swing of these crossings hardly stands out of the noise."""
    return len(c) > 0 and float(np.median(c.swing / c.noise)) < FAINT_NOISES


def _kept(c: Crossings, length: Ints, top: float) -> Bools:
    """Samples that tell of the touch: up to where the contact seems lost again, none cut off."""
    place = np.arange(c.window.shape[1])
    # A coil rises slowly from there, and stays in the band for a while.
    three = c.window[:, PRE + FALL :]
    three = (three[:, :-2] + three[:, 1:-1] + three[:, 2:]) / 3.0
    rises = np.abs(three) > RISES * c.noise[:, None]
    stays = FALL + np.where(rises.any(axis=1), rises.argmax(axis=1), three.shape[1] + 2)
    until = PRE + np.maximum(np.minimum(length, stays), 2)
    return np.asarray((place < until[:, None]) & (c.window < 0.98 * top))


def fit_faint(
    c: Crossings, length: Ints, tau: float, ring: float, top: float
) -> tuple[Floats, Floats, Floats, Bools]:
    """(instant in columns of the window, u, squared error over the noise's, is the fit good).

    Of the plainest course that leaves no more than the noise.

    length  samples of each run in the closed band
    """
    n = len(c)
    level = np.zeros(n)
    t, u, chi, good = np.full(n, float(PRE)), np.full(n, 2.0), np.full(n, np.inf), np.zeros(n, bool)
    few, brief = np.full(n, FEW), np.flatnonzero(length < LEAST)
    told = is_faint_touch(c.take(brief), length[brief], tau, ring, top, np.ones(len(brief), bool))
    few[brief[told]] = LEAST_NEAR
    whole = (np.arange(c.window.shape[1]) < (PRE + length)[:, None]) & (c.window < 0.98 * top)
    for later in LATER:
        # A ring may have been in the band already when the touch came.
        use = whole if later else _kept(c, length, top)
        for course in COURSES:
            rest = np.flatnonzero(~good & (length > later))
            if not len(rest):
                break
            column = np.full(len(rest), PRE + later)
            some, seen = c.take(rest), use[rest]
            at, spread, left = fit(some, column, level[rest], tau, ring, course, seen)
            dof = np.maximum(_count(seen, course[0], later) - course[1] - 1.0, 1.0)
            fits = left < 1.0 + MOST_DEVIATIONS * np.sqrt(2.0 / dof)
            fits &= (seen[:, PRE + later :].sum(axis=1) >= few[rest]) & _falls(
                some, at, length[rest]
            )
            take = fits | (left < chi[rest])
            own = rest[take]
            t[own], u[own], chi[own], good[own] = at[take], spread[take], left[take], fits[take]
    return t, u, chi, good


def _mean(c: Crossings, first: Floats, count: int, end: Ints) -> tuple[Floats, Floats]:
    """(mean of ``count`` samples from column ``first`` on, before column ``end``; its noise)."""
    place = np.arange(c.window.shape[1])
    first = np.ceil(first)[:, None]
    inside = (place >= first) & (place < np.minimum(first + count, end[:, None]))
    number = np.maximum(inside.sum(axis=1), 1)
    mean = np.where(inside, c.window, 0.0).sum(axis=1) / number
    return mean, c.noise / np.sqrt(number)


def _falls(c: Crossings, at: Floats, length: Ints) -> Bools:
    """True where the signal stands clear of closed before the touch and, as a mean, at it afterwards."""
    before, noise = _mean(c, at - BEFORE, BEFORE, np.full(len(c), c.window.shape[1]))
    clear = np.abs(before) > np.maximum(0.3 * c.swing, 4.0 * noise)
    after, noise = _mean(c, at + FALL + 1, REST, PRE + length)
    return np.asarray(clear & (np.abs(after) < 3.5 * noise + 0.03 * c.swing))


def _count(use: Bools, back: int, later: int = 0) -> Floats:
    return np.asarray(use[:, PRE + later - back : PRE + later + AFTER + 1].sum(axis=1), np.float64)


def is_faint_touch(
    c: Crossings, length: Ints, tau: float, ring: float, top: float, near: Bools
) -> Bools:
    """True for the short runs in the band that a touch explains far better than a smooth course.

    Over the whole run: after a touch the contact stays closed, up to the end of it.

    near  (n,) True where a contact follows at once: it may be lost again after the first touch
    """
    use = _kept(c, length, top)
    touch = np.zeros(len(c), bool)
    late = use[:, PRE + AFTER + 1 :]
    flat = (np.where(late, c.window[:, PRE + AFTER + 1 :], 0.0) ** 2).sum(axis=1) / c.noise**2
    seen = use[:, PRE:].sum(axis=1)
    for some, smooth_terms in (
        (seen >= LEAST, SMOOTH),
        ((seen < LEAST) & (seen >= LEAST_NEAR) & near, SMOOTH_NEAR),
    ):
        for course, most in zip(COURSES, smooth_terms, strict=False):
            rest = np.flatnonzero(some & ~touch)
            if len(rest):
                of = (c.take(rest), use[rest], flat[rest], tau, ring)
                touch[rest] = _explains(*of, course, most)
    return touch


def _explains(
    c: Crossings,
    use: Bools,
    flat: Floats,
    tau: float,
    ring: float,
    course: tuple[int, int],
    most: int,
) -> Bools:
    """True where a touch after ``course`` leaves noise alone, and a smooth one of ``most`` terms more.

    flat  squared error, in noises, of the samples after those of the fit, were the contact closed
    """
    back, terms = course
    column, level = np.full(len(c), PRE), np.zeros(len(c))
    chi = fit(c, column, level, tau, ring, course, use)[2]
    dof = np.maximum(_count(use, back) - terms - 1.0, 1.0)
    left, dof = chi * dof + flat, dof + use[:, PRE + AFTER + 1 :].sum(axis=1)
    width = c.window.shape[1] - PRE + back
    around = c.window[:, -width:], use[:, -width:]
    smooth = masked_errors(*around, smooth_model(width, most))[:, 0] / c.noise**2
    fits = left < dof * (1.0 + MOST_DEVIATIONS * np.sqrt(2.0 / dof))
    return np.asarray(fits & (smooth - left > GAIN))
