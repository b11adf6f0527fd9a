"""One capture: what the board told of itself, and its messages as a trace with its holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from breakerbench.trace import (
    SAMPLED_UNITS,
    Block,
    Channel,
    EdgeChannel,
    EdgeTimes,
    Event,
    Header,
    Hole,
)
from breakerbench.wire.account import (
    check_edge,
    check_identity,
    check_mode,
    check_sampled,
    name_of,
)
from breakerbench.wire.frames import Frame
from breakerbench.wire.messages import (
    Edge,
    Edges,
    Identity,
    Mode,
    Reason,
    Sampled,
    Samples,
    Started,
    State,
    Status,
    Stopped,
)
from breakerbench.wire.packed import edges_of, rows_of
from breakerbench.wire.receive import Anew, Missing, Received

#: A capture does not last so long (two years at 62.5 MHz); a float tells every tick before it apart.
MOST_TICKS = 1 << 52


@dataclass(frozen=True, slots=True)
class Board:
    """What a board tells of itself. ``modes`` by number; inputs by what they are connected to."""

    identity: Identity
    sampled: dict[int, Sampled]
    edges: dict[int, Edge]
    modes: dict[int, Mode]

    def rate_hz(self, mode: Mode) -> float:
        """Rows a second."""
        return self.identity.clock_hz * mode.row_parts / mode.row_ticks

    def header(self, mode: Mode, simulated: bool, **told: object) -> Header:
        """Of a trace in this mode; told: what the person states (``encoder_pulses``, ``kind`` ...).

        Raises ValueError where something in it cannot be, see ``account``.
        """
        check_identity(self.identity)
        check_mode(mode, self.identity.clock_hz)
        for each in self.edges.values():
            check_edge(each, self.identity.clock_hz)
        inputs = [mode.first, mode.second, mode.third][: mode.inputs]
        step_s = mode.step_ticks / self.identity.clock_hz
        channels = tuple(self._channel(each, k * step_s) for k, each in enumerate(inputs))
        edges = tuple(
            EdgeChannel(name_of(e.input), e.resolution_ticks / self.identity.clock_hz, e.delay_s)
            for e in self.edges.values()
        )
        i = self.identity
        origin = f"board {i.board} {i.serial}, firmware {i.build}"
        return Header(
            self.rate_hz(mode), channels, edges, simulated=simulated, origin=origin, **told,  # type: ignore[arg-type]
        )  # fmt: skip

    def _channel(self, which: int, offset_s: float) -> Channel:
        if which not in self.sampled:
            raise ValueError(f"a mode samples input {which}, which the board does not have")
        s = self.sampled[which]
        check_sampled(s)
        name = name_of(which)
        return Channel(
            name, SAMPLED_UNITS[name], s.scale, s.zero, offset_s, s.delay_s, s.u_delay_s,
            rail_counts=(0, (1 << s.bits) - 1),
            u_gain=None if s.u_gain < 0.0 else s.u_gain,
            u_zero=None if s.u_zero < 0.0 else s.u_zero,
        )  # fmt: skip


class Capture:
    """Turns what comes after Started into blocks, edges and holes.

    A frame that is missing breaks the trace, whatever was in it: a hole, an empty one where no rows
    are gone, for an index pulse may be. Nothing is taken that the board's own numbers contradict.
    """

    def __init__(self, board: Board, mode: Mode, header: Header) -> None:
        self._board, self._mode, self.header = board, mode, header
        self._row = 0  # the next one expected
        self._missing = 0  # frames since the last event
        self._why = ""  # why rows are missing, should they be
        self._tick: dict[int, int] = {}  # last edge of each input
        # Times are whole ticks times this, as in recordings: a division ends in other last digits.
        self._tick_s = 1.0 / board.identity.clock_hz
        #: Messages refused because they contradict what came before.
        self.refused = 0
        #: The last Status.
        self.status: Status | None = None
        #: Why no more comes; None while it goes on.
        self.ended: str | None = None
        #: Whether the board would capture again: it did not end this one as it says when it means to.
        self.again = False

    @property
    def rows(self) -> int:
        """Number of the next row expected."""
        return self._row

    def add(self, received: Received) -> list[Event]:
        """Events of the trace that this tells."""
        if self.ended is not None:
            return []
        if isinstance(received, Missing):
            return self._break(received.frames, "frames were lost on the wire")
        if isinstance(received, Anew):
            return self._begun_again("the board began anew")
        if not isinstance(received, Frame):
            return []  # counted by the receiver; the sequence tells what is missing
        message = received.message
        try:
            if isinstance(message, Samples):
                return self._samples(message)
            if isinstance(message, Edges):
                return self._edges(message)
        except ValueError:
            self.refused += 1
            return self._break(1, "a frame contradicted itself")
        if isinstance(message, Status):
            self.status = message
            if message.state == State.FAULTY:
                self.ended = "a self-check of the board failed"
                return self.rest()
            if message.state != State.CAPTURING:  # Stopped or Begun was lost on the wire
                return self._begun_again("the board no longer captures")
        elif isinstance(message, Stopped):
            self.ended = _why_stopped(message.reason)
            return self._hole(max(self._row, message.rows if self._can_be(message.rows) else 0))
        elif isinstance(message, Started):
            return self._begun_again("the board began another capture")
        return []

    def rest(self) -> list[Event]:
        """What is missing at the end and was not told yet."""
        return self._hole(self._row)

    def _begun_again(self, why: str) -> list[Event]:
        self.ended, self.again = why, True
        return self.rest()

    def _can_be(self, rows: int) -> bool:
        return rows * self._mode.row_ticks // self._mode.row_parts < MOST_TICKS

    def _break(self, frames: int, why: str) -> list[Event]:
        self._missing += frames
        self._why = self._why or why
        return []

    def _hole(self, first: int) -> list[Event]:
        """What is missing before row ``first``."""
        why = self._why or "the board could not send all it sampled"
        found = [Hole(self._row, first, self._missing, why)]
        if first == self._row and not self._missing:
            found = []
        self._row, self._missing, self._why = first, 0, ""
        return list(found)

    def _samples(self, message: Samples) -> list[Event]:
        if message.inputs != self._mode.inputs or message.first < self._row:
            raise ValueError("Samples: not those that were to come")
        if not self._can_be(message.first + message.rows):
            raise ValueError("Samples: of no time that can be")
        counts = rows_of(message)
        found = self._hole(message.first)
        self._row = message.first + message.rows
        if message.rows:
            found.append(Block(message.first, tuple(counts)))
        return found

    def _edges(self, message: Edges) -> list[Event]:
        if message.input not in self._board.edges:
            raise ValueError("Edges: of an input that the board does not have")
        ticks, rising = edges_of(message)
        if len(ticks) and ticks[0] < self._tick.get(message.input, 0):
            raise ValueError("Edges: before those that came already")
        if len(ticks) and ticks[-1] >= MOST_TICKS:
            raise ValueError("Edges: of no time that can be")
        found: list[Event] = []
        if self._missing or message.lost:
            # What follows does not belong to the edges before. Whether rows are gone, too, the next tell.
            why = self._why if self._missing else "the board could not keep all edges"
            found.append(Hole(self._row, self._row, self._missing, why))
            self._missing = 0
        if not len(ticks):
            return found
        self._tick[message.input] = int(ticks[-1])
        time_s = np.asarray(ticks, np.float64) * self._tick_s
        found.append(EdgeTimes(name_of(message.input), time_s, rising))
        return found


def _why_stopped(reason: int) -> str:
    words = {
        int(Reason.ASKED): "stopped as asked",
        int(Reason.HOST_GONE): "the board stopped, because nobody took what it sent",
        int(Reason.OVERRUN): "the board stopped, because its converter was not emptied in time",
    }
    return words.get(reason, "the board stopped")
