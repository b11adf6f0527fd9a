"""Contacts with the samples of every channel around them, for the electrical figures.

A *cycle* is one contact (first touch to opening) and the open time after it. Cycles are handed out
in batches to whoever measures; each batch can cut windows out of any sampled channel. Memory is
bounded: the last ``KEEP`` samples. Rounds of work lie fixed on the sample clock, and batches in each
round, so nothing here depends on how the input was split.

A round has the contacts of many seconds. They are not handed out at once but while the samples of the
next half second come in, or a reading that somebody watches would wait for all of them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import Block, Channel, Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Samples kept of each channel: a cycle that becomes certain later than that is left out.
KEEP = 1 << 23
SLACK = 1 << 20
#: Cycles of a batch at most; a round is handed out while so many seconds come in.
BATCH, SPREAD_S = 100, 0.5


class Held:
    """The samples held of each channel, with what their numbers mean."""

    def __init__(self, header: Header) -> None:
        self.rate_hz = header.sample_rate_hz
        self.channels: dict[str, Channel] = {c.name: c for c in header.channels}
        self._rows = {c.name: row for row, c in enumerate(header.channels)}
        points = header.points_row
        self._points = None if points is None else header.channels[points]
        self._parts: list[tuple[NDArray[Any], ...]] = []
        self._first = 0
        self._end = 0

    def __contains__(self, name: str) -> bool:
        return name in self.channels

    def shift(self, name: str) -> float:
        """How many samples later than ``points_v`` the channel ``name`` shows the same instant."""
        assert self._points is not None
        c, p = self.channels[name], self._points
        return (p.offset_s - p.delay_s + c.delay_s - c.offset_s) * self.rate_hz

    def counts(self, name: str, first: int, end: int) -> NDArray[Any]:
        """Samples ``first`` to ``end`` (not with it) as they came, less at the ends of what is held."""
        self._join(end)
        first, end = max(first, self._first) - self._first, max(end, self._first) - self._first
        found: NDArray[Any] = self._parts[0][self._rows[name]][first:end]
        return found

    def window(self, name: str, first: Ints, count: int) -> Floats:
        """(n, count) samples from each ``first`` on, in the unit of the channel; NaN where not held."""
        self._join(int(first.max(initial=self._first)) + count)
        c, held = self.channels[name], self._parts[0][self._rows[name]]
        at = first[:, None] - self._first + np.arange(count)
        there = (at >= 0) & (at < len(held))
        values = held[np.clip(at, 0, max(len(held) - 1, 0))].astype(np.float64)
        return np.where(there, c.zero + c.scale * values, np.nan)

    # --- for the collector ---

    def add(self, block: Block) -> None:
        if not self._parts:
            self._first = self._end = block.first
        # Copied: a source may use its memory again.
        self._parts.append(tuple(x.copy() for x in block.samples))
        self._end += len(block)

    def forget_before(self, number: int) -> None:
        """Nobody will ask for samples before this one again."""
        while self._parts and self._first + len(self._parts[0][0]) <= number:
            self._first += len(self._parts.pop(0)[0])
        drop = number - self._first
        if self._parts and drop > 0:
            self._parts[0] = tuple(x[drop:] for x in self._parts[0])
            self._first = number

    def clear(self) -> None:
        self._parts = []

    def _join(self, end: int) -> None:
        """The first part holds what comes before sample ``end``, if that is there."""
        if len(self._parts) > 1 and self._first + len(self._parts[0][0]) < end:
            self._parts = [tuple(map(np.concatenate, zip(*self._parts, strict=True)))]


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Cycles in order, n of them. Places are in samples of ``points_v``, between samples.

    number      (n,) of the opening, counted over the whole trace from 0
    touch_at    (n,) first touch; settled_at: last re-closing of its bounce, the touch where none
    open_at     (n,) the opening
    next_at     (n,) first touch after it; NaN where the stretch ends before
    interval    (n,) samples since the opening before; NaN for the first of a stretch
    seen        (n,) the first touch was seen
    held        the samples, from before each touch to its ``next_at`` at least
    coil        the points switch a coil
    """

    number: Ints
    touch_at: Floats
    settled_at: Floats
    open_at: Floats
    next_at: Floats
    interval: Floats
    seen: Bools
    held: Held
    coil: bool = True

    def __len__(self) -> int:
        return len(self.number)

    def take(self, which: slice | Bools) -> Batch:
        """Some of them."""
        return replace(
            self, number=self.number[which], touch_at=self.touch_at[which],
            settled_at=self.settled_at[which], open_at=self.open_at[which],
            next_at=self.next_at[which], interval=self.interval[which], seen=self.seen[which],
        )  # fmt: skip


class Takes(Protocol):
    """What measures cycles."""

    def add(self, batch: Batch) -> None: ...


class Cycles:
    """Collects the cycles of one trace and hands them to ``takers`` as they become certain."""

    def __init__(self, header: Header, takers: Sequence[Takes]) -> None:
        self._held = Held(header)
        self._takers = takers
        self._number = 0
        self._coil = True
        self._waiting = np.empty((0, 4))  # touch, settled, open, seen
        self._before = np.nan  # the opening before the first that waits
        self._batches: deque[Batch] = deque()  # still to be handed out
        self._spread = int(SPREAD_S * header.sample_rate_hz)
        self._every, self._since = 0, 0  # samples from one batch to the next; those since the last
        self._oldest = 0  # sample that is needed once all are handed out

    def block(self, block: Block) -> None:
        if not len(block):
            return
        self._since += len(block)
        while self._batches and self._since >= self._every:
            self._since -= self._every
            self._next_batch()
        # What has been scanned is at most this block and a working block behind.
        self._held.forget_before(block.first - KEEP - SLACK - self._spread)
        self._held.add(block)

    def contacts(
        self, touch_at: Floats, settled_at: Floats, open_at: Floats, seen: Bools, scanned: int,
        coil: bool = True,
    ) -> None:  # fmt: skip
        """Contacts in order that have become certain; ``scanned``: number of the next working block."""
        self._coil = coil
        new = np.stack([touch_at, settled_at, open_at, seen.astype(float)], axis=1)
        rows = np.concatenate([self._waiting, new])
        # The last one waits for the touch after it.
        self._hand_out(rows[:-1], rows[1:, 0], scanned)
        self._waiting = rows[-1:]
        if len(rows):
            oldest = int(np.nanmin(rows[-1, :3])) - int(self._held.rate_hz * 2e-3)
            self._oldest = max(oldest, scanned - KEEP)
            if not self._batches:
                self._held.forget_before(self._oldest)

    def cut(self, scanned: int) -> None:
        """The end of a stretch: nothing reaches across it."""
        self._hand_out(self._waiting, np.full(len(self._waiting), np.nan), scanned)
        self._all_batches()
        self._waiting = np.empty((0, 4))
        self._before = np.nan
        self._held.clear()

    def _hand_out(self, rows: Floats, next_at: Floats, scanned: int) -> None:
        self._all_batches()
        n = len(rows)
        if not n:
            return
        touch, settled, opened, seen = rows.T
        number = self._number + np.arange(n)
        self._number += n
        interval = np.diff(opened, prepend=self._before)
        self._before = float(opened[-1])
        # A touch that was not seen (NaN) makes no cycle to look into, its opening still counts.
        kept = np.where(np.isfinite(touch), touch, opened) >= scanned - KEEP
        batch = Batch(
            number, touch, settled, opened, next_at, interval, seen != 0.0, self._held, self._coil
        ).take(kept)
        self._batches.extend(batch.take(slice(k, k + BATCH)) for k in range(0, len(batch), BATCH))
        self._every, self._since = self._spread // max(len(self._batches), 1), 0

    def _next_batch(self) -> None:
        batch = self._batches.popleft()
        for taker in self._takers:
            taker.add(batch)
        if not self._batches:
            self._held.forget_before(self._oldest)

    def _all_batches(self) -> None:
        while self._batches:
            self._next_batch()
