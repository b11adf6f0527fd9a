"""Centrifugal advance: how much earlier the openings come than with the weights at rest.

A broken line through the narrow speed bins of `advance_sums` tells the rest plateau, the start, the
slopes and the largest advance; the curves are given at 50 rpm bins. Definitions and budget:
DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Instrument
from breakerbench.measure.advance_curve import (
    FEW_AT_REST,
    FLAT_DEG,
    LEAST_DEG,
    ON_THE_CURVE,
    POINT_REVOLUTIONS,
    Curve,
    below_first_break,
    curve_of,
    first_rise,
    gap_around,
    jumps,
    lines_of,
    no_rest,
    wide_bins,
    within_measured,
)
from breakerbench.measure.advance_line import AdvanceLine
from breakerbench.measure.advance_sums import FALLING, FINE_RPM, RISING, Advance
from breakerbench.measure.figures import UNSEEN_RIPPLE, UNSEEN_RIPPLE_AT_LOBES, expanded
from breakerbench.measure.hand_zero import HandZero, zero_by_hand
from breakerbench.measure.uncertainty import (
    Component,
    coverage_of_each,
    rectangular,
)

Floats = NDArray[np.float64]

#: Openings that come later with speed by this or more, and by more than their uncertainty.
BACKWARDS_DEG = 0.3
#: Speeds over which weights would have moved, where no specification says so: up to this, and this
#: many times the slowest; from memory.
WIDE_RPM, WIDE_TIMES = 1000.0, 2.5
STUCK_OR_INDEX = (
    ": the weights do not move (stuck, or there are none), or the index rides on the rotor or the cam, "
    "where advance always reads zero. It must ride on the drive shaft below the weights. This trace "
    "cannot tell which. Hold the drive shaft and turn the rotor by hand: free weights let it turn some "
    "degrees and spring back."
)
FEW = "needs a run through the speeds: three speeds or more, 100 rpm apart"
BACKWARDS = "the openings come later with speed: the drive turns the wrong way"
NONE = "the openings do not move with speed"
JUMPS = (
    "The advance goes in jumps, not along a smooth curve: the weights stick, or a spring catches. Free "
    "and oil them, look at springs and pivots, and run it again."
)


def fixed_lines(lobes: int, tool: Instrument, rpm: float, rest_rpm: float) -> list[Component]:
    """Type B lines of an advance at ``rpm``, zero taken at ``rest_rpm``."""
    moved = 6.0 * abs(rpm - rest_rpm)
    ripple, at_lobes = 0.0, 0.0
    if tool.index_only:
        ripple = rectangular(float(np.rad2deg(UNSEEN_RIPPLE)))
        at_lobes = rectangular(float(np.rad2deg(UNSEEN_RIPPLE_AT_LOBES / lobes)))
    return [
        Component("delay of the opening", tool.u_delay_s * moved),
        Component("shape of the edges", tool.u_shape_s * moved),
        Component("time of the index", tool.u_index_s * moved if tool.index_only else 0.0),
        Component("encoder disc", float(tool.u_encoder_deg * np.sqrt(2.0 / lobes))),
        Component("ripple without a trace", float(np.hypot(ripple, at_lobes))),
    ]


@dataclass(frozen=True, slots=True)
class _Point:
    rpm: float
    deg: float
    random: Component
    fixed: list[Component]
    zero: Component

    def row(self) -> dict[str, float]:
        u = expanded([self.random, self.zero, *self.fixed])
        return {"rpm": self.rpm, "deg": self.deg, "u_deg": u}


def _points(
    a: Advance, curve: Curve, line: AdvanceLine | None, widened: float, tool: Instrument,
    zero: float, rest: float, u_zero: float,
) -> list[_Point]:  # fmt: skip
    wide = wide_bins(curve)
    found = []
    for k in np.unique(wide):
        here = wide == k
        n = curve.n[here]
        count = float(n.sum())
        if count < POINT_REVOLUTIONS:
            continue
        rpm = float((n * curve.rpm[here]).sum() / count)
        deg = float((n * curve.deg[here]).sum() / count)
        bent = 0.0
        if line is not None:
            # The mean over a bend is not the curve at the mean speed.
            bent = float(line.at(np.array([rpm]))[0] - (n * line.at(curve.rpm[here])).sum() / count)
        locked2 = float((n * (curve.u_deg[here] ** 2 - curve.sd**2 / n)).sum() / count)
        random = widened * np.sqrt(curve.sd**2 / count + max(locked2, 0.0))
        found.append(
            _Point(
                rpm,
                deg + bent - zero,
                Component("repeatability", float(random), curve.dof),
                [
                    *fixed_lines(a.lobes, tool, rpm, rest),
                    Component("bend within the bin", rectangular(0.5 * abs(bent))),
                ],
                Component("zero", u_zero),
            )
        )
    return found


def _hysteresis(
    lines: dict[int, AdvanceLine | None], curves: dict[int, Curve]
) -> tuple[float, float] | None:
    """Largest difference of the two fitted lines at one speed, and its U.

    Only where both were measured: at speeds that lie within a bin of revolutions of both ways. Of m
    differences the largest is taken: U holds for all of them together (Bonferroni), m the breaks and
    the two ends.
    """
    up, down = lines[RISING], lines[FALLING]
    if up is None or down is None:
        return None
    if jumps(up) or jumps(down):
        return _hysteresis_of_jumps(curves)
    speeds = [curves[way].rpm for way in (RISING, FALLING)]
    breaks = np.concatenate([up.breaks, down.breaks])
    x = np.unique(np.concatenate([*speeds, breaks]))
    x = x[np.all([within_measured(each, x) for each in speeds], axis=0)]
    if not len(x):
        return None
    gap = np.abs(down.at(x) - up.at(x))
    worst = int(np.argmax(gap))
    u = [Component("line", each.u_at(float(x[worst])), curves[RISING].dof) for each in (up, down)]
    return float(gap[worst]), expanded(u, coverage_of_each(2 + len(breaks)))


def _hysteresis_of_jumps(curves: dict[int, Curve]) -> tuple[float, float] | None:
    """The same where no line follows the curves: of the narrow bins themselves, straight between."""
    up, down = curves[RISING], curves[FALLING]
    x = np.unique(np.concatenate([up.rpm, down.rpm]))
    x = x[within_measured(up.rpm, x) & within_measured(down.rpm, x)]
    if not len(x):
        return None
    gap = np.abs(np.interp(x, down.rpm, down.deg) - np.interp(x, up.rpm, up.deg))
    worst = int(np.argmax(gap))
    u = [
        Component("narrow bin", float(np.interp(x[worst], each.rpm, each.u_deg)), each.dof)
        for each in (up, down)
    ]
    return float(gap[worst]), expanded(u, coverage_of_each(len(x)))


def empty_advance() -> dict[str, Any]:
    return {
        "reference": None, "rising": [], "falling": [], "start_rpm": None, "u_start_rpm": None,
        "max_deg": None, "u_max_deg": None, "hysteresis_deg": None, "u_hysteresis_deg": None,
        "slopes": [], "doubt": None,
    }  # fmt: skip


def advance_figures(
    a: Advance,
    tool: Instrument,
    expected: Sequence[tuple[float, float, float]] = (),
    hand: tuple[HandZero, Floats] | None = None,
) -> tuple[dict[str, Any], dict[str, str], list[str]]:
    """The table of the contract, reasons by key, and warnings.

    expected  the specification's rows (rpm, low, high), for which a curve that stays flat is told
    hand      a zero turned by hand, taken where the run has no rest plateau, and the (lobes,) nominal
              opening angles from the first one
    """
    figures, why = empty_advance(), {}
    curves = {way: curve_of(a, way, tool) for way in (RISING, FALLING)}
    lines = lines_of(curves)
    fitted = [(way, line) for way, line in lines.items() if line is not None]
    if not fitted and hand is None:
        return figures, {"advance": FEW}, []
    late = [f for w, line in fitted if (f := _backwards(a, tool, curves[w], line)) is not None]
    if late:
        return figures, {"advance": BACKWARDS}, [_wrong_way(*late[0])]
    reasons = [no_rest(curves[way], line) for way, line in fitted]
    by_hand = zero_by_hand(a, hand) if all(reasons) else None
    if all(reasons) and by_hand is None:
        return (
            figures,
            {"advance": FEW_AT_REST if FEW_AT_REST in reasons else (*reasons, FEW)[0]},
            [],
        )
    if not fitted and by_hand:
        return _one_speed(a, tool, curves, by_hand)
    way, line = fitted[0 if by_hand else reasons.index("")]
    curve = curves[way]
    if by_hand:
        zero = by_hand
    else:
        below = below_first_break(curve, line)
        rest = float(np.average(curve.rpm[below], weights=curve.n[below]))
        zero = (line.level, rest, line.u_level)
    points = {}
    for w, c in curves.items():
        widened = (lines[w] or line).widened
        points[w] = _points(a, c, lines[w], widened, tool, *zero)
    if by_hand and (behind := _behind(points)):
        return figures, {"advance": BACKWARDS}, [_wrong_way(*behind)]
    figures["reference"] = "hand" if by_hand else "rest plateau"
    figures["rising"] = [p.row() for p in points[RISING]]
    figures["falling"] = [p.row() for p in points[FALLING]]
    for key, w in (("rising", RISING), ("falling", FALLING)):
        if not points[w]:
            why[f"advance.{key}"] = f"no speed of the run was measured while it was {key}"
    # Only where it was measured: between speeds far apart the line is nothing but a line.
    places = curve.rpm
    above = line.at(places) - zero[0]
    top = int(np.argmax(above))
    figures["max_deg"] = float(above[top])
    fixed = fixed_lines(a.lobes, tool, float(places[top]), zero[1])
    u_line = Component("line", line.u_at(float(places[top]), not by_hand), curve.dof)
    u_zero = Component("zero by hand", zero[2] if by_hand else 0.0)
    # The larger one of both ends of the last piece, which is flat: U holds for the two together.
    figures["u_max_deg"] = expanded([u_line, u_zero, *fixed], coverage_of_each(2))
    warnings: list[str] = []
    slopes = line.slopes()
    on_curve = abs(line.level - zero[0]) > max(FLAT_DEG, 2.0 * zero[2]) if by_hand else False
    if on_curve:
        why["advance.start_rpm"] = ON_THE_CURVE
    elif jumps(line) and (start := first_rise(curve, line.level)) is not None:
        figures["start_rpm"], apart = start
        figures["u_start_rpm"] = expanded([Component("speeds beside", rectangular(apart))])
    elif len(line.breaks):
        figures["start_rpm"] = float(line.breaks[0])
        figures["u_start_rpm"] = expanded(
            [
                Component("line", line.u_start_rpm, curve.dof),
                Component("narrow bins", rectangular(FINE_RPM / 4.0)),
                Component(
                    "speeds left out", rectangular(gap_around(curve.rpm, float(line.breaks[0])))
                ),
                Component("level", fixed[-1].u / max(abs(slopes[0][2]), 1e-4)),
            ]
        )
    if len(line.breaks):
        figures["slopes"] = [
            {
                "from_rpm": begin,
                "to_rpm": end,
                "deg_per_rpm": slope,
                "u_deg_per_rpm": expanded([Component("line", u, curve.dof)]),
            }
            for begin, end, slope, u in slopes
        ]
    elif not on_curve:
        why["advance.start_rpm"] = NONE
        figures["doubt"] = _still(curve, float(figures["u_max_deg"]), expected)
        warnings += [figures["doubt"]] if figures["doubt"] else []
    if any(jumps(each) for _, each in fitted):
        warnings.append(JUMPS)
    found = _hysteresis(lines, curves)
    if found is None:
        why["advance.hysteresis_deg"] = "needs the same speeds rising and falling"
    else:
        figures["hysteresis_deg"], figures["u_hysteresis_deg"] = found
    return figures, why, warnings


def _wrong_way(deg: float, rpm: float) -> str:
    return (
        f"The openings come {deg:.1f} deg later at {rpm:.0f} rpm than at rest: the drive turns the "
        "wrong way round for this distributor. Nothing is judged: turn it the other way."
    )


def _behind(points: dict[int, list[_Point]]) -> tuple[float, float] | None:
    """How much later than turned by hand the openings come, and at what speed; None: they do not."""
    worst = min((p for each in points.values() for p in each), key=lambda p: p.deg, default=None)
    if worst is None or -worst.deg <= max(BACKWARDS_DEG, worst.row()["u_deg"]):
        return None
    return -worst.deg, worst.rpm


def _one_speed(
    a: Advance, tool: Instrument, curves: dict[int, Curve], zero: tuple[float, float, float]
) -> tuple[dict[str, Any], dict[str, str], list[str]]:
    """A run at too few speeds for a curve: with a zero by hand its points still stand."""
    figures = empty_advance()
    points = {w: _points(a, c, None, 1.0, tool, *zero) for w, c in curves.items() if len(c.n)}
    every = [p.row() for w in points for p in points[w]]
    if not every:
        return figures, {"advance": FEW}, []
    if behind := _behind(points):
        return figures, {"advance": BACKWARDS}, [_wrong_way(*behind)]
    figures["reference"] = "hand"
    figures["rising"] = [p.row() for p in points.get(RISING, [])]
    figures["falling"] = [p.row() for p in points.get(FALLING, [])]
    top = max(every, key=lambda row: row["deg"])
    figures["max_deg"], figures["u_max_deg"] = top["deg"], top["u_deg"]
    why = dict.fromkeys(("advance.start_rpm", "advance.hysteresis_deg"), FEW)
    why |= {
        f"advance.{key}": f"no speed of the run was measured while it was {key}"
        for key in ("rising", "falling")
        if not figures[key]
    }
    return figures, why, []


def _backwards(
    a: Advance, tool: Instrument, curve: Curve, line: AdvanceLine
) -> tuple[float, float] | None:
    """How much later the openings come and at what speed, where that is plain and no advance is."""
    places = np.append(line.breaks, curve.rpm[-1])
    above = line.at(places) - line.level
    least, most = int(np.argmin(above)), float(above.max())
    rpm = float(places[least])
    parts = [
        Component("line", line.u_at(rpm, above_level=True), curve.dof),
        *fixed_lines(a.lobes, tool, rpm, float(curve.rpm[0])),
    ]
    late = -float(above[least])
    if late > max(BACKWARDS_DEG, expanded(parts)) and late > max(most, 0.0):
        return late, rpm
    return None


def _still(
    curve: Curve, u_deg: float, expected: Sequence[tuple[float, float, float]]
) -> str | None:
    """What to doubt of a curve that never leaves its zero over the speeds of a run; None: nothing.

    One trace cannot tell weights that do not move from an index that moves with them.
    """
    low, top = float(curve.rpm[0]), float(curve.rpm[-1])
    wanted = max((least for rpm, least, _ in expected if rpm <= top), default=0.0)
    if expected:
        if wanted <= u_deg + LEAST_DEG:
            return None
        said = f"No advance up to {top:.0f} rpm, where the specification expects {wanted:g} deg or more"
    elif top < WIDE_RPM or top < WIDE_TIMES * low:
        return None
    else:
        said = f"No advance from {low:.0f} to {top:.0f} rpm"
    return said + STUCK_OR_INDEX
