"""Serves a simulated board in real time: a TCP port or a pseudo-terminal, one program after the other."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import time
from collections.abc import Callable
from typing import Protocol

from breakerbench.bench.board import SimulatedBoard
from breakerbench.errors import BadInput

#: Bytes handed to the system at once, and that it may hold; the board holds the rest, or loses it.
CHUNK, SYSTEM_BYTES = 1 << 14, 1 << 16
#: Time of the board in one step; between two looks at the line; behind, at most, after a pause: s.
STEP_S, LOOK_S, MOST_BEHIND_S = 0.02, 0.005, 5.0


class Door(Protocol):
    """Where a program comes in. While there is none, nothing is received and nothing is sent."""

    @property
    def name(self) -> str:
        """What a program is told, to find it."""
        ...

    def wait(self, seconds: float, to_send: bool) -> None:
        """Until there is something to do, or so long."""
        ...

    def receive(self) -> bytes:
        """What has come; may be nothing."""
        ...

    def send(self, data: bytes) -> int:
        """How many bytes were taken."""
        ...

    @property
    def open(self) -> bool:
        """Whether a program is there, as far as can be known."""
        ...

    def close(self) -> None: ...


class TcpDoor:
    """A port of this machine alone. Raises OSError where it is taken; port 0 picks one."""

    def __init__(self, port: int) -> None:
        self._listening = socket.create_server(("127.0.0.1", port), backlog=1)
        self._listening.setblocking(False)
        self._line: socket.socket | None = None
        self.name = str(self._listening.getsockname()[1])

    @property
    def open(self) -> bool:
        return self._line is not None

    def wait(self, seconds: float, to_send: bool) -> None:
        line = self._line
        if line is None:
            if select.select([self._listening], [], [], seconds)[0]:
                with contextlib.suppress(OSError):  # gone before it was let in
                    self._line = self._listening.accept()[0]
                    self._line.setblocking(False)
                    self._line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SYSTEM_BYTES)
                    self._line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return
        select.select([line], [line] if to_send else [], [], seconds)

    def receive(self) -> bytes:
        if self._line is None:
            return b""
        try:
            data = self._line.recv(CHUNK)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def send(self, data: bytes) -> int:
        if self._line is None:
            return 0
        try:
            return self._line.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._hang_up()
            return 0

    def _hang_up(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def close(self) -> None:
        self._hang_up()
        self._listening.close()


class PtyDoor:
    """A pseudo-terminal, as a serial port has it. Raises BadInput on a system without any.

    It can't be seen whether a program has it open: one that reads nothing is as good as none.
    """

    open = True

    def __init__(self) -> None:
        if sys.platform == "win32":
            raise BadInput("--pty", "this system has no pseudo-terminals", "use --port 0")
        import tty  # noqa: PLC0415

        self._board, self._program = os.openpty()
        tty.setraw(self._program)
        os.set_blocking(self._board, False)
        self.name = os.ttyname(self._program)

    def wait(self, seconds: float, to_send: bool) -> None:
        select.select([self._board], [self._board] if to_send else [], [], seconds)

    def receive(self) -> bytes:
        try:
            return os.read(self._board, CHUNK)
        except BlockingIOError:
            return b""

    def send(self, data: bytes) -> int:
        try:
            return os.write(self._board, data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        os.close(self._board)
        os.close(self._program)


def serve(
    board: SimulatedBoard,
    door: Door,
    over: Callable[[], bool],
    clock: Callable[[], float] = time.monotonic,
) -> None:
    """Until it is over. The board's time is that of the clock.

    Time that this process itself loses is made good and never costs the board a row; a program that does
    not read does.
    """
    at_s = behind_s = 0.0
    last_s = clock()
    out = b""
    while not over():
        board.take(door.receive())
        if not door.open:
            out = b""  # what was on the way to a program that is gone
        now_s = clock()
        behind_s = min(behind_s + now_s - last_s, MOST_BEHIND_S)
        last_s = now_s
        while door.open and behind_s > 0.0 and not out:
            step_s = min(behind_s, STEP_S)
            at_s, behind_s = at_s + step_s, behind_s - step_s
            out = board.give(at_s, CHUNK)
            out = out[door.send(out) :] if out else out
        begin_s = clock()
        behind_s += begin_s - last_s
        door.wait(LOOK_S, bool(out))
        last_s = clock()
        if out or not door.open:
            # nobody takes anything: the board goes on as the clock does
            at_s += last_s - begin_s
            board.give(at_s, 0)
            out = out[door.send(out) :] if out else out
        else:
            behind_s += last_s - begin_s
