"""Centrifugal and vacuum advance of a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.run import EdgeRun
from breakerbench.measure.advance import advance_figures, empty_advance
from breakerbench.measure.hand_zero import HandZero
from breakerbench.measure.timing import Timing
from breakerbench.measure.vacuum import NO_STEPS, vacuum_figures
from breakerbench.measure.vacuum_steps import at_zero
from breakerbench.result.timed import no_angle_of_lobes

if TYPE_CHECKING:
    from breakerbench.judge.specification import Specification

Floats = NDArray[np.float64]

ONLY_AT_REST = (
    "Dwell, spacing, scatter and centrifugal advance are taken from the {n} revolutions at 0 kPa "
    "alone: a plate under vacuum moves them."
)
ALL_UNDER_VACUUM = (
    "No settled revolution was at 0 kPa: a plate under vacuum moves dwell, and its play adds to the "
    "scatter. Neither says anything of the bushings."
)

#: Lobes that fit the pattern read backwards better than this share of how badly they fit it forwards,
#: and at least so badly, deg.
MIRRORED_SHARE, MIRRORED_DEG = 0.5, 1.0
WRONG_WAY = "the drive turns the wrong way round for this distributor"
MIRRORED = (
    "The lobes come in the order of the specification's nominal angles read backwards: the drive turns "
    "the wrong way round for this distributor, or the angles were written down against the rotation. "
    "Nothing is judged: turn it the other way."
)


def is_mirrored(t: Timing | None, nominal: Floats | None) -> bool:
    """The unevenly spaced lobes come in the opposite order."""
    if t is None or nominal is None or t.revolutions < 2 or float(t.bins.n.sum()) < 2.0:
        return False
    error = t.bins.error.sum(axis=0) / float(t.bins.n.sum())
    seen = np.diff(np.append(t.nominal + error, 360.0 + t.nominal[0] + error[0]))
    told = np.diff(np.append(nominal, 360.0 + nominal[0]))

    def miss(pattern: Floats) -> float:
        return min(float(np.abs(np.roll(pattern, k) - seen).max()) for k in range(len(seen)))

    forwards, backwards = miss(told), miss(told[::-1])
    return forwards > MIRRORED_DEG and backwards < MIRRORED_SHARE * forwards


def advance_table(
    e: EdgeRun,
    t: Timing | None,
    why: dict[str, str],
    other: int | None,
    spec: Specification | None,
    hand: HandZero | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Advance and its warnings; the reason why not goes to ``why``."""
    reason = no_angle_of_lobes(e, t, why, other)
    if t is None or reason:
        why["advance"] = reason
        return empty_advance(), []
    table = spec.advance if spec is not None else None
    expected = (table.points or ()) if table is not None else ()
    zero = None if hand is None else (hand, np.asarray(t.nominal, np.float64))
    figures, reasons, warnings = advance_figures(t.advance, e.instrument(), expected, zero)
    if hand is not None and len(hand.angles_deg) != t.lobes:
        warnings.append(
            f"The hand-turned trace shows {len(hand.angles_deg)} lobes, this one {t.lobes}: it is "
            "another distributor, and is not the zero of the advance."
        )
    why.update(reasons)
    return figures, warnings


def vacuum_table(
    e: EdgeRun, t: Timing | None, why: dict[str, str], other: int | None
) -> tuple[dict[str, Any], list[str]]:
    """Vacuum advance and notes; the reason why not goes to ``why``."""
    table: dict[str, Any] = {"points": [], "throughout": None}
    held = t.held if t is not None else None
    if t is None or held is None:
        why["vacuum"] = NO_STEPS
        return table, []
    reason = no_angle_of_lobes(e, t, why, other)
    rows = held.all()
    if reason or rows is None:
        why["vacuum"] = reason
        return table, []
    steps = held.find()
    n = len(at_zero(steps))
    figures, reasons, notes = vacuum_figures(steps, rows, e.instrument(), t.lobes)
    why.update(reasons)
    notes.insert(0, ONLY_AT_REST.format(n=n) if n else ALL_UNDER_VACUUM)
    return table | figures | {"throughout": n == 0}, notes
