"""Missed openings and closings: lobes that left the contact as it was.

The angle tells how many lobes have passed from one opening to the next. Where it is more than one,
the contact either stayed closed right through a lobe (its opening was missed) or stayed open right
through a dwell (its closing was missed); which of the two shows in how long it was closed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings

Ints = NDArray[np.int64]


class Missed:
    """Counts over openings that follow each other in one stretch, both with a known angle.

    expected  openings that there should have been, the missed ones among them
    openings  lobes through which the contact stayed closed
    closings  dwells through which it stayed open
    """

    def __init__(self, lobes: int) -> None:
        self._pitch_deg = 360.0 / lobes
        self.expected = 0
        self.openings = 0
        self.closings = 0
        self._last: tuple[int, float, float] | None = None

    def add(self, o: Openings, number: Ints) -> None:
        """Openings in order with their running numbers; -1: the angle is not known."""
        if not len(o):
            return
        deg, time_s = o.open_deg, o.time_s
        before_n, before_deg, before_s = self._last or (-1, np.nan, np.nan)
        n = np.append(before_n, number)
        turned = np.diff(deg, prepend=before_deg)
        took_s = np.diff(time_s, prepend=before_s)
        pair = (n[1:] >= 0) & (n[:-1] >= 0)
        step = np.where(pair, np.diff(n), 0)
        self.expected += int(step.sum())
        far = np.flatnonzero(step > 1)
        # Of the way from opening to opening the last part was closed: one usual dwell, and a whole
        # pitch more for each lobe that did not open it.
        share = np.nan_to_num((time_s[far] - o.touch_s[far]) / took_s[far])
        held = np.floor(share * turned[far] / self._pitch_deg).astype(np.int64)
        held = np.clip(held, 0, step[far] - 1)
        self.openings += int(held.sum())
        self.closings += int((step[far] - 1 - held).sum())
        self._last = (int(number[-1]), float(deg[-1]), float(time_s[-1]))

    def cut(self) -> None:
        """A hole: nothing is known across it."""
        self._last = None
