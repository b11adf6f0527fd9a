"""A board as a source: greeted, started, read, lost and found again."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from breakerbench.errors import BadInput
from breakerbench.sources.line import Line, LineEnded, LineLost, open_line, the_board
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole
from breakerbench.wire.capture import Board, Capture
from breakerbench.wire.frames import Frame
from breakerbench.wire.messages import Mode, Start, Started, Status, Stop
from breakerbench.wire.receive import Anew, Counts, Received
from breakerbench.wire.talk import Talk

#: A board answers within this, s; a greeting that may have been lost is said again after so long.
ANSWER_S, AGAIN_S = 3.0, 0.5
#: A board that sends nothing for so long while capturing is lost, s (it says its state each 0.1 s).
SILENCE_S = 2.0
#: One that was lost is looked for so often, s.
LOOK_S = 0.5
#: Kinds of board that are simulated say so.
SIMULATED = "simulated"
#: Serial number of the emulated board, which runs the same image as a real one.
EMULATED = "0E0E0E0E0E0E0E0"
#: Of a board that was away: what comes now would be read by the figures of before.
OTHER_FIGURES = (
    "the board came back with other figures of its inputs than before: begin a new recording"
)


@dataclass(slots=True)
class Health:
    """What the connection went through, over all of its lines."""

    lost: int = 0
    why_lost: str = ""
    counts: Counts = field(default_factory=Counts)

    def add(self, counts: Counts) -> None:
        """A line that has ended."""
        self.counts = total(self.counts, counts)


def total(one: Counts, other: Counts) -> Counts:
    names = ("bytes", "frames", "refused", "missing", "doubled", "unknown", "anew")
    sums = {n: getattr(one, n) + getattr(other, n) for n in names}
    keys = one.reasons.keys() | other.reasons.keys()
    return Counts(
        **sums, reasons={k: one.reasons.get(k, 0) + other.reasons.get(k, 0) for k in keys}
    )


def port_of(serial_number: str) -> str | None:
    """The port that this board is on now, should the system have renamed it; None: on none."""
    try:
        return the_board(serial_number).port
    except BadInput:
        return None


class PortSource:
    """A ``Source`` over a line. Iterate for the events; ``stop`` (from anywhere) ends that.

    mode     number of the capture mode; None: the board's first
    told     fields of the header that the person states
    keep     whether a board that was lost is waited for
    opener, finder, now, sleep  for tests

    The clock of the trace is the board's; while the board is away it goes on by this machine's, so that
    a hole is about as long as it was. Raises BadInput where no board of ours answers.
    """

    def __init__(
        self,
        port: str,
        mode: int | None = None,
        keep: bool = True,
        opener: Callable[[str], Line] = open_line,
        finder: Callable[[str], str | None] = port_of,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        **told: Any,
    ) -> None:
        self.port = port
        self._keep, self._opener, self._finder = keep, opener, finder
        self._now, self._sleep = now, sleep
        self._told = told
        self.health = Health()
        self._stopping = False
        self._line: Line | None = None
        self._talk = Talk()
        self._first = 0  # row of the trace that is row 0 of this capture
        self._row = 0  # of the trace, the next one expected
        self._reach_s = 0.0  # of the trace, the last edge
        self._waiting: list[Received] = []  # of the capture, not yet taken
        self._begun_s = 0.0  # when the trace's row 0 was, by this machine
        #: True while the board is there.
        self.there = False
        #: Why the capture has ended; None while it goes on.
        self.ended: str | None = None
        self.status: Status | None = None
        try:
            self.board = self._greet()
            self.mode = self._mode(mode)
            who = self.board.identity
            simulated = SIMULATED in who.board.lower() or who.serial == EMULATED
            self.header: Header = self.board.header(self.mode, simulated, **told)
            self._capture = self._start()
        except LineLost as lost:
            self.close()
            raise BadInput(port, f"the line broke ({lost})", "plug the board in again") from lost
        except BaseException:
            self.close()
            raise
        self._begun_s = self._now()

    # --- as a source ---

    def progress(self) -> tuple[float, float]:
        """Seconds of trace; their end is not known."""
        return self._row / self.header.sample_rate_hz, 0.0

    @property
    def counts(self) -> Counts:
        """Of all lines so far."""
        return total(self.health.counts, self._talk.counts)

    def stop(self) -> None:
        """Ends the iteration after what has come by now."""
        self._stopping = True

    def close(self) -> None:
        line, self._line = self._line, None
        self.there = False
        if line is not None:
            line.close()

    def __iter__(self) -> Iterator[Event]:
        """Events, each as soon as it has come."""
        heard = self._now()
        while self.ended is None:
            if self._stopping:
                yield from self._end()
                return
            try:
                received, self._waiting = self._waiting or self._read(), []
                if received:
                    heard = self._now()
                elif self._now() - heard > SILENCE_S:
                    raise LineLost("the board has fallen silent")
                for each in received:
                    yield from self._events(each)
                if self._capture.ended is not None:
                    self._over()
            except LineLost as lost:
                yield from self._away(str(lost), self._keep and not isinstance(lost, LineEnded))
                heard = self._now()

    # --- parts of it ---

    def _read(self) -> list[Received]:
        assert self._line is not None
        return self._talk.feed(self._line.read())

    def _events(self, received: Received) -> Iterator[Event]:
        for event in self._capture.add(received):
            yield self._placed(event)
        self.status = self._capture.status or self.status

    def _placed(self, event: Event) -> Event:
        """On the clock of the whole trace."""
        if isinstance(event, Block):
            self._row = self._first + event.first + len(event)
            return replace(event, first=self._first + event.first)
        if isinstance(event, Hole):
            self._row = self._first + event.end
            return replace(event, first=self._first + event.first, end=self._row)
        if self._first:
            time_s = event.time_s + self._first / self.header.sample_rate_hz
            event = EdgeTimes(event.name, time_s, event.rising)
        self._reach_s = max(self._reach_s, float(event.time_s[-1]))
        return event

    def _over(self) -> None:
        """The board has ended the capture: by itself, or because it began anew."""
        why = self._capture.ended or ""
        if self._capture.again and self._keep and not self._stopping:
            raise LineLost(why)
        self.ended = why

    def _end(self) -> Iterator[Event]:
        """Stops the board and takes what it had still to send."""
        self.ended = "stopped as asked"
        try:
            _, data = self._talk.command(Stop())
            if self._line is None:
                return
            self._line.write(data)
            until = self._now() + ANSWER_S
            while self._capture.ended is None and self._now() < until:
                received, self._waiting = self._waiting or self._read(), []
                for each in received:
                    yield from self._events(each)
        except LineLost:
            pass
        yield from map(self._placed, self._capture.rest())

    def _away(self, why: str, wait: bool) -> Iterator[Event]:
        """The line broke: waits for the board, and begins again after a hole."""
        self.health.lost += 1
        self.health.why_lost = why
        self.close()
        untold = [self._placed(event) for event in self._capture.rest()]
        self.ended = None if wait else why
        while self.ended is None:
            if self._stopping:
                self.ended = "stopped as asked"
                break
            try:
                board = self._found_again()
                if self._account(board) != self._account(self.board):
                    self.ended = OTHER_FIGURES
                    break
                self._capture = self._start()
                break
            except (LineLost, BadInput):
                self.close()
                self._sleep(LOOK_S)
        if self.ended is not None:
            self.close()
            yield from untold
            return
        rate_hz = self.header.sample_rate_hz
        gone_s = self._now() - self._begun_s
        # This machine's clock and the board's differ: nothing comes to lie before what came already.
        came = max(self._row, math.ceil(self._reach_s * rate_hz) + 1 if self._reach_s else 0)
        first = max(came, round(gone_s * rate_hz))
        frames = sum(hole.frames for hole in untold if isinstance(hole, Hole))
        yield Hole(self._row, first, frames, f"the board was away ({why})")
        self._row = self._first = first

    def _account(self, board: Board) -> tuple[object, ...]:
        """All that the rows and edges of a capture are read by."""
        mode = board.modes.get(self.mode.mode)
        return board.identity.clock_hz, board.sampled, board.edges, mode

    def _found_again(self) -> Board:
        """By the name of its port, or by its serial number where the system has given it another."""
        try:
            return self._greet(self.board.identity.serial)
        except (BadInput, LineLost):
            self.close()
            other = self._finder(self.board.identity.serial)
            if other in (None, self.port):
                raise
            self.port = str(other)
            return self._greet(self.board.identity.serial)

    # --- beginning ---

    def _greet(self, serial: str | None = None) -> Board:
        """Opens the line and asks who is there; only the board with this number will do, or any."""
        # Nothing of the line before: neither half a frame nor a problem that another board had.
        self.health.add(self._talk.counts)
        self._talk = Talk(self._talk.next)
        self._line = self._opener(self.port)
        until, said = self._now() + ANSWER_S, -math.inf
        while self._now() < until and not self._stopping:
            if self._now() - said > AGAIN_S:
                self._line.write(self._talk.hello())
                said = self._now()
            self._read()
            if self._talk.problem is not None:
                raise BadInput(self.port, self._talk.problem)
            if self._talk.board is not None:
                if serial not in (None, self._talk.board.identity.serial):
                    raise BadInput(self.port, "another board answers there")
                self.there = True
                return self._talk.board
        if self._talk.partly:
            raise BadInput(
                self.port,
                "the board does not tell all of itself",
                "unplug it and plug it in again; should that not help, put the firmware on the board "
                "that comes with this program",
            )
        if self._talk.counts.bytes:
            raise BadInput(
                self.port, "what answers there is not a board of ours", "see `breakerbench ports`"
            )
        raise BadInput(
            self.port,
            "nobody answers there",
            "unplug the board and plug it in again, or name another port",
        )

    def _mode(self, wanted: int | None) -> Mode:
        modes = self.board.modes
        if wanted is None:
            return modes[min(modes)]
        if wanted not in modes:
            there = ", ".join(str(m) for m in sorted(modes))
            raise BadInput("--mode", f"the board has no mode {wanted}", f"it has {there}")
        return modes[wanted]

    def _start(self) -> Capture:
        """Begins the capture; what comes with the answer already belongs to it and waits."""
        assert self._line is not None
        number, data = self._talk.command(Start(self.mode.mode))
        self._line.write(data)
        self._waiting = []
        begun: int | None = None  # the mode of it
        until = self._now() + ANSWER_S
        while self._now() < until:
            for each in self._read():
                # The answer follows Started: one before that was of a capture that nobody took.
                if isinstance(each, Frame) and isinstance(each.message, Started):
                    self._waiting, begun = [], each.message.mode
                elif isinstance(each, Anew):
                    self._waiting, begun = [], None
                elif begun is not None:
                    self._waiting.append(each)
            answer = self._talk.answer(number)
            if answer:
                mend = "unplug it and plug it in again"
                raise BadInput(self.port, f"the board would not begin: {answer}", mend)
            if answer is not None:
                if begun != self.mode.mode:
                    raise LineLost("the beginning of the capture was lost")
                return Capture(self.board, self.mode, self.header)
        raise LineLost("the board did not answer")
