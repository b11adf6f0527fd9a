"""The contact of a distributor turned by hand, as it stands now: for watching, in no result.

``HandTrace`` tells levels and jerks from the whole trace. Here they are told from what has come so far:
a state counts once it has lasted, and a jerk back over an edge counts as what it is, two changes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.hand import (
    APART_SHARE,
    APART_V,
    CHATTER_S,
    CLOSED_SHARE,
    CLOSED_V,
    GROUP_S,
    OPEN_SHARE,
    OPEN_V,
    WITHIN,
)
from breakerbench.trace import Block, Header

Floats = NDArray[np.float64]

#: The voltage is told as a mean of so long, s.
MEAN_S = 20e-3
#: Samples wait for so long at most to be worked on, s.
WAIT_S = 0.5
#: How often each voltage came: steps of so much up to so much either way.
STEP_V, MOST_V = 0.02, 60.0
#: Fewer groups than this make no level.
FEW = 8


class HandNow:
    """Takes the samples of a trace as they come; what they tell is worked out when asked."""

    def __init__(self, header: Header) -> None:
        self._rate_hz = header.sample_rate_hz
        self._row = header.points_row
        self._channel = None if self._row is None else header.channels[self._row]
        self._size = max(1, round(GROUP_S * self._rate_hz))
        self._group_s = self._size / self._rate_hz
        self._waiting: list[NDArray[Any]] = []
        self._many = 0  # samples that wait
        self._recent: Floats = np.empty(0)  # newest groups, V
        self._often = np.zeros(2 * round(MOST_V / STEP_V) + 1)
        self.levels: tuple[float, float] | None = None  #: V, of the closed and of the open contact
        self.openings = self.closings = 0
        #: The state that has lasted, True: open.
        self.is_open: bool | None = None
        self._run: bool | None = None  # the state now, and for how many groups
        self._lasted = 0

    def block(self, block: Block) -> None:
        if self._row is None:
            return
        # A source may use its memory again.
        self._waiting.append(block.samples[self._row].copy())
        self._many += len(block)
        if self._many > WAIT_S * self._rate_hz:
            self.work()

    def hole(self) -> None:
        """What happened in it is not known: the state after it is no change."""
        self.work()
        self._waiting, self._many = [], 0
        self._recent = np.empty(0)
        self.is_open = self._run = None
        self._lasted = 0

    @property
    def volts(self) -> float | None:
        return float(self._recent.mean()) if len(self._recent) else None

    def work(self) -> None:
        """Up to the newest whole group."""
        whole = self._many // self._size * self._size
        if not whole or self._channel is None:
            return
        x = np.concatenate(self._waiting)
        self._waiting, self._many = [x[whole:]], len(x) - whole
        means = x[:whole].reshape(-1, self._size).mean(axis=1, dtype=np.float64)
        volts = self._channel.zero + self._channel.scale * means
        keep = max(round(MEAN_S / self._group_s), 1)
        self._recent = np.concatenate([self._recent, volts])[-keep:]
        place = np.rint(np.clip(volts, -MOST_V, MOST_V) / STEP_V).astype(np.int64)
        self._often += np.bincount(place + len(self._often) // 2, minlength=len(self._often))
        self.levels = self._two_levels()
        self._count(volts)

    def _two_levels(self) -> tuple[float, float] | None:
        """As ``HandTrace`` finds them, from how often each voltage came so far."""
        often = self._often
        volts = STEP_V * (np.arange(len(often)) - len(often) // 2)
        below = np.cumsum(often)
        total = float(below[-1])
        sums = np.cumsum(often * volts)
        mean = float(sums[-1]) / total
        several = (below >= FEW) & (total - below >= FEW)
        if not several.any():
            return None
        # The cut that leaves least variance within the two (Otsu 1979).
        between = np.zeros(len(often))
        n = below[several]
        between[several] = (sums[several] - n * mean) ** 2 / (n * (total - n)) * total
        cut = int(np.argmax(between))
        variance = float(np.dot(often, (volts - mean) ** 2))
        if variance - float(between[cut]) > WITHIN * variance:
            return None
        n_below = float(below[cut])
        a = float(volts[np.searchsorted(below, 0.5 * n_below)])
        b = float(volts[np.searchsorted(below, n_below + 0.5 * (total - n_below))])
        if b - a < max(APART_V, APART_SHARE * max(abs(a), abs(b))):
            return None
        return (a, b) if abs(a) <= abs(b) else (b, a)

    def _count(self, volts: Floats) -> None:
        if self.levels is not None:
            closed, opened = self.levels
            share = (volts - closed) / (opened - closed)
            open_now, clear = share > OPEN_SHARE, (share > OPEN_SHARE) | (share < CLOSED_SHARE)
        else:
            open_now = np.abs(volts) >= OPEN_V
            clear = open_now | (np.abs(volts) < CLOSED_V)
        at = np.flatnonzero(clear)
        if not len(at):
            self._last(len(volts))
            return
        state = open_now[at]
        change = np.flatnonzero(np.append(True, state[1:] != state[:-1]))
        begin = at[change]
        self._last(int(begin[0]))  # what was, up to here
        ends = np.append(begin[1:], len(volts))
        for now, groups in zip(state[change].tolist(), (ends - begin).tolist(), strict=True):
            if now != self._run:
                self._run, self._lasted = now, 0
            self._last(groups)

    def _last(self, groups: int) -> None:
        """The present state goes on for so many groups; from CHATTER_S on it is believed."""
        self._lasted += groups
        if self._run is None or self._lasted * self._group_s < CHATTER_S:
            return
        if self.is_open is not None and self._run != self.is_open:
            self.openings += self._run
            self.closings += not self._run
        self.is_open = self._run
