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
from breakerbench.wire.frames import Frame
from breakerbench.wire.messages import (
    Edge,
    Edges,
    Identity,
    Input,
    Mode,
    Reason,
    Sampled,
    Samples,
    Started,
    Status,
    Stopped,
)
from breakerbench.wire.packed import edges_of, rows_of
from breakerbench.wire.receive import Anew, Missing, Received


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

        Raises ValueError where the board contradicts itself.
        """
        inputs = [mode.first, mode.second, mode.third][: mode.inputs]
        if not inputs or mode.inputs > 3 or not mode.row_ticks or not mode.row_parts:
            raise ValueError(f"mode {mode.mode} samples nothing")
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
        name = name_of(which)
        return Channel(
            name, SAMPLED_UNITS[name], s.scale, s.zero, offset_s, s.delay_s, s.u_delay_s,
            rail_counts=(0, (1 << s.bits) - 1),
            u_gain=None if s.u_gain < 0.0 else s.u_gain,
            u_zero=None if s.u_zero < 0.0 else s.u_zero,
        )  # fmt: skip


def name_of(which: int) -> str:
    """Name of a channel. Raises ValueError where this program knows no such input."""
    try:
        return Input(which).name.lower()
    except ValueError:
        raise ValueError(
            f"the board has an input {which} that this program does not know"
        ) from None


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
            self.ended = "the board began anew"
            return self._close()
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
        elif isinstance(message, Stopped):
            self.ended = _why_stopped(message.reason)
            return self._close(message.rows)
        elif isinstance(message, Started):
            self.ended = "the board began another capture"
            return self._close()
        return []

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

    def _close(self, rows: int | None = None) -> list[Event]:
        """The end; rows: as many as were sampled in all, where the board says so."""
        return self._hole(max(self._row, rows or 0))


def _why_stopped(reason: int) -> str:
    words = {
        int(Reason.ASKED): "stopped as asked",
        int(Reason.HOST_GONE): "the board stopped, because nobody took what it sent",
        int(Reason.OVERRUN): "the board stopped, because its converter was not emptied in time",
    }
    return words.get(reason, "the board stopped")
