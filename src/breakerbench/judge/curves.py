"""A measured curve against the rows of its band: a case for every row.

A lower limit of 0 is none: with the weights or the plate at rest the advance is 0 by definition, so
that no measured one could clear that limit by its uncertainty. A drive that turns the wrong way is
told from the curve as a whole.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise

from breakerbench.judge.guard import FAIL, PASS, UNDECIDED, compare
from breakerbench.judge.reading import Case

#: Decimals of limits between the rows of a band: what is shown is what is judged.
SHOWN = 2

Band = tuple[tuple[float, float, float], ...]


def band_at(band: Band, x: float) -> tuple[float, float] | None:
    """Limits of a band at ``x``, straight between its rows; None outside of them."""
    if not band[0][0] <= x <= band[-1][0]:
        return None
    for before, after in pairwise(band):
        if x <= after[0]:
            share = (x - before[0]) / (after[0] - before[0])
            return (
                before[1] + share * (after[1] - before[1]),
                before[2] + share * (after[2] - before[2]),
            )
    return band[0][1], band[0][2]  # a band of one row, met exactly


def one_each(
    points: Sequence[tuple[float, float, float | None]],
) -> list[tuple[float, float, float | None]]:
    """One point for each x: what was measured there up and down lies to either side of it.

    The middle of the largest and the smallest, and half of their distance as a rectangle in U.
    """
    by: dict[float, list[tuple[float, float | None]]] = {}
    for x, deg, u in points:
        by.setdefault(x, []).append((deg, u))
    found = []
    for x, values in sorted(by.items()):
        degs, us = [deg for deg, _ in values], [u for _, u in values if u is not None]
        apart = _full(0.5 * (max(degs) - min(degs)))
        u = math.hypot(max(us), apart) if len(us) == len(values) else None
        found.append((x, 0.5 * (min(degs) + max(degs)), u))
    return found


def curve_cases(
    points: Sequence[tuple[float, float, float | None]], band: Band, unit: str, reach: float
) -> Iterator[Case]:
    """A measured curve at every row of its band; and between rows, where it is worse there.

    points  (x, deg, U) in any order; reach: a row this far from a measured point is measured
    """
    if not points:
        yield Case(None, None, None, None)
        return
    points = sorted(points)
    steepest = max(
        (abs(b[k] - a[k]) / (b[0] - a[0]) for a, b in pairwise(band) for k in (1, 2)), default=0.0
    )
    rows = []
    for x, stated, high in band:
        low = _lower(stated)
        found = _value_at(points, x, reach, steepest)
        if found is None:
            why = f"not reached: measured from {points[0][0]:.0f} to {points[-1][0]:.0f} {unit}"
            if points[0][0] < x < points[-1][0]:
                why = f"nothing was measured near {x:g} {unit}"
            rows.append(Case(None, None, low, high, why=why, at=x, at_unit=unit))
        else:
            rows.append(Case(*found, low, high, at=x, at_unit=unit))
    yield from rows
    between = [
        Case(
            deg,
            u,
            _lower(round(limits[0], SHOWN)),
            round(limits[1], SHOWN),
            at=x,
            at_unit=unit,
            why="between the points stated, where it lies furthest outside",
        )
        for x, deg, u in points
        if (limits := band_at(band, x)) is not None
    ]
    worst = min(between, key=_rank, default=None)
    measured = [_rank(each)[0] for each in rows if each.value is not None]
    # A handbook states points; the straight lines between them are ours. Only what plainly leaves
    # the band there counts, where no stated point says so already.
    if worst is not None and _rank(worst)[0] == 0 and min(measured, default=2) > 0:
        yield worst


def _value_at(
    points: Sequence[tuple[float, float, float | None]], x: float, reach: float, steepest: float
) -> tuple[float, float | None] | None:
    """(deg, U) of a curve at ``x``: straight between points no further apart than twice ``reach``.

    U is that of the two points as if they went together, and half-width of the bend that the slopes
    beside the two leave open (a rectangle). Beside a single point the curve may be as steep as its
    band or as the curve beside it. None where no point is near enough.
    """
    at = [p[0] for p in points]
    k = bisect_left(at, x)
    if 0 < k < len(points) and at[k] > x and at[k] - at[k - 1] <= 2.2 * reach:
        (x0, y0, u0), (x1, y1, u1) = points[k - 1], points[k]
        share, width = (x - x0) / (x1 - x0), x1 - x0
        slopes = [
            _slope(points, k - 1) if k > 1 else None,
            _slope(points, k + 1) if k + 1 < len(at) else None,
        ]
        own = (y1 - y0) / width
        before, after = (own if slope is None else slope for slope in slopes)
        bend = abs(after - before) * share * (1.0 - share) * width
        u = (
            None
            if u0 is None or u1 is None
            else math.hypot((1.0 - share) * u0 + share * u1, _full(bend))
        )
        return y0 + share * (y1 - y0), u
    near = min(range(len(points)), key=lambda each: abs(at[each] - x))
    away = abs(at[near] - x)
    if away > 0.5 * reach:
        return None
    beside = [abs(_slope(points, each)) for each in (near, near + 1) if 0 < each < len(at)]
    _, deg, u = points[near]
    return deg, None if u is None else math.hypot(u, _full(max([steepest, *beside]) * away))


def _lower(stated: float) -> float | None:
    return None if stated == 0.0 else stated


def _slope(points: Sequence[tuple[float, float, float | None]], k: int) -> float:
    """Slope from point k - 1 to point k."""
    return (points[k][1] - points[k - 1][1]) / (points[k][0] - points[k - 1][0])


def _full(half_width: float) -> float:
    """Expanded uncertainty of a rectangle."""
    return 2.0 / math.sqrt(3.0) * half_width


def _rank(case: Case) -> tuple[int, float]:
    """Order of badness: outside (0), too close to call (1), inside (2); then by the room left."""
    value, low, high = case.value, case.low, case.high
    assert value is not None
    assert high is not None
    room = high - value if low is None else min(value - low, high - value)
    if case.u is None:
        return 1, room
    order = (FAIL, UNDECIDED, PASS)
    return order.index(compare(value, case.u, low, high)), room - case.u
