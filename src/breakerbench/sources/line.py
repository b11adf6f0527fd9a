"""The line to a board: a serial port, a socket, the simulated board or recorded bytes, by one door.

Names of ports: that of the system (``/dev/ttyACM0``, ``COM3``), ``auto`` for the one board that is there,
``socket://host:port``, ``sim`` for the simulated board in a process of its own (``sim --feed coil``:
with options of `bench.board_process`), ``bytes://FILE`` for what a board once sent.
"""

from __future__ import annotations

import contextlib
import errno
import shlex
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import serial
from serial.tools import list_ports

from breakerbench.errors import BadInput
from breakerbench.wire.messages import USB_PRODUCT, USB_VENDOR

#: A read waits so long for bytes, s, and takes so many at most.
READ_S, READ_BYTES = 0.02, 1 << 16
WRITE_S = 2.0
#: Bytes that were read and wait to be taken, at most: more than a minute of a capture.
MOST_WAITING = 64 << 20
PRODUCT = "Breakerbench"
SIM, AUTO, BYTES = "sim", "auto", "bytes://"
#: What comes from a port that has gone: pyserial makes most of it an OSError, but not what termios
#: says, nor what a handle of None or -1 leads to.
_GONE: tuple[type[Exception], ...] = (OSError, TypeError, AttributeError, ValueError)
if sys.platform != "win32":
    import termios

    _GONE += (termios.error,)
#: The simulated board has to say its port within this, s.
SIM_START_S = 20.0


class LineLost(Exception):  # noqa: N818  it is what happened to the line
    """The line broke: the board was unplugged, the socket closed. ``str``: what the system says."""


class LineEnded(LineLost):
    """There is nothing more to come, however long one waits."""


class Line(Protocol):
    """Bytes to and from a board. ``read`` returns none where none came in time."""

    def read(self) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Found:
    """A serial port: its name, whether a board of ours is on it, its serial number, and what it says."""

    port: str
    ours: bool
    serial: str
    description: str


def ports() -> list[Found]:
    """Serial ports of this machine, those with a board of ours first."""
    found = []
    for p in list_ports.comports():
        same = (p.vid, p.pid) == (USB_VENDOR, USB_PRODUCT)
        ours = same and (p.product is None or PRODUCT.lower() in p.product.lower())
        told = [str(t) for t in (p.manufacturer, p.product) if t] or [str(p.description)]
        found.append(Found(str(p.device), ours, str(p.serial_number or ""), " ".join(told)))
    return sorted(found, key=lambda f: (not f.ours, f.port))


def the_board(serial_number: str = "", there: Sequence[Found] | None = None) -> Found:
    """The one board that is plugged in, or that with this serial number; raises BadInput."""
    boards = [f for f in (ports() if there is None else there) if f.ours]
    if serial_number:
        boards = [f for f in boards if f.serial == serial_number]
    if not boards:
        mend = "plug it in, see `breakerbench ports`; or name a port; `sim` is the simulated one"
        raise BadInput("--port auto", "no board of ours is plugged in", mend)
    if len(boards) > 1:
        names = ", ".join(f.port for f in boards)
        raise BadInput("--port auto", f"more than one board is plugged in ({names})", "name a port")
    return boards[0]


def open_line(port: str) -> Line:
    """The line to ``port``. Raises BadInput where there is none, with the mend."""
    if port.startswith(BYTES):
        return Recorded(port[len(BYTES) :])
    if is_simulated(port):
        # Board and program share this computer: when it is busy, the board comes late as well.
        return Pumped(Simulation("--buffer-s", "2", *_options_of(port)))
    return Pumped(SerialLine(the_board().port if port == AUTO else port))


def is_simulated(port: str) -> bool:
    """Whether this is the name of the simulated board, with or without options."""
    return port == SIM or port.startswith(f"{SIM} ")


def _options_of(port: str) -> list[str]:
    try:
        return shlex.split(port)[1:]
    except ValueError as problem:
        raise BadInput(port, f"is not understood ({problem})", "close the quotes") from problem


class SerialLine:
    """A port by pyserial, ``socket://`` and its other names included."""

    def __init__(self, port: str) -> None:
        try:
            self._port = serial.serial_for_url(
                port, baudrate=115200, timeout=READ_S, write_timeout=WRITE_S, exclusive=True
            )
        except _GONE as error:
            raise BadInput(port, *_why_not(error)) from error

    def read(self) -> bytes:
        try:
            return bytes(self._port.read(READ_BYTES))
        except _GONE as error:
            raise LineLost(str(error)) from error

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except _GONE as error:
            raise LineLost(str(error)) from error

    def close(self) -> None:
        with contextlib.suppress(*_GONE):
            self._port.close()


def _why_not(error: Exception) -> tuple[str, str]:
    """(what is wrong, mend) of a port that cannot be opened."""
    number = getattr(error, "errno", None)
    text = str(error).lower()
    if number == errno.EACCES or "permission" in text or "access is denied" in text:
        return "this user may not open it, or another program has it", (
            "close the other program; on Linux add yourself to the group `dialout` and log in again"
        )
    if number == errno.EBUSY or "busy" in text or "lock" in text:
        return "another program has it open", "close that program"
    if number in (errno.ECONNREFUSED, errno.EHOSTUNREACH) or "refused" in text:
        return "nobody answers there", "start the other side first, look at host and port"
    if isinstance(error, ValueError):
        return f"is no name of a port ({error})", "see `breakerbench ports` for those there are"
    if number == errno.ENOENT or "could not open" in text:
        return "there is no such port", "plug the board in; see `breakerbench ports`"
    return f"cannot be opened ({error})", "unplug the board and plug it in again"


class Pumped:
    """A line that is read by a thread of its own, so that no work of the program keeps the board waiting.

    What was read and not yet taken is bounded: then the board waits, and loses what it cannot keep.
    """

    def __init__(self, line: Line) -> None:
        self._line = line
        self._parts: list[bytes] = []
        self._size = 0
        self._lost: LineLost | None = None
        self._closing = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._pump, name="line", daemon=True)
        self._thread.start()

    def _pump(self) -> None:
        while not self._closing:
            try:
                data = self._line.read()
            except LineLost as lost:
                with self._changed:
                    self._lost = lost
                    self._changed.notify()
                return
            with self._changed:
                if data:
                    self._parts.append(data)
                    self._size += len(data)
                    self._changed.notify()
                while self._size > MOST_WAITING and not self._closing:
                    self._changed.wait(READ_S)

    def read(self) -> bytes:
        with self._changed:
            if not self._parts and self._lost is None:
                self._changed.wait(READ_S)
            if not self._parts and self._lost is not None:
                raise self._lost
            data, self._parts, self._size = b"".join(self._parts), [], 0
            self._changed.notify()
            return data

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def close(self) -> None:
        self._closing = True
        self._thread.join(timeout=2.0)
        self._line.close()


class Recorded:
    """What a board once sent, from a file of the bare bytes; what is written to it goes nowhere."""

    def __init__(self, path: str) -> None:
        try:
            self._file = Path(path).open("rb")  # noqa: SIM115  closed by close
        except OSError as error:
            raise BadInput(
                path, f"cannot be read ({error.strerror})", "look at its name"
            ) from error

    def read(self) -> bytes:
        data = self._file.read(READ_BYTES)
        if not data:
            raise LineEnded("the recorded bytes are at their end")
        return data

    def write(self, data: bytes) -> None:
        del data

    def close(self) -> None:
        self._file.close()


class Simulation:
    """The simulated board in a process of its own, which ends with this line."""

    def __init__(self, *options: str) -> None:
        command = [
            sys.executable,
            "-m",
            "breakerbench.bench.board_process",
            "--port",
            "0",
            *options,
        ]
        # What it complains of goes to a file: nobody reads a pipe while it runs.
        with tempfile.TemporaryFile("w+") as complaints:
            self._process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=complaints, text=True
            )
            assert self._process.stdout is not None
            # One that never says its port is ended, and is then as one that did not start.
            late = threading.Timer(SIM_START_S, self._process.kill)
            late.daemon = True
            late.start()
            first = self._process.stdout.readline().strip()
            late.cancel()
            if not first.isdigit():
                self._end()
                complaints.seek(0)
                said = complaints.read().strip().splitlines()[-1:]
                raise BadInput(
                    SIM,
                    ": ".join(["the simulated board did not start", *said]),
                    "change its options" if said else "install the program anew",
                )
        try:
            self._line = SerialLine(f"socket://127.0.0.1:{first}")
        except BadInput:
            self._end()
            raise

    def read(self) -> bytes:
        return self._line.read()

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def close(self) -> None:
        self._line.close()
        self._end()

    def _end(self) -> None:
        process = self._process
        if process.stdin is not None:
            with contextlib.suppress(OSError):
                process.stdin.close()
        try:
            process.wait(timeout=2.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()
