"""The simulated board: its wire carries the simulated bench to the bit, and its commands answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.board_program import Program, begun, bench, counts_of, edges_of, holes_of
from breakerbench.bench import simulate
from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_faults import BoardFaults
from breakerbench.bench.board_inputs import CLOCK_HZ
from breakerbench.bench.front_end import Converter
from breakerbench.trace import Block, EdgeTimes
from breakerbench.wire.frames import encode
from breakerbench.wire.messages import (
    MESSAGES,
    Begun,
    Blink,
    Calibrate,
    Hello,
    Identity,
    Input,
    Keep,
    Message,
    Outcome,
    Ping,
    Reason,
    Reply,
    Restart,
    Samples,
    Start,
    Status,
    Stop,
    Stopped,
)

FIGURES = Calibrate(Input.POINTS_V, 0.5, -1.0, 1e-6, 0.0, 0.25, -1.0)


@pytest.mark.parametrize(("coil", "mode"), [(False, 1), (True, 1), (True, 2)])
def test_the_wire_carries_what_the_bench_makes(coil: bool, mode: int) -> None:
    board = SimulatedBoard(bench(coil), 7)
    program = begun(board, mode)
    for k in range(1, 41):
        program.hear(board.give(0.025 * k))
    program.say(Stop())
    program.hear(board.give(1.1))
    events, capture = program.capture()
    made = simulate(board.bench_in(mode), 7)
    truth = list(made)

    assert capture.ended == "stopped as asked"
    assert not holes_of(events)
    assert np.array_equal(counts_of(events), counts_of(truth))
    for name in ("index", "encoder"):
        came = [e for e in events if isinstance(e, EdgeTimes) and e.name == name]
        was = [e for e in truth if isinstance(e, EdgeTimes) and e.name == name]
        for field in ("time_s", "rising"):
            ours = np.concatenate([getattr(e, field) for e in came])
            theirs = np.concatenate([getattr(e, field) for e in was])
            # to the bit; only those after the last whole row are left out
            assert len(theirs) - len(ours) <= 1
            assert np.array_equal(ours, theirs[: len(ours)])
    ours, theirs = capture.header, made.header
    assert ours.sample_rate_hz == theirs.sample_rate_hz
    for a, b in zip(ours.channels, theirs.channels, strict=True):
        assert (a.name, a.unit, a.scale, a.zero) == (b.name, b.unit, b.scale, b.zero)
        assert (a.offset_s, a.rail_counts) == (b.offset_s, b.rail_counts)
        assert a.delay_s == pytest.approx(b.delay_s, rel=1e-6)  # f32 on the wire
        assert (a.u_gain is None) == (b.u_gain is None)
    assert [(e.name, e.resolution_s, e.delay_s) for e in ours.edge_channels] == [
        (e.name, e.resolution_s, e.delay_s) for e in theirs.edge_channels
    ]
    assert "simulated" in ours.origin
    assert "SIMULATED" in ours.origin


def test_the_bytes_do_not_hang_on_how_time_was_cut() -> None:
    def stream(steps: int) -> bytes:
        board = SimulatedBoard(bench(), 3, BoardFaults(bytes_flipped=1e-4, bytes_doubled=1e-4))
        begun(board)
        return b"".join(board.give(0.3 * (k + 1) / steps) for k in range(steps))

    assert stream(1) == stream(2) == stream(97)


def test_edges_come_before_the_block_after_them_and_status_ten_times_a_second() -> None:
    board = SimulatedBoard(bench(), 3)
    program = begun(board)
    program.hear(board.give(1.0001))
    events, capture = program.capture()
    reach = 0.0
    for event in events:
        if isinstance(event, Block):
            reach = event.first / capture.header.sample_rate_hz
        elif isinstance(event, EdgeTimes):
            assert event.time_s.min() >= reach
    rows = [m.rows for m in program.of(Status) if isinstance(m, Status)]
    assert len(rows) == 10
    assert np.all(np.abs(np.diff(rows) - 25_000) <= 320)


@pytest.mark.parametrize("coil", [False, True])
def test_beyond_its_plan_the_last_speed_is_held(coil: bool) -> None:
    made = bench(coil)
    assert made.encoder is not None
    smooth = replace(
        made,
        drive=replace(made.drive, ripples=()),
        shaft=replace(made.shaft, scatter_deg=0.0),
        encoder=replace(made.encoder, jitter_deg=0.0),
    )
    board = SimulatedBoard(smooth, 7)
    program = begun(board)
    program.hear(board.give(6.0))  # over the seams at 1, 3 and 5 s
    events, _ = program.capture()
    assert not holes_of(events)
    counts = counts_of(events)
    assert counts.shape[1] > 1_499_000
    ticks, rising = edges_of(events, "encoder")
    assert rising.all()
    # a disc turned at 1,500 rpm: each of its 360 places comes again after 40 ms, to a tick or two
    later = ticks[ticks > 1.05 * CLOCK_HZ]
    assert np.abs(later[360:] - later[:-360] - CLOCK_HZ // 25).max() <= 2
    index, up = edges_of(events, "index")
    assert np.all(up[1:] != up[:-1])
    assert np.ptp(np.diff(index[up][index[up] > 1.05 * CLOCK_HZ])) < CLOCK_HZ * 1e-5
    # four openings a revolution, all along: nothing missing or doubled at a seam
    if not coil:
        points = counts[0, 262_500:].astype(int)
        opened = np.flatnonzero((points[1:] > 3000) & (points[:-1] <= 3000))
        opened = opened[np.diff(opened, prepend=-10_000) > 500]
        assert np.all(np.abs(np.diff(opened) - 2500) < 60)


def test_what_is_not_in_order_is_answered_as_the_definition_says() -> None:
    board = SimulatedBoard(bench())
    program = Program(board.take)
    program.say(Start(1), Stop(), Keep(), FIGURES, Ping(77), Blink(1))  # 0 to 5
    program.say(
        Hello(1, 1), Start(9), Stop(), replace(FIGURES, input=99), replace(FIGURES, scale=0.0)
    )
    program.say(
        replace(FIGURES, zero=float("nan")), Restart(2), Start(1), Start(1), FIGURES, Keep()
    )
    program.say(Begun(0), Ping(5), Stop())  # 17 to 19
    program.hear(board.give(0.1))
    no, bad, done = Outcome.NOT_NOW, Outcome.MALFORMED, Outcome.DONE
    outcomes = [no, no, no, no, done, done]
    outcomes += [done, bad, done, bad, bad, bad, bad, done, no, no, no, Outcome.UNKNOWN, done, done]
    assert program.replies() == list(enumerate(outcomes))
    told = [m.detail for m in program.of(Reply) if isinstance(m, Reply) and m.command == Ping.CODE]
    assert told == [77, 5]
    assert isinstance(program.messages[0], Begun)
    assert program.of(Stopped)


def test_unknown_and_malformed_frames_are_answered_and_bad_ones_counted() -> None:
    class Foreign(Ping):
        CODE = 0xF0

    class Short(Start):
        def pack(self) -> bytes:
            return b""

    board = SimulatedBoard(bench())
    program = Program(board.take)
    program.say(Foreign(1), Short(1))
    spoilt = bytearray(encode(Ping(1), 9))
    spoilt[5] ^= 0x10
    board.take(bytes(spoilt) + b"\1\2\3\0")
    program.hear(board.give(1.5))
    assert program.replies() == [(0, Outcome.UNKNOWN), (1, Outcome.MALFORMED)]
    (status,) = program.of(Status)
    assert isinstance(status, Status)
    assert status.frames_refused == 2


def test_calibrated_figures_are_used_kept_and_forgotten() -> None:
    def figures(program: Program) -> tuple[int, float]:
        told = program.board()
        return told.identity.calibrated, told.sampled[Input.POINTS_V].scale

    board = SimulatedBoard(bench())
    program = Program(board.take)
    program.say(Hello(1, 1))
    program.hear(board.give(0.0))
    design = figures(program)
    assert design[0] == 0
    program.say(FIGURES, Hello(1, 1))
    program.hear(board.give(0.1))
    assert figures(program) == (1, 0.5)
    program.say(Restart(0), Hello(1, 1))
    program.hear(board.give(0.2))
    assert figures(program) == design
    program.say(FIGURES, Keep(), Restart(0), Hello(1, 1))
    program.hear(board.give(0.3))
    assert figures(program) == (1, 0.5)
    assert [m.reason for m in program.of(Begun) if isinstance(m, Begun)] == [Reason.POWER, 0, 0]
    assert program.receiver.counts.anew == 2


def test_hello_ends_a_capture_that_was_left_running() -> None:
    board = SimulatedBoard(bench())
    program = begun(board)
    program.hear(board.give(0.1))
    program.say(Hello(1, 1))
    kinds = [type(m) for m in program.hear(board.give(0.1))]
    assert kinds.index(Stopped) < kinds.index(Identity) < kinds.index(Reply)
    assert not program.hear(board.give(0.5))
    program.say(Start(1))  # another one, the same to the bit
    program.hear(board.give(0.55))
    events, _ = program.capture()
    first = next(m for m in program.messages if isinstance(m, Samples))
    again = next(e for e in events if isinstance(e, Block))
    assert again.first == first.first == 0
    assert program.of(Samples)[0] in program.of(Samples)[1:]


def test_a_drive_for_firmware_says_nothing_more() -> None:
    board = SimulatedBoard(bench())
    program = Program(board.take)
    program.say(Hello(1, 1), Restart(1), Ping(1))
    program.hear(board.give(0.1))
    assert program.replies() == [(0, Outcome.DONE), (1, Outcome.DONE)]
    assert board.give(5.0) == b""


def test_a_bench_that_no_board_has_is_refused() -> None:
    with pytest.raises(ValueError, match="12 bits"):
        SimulatedBoard(replace(bench(), converter=Converter(bits=14)))
    with pytest.raises(ValueError, match="current"):
        SimulatedBoard(replace(bench(), current_range_a=None))


COMMANDS = [kind for code, kind in MESSAGES.items() if code >= 0x80]


@st.composite
def commands(draw: st.DrawFn) -> bytes:
    """A frame of a command with any body, or any bytes."""
    if draw(st.booleans()):
        return draw(st.binary(max_size=60))
    kind = draw(st.sampled_from(COMMANDS))
    size = kind.LAYOUT.size
    message: Message = kind.unpack(draw(st.binary(min_size=size, max_size=size)))
    return encode(message, draw(st.integers(0, 2**32 - 1)))


BENCH = bench()


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(commands(), st.integers(0, 20)), max_size=25))
def test_no_bytes_break_it(said: list[tuple[bytes, int]]) -> None:
    board = SimulatedBoard(BENCH)
    program = Program(board.take)
    now_s = 0.0
    for data, steps in [*said, (b"\0", 1)]:
        board.take(data)
        now_s += 0.001 * steps
        program.hear(board.give(now_s))
    assert program.receiver.counts.refused == 0
    assert program.receiver.counts.missing == 0
    if not any(isinstance(m, Reply) and m.command == Restart.CODE for m in program.messages):
        board.take(encode(Ping(4711), 1))
        (reply,) = [m for m in program.hear(board.give(now_s)) if isinstance(m, Reply)]
        assert reply.detail == 4711
