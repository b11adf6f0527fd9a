"""Scatter of the openings, from windows of neighbouring revolutions.

A window's deviations are split into what all lobes of a revolution share and what each has alone
(analysis of variance); a smooth trend through the shared part is advance or drift and is taken off.
With an index alone the openings are also held against the touches and openings beside them: what
they foretell of an opening may be the drive's unevenness within the revolution.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Instrument
from breakerbench.measure.distributions import f_above
from breakerbench.measure.spread import standard_deviation

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Revolutions of one window, and the fewest worth taking at a break.
WINDOW = 32
SHORTEST_WINDOW = 3
#: A window whose speed changes by more than this is not steady.
STEADY_RPM = 50.0
#: Events before and after an opening from which it is foretold, at most.
BESIDE = 3
#: What events beside an opening foretell counts from so many of its standard deviations.
PLAIN = 1.0
#: Chance of seeing a trend, or rougher windows while the speed changes, where there is none.
TREND_CHANCE, ROUGHER_CHANCE = 0.05, 0.001


@dataclass(slots=True)
class Sums:
    """Sums over windows of one kind.

    common, own     squares of what all lobes of a revolution share, trend taken off, and of what
                    each has alone, with their degrees of freedom
    flat            as ``common``, but with the windows' mean alone taken off
    events          openings; noise, omega2: their placement variance (deg^2) and speed squared
    beside          (2 lobes + 4, 2 lobes + 4) products of the events of a revolution: two before
                    it, touch and opening of each lobe, two after it
    beside_n        revolutions in it; beside_dof: degrees of freedom left of them
    low, high       smallest and largest deviation
    """

    lobes: int
    common: float = 0.0
    common_dof: float = 0.0
    flat: float = 0.0
    flat_dof: float = 0.0
    own: float = 0.0
    own_dof: float = 0.0
    events: float = 0.0
    noise: float = 0.0
    omega2: float = 0.0
    beside: Floats = field(init=False)
    beside_n: float = 0.0
    beside_dof: float = 0.0
    low: float = 0.0
    high: float = 0.0

    def __post_init__(self) -> None:
        self.beside = np.zeros((2 * self.lobes + 4,) * 2)


def trend_degree(rows: int) -> int:
    return 3 if rows >= 12 else (1 if rows >= 5 else 0)


@lru_cache(maxsize=WINDOW + 1)
def _projection(m: int) -> Floats:
    """Matrix that takes the means of m neighbouring revolutions to their smooth trend: advance, drift.

    It projects them on polynomials of the trend's degree.
    """
    basis = np.vander(np.linspace(-1.0, 1.0, m), trend_degree(m) + 1, increasing=True)
    q, _ = np.linalg.qr(basis)
    return np.asarray(q @ q.T)


class Windows:
    """Collects revolutions into windows and adds these up, the steady ones apart."""

    def __init__(self, lobes: int) -> None:
        self.lobes = lobes
        self.steady = Sums(lobes)
        self.moving = Sums(lobes)
        self._rows = np.empty((0, 2 + 2 * lobes))
        self._turn = np.empty(0, np.int64)

    def add(self, turn: Ints, rows: Floats) -> None:
        """Revolutions in order; one that does not follow on the last closes the window early.

        rows  speed, placement variance, place of each opening, place of the touch before each
        """
        if len(self._rows):
            rows = np.concatenate([self._rows, rows])
            turn = np.concatenate([self._turn, turn])
        ends = np.append(np.flatnonzero(np.diff(turn) != 1) + 1, len(turn)).tolist()
        begin = 0
        for end in ends:
            whole = (end - begin) // WINDOW * WINDOW
            if whole:
                self._add(rows[begin : begin + whole].reshape(-1, WINDOW, rows.shape[1]))
            begin += whole
            if end < len(turn):
                self._add(rows[None, begin:end])
                begin = end
        self._rows, self._turn = rows[begin:], turn[begin:]

    def close(self) -> None:
        held, self._rows, self._turn = self._rows, self._rows[:0], self._turn[:0]
        self._add(held[None])

    def _add(self, rows: Floats) -> None:
        """Add windows of equal length: rows (windows, revolutions, columns), see ``add``."""
        windows, m, _ = rows.shape
        if m < SHORTEST_WINDOW:
            return
        n = self.lobes
        rpm, u2, x, touch = rows[..., 0], rows[..., 1], rows[..., 2 : 2 + n], rows[..., 2 + n :]
        centred = x - x.mean(axis=1, keepdims=True)
        shared = centred.mean(axis=2)
        smooth = np.einsum("ij,wj->wi", _projection(m), shared)
        alone = (centred - shared[..., None]).reshape(windows, -1)
        centred = centred - smooth[..., None]
        omega2 = (rpm * 6.0) ** 2
        of_each = np.column_stack(
            [
                ((shared - smooth) ** 2).sum(axis=1) * n,
                (shared**2).sum(axis=1) * n,
                (alone**2).sum(axis=1),
                (u2 * omega2).sum(axis=1) * n,
                omega2.sum(axis=1) * n,
                centred.min(axis=(1, 2)),
                centred.max(axis=(1, 2)),
            ]
        )
        steady = np.asarray(np.ptp(rpm, axis=1) < STEADY_RPM)
        whole = np.asarray(np.isfinite(touch).all(axis=(1, 2)))
        other = touch - touch.mean(axis=1, keepdims=True) - smooth[..., None]
        beside = _beside(centred, other)
        products = beside.transpose(0, 2, 1) @ beside
        # One after the other, so that the sums do not depend on how the run was split.
        for k, values in enumerate(of_each.tolist()):
            common, flat, own, noise, omega, low, high = values
            sums = self.steady if steady[k] else self.moving
            sums.common += common
            sums.common_dof += m - 1 - trend_degree(m)
            sums.flat += flat
            sums.flat_dof += m - 1
            sums.own += own
            sums.own_dof += (m - 1) * (n - 1)
            sums.events += m * n
            sums.noise += noise
            sums.omega2 += omega
            sums.low = min(sums.low, low)
            sums.high = max(sums.high, high)
            if whole[k]:
                sums.beside += products[k]
                rows_used = m - 2.0
            else:
                some, rows_used = _products(centred[k], touch[k], smooth[k])
                sums.beside += some
            sums.beside_n += rows_used
            sums.beside_dof += rows_used * (1.0 - (1.0 + trend_degree(m)) / m)


def _products(opening: Floats, touch: Floats, smooth: Floats) -> tuple[Floats, float]:
    """Products of what lies beside each opening in one window, and of how many revolutions.

    opening, touch  (revolutions, lobes); smooth: (revolutions,) the trend. Only revolutions that
                    have all their touches count.
    """
    known = np.isfinite(touch).all(axis=1)
    wide = np.empty((0, 2 * touch.shape[1] + 4))
    if known.sum() >= SHORTEST_WINDOW:
        touch = touch - touch[known].mean(axis=0) - smooth[:, None]
        wide = _beside(opening[None], touch[None])[0]
        wide = wide[np.isfinite(wide).all(axis=1)]
    return wide.T @ wide, float(len(wide))


def _beside(opening: Floats, touch: Floats) -> Floats:
    """(windows, revolutions - 2, 2 lobes + 4): two events before, those of a revolution, two after."""
    windows, m, n = opening.shape
    events = np.empty((windows, m, 2 * n))
    events[..., 0::2] = touch
    events[..., 1::2] = opening
    sides = [events[:, :-2, -2:], events[:, 1:-1], events[:, 2:, :2]]
    return np.asarray(np.concatenate(sides, axis=2))


def _less(rough: float, rough_dof: float, fine: float, fine_dof: float, chance: float) -> bool:
    """Whether one mean square is not plainly above another (F test)."""
    if rough_dof <= 0.0 or rough <= 0.0:
        return True
    if fine_dof <= 0.0 or fine <= 0.0:
        return False
    return f_above(rough_dof, fine_dof, rough / rough_dof / (fine / fine_dof)) > chance


def _pooled(w: Windows) -> list[Sums]:
    """The windows to use: all, but the moving ones not where they are plainly rougher."""
    steady, moving = w.steady, w.moving
    if moving.common_dof < 1 or steady.common_dof < 1:
        return [steady if moving.common_dof < 1 else moving]
    alike = _less(
        moving.common, moving.common_dof, steady.common, steady.common_dof, ROUGHER_CHANCE
    ) and _less(moving.own, moving.own_dof, steady.own, steady.own_dof, ROUGHER_CHANCE)
    if alike:
        return [steady, moving]
    return [steady if steady.common_dof >= 5 or moving.common_dof <= steady.common_dof else moving]


def _common(sums: Sums, steady: bool) -> tuple[float, float]:
    """Squares of what the lobes share and their dof; a trend that is not there costs none.

    A trend is always taken off where the speed changes.
    """
    extra, extra_dof = sums.flat - sums.common, sums.flat_dof - sums.common_dof
    if steady and _less(extra, extra_dof, sums.common, sums.common_dof, TREND_CHANCE):
        return sums.flat, sums.flat_dof
    return sums.common, sums.common_dof


def foretold(used: list[Sums]) -> float:
    """Variance of the openings that the events beside them share with them, deg^2.

    From the regression of each opening on up to BESIDE events before and after it. 0 where nothing
    plain is shared; nan where the revolutions are too few to tell.
    """
    n = sum(s.beside_n for s in used)
    dof = sum(s.beside_dof for s in used)
    products = np.sum([s.beside for s in used], axis=0)
    reach = min(BESIDE, int(n / 8.0))
    if reach < 1:
        return float("nan")
    size, lobes = len(products), used[0].lobes
    total, left, number = 0.0, 0.0, 0.0
    for lobe in range(lobes):
        at = 3 + 2 * lobe
        others = [k for k in range(max(at - reach, 0), min(at + reach + 1, size)) if k != at]
        inner = products[np.ix_(others, others)]
        mixed = products[others, at]
        # A hair on the diagonal, for events that go together wholly.
        inner = inner + np.eye(len(others)) * (1e-9 * float(np.trace(inner)) + 1e-30)
        rest = float(products[at, at] - mixed @ np.linalg.solve(inner, mixed))
        total += float(products[at, at]) / dof
        left += max(rest, 0.0) / max(dof - len(others), 1.0)
        number += len(others)
    total, left, number = total / lobes, left / lobes, number / lobes
    shared = total - left
    if shared < PLAIN * total * float(np.sqrt(2.0 * number / (n * lobes))):
        return 0.0
    # The foretelling events have scatter of their own, which hides part of what is shared.
    return min(shared + left / number, total)


def scatter_figures(w: Windows, tool: Instrument) -> dict[str, Any] | str:
    """Scatter, or the reason why there is none.

    Pooled within-lobe variance: what the lobes of a revolution share plus what each has alone, each
    from its own mean square, so that removing the trend biases neither.
    """
    used = _pooled(w)
    shares = [_common(s, s is w.steady) for s in used]
    common, common_dof = (float(sum(column)) for column in zip(*shares, strict=True))
    if common_dof < 1:
        return "too few whole revolutions in a row"
    n = w.lobes
    parts = [(common / common_dof / n, common_dof)]
    if n > 1:
        own_dof = sum(s.own_dof for s in used)
        parts.append((sum(s.own for s in used) / own_dof * (n - 1) / n, own_dof))
    variance = sum(part for part, _ in parts)
    # Satterthwaite's formula for a sum of mean squares.
    spread = sum(part**2 / part_dof for part, part_dof in parts)
    dof = variance**2 / spread if spread > 0.0 else common_dof
    events = sum(s.events for s in used)
    omega2 = sum(s.omega2 for s in used) / events
    placement = sum(s.noise for s in used) / events
    # A cubic through four index times carries on average 0.8 of one time's variance.
    reference = (
        0.8 * tool.u_index_s**2 * omega2
        if tool.index_only
        else tool.encoder_share * tool.u_pulse_s**2 * omega2
    )
    noise = placement + reference
    own = max(variance - noise, 0.0)
    value = float(np.sqrt(own))
    estimate = standard_deviation(float(np.sqrt(variance)), dof)
    # d(own) = 2 sqrt(variance) d(sqrt(variance)): the part taken off makes the rest less certain.
    u = estimate.U * float(np.sqrt(variance)) / max(value, 0.5 * float(np.sqrt(variance)), 1e-9)
    u = float(np.hypot(u, 0.5 * noise / max(value, float(np.sqrt(noise)), 1e-9)))
    doubt = 0.0
    if tool.index_only:
        # What openings share with the events beside them may be the drive's unevenness within the
        # revolution, or the shaft's; the index alone cannot say which.
        shared = foretold(used)
        doubt = value - float(np.sqrt(max(own - shared, 0.0))) if np.isfinite(shared) else value
    return {
        "deg": value,
        "range_deg": max(s.high for s in used) - min(s.low for s in used),
        "u_deg": float(np.hypot(u, doubt)),
    }
