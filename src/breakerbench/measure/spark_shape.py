"""The primary about the end of a spark: burn line with its ring, then the rest ringing down.

The circuit is linear on either side of the end, so that what the primary shows is a sum of known
shapes: a straight line and the leakage's ring before, the two modes of coil and condenser about the
feed after. As the gap's current stops, the voltages and currents of the circuit go on where they
were: value, slope and curvature of the primary's voltage are the same on both sides (the third
derivative jumps by the current that stops). For a trial end the amplitudes are then linear, and the
end is where the sum of squares is least (separable least squares; Golub and Pereyra 1973, from
memory). Times in ms inside, as in ``ring_modes``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import Mode, seen_at_start, seen_through

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Of the burn line, what its ring may stand above it at the end: 1 - k^2, for 0.9 and more.
RISING = 0.2
_HAIR_V = 1e-9
#: Keeps a trial of which hardly a sample is left from fitting anything by chance.
_RIDGE = 1e-11
#: Value, slope and curvature that go on; each brought to about the same size.
_SIZE = np.array([[1.0], [0.03], [0.001]])
#: Columns that are left near the end: without the line's slope and the level of the ring.
_NEAR = np.array([0, 2, 3, 4, 5, 6, 7])


@dataclass(frozen=True)
class Shape:
    """Modes that an opening is made of. tau: time constant of the front end, ms.

    near  fitted to the last swing of the burn alone: its line is level there, the ring's level is 0
    """

    burn: Mode
    slow: Mode
    fast: Mode
    tau: float
    near: bool = False

    @cached_property
    def _joint(self) -> tuple[Floats, Floats]:
        """Amplitudes that join smoothly, (9, 6 or 4); and what is seen to jump at the end, (9,)."""
        parts = [seen_at_start(m, self.tau) for m in (self.burn, self.slow, self.fast)]
        (burn_0, burn), (slow_0, slow), (fast_0, fast) = parts
        line = np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]])
        level = np.array([[1.0], [0.0], [0.0]])
        joint = np.hstack([line, burn, -slow, -fast, -level]) * _SIZE
        used = _NEAR if self.near else slice(None)
        # The null space: what keeps value, slope and curvature.
        keeps = np.linalg.svd(joint[:, used])[2][3:].T
        amplitudes = np.zeros((9, keeps.shape[1]))
        amplitudes[used] = keeps
        jump = np.concatenate([[1.0, -self.tau], burn_0, -slow_0, -fast_0, [-1.0]])
        return amplitudes, jump

    def may_end(self, found: Floats) -> Bools:
        """Whether the gap's current was falling at the end; found (..., 6 or 4) amplitudes.

        What the ring of the leakage takes from the primary's current the gap has more of. Of two
        coupled coils with the secondary at the burn's voltage its current falls only while the
        primary's stands no higher than (2 - k^2) times the burn line (k: coupling); and only
        a current that falls comes to nothing.
        """
        each = found @ self._joint[0].T
        return np.asarray(each[..., 2] <= RISING * np.maximum(each[..., 0], 0.0) + _HAIR_V)

    def line_v(self, found: Floats) -> Floats:
        """(...,) the burn line at the end, above the level at rest; found (..., 6 or 4), V."""
        return np.asarray(found @ self._joint[0][0])

    def columns(self, t: Floats) -> Floats:
        """(n, 6 or 4) what is seen, for each amplitude, at times t (n,) from the end, in order, ms.

        The amplitudes are no physical ones.
        """
        joint, jump = self._joint
        end = int(np.searchsorted(t, 0.0))
        before, after = t[:end], t[end:]
        seen = np.zeros((len(t), 9))
        seen[:end, 0], seen[:end, 1] = 1.0, before - self.tau
        seen[:end, 2:4] = seen_through(self.burn, self.tau, before)
        seen[end:, 4:6] = seen_through(self.slow, self.tau, after)
        seen[end:, 6:8] = seen_through(self.fast, self.tau, after)
        seen[end:, 8] = 1.0
        if self.tau > 0.0:
            # The front end takes its time to follow the new shapes.
            seen[end:] += np.exp(-after / self.tau)[:, None] * jump
        return np.asarray(seen @ joint)


class Grid:
    """Columns of a shape at every half sample, for trial ends that lie on halves of samples.

    reach_s  how far samples may lie from a trial end, either way
    """

    def __init__(self, shape: Shape, rate_hz: float, reach_s: float) -> None:
        self.shape = shape
        self.rate_hz = rate_hz
        self._reach_s = reach_s
        self._half = int(2.0 * reach_s * rate_hz) + 8
        t = np.arange(-self._half, self._half + 1) / (2.0 * rate_hz) * 1e3
        self._rows = shape.columns(t)

    @cached_property
    def near(self) -> Grid:
        """The same for the last swing of the burn alone."""
        return Grid(replace(self.shape, near=True), self.rate_hz, self._reach_s)

    def columns(self, part: slice, trials: Floats) -> Floats:
        """(trials, n, 6 or 4) for the samples of ``part``; trials (k,) ends, on halves of samples."""
        first = np.rint(2.0 * (part.start - trials)).astype(np.int64) + self._half
        rows = first[:, None] + 2 * np.arange(part.stop - part.start)
        return np.asarray(self._rows[rows])


def amplitudes(columns: Floats, volts: Floats) -> Floats:
    """(p,) that fit best; columns (n, p).

    By the normal equations of columns brought to one length: five times as fast as an orthogonal
    factor, and the modes are far enough apart.
    """
    size = np.sqrt((columns**2).sum(axis=0)) + 1e-30
    scaled = columns / size
    gram = scaled.T @ scaled
    gram.flat[:: len(size) + 1] += _RIDGE
    return np.asarray(np.linalg.solve(gram, scaled.T @ volts) / size)


def misfit(columns: Floats, volts: Floats, good: Bools) -> Floats:
    """Residuals (m,) of the good samples of one opening, best amplitudes taken; columns (n, p)."""
    part, y = columns[good], volts[good]
    left: Floats = y - part @ amplitudes(part, y)
    return left


def squares(columns: Floats, volts: Floats, good: Bools) -> tuple[Floats, Floats]:
    """(trials,) sum of squared residuals of one opening for each trial, and (trials, p) amplitudes.

    columns  (trials, n, p)
    """
    part, y = (columns, volts) if good.all() else (columns[:, good], volts[good])
    size = np.sqrt((part**2).sum(axis=1)) + 1e-30
    right = (y @ part) / size
    gram = (np.swapaxes(part, 1, 2) @ part) / (size[:, :, None] * size[:, None, :])
    gram += _RIDGE * np.eye(part.shape[2])
    best = np.linalg.solve(gram, right[..., None])[..., 0]
    return np.asarray(y @ y - (right * best).sum(axis=1)), best / size


def sliding_squares(columns: Floats, volts: Floats, good: Bools) -> tuple[Floats, Floats, Ints]:
    """(k,) sum of squared residuals of each stretch (k, n), one sample on from each to the next.

    columns  (n, p), the same for all. Also (k, p) amplitudes, and how many good samples each has.
    """
    n, p = columns.shape
    size = np.sqrt((columns**2).sum(axis=0)) + 1e-30
    scaled = columns / size
    ok = np.lib.stride_tricks.sliding_window_view(good, n).astype(np.float64)
    y = np.lib.stride_tricks.sliding_window_view(np.where(good, volts, 0.0), n)
    i, j = np.triu_indices(p)
    gram = np.empty((len(y), p, p))
    gram[:, i, j] = gram[:, j, i] = ok @ (scaled[:, i] * scaled[:, j])
    gram += _RIDGE * np.eye(p)
    right = y @ scaled
    best = np.linalg.solve(gram, right[..., None])[..., 0]
    left: Floats = (y**2).sum(axis=1) - (right * best).sum(axis=1)
    return left, best / size, ok.sum(axis=1).astype(np.int64)
