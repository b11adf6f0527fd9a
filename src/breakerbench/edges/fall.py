"""Fitting a touch: the smooth course before it meets the exponential fall after it.

What comes out of the front end goes on without a jump, so that for every instant tried the course and
the fall have the same few unknowns, all linear: their best values and the squared error that they
leave are a projection, the same for all touches, and cost one product of matrices. The error as a
function of the instant then gives the placement and its uncertainty, also where the course runs into
closed by itself and the touch hardly shows.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import Crossings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Step of the grid of instants tried, samples; the finer one around the best.
GRID, FINE = 0.125, 1.0 / 64.0
#: Instants tried: from before to after the first steady interval, samples.
FROM, UPTO = -3.5, 6.0
#: Columns of the fit after the first steady interval.
AFTER = 8
#: Terms of a course without a touch: one more than a course with one has unknowns.
SMOOTH_TERMS = 6
#: Course before the touch: (columns before the first steady interval, number of terms).
LONG_COURSE, SHORT_COURSE = (11, 4), (7, 3)


@lru_cache(maxsize=64)
def _models(tau: float, ring: float, back: int, terms: int, step: float) -> tuple[Floats, Floats]:
    """(instants, orthonormal models): for each instant the columns that course and fall can take.

    Shapes (C,) and (C, back + 1 + AFTER, terms). Columns are counted from the first steady interval.
    The course is a straight line and a sine of ``ring`` radians a sample with free phase; as that
    goes to zero it becomes a cubic. After the instant it falls to zero by exp(-t / tau).
    """
    at = np.arange(FROM, UPTO + 1e-9, step)
    columns = np.arange(-back, AFTER + 1.0)
    w = max(ring, 0.03)

    def course(t: Floats) -> Floats:
        shapes = [np.ones_like(t), t, (1.0 - np.cos(w * t)) / w**2, (w * t - np.sin(w * t)) / w**3]
        return np.stack(shapes[:terms], axis=-1)

    late = columns > at[:, None]
    fall = np.exp(-np.where(late, columns - at[:, None], 0.0) / max(tau, 1e-3))
    models = course(np.where(late, at[:, None], columns)) * fall[..., None]
    return at, np.linalg.qr(models)[0]


def cut_out(c: Crossings, column: Ints, back: int) -> tuple[Floats, Ints]:
    """Samples around the first steady interval, (n, back + 1 + AFTER), and the column used."""
    column = np.clip(column, back, c.window.shape[1] - AFTER - 1)
    return c.window[
        np.arange(len(c))[:, None], column[:, None] + np.arange(-back, AFTER + 1)
    ], column


def _errors(y: Floats, models: Floats) -> Floats:
    """Squared error of every row of ``y`` with every model, (n, C)."""
    count, width, terms = models.shape
    share = (y @ models.transpose(1, 2, 0).reshape(width, -1)).reshape(len(y), terms, count)
    explained = np.einsum("ntc,ntc->nc", share, share)
    return np.asarray(np.maximum((y**2).sum(axis=1)[:, None] - explained, 0.0))


def masked_errors(y: Floats, use: Bools, models: Floats) -> Floats:
    """The same with only the samples ``use`` of each row counting.

    Rows of which the same samples count share the work of making the models orthonormal over these.
    """
    count, width, terms = models.shape
    # A window has no more columns than an integer has bits.
    key = use @ (np.uint64(1) << np.arange(width, dtype=np.uint64))
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    kinds = use[first]
    pairs = (models[:, :, :, None] * models[:, :, None, :]).transpose(1, 0, 2, 3)
    normal = (kinds.astype(float) @ pairs.reshape(width, -1)).reshape(-1, count, terms, terms)
    # Where fewer samples count than there are terms, some of these are not needed.
    across = np.linalg.inv(np.linalg.cholesky(normal + 1e-9 * np.eye(terms)))
    seen, left = np.where(use, y, 0.0), np.empty((len(y), count))
    for k in range(len(kinds)):
        rows = np.flatnonzero(kind == k)
        left[rows] = _errors(seen[rows], models @ across[k].transpose(0, 2, 1))
    return left


@lru_cache(maxsize=16)
def smooth_model(width: int, terms: int = SMOOTH_TERMS) -> Floats:
    """Polynomials over ``width`` columns as a model of ``masked_errors``, (1, width, terms)."""
    basis = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, width), terms - 1)
    return np.asarray(np.linalg.qr(basis)[0][None])


def _posterior(at: Floats, error: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the instant, every one being as likely beforehand.

    Where the minimum is sharp, the parabola through it; else the moments over the grid.
    """
    rows = np.arange(len(error))
    best = error.argmin(axis=1)
    inner = np.clip(best, 1, len(at) - 2)
    left, low, right = (error[rows, inner + k] for k in (-1, 0, 1))
    bend = left + right - 2.0 * low
    step = float(at[1] - at[0])
    good = (bend > 1e-30) & (best == inner)
    shift = np.where(good, 0.5 * (left - right) / np.where(good, bend, 1.0), 0.0)
    sharp = step * np.sqrt(2.0 * variance / np.maximum(bend, 1e-30))
    weight = np.exp(-0.5 * (error - error.min(axis=1, keepdims=True)) / variance[:, None])
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ at
    spread = np.sqrt(np.maximum(weight @ at**2 - mean**2, 0.0))
    use = good & (spread < 0.75 * step)
    return np.where(use, at[best] + shift * step, mean), np.where(use, sharp, spread)


def fit(
    c: Crossings, column: Ints, level: Floats, tau: float, ring: float, shape: tuple[int, int],
    use: Bools | None = None,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """(instant in columns of the window, u, reduced chi squared) with one length of course."""
    back, terms = shape
    y, column = cut_out(c, column, back)
    y = y - level[:, None]
    at, models = _models(tau, ring, back, terms, GRID)
    if use is None:
        error = _errors(y, models)
        dof = np.full(len(c), y.shape[1] - terms - 1.0)
    else:
        kept = np.take_along_axis(use, column[:, None] + np.arange(-back, AFTER + 1), axis=1)
        error = masked_errors(y, kept, models)
        dof = np.maximum(kept.sum(axis=1) - terms - 1.0, 1.0)
    chi = error.min(axis=1) / dof / c.noise**2
    variance = c.noise**2 * np.maximum(chi, 1.0)
    t, u = _posterior(at, error, variance)
    fine = u < 2.0 * GRID
    if use is None and fine.any():
        rows = np.flatnonzero(fine)
        near, models = _models(tau, ring, back, terms, FINE)
        ratio = round(GRID / FINE)
        middle = np.clip(error[rows].argmin(axis=1) * ratio, ratio, len(near) - 1 - ratio)
        some = middle[:, None] + np.arange(-ratio, ratio + 1)
        share = np.einsum("nw,ncwt->nct", y[rows], models[some])
        small = np.maximum((y[rows] ** 2).sum(axis=1)[:, None] - (share**2).sum(axis=2), 0.0)
        t_fine, u_fine = _posterior(near[: 2 * ratio + 1] - near[ratio], small, variance[rows])
        t[rows], u[rows] = near[middle] + t_fine, np.maximum(u_fine, u[rows] * 0.5)
        chi[rows] = small.min(axis=1) / dof[rows] / c.noise[rows] ** 2
    return t + column, u, chi


def fit_falls(
    c: Crossings, column: Ints, level: Floats, tau: float, ring: float, use: Bools | None = None
) -> tuple[Floats, Floats, Floats]:
    """(instant in columns of the window, u, reduced chi squared) of every touch.

    A long course tells most; where it is no single ring (a burn line that has just ended), the short
    one fits better and is taken.

    use  samples of each window that count; None: all
    """
    t, u, chi = fit(c, column, level, tau, ring, LONG_COURSE, use)
    bad = np.flatnonzero(chi > 3.0)
    if len(bad):
        some = None if use is None else use[bad]
        t2, u2, chi2 = fit(c.take(bad), column[bad], level[bad], tau, ring, SHORT_COURSE, some)
        better = chi2 < 0.7 * chi[bad]
        rows = bad[better]
        t[rows], u[rows], chi[rows] = t2[better], u2[better], chi2[better]
    return t, u, chi
