"""The program's side of the conversation with a board, without input or output.

    talk = Talk()
    port.write(talk.hello())
    talk.feed(port.read())      ...until talk.board is there, or talk.problem says why it never will be

Commands are numbered, and each has its answer: ``answer(number)``.
"""

from __future__ import annotations

from typing import TypeVar

from breakerbench.errors import harmless
from breakerbench.wire.account import check_sampled
from breakerbench.wire.capture import Board
from breakerbench.wire.frames import Frame, encode
from breakerbench.wire.messages import (
    LEAST_LEVEL,
    LEVEL,
    Edge,
    Hello,
    Identity,
    Message,
    Mode,
    Outcome,
    Reply,
    Sampled,
)
from breakerbench.wire.receive import Anew, Counts, Received, Receiver

OUTCOMES = {
    Outcome.UNKNOWN: "the board does not know this command",
    Outcome.MALFORMED: "the board refused a value in it",
    Outcome.NOT_NOW: "the board cannot do that now",
    Outcome.LEVEL: "board and program have no protocol level in common",
    Outcome.FAILED: "the board tried, and failed",
}


class Talk:
    """One connection. first: number of its first command; an answer to an earlier one is none to it."""

    def __init__(self, first: int = 0) -> None:
        self._receiver = Receiver()
        #: Number of the next command.
        self.next = first
        self._hellos: list[int] = []  # numbers of all that were said
        self._identity: Identity | None = None
        self._sampled: dict[int, Sampled] = {}
        self._edges: dict[int, Edge] = {}
        self._modes: dict[int, Mode] = {}
        self._answers: dict[int, Reply] = {}
        #: Why no board will come of it, with the mend; None while one still may.
        self.problem: str | None = None
        #: What the board told of itself, once that is whole.
        self.board: Board | None = None

    @property
    def partly(self) -> bool:
        """Whether a board said who it is, and not all else."""
        return self._identity is not None and self.board is None

    @property
    def counts(self) -> Counts:
        return self._receiver.counts

    # --- out ---

    def command(self, message: Message) -> tuple[int, bytes]:
        """(number that its answer bears, bytes to send)."""
        number = self.next
        self.next = (self.next + 1) % (1 << 32)
        return number, encode(message, number)

    def hello(self) -> bytes:
        """Bytes that begin; a zero first, should half a frame be left of a connection before."""
        number, data = self.command(Hello(LEVEL, LEAST_LEVEL))
        self._hellos.append(number)
        self._forget()
        return b"\0" + data

    def answer(self, number: int) -> str | None:
        """None while the command is not answered; empty if it was done, else why not."""
        reply = self._answers.get(number)
        if reply is None:
            return None
        if reply.outcome == Outcome.DONE:
            return ""
        words = {int(o): text for o, text in OUTCOMES.items()}
        return words.get(reply.outcome, f"the board answered {reply.outcome}")

    # --- in ---

    def feed(self, data: bytes) -> list[Received]:
        """What came, in order; the answers and what the board tells of itself are kept here too."""
        received = self._receiver.feed(data)
        for each in received:
            if isinstance(each, Anew):
                # Commands that it had not answered are gone; so is what it told before.
                self._answers.clear()
                self._forget()
            elif isinstance(each, Frame):
                self._take(each.message)
        return received

    def _forget(self) -> None:
        self.board, self._identity = None, None
        self._sampled, self._edges, self._modes = {}, {}, {}

    def _take(self, message: Message | None) -> None:
        if isinstance(message, Reply):
            self._answers[message.to] = message
            if message.to in self._hellos and message.outcome == Outcome.LEVEL:
                self.problem = self.problem or OUTCOMES[Outcome.LEVEL] + UPDATE_EITHER
        elif isinstance(message, Identity):
            self._forget()
            self._identity = message
            self.problem = mismatch(message)
        elif isinstance(message, Sampled):
            self._keep(self._sampled, message.input, message)
        elif isinstance(message, Edge):
            self._keep(self._edges, message.input, message)
        elif isinstance(message, Mode):
            self._keep(self._modes, message.mode, message)
        self._complete()

    def _keep(self, told: dict[int, Part], number: int, message: Part) -> None:
        """Told again where a frame of an answer was lost; not in other words."""
        before = told.setdefault(number, message)
        if before.pack() != message.pack():
            what = f"{type(message).__name__} {number} in two ways"
            self.problem = (
                self.problem or f"the board contradicts itself: it tells {what}{FIRMWARE}"
            )

    def _complete(self) -> None:
        i = self._identity
        if i is None or self.problem is not None or self.board is not None:
            return
        told = len(self._sampled), len(self._edges), len(self._modes)
        # The answer may be to a greeting before the last: a slow line is given time, not started over.
        greeted = any(self.answer(number) == "" for number in self._hellos)
        if told == (i.sampled, i.edges, i.modes) and greeted:
            board = Board(i, dict(self._sampled), dict(self._edges), dict(self._modes))
            self.problem = contradiction(board)
            self.board = board if self.problem is None else None


#: What a board tells one of for each input or mode.
Part = TypeVar("Part", Sampled, Edge, Mode)
#: Mends.
FIRMWARE = ": put the firmware on the board that comes with this program"
UPDATE_EITHER = ": take the firmware that comes with this program, or the newest program"


def mismatch(i: Identity) -> str | None:
    """Why this program cannot speak with that board, and what mends it; None where it can."""
    build = harmless(i.build)
    if i.least_level > LEVEL:
        return (
            f"the firmware of the board (build {build}) speaks protocol level {i.least_level} or "
            f"later, this program {LEVEL}: get a newer version of this program"
        )
    if i.level < LEAST_LEVEL:
        return (
            f"the firmware of the board (build {build}) speaks protocol level {i.level}, this program "
            f"{LEAST_LEVEL} or later{FIRMWARE}"
        )
    return None


def contradiction(board: Board) -> str | None:
    """What in a board's account of itself cannot be, with the mend; None where all can."""
    if not board.modes:
        return "the board has no capture mode" + FIRMWARE
    try:
        for sampled in board.sampled.values():
            check_sampled(sampled)
        for mode in board.modes.values():
            board.header(mode, simulated=False)
    except ValueError as problem:
        return f"the board contradicts itself: {problem}{FIRMWARE}"
    return None
