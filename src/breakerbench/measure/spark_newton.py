"""Least squares over parameters that all openings share and one place of each."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ITERATIONS = 6
#: Steps for the slopes: of the logarithm of a parameter, and of a place.
STEP, STEP_AT = 1e-4, 1e-2
#: A parameter goes no further from its first value than so many times its spread; a step no further
#: than this; a place than so many samples.
FURTHEST, LONGEST, LONGEST_AT = 3.0, 0.3, 8.0


def gauss_newton(
    residuals: Callable[[Floats, Floats], list[Floats]],
    first: Floats,
    places: Floats,
    spread: Floats,
    noise: float,
    begin: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Parameters (above 0) that all openings share, and one place of each, by least squares.

    residuals  (parameters, places) -> residuals of each opening
    spread     standard deviation of the logarithm of each about ``first``, which keeps where it
               was what the samples (of standard deviation ``noise``) do not tell
    begin      where to begin instead of at ``first``
    Each place has an effect on its own opening alone, and is eliminated there.
    """
    x_first = np.log(first)
    x, at = x_first if begin is None else np.log(begin), places.copy()
    ends = len(places) > 0
    if not ends:
        at = np.zeros(len(residuals(first, places)))
    damping = 1e-2
    now = residuals(np.exp(x), at)
    total = sum(float(r @ r) for r in now)
    count = sum(len(r) for r in now)
    # What no mode explains counts as noise here.
    known = max(noise**2, total / max(count, 1)) / spread**2
    for _ in range(ITERATIONS):
        slopes = []
        for p in range(len(x)):
            moved = x.copy()
            moved[p] += STEP
            then = residuals(np.exp(moved), at)
            slopes.append([(b - a) / STEP for b, a in zip(then, now, strict=True)])
        along = [np.zeros_like(r) for r in now]
        if ends:
            later = residuals(np.exp(x), at + STEP_AT)
            along = [(b - a) / STEP_AT for b, a in zip(later, now, strict=True)]
        normal, right = np.diag(known), known * (x - x_first)
        parts = []
        for k, r in enumerate(now):
            jacobian = np.stack([s[k] for s in slopes], axis=1)
            j = along[k]
            size = float(j @ j) + 1e-30
            free = jacobian - np.outer(j, j @ jacobian) / size
            normal += free.T @ free
            right += free.T @ (r - j * (float(j @ r) / size))
            parts.append((jacobian, j, size))
        gained = False
        for _ in range(6):
            weight = np.diag(np.diag(normal) + 1e-9 * np.trace(normal) + 1e-30)
            step = np.clip(-np.linalg.solve(normal + damping * weight, right), -LONGEST, LONGEST)
            step = np.clip(x + step, x_first - FURTHEST * spread, x_first + FURTHEST * spread) - x
            shift = [
                -(j @ (r + a @ step)) / size for r, (a, j, size) in zip(now, parts, strict=True)
            ]
            moved_at = at + np.clip(np.array(shift), -LONGEST_AT, LONGEST_AT) * ends
            then = residuals(np.exp(x + step), moved_at)
            reached = sum(float(r @ r) for r in then) + float(known @ (x + step - x_first) ** 2)
            if reached < total:
                gained = True
                break
            damping *= 5.0
        if not gained:
            break
        settled = total - reached < 1e-4 * total
        x, at, now, total = x + step, moved_at, then, reached
        damping = max(damping / 5.0, 1e-6)
        if settled:
            break
    return np.exp(x), at
