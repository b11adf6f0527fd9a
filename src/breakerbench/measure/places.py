"""Where each lobe opens and touches, as angles from the index, speed by speed.

What two recordings of one distributor are compared by: another set of points, another gap. The
advance is in these angles, so they are compared at one speed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Instrument
from breakerbench.measure.figures import BIN_REVOLUTIONS, Summary, expanded, locked
from breakerbench.measure.timing import Timing
from breakerbench.measure.uncertainty import Component, rectangular

Floats = NDArray[np.float64]


def places_by_speed(t: Timing, tool: Instrument, s: Summary) -> list[dict[str, Any]]:
    """Rows ``{rpm, open_deg, u_open_deg, touch_deg, u_touch_deg}`` of the 50 rpm bins.

    open_deg   (lobes,) mean angle of the opening from the index, 0 to 360, from lobe 1 on
    touch_deg  (lobes,) of the first touch before it; None of fewer than ten touches seen
    u_...      expanded, of each of them, deg; None where no touch was seen

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
        phase, error = float(b.phase[k]) / n, b.error[k] / n
        whole = max(float(b.phase2[k]) / n - phase**2, 0.0) * n / (n - 1.0)
        variance = whole + _of_the_lobes(b.error2[k] / n - error**2, n)
        opens = (phase + t.nominal + error)[s.order]
        seen = b.n_dwell[k][s.order]
        enough = seen >= BIN_REVOLUTIONS
        parts = [
            Component("repeatability", float(np.sqrt(variance / n)), n - 1.0),
            Component("sampling locked to the speed", locked(tool, s, s.u_open_deg, variance)),
            *fixed,
        ]
        row: dict[str, Any] = {
            "rpm": float(b.rpm[k]) / n,
            "open_deg": (opens % 360.0).tolist(),
            "u_open_deg": expanded(parts),
            "touch_deg": [None] * t.lobes,
            "u_touch_deg": None,
        }
        if enough.any():
            count = np.where(enough, seen, 1.0)
            dwell = b.dwell[k][s.order] / count
            touches = (opens - dwell - (t.reference_deg or 0.0)) % 360.0
            least = float(seen[enough].min())
            own = _of_the_lobes((b.dwell2[k][s.order] / count - dwell**2)[enough], least)
            parts.append(Component("dwell", float(np.sqrt(own / least)), least - 1.0))
            parts.append(Component("delay asymmetry", tool.u_delay_s * s.omega_deg_s))
            pairs = zip(touches.tolist(), enough.tolist(), strict=True)
            row["touch_deg"] = [touch if there else None for touch, there in pairs]
            row["u_touch_deg"] = expanded(parts)
        rows.append(row)
    return rows


def _of_the_lobes(variances: Floats, n: float) -> float:
    """One variance for all lobes; where one lobe is plainly rougher than the rest, its own."""
    single = np.maximum(variances, 0.0) * n / (n - 1.0)
    mean, roughest = float(single.mean()), float(single.max())
    return roughest if roughest > mean * (1.0 + 6.0 / np.sqrt(n - 1.0)) else mean
