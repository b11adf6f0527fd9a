"""The core beside the simulated board: the same orders at the same times, the same bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.board_program import Program
from breakerbench.wire.capture import Board
from breakerbench.wire.frames import Frame, encode
from breakerbench.wire.messages import (
    MESSAGES,
    Begun,
    Blink,
    Calibrate,
    Hello,
    Input,
    Keep,
    Message,
    Ping,
    Restart,
    Samples,
    Start,
    Status,
    Stop,
    Stopped,
)
from firmware.core import CoreBoard
from firmware.twins import Twin, twins

FIGURES = Calibrate(Input.POINTS_V, 0.5, -1.0, 1e-6, 0.0, 0.25, -1.0)
Step = tuple[bytes, float, int | None]


def held(core: CoreBoard, twin: Twin, steps: list[Step]) -> Program:
    """Each step: bytes to both, then so long later what is taken of at most so many bytes."""
    program = Program(lambda _: None)
    now_s = 0.0
    with core.core:
        for data, later_s, most in steps:
            core.take(data)
            twin.take(data)
            now_s += later_s
            ours, theirs = core.give(now_s, most), twin.give(now_s, most)
            if ours != theirs:
                program.hear(ours)
                other = Program(lambda _: None)
                other.hear(theirs)
                assert program.messages[-5:] == other.messages[-5:], (now_s, most)
            assert ours == theirs, (now_s, most)
            program.hear(ours)
    assert program.receiver.counts.refused == 0
    return program


def said(*messages: Message, first: int = 0) -> bytes:
    return b"".join(encode(m, first + k) for k, m in enumerate(messages))


@pytest.mark.parametrize("mode", [1, 2])
def test_a_session(board_main: Path, told: Board, mode: int) -> None:
    core, twin = twins(board_main, told)
    program = held(
        core, twin,
        [
            (b"", 0.0, None),
            (said(Start(1), Stop(), Keep(), FIGURES, Ping(77), Blink(1)), 0.01, None),
            (said(Hello(1, 1), FIGURES, Start(mode)), 0.35, None),
            (said(Start(1), FIGURES, Keep(), Ping(3)), 0.013, None),
            (said(Stop()), 1.2, None),
            (said(Start(mode)), 0.1001, None),
            (said(Hello(1, 1)), 0.1, None),
            (said(Restart(2), Hello(2, 3), Hello(0, 1), Begun(0), Start(9), Stop()), 0.1, None),
        ],
    )  # fmt: skip
    assert {Begun, Samples, Status, Stopped} <= {type(m) for m in program.messages}
    assert program.receiver.counts.missing == 0


def test_slow_and_stalling_readers(board_main: Path, told: Board) -> None:
    core, twin = twins(board_main, told)
    steps: list[Step] = [(said(Hello(1, 1), Start(1)), 0.0, None)]
    steps += [(b"", 0.01, 9000)] * 10  # keeps up nearly
    steps += [(b"", 0.01, 3000)] * 30  # does not
    steps += [(b"", 0.01, 0)] * 30  # takes nothing: the ring fills, rows and edges are lost
    steps += [(b"", 0.01, 40_000)] * 20
    steps += [(said(Ping(1)), 0.0, None), (b"", 0.3, None), (said(Stop()), 0.0, None)]
    program = held(core, twin, steps)
    last = [m for m in program.of(Status) if isinstance(m, Status)][-1]
    assert last.rows_lost > 10_000
    assert last.edges_lost > 1000
    assert last.stalls == 1
    assert program.receiver.counts.missing == 0  # all that is lost is told


def test_who_takes_nothing_for_two_seconds_is_gone(board_main: Path, told: Board) -> None:
    core, twin = twins(board_main, told)
    steps: list[Step] = [(said(Hello(1, 1), Start(2)), 0.2, None)]
    steps += [(b"", 0.05, 0)] * 50
    steps += [(b"", 0.0, None), (said(Hello(1, 1), Start(1)), 0.2, None)]
    program = held(core, twin, steps)
    (stopped,) = [m for m in program.of(Stopped) if isinstance(m, Stopped)]
    assert stopped.reason == 3


def test_restart_forgets_what_was_not_kept(board_main: Path, told: Board) -> None:
    core, twin = twins(board_main, told)
    program = held(
        core, twin,
        [
            (said(Hello(1, 1), FIGURES), 0.01, None),
            (said(Restart(0)), 0.0, None),
            (said(Hello(1, 1)), 0.01, None),
            (said(FIGURES, Keep()), 0.01, None),
            (said(Start(1)), 0.05, None),
            (said(Restart(0)), 0.0, None),
            (said(Hello(1, 1), Start(2)), 0.1, None),
            (said(Restart(1)), 0.0, None),
            (said(Ping(1)), 3.0, None),
        ],
    )  # fmt: skip
    assert len(program.of(Begun)) == 3
    assert program.board().sampled[Input.POINTS_V].scale == 0.5
    assert program.board().identity.calibrated == 1


COMMANDS = [kind for code, kind in MESSAGES.items() if code >= 0x80 and kind is not Restart]


@st.composite
def bytes_said(draw: st.DrawFn) -> bytes:
    """Mostly a command that makes sense; else one with any body, any frame, or any bytes."""
    kind = draw(st.integers(0, 9))
    number = draw(st.integers(0, 2**32 - 1))
    if kind < 5:
        sense = [Hello(1, 1), Start(1), Start(2), Stop(), Ping(9), Keep(), FIGURES, Blink(2)]
        return encode(draw(st.sampled_from(sense)), number)
    if kind < 8:
        command = draw(st.sampled_from(COMMANDS))
        size = command.LAYOUT.size
        return encode(command.unpack(draw(st.binary(min_size=size, max_size=size))), number)
    if kind == 8:
        body, code = draw(st.binary(max_size=40)), draw(st.integers(0, 255))

        class Other(Ping):
            CODE = code if code != Restart.CODE else 0

            def pack(self) -> bytes:
                return body

        return encode(Other(0), number)
    return draw(st.binary(max_size=60))


steps = st.tuples(
    bytes_said(),
    st.sampled_from([0.0, 0.0, 0.001, 0.00128, 0.007, 0.05, 0.11]),
    st.sampled_from([None, None, None, 0, 1, 100, 5000, 30_000]),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(steps, max_size=25), st.integers(200, 2_000_000), st.integers(200, 100_000))
def test_any_orders(
    board_main: Path, told: Board, script: list[Step], index: int, encoder: int
) -> None:
    every = {"index": index, "encoder": encoder}
    core, twin = twins(board_main, told, every)
    held(core, twin, [(said(Hello(1, 1)), 0.0, None), *script, (b"\0", 0.1, None)])


def test_the_tape_was_carried_to_the_bit(board_main: Path, told: Board) -> None:
    """Not only alike: right. Rows and edges against the tape itself."""
    from bench.board_program import counts_of, edges_of, holes_of  # noqa: PLC0415

    core, _ = twins(board_main, told)
    program = Program(core.take)
    with core.core:
        program.say(Hello(1, 1), Start(2))
        program.hear(core.give(0.5))
        program.say(Stop())
        program.hear(core.give(0.5))
    events, capture = program.capture()
    tape = core._bench.tape
    counts = counts_of(events)
    assert counts.shape[1] == int(0.5 * 62.5e6 / 375)
    assert np.array_equal(counts, tape.counts(0, counts.shape[1]))
    assert not holes_of(events)
    for name in ("index", "encoder"):
        ticks, rising = edges_of(events, name)
        truth, up = tape.edges(name, 0, counts.shape[1] * 375)
        assert np.array_equal(ticks, truth)
        assert np.array_equal(rising, up)
    assert capture.ended == "stopped as asked"
    assert all(isinstance(f, Frame) for f in program.heard)
