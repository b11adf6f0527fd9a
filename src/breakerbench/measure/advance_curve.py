"""One curve of the advance in narrow speed bins, its line and its rest plateau."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Instrument
from breakerbench.measure.advance_line import AdvanceLine, advance_line
from breakerbench.measure.advance_sums import BEFORE, FINE_RPM, Advance
from breakerbench.measure.fit import FitError, straight_line
from breakerbench.measure.timing import BIN_RPM

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Fewest revolutions of a point of the curve.
POINT_REVOLUTIONS = 3
#: The rest plateau: flat over this, and as flat as this where the uncertainty is smaller.
PLATEAU_RPM = 75.0
FLAT_DEG = 0.1
#: Speeds further apart than this leave open how the curve bends between them.
FAR_RPM = 75.0
AT_EDGE_RPM = 10.0
#: A break of the curve moves the line by this or it is none.
LEAST_DEG = 0.05
#: Points that lie farther from the line than their noise by this factor: no smooth curve.
JUMPY = 2.0
#: What is a rise and no noise: this, and so many uncertainties, in three bins on end.
RISE_DEG, RISE_NOISES = 0.1, 4.0
ON_THE_CURVE = "the lowest speed is already on the curve"
FEW_AT_REST = "too few revolutions at the speeds where the weights rest: stay longer there"


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One curve, in narrow bins: how far ahead the openings come, from an arbitrary zero, deg.

    sd, dof  of one revolution within its bin, pooled; u_deg: of the mean of a bin
    """

    bins: Ints
    n: Floats
    rpm: Floats
    deg: Floats
    u_deg: Floats
    sd: float
    dof: float


def scatter_within(a: Advance) -> tuple[float, float]:
    """Standard deviation of one revolution within its narrow bin, all pooled, and its dof."""
    n = np.maximum(a.n, 1.0)
    dof = float((a.n - (a.n > 0.0)).sum())
    square = float((a.phase2 - a.phase**2 / n).sum())
    return float(np.sqrt(max(square, 0.0) / max(dof, 1.0))), dof


def curve_of(a: Advance, way: int, tool: Instrument) -> Curve:
    parts = [way, BEFORE] if way == a.first_way else [way]
    n, rpm, phase, phase2, u2 = (
        s[parts].sum(axis=0) for s in (a.n, a.rpm, a.phase, a.phase2, a.u2)
    )
    bins = np.flatnonzero(n)
    n, rpm, phase, phase2, u2 = n[bins], rpm[bins] / n[bins], phase[bins], phase2[bins], u2[bins]
    placed = np.sqrt(u2 / n / a.lobes) * 6.0 * rpm
    sd, dof = scatter_within(a)
    still = np.sqrt(np.maximum(placed**2 - sd**2, 0.0))
    locked = np.maximum(still, tool.lock * placed)
    if dof < 10.0:
        # A quick sweep: what the points scatter about the fitted line has to tell it.
        sd, dof = 0.002, max(len(n) - 4.0, 1.0)
        locked = np.zeros(len(n))
    u_deg = np.sqrt(sd**2 / n + locked**2) + 1e-6
    return Curve(bins, n, rpm, -phase / n, u_deg, sd, dof)


def lines_of(curves: dict[int, Curve]) -> dict[int, AdvanceLine | None]:
    """The line of each curve; weights and springs give both the same form."""
    lines: dict[int, AdvanceLine | None] = dict.fromkeys(curves)
    power = None
    for way, curve in curves.items():
        if len(curve.rpm) < 3 or float(np.ptp(curve.rpm)) < 2.0 * BIN_RPM:
            continue
        try:
            lines[way] = line = advance_line(curve.rpm, curve.deg, curve.u_deg, LEAST_DEG, power)
        except FitError:
            continue
        if len(line.breaks):
            power = line.power
    return lines


def wide_bins(curve: Curve) -> Ints:
    """Number of the 50 rpm bin that each narrow one lies in; both lie about their multiples."""
    fine = round(BIN_RPM / FINE_RPM)
    return (curve.bins + fine // 2) // fine


def below_first_break(curve: Curve, line: AdvanceLine) -> Bools:
    """The narrow bins below the first break: where the weights rest, if they do."""
    return np.asarray(curve.rpm < (line.breaks[0] if len(line.breaks) else np.inf))


def no_rest(curve: Curve, line: AdvanceLine) -> str:
    """Why the line begins with no rest plateau (two 50 rpm bins or more, flat); empty: it does."""
    below = below_first_break(curve, line)
    x, y, u = curve.rpm[below], curve.deg[below], curve.u_deg[below]
    wide = np.unique(wide_bins(curve)[below])
    if len(wide) < 2 or float(np.ptp(x)) < PLATEAU_RPM:
        return ON_THE_CURVE
    if float(curve.n[below].sum()) < 2 * POINT_REVOLUTIONS:
        return FEW_AT_REST
    slope = straight_line(x, y, u * line.widened).slope
    rise, unsure = (abs(v) * float(np.ptp(x)) for v in (slope.value, 3.0 * slope.u))
    return ON_THE_CURVE if rise > max(FLAT_DEG, unsure) else ""


def gap_around(rpm: Floats, place: float) -> float:
    """How far a break at ``place`` may lie off within a gap between measured speeds, rpm.

    A line that breaks in a wide gap, or just at its edge, may as well break elsewhere in it. 0: no gap.
    """
    low, high = rpm[:-1], rpm[1:]
    here = (high - low > FAR_RPM) & (low - AT_EDGE_RPM <= place) & (place <= high + AT_EDGE_RPM)
    return float(np.maximum(high - place, place - low)[here].max(initial=0.0))


def within_measured(rpm: Floats, x: Floats) -> Bools:
    """Which of ``x`` lie between speeds of ``rpm`` and within a bin of the nearest one."""
    k = np.clip(np.searchsorted(rpm, x), 1, len(rpm) - 1)
    near = np.minimum(np.abs(x - rpm[k - 1]), np.abs(x - rpm[k])) <= BIN_RPM
    return np.asarray(near & (x >= rpm[0]) & (x <= rpm[-1]))


def jumps(line: AdvanceLine) -> bool:
    """The curve goes in jumps that no line follows, as of weights that stick."""
    return line.widened > JUMPY


def first_rise(curve: Curve, level: float) -> tuple[float, float] | None:
    """Speed from which a curve in jumps stays above its level, and the way to the bins beside it."""
    above = curve.deg - level > np.maximum(RISE_DEG, RISE_NOISES * curve.u_deg)
    lasting = np.flatnonzero(above[:-2] & above[1:-1] & above[2:])
    if not len(lasting) or lasting[0] == 0:
        return None
    k = int(lasting[0])
    before, here = float(curve.rpm[k - 1]), float(curve.rpm[k])
    return 0.5 * (before + here), here - before
