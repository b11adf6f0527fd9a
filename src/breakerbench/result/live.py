"""What a run shows while it goes on: the speed now, the dwell so far, which speeds are covered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from breakerbench.measure.figures import BIN_REVOLUTIONS
from breakerbench.measure.timing import BIN_RPM, Timing


@dataclass(frozen=True, slots=True)
class Live:
    """None where it is not known yet.

    rpm        now
    dwell_deg  mean so far
    covered    lower edges of the 50 rpm bins with ten revolutions or more, rpm
    """

    rpm: float | None
    dwell_deg: float | None
    covered: tuple[float, ...] = ()

    @property
    def missing(self) -> tuple[float, ...]:
        """Lower edges of the bins between the lowest and the highest covered that are not."""
        if not self.covered:
            return ()
        between = np.arange(self.covered[0], self.covered[-1], BIN_RPM).tolist()
        return tuple(rpm for rpm in between if rpm not in self.covered)


def live_of(timing: Timing | None, rpm: float | None) -> Live:
    if timing is None or timing.reference_deg is None:
        return Live(rpm, None)
    b = timing.bins
    whole = float(b.n_mean.sum())
    dwell = timing.reference_deg + float(b.mean.sum()) / whole if whole else None
    edges = np.arange(len(b.n)) * BIN_RPM
    return Live(rpm, dwell, tuple(edges[b.n >= BIN_REVOLUTIONS].tolist()))
