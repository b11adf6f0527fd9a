"""A broken line: flat up to its first break, then straight pieces joined at breaks that are sought.

Source: V. M. R. Muggeo, Estimating regression models with unknown break-points, Statistics in
Medicine 22 (2003) 3055-3071 (a break is moved by the ratio of the coefficients of its step and its
bend); the number of breaks by Schwarz's criterion (from memory). Checked against scipy's
least_squares in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.fit import Fit, FitError, linear_fit

Floats = NDArray[np.float64]

#: Most breaks of a line: two springs and their stop make three, the form of a piece one more.
MOST_BREAKS = 4
#: Scaled normal equations whose answer is larger than this are all but singular.
LARGE = 1e6
#: Places at which a further break is tried before it is moved to where it fits best.
TRIALS = 48


@dataclass(frozen=True, slots=True, eq=False)
class BrokenLine:
    """Level, bends and breaks, with what is known of them.

    level    y before the first break
    breaks   (k,) x of the breaks, rising
    bends    (k,) change of the slope at each
    fit      covariance of (level, bends, breaks), uncertainties widened where the points lie
             farther from the line than theirs allow
    """

    level: float
    breaks: Floats
    bends: Floats
    fit: Fit
    widened: float

    def at(self, x: Floats) -> Floats:
        return np.asarray(self.level + np.maximum(x[:, None] - self.breaks, 0.0) @ self.bends)

    def u_at(self, x: float, above_level: bool = False) -> float:
        """Standard uncertainty of y(x), or of y(x) less the level."""
        row = _jacobian(np.array([x]), self.breaks, self.bends)[0]
        if above_level:
            row[0] -= 1.0
        return self.widened * float(np.sqrt(max(float(row @ self.fit.covariance @ row), 0.0)))

    def u(self, place: int) -> float:
        """Standard uncertainty of a parameter: 0 the level, then the bends, then the breaks."""
        return self.widened * float(self.fit.u[place])

    def u_slope(self, piece: int) -> float:
        """Standard uncertainty of the slope after break number ``piece``."""
        row = np.zeros(len(self.fit.parameters))
        row[1 : piece + 2] = 1.0
        return self.widened * float(np.sqrt(max(float(row @ self.fit.covariance @ row), 0.0)))


def _design(x: Floats, breaks: Floats) -> Floats:
    rows = np.empty((len(x), 1 + len(breaks)))
    rows[:, 0] = 1.0
    np.subtract(x[:, None], breaks, out=rows[:, 1:])
    return np.maximum(rows, 0.0, out=rows)


def _jacobian(x: Floats, breaks: Floats, bends: Floats) -> Floats:
    step = np.where(x[:, None] > breaks, -bends, 0.0)
    return np.concatenate([_design(x, breaks), step], axis=1)


def _solve(x: Floats, y: Floats, u: Floats, breaks: Floats) -> tuple[float, Floats]:
    """Weighted sum of squares and coefficients for given breaks."""
    design, wanted = _design(x, breaks) / u[:, None], y / u
    answer = _least_squares(design, wanted)
    miss = design @ answer - wanted
    return float(miss @ miss), answer


def _least_squares(design: Floats, wanted: Floats) -> Floats:
    """By the normal equations, scaled: several times as quick as by singular values."""
    square, toward = design.T @ design, design.T @ wanted
    scale = np.sqrt(square.diagonal())
    if scale.all():
        square /= scale * scale[:, None]
        try:
            answer = np.linalg.solve(square, toward / scale) / scale
        except np.linalg.LinAlgError:  # breaks on top of each other
            pass
        else:
            # Nearly so: what is wanted is missed across the columns, or large sums cancel.
            if np.abs(answer * scale).max() < LARGE * np.abs(toward / scale).max():
                return np.asarray(answer)
    return np.asarray(np.linalg.lstsq(design, wanted, rcond=1e-10)[0])


def _moved(
    x: Floats, y: Floats, u: Floats, breaks: Floats, fine: bool = False
) -> tuple[float, Floats]:
    """The breaks moved to where they fit best, from a start near to it; roughly where not ``fine``."""
    least_gain, least_share = (1e-9, 1e-4) if fine else (1e-3, 0.2)
    best, answer = _solve(x, y, u, breaks)
    scale = float(np.ptp(x))
    for _ in range(60):
        rows = _jacobian(x, breaks, answer[1:]) / u[:, None]
        miss = (y - _design(x, breaks) @ answer) / u
        step = _least_squares(rows, miss)[1 + len(breaks) :]
        share = 1.0
        while share > least_share:
            tried: Floats = np.sort(np.clip(breaks + share * step, x[0], x[-1]))
            squares, coefficients = _solve(x, y, u, tried)
            if squares < best:
                break
            share *= 0.5
        else:
            return best, breaks
        gain = best - squares
        done = gain < least_gain * best and (
            not fine or float(np.abs(tried - breaks).max()) < 1e-7 * scale
        )
        best, answer, breaks = squares, coefficients, tried
        if done:
            break
    return best, breaks


def _determined(x: Floats, breaks: Floats) -> bool:
    """Whether every piece has points enough: one below the first break, two on each piece after it.

    With fewer, breaks may slide along without the line leaving a single point.
    """
    place = np.searchsorted(x, breaks, side="right")
    return not len(breaks) or bool(place[0] >= 1 and np.all(np.diff(np.append(place, len(x))) >= 2))


def _further(x: Floats, y: Floats, u: Floats, breaks: Floats) -> tuple[float, Floats] | None:
    """One break more, at the best of the places tried, then all moved; None where none will do."""
    places = x[np.unique(np.linspace(0, len(x) - 2, TRIALS).astype(int))]
    # What each further column would take off the squares: its part across the columns there are.
    across = np.linalg.qr(_design(x, breaks) / u[:, None])[0]
    columns = np.maximum(x[:, None] - places, 0.0) / u[:, None]
    columns -= across @ (across.T @ columns)
    miss = y / u - across @ (across.T @ (y / u))
    gain = (columns.T @ miss) ** 2 / np.maximum((columns**2).sum(axis=0), 1e-12)
    # The best place, and the best one that is not just beside it.
    best = int(np.argmax(gain))
    gain[max(best - TRIALS // 10, 0) : best + TRIALS // 10 + 1] = -1.0
    starts = (best, int(np.argmax(gain)))
    rough = [_moved(x, y, u, np.sort(np.append(breaks, places[k]))) for k in starts]
    good = [each for each in rough if _determined(x, each[1])]
    if not good:
        return None
    return min(good, key=lambda each: each[0])


def broken_line(x: Floats, y: Floats, u: Floats, least: float, fine: bool = True) -> BrokenLine:
    """Fit a broken line to points of rising x.

    x, y, u  (n,) points and the standard uncertainties of y, n of 3 or more
    least    a break counts only where it moves the line somewhere by this much
    fine     False: its breaks are only about where they fit best; a third quicker

    Raises FitError where the points do not determine even a level.
    """
    if len(x) < 3:
        raise FitError("a broken line needs three points or more")
    found = [np.empty(0)]
    squares, answer = _solve(x, y, u, found[0])
    at = _design(x, found[0]) @ answer
    for _ in range(MOST_BREAKS):
        left = len(x) - 3 - 2 * len(found[-1])
        one_more = _further(x, y, u, found[-1]) if left >= 1 else None
        if one_more is None:
            break
        fewer, tried = one_more
        scale = max(1.0, fewer / left)
        here = _design(x, tried) @ _solve(x, y, u, tried)[1]
        if squares - fewer < 2.0 * np.log(len(x)) * scale or np.abs(here - at).max() < least:
            break
        found.append(tried)
        squares, at = fewer, here
    while True:
        try:
            line = _line(x, y, u, found[-1])
        except FitError:
            if not found[:-1]:
                raise
            found.pop()
        else:
            return refined(line, x, y, u) if fine else line


def _line(x: Floats, y: Floats, u: Floats, breaks: Floats) -> BrokenLine:
    level, *rest = _solve(x, y, u, breaks)[1]
    bends = np.array(rest)
    rows = _jacobian(x, breaks, bends)
    # Linearised at the minimum: its parameters are level, bends, and what the breaks still lack.
    fit = linear_fit(rows, y, u)
    widened = max(1.0, fit.residual_sd) if fit.residual_dof > 0 else 1.0
    return BrokenLine(float(level), breaks, bends, fit, widened)


def refined(line: BrokenLine, x: Floats, y: Floats, u: Floats) -> BrokenLine:
    """A line that was not fitted finely, with its breaks where they fit best."""
    if not len(line.breaks):
        return line
    breaks = _moved(x, y, u, line.breaks, fine=True)[1]
    if not _determined(x, breaks):
        return line
    try:
        return _line(x, y, u, breaks)
    except FitError:
        return line
