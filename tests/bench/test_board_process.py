"""The simulated board in its own process: over a socket and over a pseudo-terminal, in real time."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest

from bench.board_program import Program, counts_of, edges_of, holes_of
from breakerbench.bench import simulate
from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_process import board_of, options
from breakerbench.errors import BadInput
from breakerbench.pipeline import analyzer
from breakerbench.sources.port import PortSource
from breakerbench.trace import Block
from breakerbench.wire.messages import Hello, Identity, Reason, Start, Status, Stop, Stopped

MODULE = [sys.executable, "-m", "breakerbench.bench.board_process"]
OPTIONS = ["--speed", "0:600,1:900,3:900", "--seed", "5", "--serial", "S42"]
LONG_S = 30.0


@contextmanager
def process(*args: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A board and where it is. It has ended by itself, well and in silence, when this is left."""
    pipe = subprocess.PIPE
    made = subprocess.Popen([*MODULE, *args], stdin=pipe, stdout=pipe, stderr=pipe, text=True)
    try:
        assert made.stdout is not None
        yield made, made.stdout.readline().strip()
        out, error = made.communicate(timeout=LONG_S)  # closes its standard input
        assert (made.returncode, out, error) == (0, "", "")
    finally:
        made.kill()
        made.wait()


def hear(program: Program, read: object, until: type, many: int = 1) -> None:
    """Until so many more of a message came."""
    begin, wanted = time.monotonic(), len(program.of(until)) + many
    while len(program.of(until)) < wanted:
        program.hear(read())  # type: ignore[operator]
        assert time.monotonic() - begin < LONG_S


def session(program: Program, read: object, seconds: float) -> None:
    """Hello, a capture, its end; held against the bench."""
    program.say(Hello(1, 1), Start(1))
    hear(program, read, Status, round(10 * seconds))
    program.say(Stop())
    hear(program, read, Stopped)
    events, capture = program.capture()
    assert capture.ended == "stopped as asked"
    assert not holes_of(events)
    board = board_of(options().parse_args(["--port", "0", *OPTIONS]))
    truth = list(simulate(board.bench_in(1), 5))
    counts = counts_of(events)
    assert counts.shape[1] >= 250_000 * seconds * 0.9
    rows = min(counts.shape[1], 750_000)  # as long as the plan goes
    assert np.array_equal(counts[:, :rows], counts_of(truth)[:, :rows])
    ticks, _ = edges_of(events, "encoder")
    made, _ = edges_of(truth, "encoder")
    many = min(len(ticks), len(made) - 2)
    assert np.array_equal(ticks[:many], made[:many])


def test_over_a_socket_one_program_after_the_other() -> None:
    with process("--port", "0", *OPTIONS) as (_, port):
        for _ in range(2):
            with socket.create_connection(("127.0.0.1", int(port)), 5.0) as line:
                program = Program(line.sendall)
                begin = time.monotonic()
                session(program, lambda line=line: line.recv(1 << 16), 1.0)
                assert time.monotonic() - begin > 0.9  # not faster than the shaft turns
                identity = program.of(Identity)[-1]
                assert isinstance(identity, Identity)
                assert (identity.board, identity.serial) == ("simulated", "S42")


def test_a_program_that_goes_in_mid_capture_leaves_a_board_for_the_next() -> None:
    with process("--port", "0", *OPTIONS) as (_, port):
        with socket.create_connection(("127.0.0.1", int(port)), 5.0) as line:
            program = Program(line.sendall)
            program.say(Hello(1, 1), Start(1))
            hear(program, lambda: line.recv(1 << 16), Status)
        with socket.create_connection(("127.0.0.1", int(port)), 5.0) as line:
            session(Program(line.sendall), lambda: line.recv(1 << 16), 0.5)


def test_a_program_that_does_not_read_loses_rows() -> None:
    with process("--port", "0", *OPTIONS) as (_, port):
        line = socket.socket()
        with line:
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 15)
            line.settimeout(5.0)
            line.connect(("127.0.0.1", int(port)))
            program = Program(line.sendall)
            program.say(Hello(1, 1), Start(1))
            hear(program, lambda: line.recv(1 << 16), Status)
            time.sleep(4.0)
            hear(program, lambda: line.recv(1 << 16), Stopped)
    (stopped,) = program.of(Stopped)
    assert isinstance(stopped, Stopped)
    assert stopped.reason == Reason.HOST_GONE
    assert program.receiver.counts.refused == program.receiver.counts.missing == 0


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_over_a_pseudo_terminal() -> None:
    with process("--pty", *OPTIONS) as (_, name):
        line = os.open(name, os.O_RDWR | os.O_NOCTTY)
        try:
            program = Program(lambda data: os.write(line, data))
            session(program, lambda: os.read(line, 1 << 16), 1.0)
        finally:
            os.close(line)


def test_it_ends_when_its_parent_is_killed() -> None:
    parent = (
        "import subprocess, sys\n"
        f"p = subprocess.Popen({[*MODULE, '--port', '0', *OPTIONS]!r}, stdin=subprocess.PIPE)\n"
        "p.wait()\n"
    )
    with subprocess.Popen([sys.executable, "-c", parent], stdout=subprocess.PIPE) as made:
        assert made.stdout is not None
        port = int(made.stdout.readline())
        made.kill()
        assert made.stdout.read() == b""  # ends only when the board, too, has let go of it
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), 1.0)


@pytest.mark.parametrize(
    "wrong",
    [
        ["--speed", "fast"], ["--speed", "0:100:2"], ["--speed", "0:-4"], ["--seed", "-1"],
        ["--fault", "none=dead"], ["--condition", "none"], ["--board-fault", "none"],
        ["--feed", "coil", "--third", "none"], ["--serial", "x" * 20], ["--port", "99999"],
        ["--encoder-pulses", "3"], ["--buffer-s", "nan"],
    ],
)  # fmt: skip
def test_what_cannot_be_is_one_line(wrong: list[str]) -> None:
    if wrong[0] not in ("--speed", "--port", "--serial"):
        with pytest.raises(BadInput):
            board_of(options().parse_args(["--port", "0", *wrong]))
        return
    where = [] if wrong[0] == "--port" else ["--port", "0"]
    made = subprocess.run(
        [*MODULE, *where, *wrong],
        input="",
        capture_output=True,
        text=True,
        timeout=LONG_S,
        check=False,
    )
    assert made.returncode == 2
    assert made.stdout == ""
    assert len(made.stderr.strip().splitlines()) == 1


class InProcess:
    """A line to a board of this process; each read takes it on by so long, s."""

    READ_S = 0.02

    def __init__(self, board: SimulatedBoard) -> None:
        self.board, self.s = board, 0.0

    def read(self) -> bytes:
        self.s += self.READ_S
        return self.board.give(self.s)

    def write(self, data: bytes) -> None:
        self.board.take(data)

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("fault", "farad"), [((), 0.22e-6), (("--fault", "condenser-small=needs repair"), 0.132e-6)]
)
def test_a_condenser_alone_is_measured_through_the_board(
    fault: tuple[str, ...], farad: float
) -> None:
    """What `record --kind condenser` does, to the truth of the test that the board goes through."""
    board = board_of(options().parse_args(["--port", "0", "--feed", "condenser", *fault]))
    source = PortSource(
        "tape", opener=lambda _: InProcess(board), kind="condenser", supply_v=12.0,
        series_ohm=10e3, probe_ohm=10e6,
    )  # fmt: skip
    measuring = analyzer(source.header)
    for event in source:
        measuring.feed(event)
        if isinstance(event, Block) and event.first > 3.5 * source.header.sample_rate_hz:
            source.stop()
    found = measuring.finish()["condenser"]
    assert abs(found["capacitance_f"] - farad) < found["u_capacitance_f"] < 0.03 * farad
