"""The firmware's core in a process of its own (``firmware/tests/board_main.c``), by its orders."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.board import CLOCK_HZ
from breakerbench.bench.board_capture import BLOCK_SAMPLES
from breakerbench.wire.messages import Input, Mode, Reason

SERIAL = "SIMULATED"
RECORD_SIZE, NEVER = 256, 0xFFFFFFFF
#: With the byte at which a write is torn: the port takes it for done.
UNNOTICED = 0x40000000


class Core:
    """Its port is played by ``began``, ``ending`` and what ``events`` keeps."""

    def __init__(self, program: Path, serial: str = SERIAL) -> None:
        pipe = subprocess.PIPE
        self._process = subprocess.Popen([program], stdin=pipe, stdout=pipe, stderr=pipe)
        self.serial = serial
        #: What the board had its port do: (letter, data).
        self.events: list[tuple[str, bytes]] = []
        #: Whether the light is lit; None before it was set.
        self.lit: bool | None = None
        self.began: Callable[[int], None] = lambda _: None
        self.ending: Callable[[], None] = lambda: None

    def __enter__(self) -> Core:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        try:
            _, error = self._process.communicate(timeout=20.0)
        finally:
            self._process.kill()
        if kind is None:
            assert self._process.returncode == 0, error.decode()

    # --- orders

    def _say(self, order: bytes, *data: bytes) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(b"".join((order, *data)))

    def _hear(self, until: str) -> bytes:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.flush()
        while True:
            head = self._process.stdout.read(5)
            if len(head) < 5:  # a sanitizer has spoken
                assert self._process.stderr is not None
                raise AssertionError(self._process.stderr.read().decode())
            what, size = chr(head[0]), int.from_bytes(head[1:], "little")
            data = self._process.stdout.read(size)
            if what == until:
                return data
            self.events.append((what, data))
            if what == "l":
                assert self.lit is not bool(data[0])  # it is set where it changes
                self.lit = bool(data[0])
            elif what == "b":
                self.began(data[0])
            elif what == "e":
                self.ending()
                self._say(b"O")
                self._process.stdin.flush()

    def init(self, reason: Reason = Reason.POWER) -> None:
        self.lit = None
        name = self.serial.encode()
        self._say(b"I", bytes([reason, len(name)]), name)
        self._hear("d")

    def clock(self, ticks: int) -> None:
        self._say(b"C", struct.pack("<Q", ticks))

    def lead(self, ticks: int) -> None:
        """So long after Start is row 0."""
        self._say(b"B", struct.pack("<Q", ticks))

    def received(self, data: bytes) -> None:
        self._say(b"D", struct.pack("<I", len(data)), data)
        self._hear("d")

    def rows(self, counts: NDArray[Any]) -> None:
        """(inputs, rows)."""
        inputs, rows = counts.shape
        self._say(b"R", struct.pack("<IB", rows, inputs), counts.T.astype("<u2").tobytes())

    def rows_lost(self, rows: int) -> None:
        self._say(b"L", struct.pack("<Q", rows))

    def edge(self, which: int, tick: int, rising: bool) -> None:
        self._say(b"E", struct.pack("<BQB", which, tick, rising))

    def edges_lost(self, which: int, count: int) -> None:
        self._say(b"X", struct.pack("<BI", which, count))

    def poll(self) -> None:
        self._say(b"P")
        self._hear("d")

    def line_gone(self) -> None:
        self._say(b"G")
        self._hear("d")

    def send(self, most: int = NEVER) -> bytes:
        self._say(b"S", struct.pack("<I", most))
        return self._hear("S")

    def looks(self) -> tuple[int, int, int]:
        """(tick of the next Status, bytes that wait, whether it is about to restart: 1, or has: 2)."""
        self._say(b"N")
        told = struct.unpack("<QQB", self._hear("N"))
        return int(told[0]), int(told[1]), int(told[2])

    def flash(self, copy: int) -> bytes:
        self._say(b"V", bytes([copy]))
        return self._hear("V")

    def set_flash(self, copy: int, data: bytes) -> None:
        assert len(data) == RECORD_SIZE
        self._say(b"W", bytes([copy]), data)

    def faults(
        self, flags: int = 0, begin: int = 0, load: int = 0, store: int = 0, torn: int = NEVER
    ) -> None:
        self._say(b"F", struct.pack("<BIIII", flags, begin, load, store, torn))


class CoreBoard:
    """``take`` and ``give`` as ``SimulatedBoard`` has them; the bench is what ``make`` makes of a mode.

    That has ``take(rows)``: (inputs, rows) counts, and the edges up to their end.
    """

    def __init__(self, core: Core, modes: dict[int, Mode], make: Callable[[int], Any]) -> None:
        self.core, self._modes, self._make = core, modes, make
        self._tick = self._boot = 0
        self._mode: Mode | None = None
        self._row = self._began = 0
        self._bench: Any = None
        core.began, core.ending = self._begin, self._end
        core.clock(0)
        core.init()

    def _now(self, tick: int) -> None:
        self._tick = tick
        self.core.clock(tick - self._boot)

    # --- the port

    def _begin(self, mode: int) -> None:
        self._mode, self._row, self._began = self._modes[mode], 0, self._tick
        self._bench = self._make(mode)

    def _end(self) -> None:
        assert self._mode is not None
        rest = (self._tick - self._began) * self._mode.row_parts // self._mode.row_ticks - self._row
        if rest > 0:
            self._rows(rest)
        self._mode = None

    def _rows(self, rows: int) -> None:
        counts, edges = self._bench.take(rows)
        self._row += rows
        for name, (ticks, rising) in edges.items():
            at = (ticks + self._began - self._boot).tolist()
            for tick, up in zip(at, rising.tolist(), strict=True):
                self.core.edge(int(Input[name.upper()]), tick, up)
        self.core.rows(np.asarray(counts))

    # --- the program's side

    def take(self, data: bytes) -> None:
        if data:
            self.core.received(data)

    def give(self, now_s: float, most: int | None = None) -> bytes:
        until = max(round(now_s * CLOCK_HZ), self._tick)
        given = self._sent(None) if most is None else b""
        while (due := self._due()) <= until:
            self._now(due)
            if self._mode is not None and self._block_due() <= due:
                self._rows(BLOCK_SAMPLES // self._mode.inputs)
            self.core.poll()
            if most is None:
                given += self._sent(None)
        self._now(until)
        return given + self._sent(most)

    def _block_due(self) -> int:
        assert self._mode is not None
        rows = self._row + BLOCK_SAMPLES // self._mode.inputs
        return self._began - (-rows * self._mode.row_ticks // self._mode.row_parts)

    def _due(self) -> int:
        status, _, restarts = self.core.looks()
        due = NEVER << 31 if restarts else status + self._boot
        if self._mode is not None:
            due = min(due, self._block_due())
        return max(due, self._tick)

    def _sent(self, most: int | None) -> bytes:
        if most == 0:
            self.core.poll()
            return b""
        sent = self.core.send(NEVER if most is None else most)
        if not sent or self.core.looks()[2]:
            self.core.poll()
        if self.core.events and self.core.events[-1] == ("r", b"\0"):
            self.core.events.append(("again", b""))
            self._boot, self._mode = self._tick, None
            self.core.clock(0)
            self.core.init(Reason.ASKED)
            sent += self.core.send(NEVER if most is None else most - len(sent))
        return sent
