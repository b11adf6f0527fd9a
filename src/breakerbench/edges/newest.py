"""The newest contacts as they come, for a reading at once: the last turns alone, placed again each time.

The way of the result works in large blocks that lie fixed on the sample clock and looks many contacts
ahead, so that its figures depend on nothing else; what it tells is seconds old. Here the same stages
take the last few turns by themselves, as if the trace had ended just now. Nothing of this goes into a
result.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings, join_openings
from breakerbench.edges.recent import Recent
from breakerbench.edges.run import EdgeRun
from breakerbench.edges.shapes import Learned
from breakerbench.trace import Block, EdgeTimes, Header, Hole

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Longest time looked back over, s; the same as long as the levels or the shape are not known.
MOST_S, LEARN_S = 6.0, 2.0
#: They are learned again after so long, s, until there were so many contacts to learn from.
AGAIN_S, ENOUGH = 0.25, 12


class _Alone(EdgeRun):
    """Contacts of a stretch by themselves: no angle is asked for."""

    def _with_angles(self, final: bool) -> list[Openings]:
        del final
        waiting, self._waiting = self._waiting, []
        return waiting


class Line:
    """Edges of the index or the encoder: those of the last MOST_S."""

    def __init__(self, delay_s: float) -> None:
        self._delay_s = delay_s
        self._parts: list[tuple[Floats, Bools]] = []
        self.newest_s = -np.inf

    def add(self, edges: EdgeTimes) -> None:
        if len(edges.time_s):
            self._parts.append((edges.time_s - self._delay_s, edges.rising))
            self.newest_s = float(self._parts[-1][0][-1])

    def since(self, begin_s: float) -> tuple[Floats, Bools]:
        """(times, rising) of those held from ``begin_s`` on."""
        first = len(self._parts)
        while first and self._parts[first - 1][0][-1] >= begin_s:
            first -= 1
        if first == len(self._parts):
            return np.empty(0), np.empty(0, bool)
        time_s, rising = (np.concatenate(c) for c in zip(*self._parts[first:], strict=True))
        place = int(np.searchsorted(time_s, begin_s))
        return time_s[place:], rising[place:]

    def forget_before(self, time_s: float) -> None:
        self._parts = [part for part in self._parts if part[0][-1] >= time_s]


class Newest:
    """Keeps the last MOST_S of the points, of index and encoder; ``contacts`` places what is there.

    Index and encoder come as edge times here, as a board sends them; the points as samples.
    every  keeps the samples of all channels, for pictures
    """

    def __init__(self, header: Header, every: bool = False) -> None:
        self.rate_hz = header.sample_rate_hz
        self._row = header.points_row
        points = () if self._row is None else (header.channels[self._row],)
        self._header = replace(header, channels=points, edge_channels=(), encoder_pulses=None)
        self.lines = {c.name: Line(c.delay_s) for c in header.edge_channels}
        rows = range(len(header.channels)) if every else () if self._row is None else (self._row,)
        self.recent = Recent(tuple(rows), int(MOST_S * self.rate_hz))
        # What was learned here, until the way of the result has learned it; from how many contacts.
        self._own, self._count = Learned(), 0
        self._tried_s = -np.inf

    # --- input ---

    def block(self, block: Block) -> None:
        if self._row is None or not len(block):
            return
        if self.recent.add(block):
            for line in self.lines.values():
                line.forget_before(block.first / self.rate_hz - MOST_S)

    def edge_times(self, edges: EdgeTimes) -> None:
        if edges.name in self.lines:
            self.lines[edges.name].add(edges)

    def hole(self, hole: Hole) -> None:
        """What was before it is left behind; what was learned stays."""
        self.recent.cut(hole.end)
        for line in self.lines.values():
            line.forget_before(np.inf)

    # --- output ---

    @property
    def now_s(self) -> float:
        """The end of what has come."""
        return self.recent.next / self.rate_hz

    @property
    def learned(self) -> bool:
        """Whether there were contacts enough here to learn from."""
        return self._count >= ENOUGH

    def contacts(self, seconds: float, learned: Learned) -> Openings | None:
        """Contacts of the last ``seconds``, without angles; None where none can be told.

        learned  what the way of the result knows of the channel by now
        """
        known = self._known(learned)
        if known is None or self._row is None:
            return None
        seconds = LEARN_S if known.levels is None else seconds
        many = min(int(seconds * self.rate_hz), len(self.recent))
        if not many:
            return None
        run = _Alone(self._header, None, learned=known)
        x = self.recent.newest(self._row, many)
        found = run.block(Block(self.recent.next - many, (x,))) + run.finish()
        contacts = join_openings(found) if found else None
        count = 0 if contacts is None else len(contacts)
        if known.levels is None and count >= self._count:
            self._own, self._count = run.learned, count
        elif known.front is None and count >= ENOUGH:
            self._own = replace(self._own, front=run.learned.front)
        return contacts

    def _known(self, learned: Learned) -> Learned | None:
        """What the next contacts are placed by: all from one run, for it belongs together.

        Nothing: it has to be learned. None: it was tried just now, and nothing was found.
        """
        if learned.response is not None:
            own = self._own.front
            return learned if learned.front is not None else replace(learned, front=own)
        if self._count < ENOUGH and self.now_s - self._tried_s >= AGAIN_S:
            self._tried_s = self.now_s
            return Learned()
        return self._own if self._own.response is not None else None
