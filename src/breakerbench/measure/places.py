"""Where each lobe opens and touches, as angles from the index, speed by speed.

What two recordings of one distributor are compared by: another set of points, another gap. The
advance is in these angles, so they are compared at one speed.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from breakerbench.edges.events import Instrument
from breakerbench.measure.figures import BIN_REVOLUTIONS, Summary, expanded, locked
from breakerbench.measure.timing import Timing
from breakerbench.measure.uncertainty import Component, rectangular


def places_by_speed(t: Timing, tool: Instrument, s: Summary) -> list[dict[str, Any]]:
    """Rows ``{rpm, open_deg, u_open_deg, touch_deg, u_touch_deg}`` of the 50 rpm bins.

    open_deg   (lobes,) mean angle of the opening from the index, 0 to 360, from lobe 1 on
    touch_deg  (lobes,) of the first touch before it; None of fewer than ten touches seen
    u_...      (lobes,) expanded, deg

    Bins of ten revolutions or more. The angles are means over revolutions: repeatability from these
    themselves (a touch is its opening less its dwell, taken as if these were independent), and the
    lines of the budget of the spacing.
    """
    b = t.bins
    fixed = [
        Component("encoder disc", tool.u_encoder_deg),
        Component("index", tool.u_index_s * s.omega_deg_s),
        Component("shape of the edges", tool.u_shape_s * s.omega_deg_s),
        Component(
            "ripple the index cannot see", rectangular(float(np.abs(s.wave_open).max(initial=0.0)))
        ),
        Component("ripple without a trace", s.unseen_deg),
    ]
    rows: list[dict[str, Any]] = []
    for k in np.flatnonzero(b.n >= BIN_REVOLUTIONS).tolist():
        n = float(b.n[k])
        phase = float(b.phase[k]) / n
        whole = _variance(float(b.phase2[k]), phase, n)
        row: dict[str, Any] = {"rpm": float(b.rpm[k]) / n}
        for key in ("open_deg", "u_open_deg", "touch_deg", "u_touch_deg"):
            row[key] = []
        for lobe in s.order.tolist():
            error = float(b.error[k, lobe]) / n
            variance = whole + _variance(float(b.error2[k, lobe]), error, n)
            opening = phase + float(t.nominal[lobe]) + error
            parts = [
                Component("repeatability", float(np.sqrt(variance / n)), n - 1.0),
                Component("sampling locked to the speed", locked(tool, s, s.u_open_deg, variance)),
                *fixed,
            ]
            row["open_deg"].append(opening % 360.0)
            row["u_open_deg"].append(expanded(parts))
            seen = float(b.n_dwell[k, lobe])
            touch = u_touch = None
            if seen >= BIN_REVOLUTIONS:
                less = float(b.dwell[k, lobe]) / seen
                own = _variance(float(b.dwell2[k, lobe]), less, seen)
                touch = (opening - less - (t.reference_deg or 0.0)) % 360.0
                parts.append(Component("dwell", float(np.sqrt(own / seen)), seen - 1.0))
                parts.append(Component("delay asymmetry", tool.u_delay_s * s.omega_deg_s))
                u_touch = expanded(parts)
            row["touch_deg"].append(touch)
            row["u_touch_deg"].append(u_touch)
        rows.append(row)
    return rows


def _variance(square: float, mean: float, n: float) -> float:
    """Of single values from the sum of their squares and their mean."""
    return max(square / n - mean**2, 0.0) * n / (n - 1.0)
