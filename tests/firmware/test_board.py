"""What the simulated board does not do: losses of the chip, a line that goes, failures, the light."""

from __future__ import annotations

from dataclasses import astuple, replace
from math import log, pi
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.board_program import Program, counts_of, edges_of, holes_of
from breakerbench.wire.account import check_sampled
from breakerbench.wire.capture import Board
from breakerbench.wire.frames import Frame, encode
from breakerbench.wire.messages import (
    Begun,
    Blink,
    Calibrate,
    Edges,
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
    Sampled,
    Samples,
    Start,
    Started,
    State,
    Status,
    Stop,
    Stopped,
)
from breakerbench.wire.packed import edges_of as edges_in
from firmware.core import Core

INDEX, ENCODER = int(Input.INDEX), int(Input.ENCODER)
COUNTS = np.random.default_rng(1).integers(0, 4096, (2, 100_000))
ROW, BLOCK, SECOND = 250, 320, 62_500_000
RESERVE, SIZE = 8_192, 98_304


def greeted(core: Core, *messages: Message, lead: int = 0) -> Program:
    """A program that has said Hello, and these; all that was answered is heard."""
    core.lead(lead)
    core.init()
    program = Program(core.received)
    program.say(Hello(1, 1), *messages)
    program.hear(core.send())
    return program


def samples(program: Program) -> list[Samples]:
    return [m for m in program.messages if isinstance(m, Samples)]


def edges(program: Program) -> list[Edges]:
    return [m for m in program.messages if isinstance(m, Edges)]


def status(core: Core, program: Program, at: int) -> Status:
    core.clock(at)
    core.poll()
    return [m for m in program.hear(core.send()) if isinstance(m, Status)][-1]


def test_rows_overwritten_in_the_chip_are_a_hole_where_they_were(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        core.rows(COUNTS[:, :100])
        core.rows_lost(5000)
        core.rows(COUNTS[:, 5100:5800])
        core.rows_lost(0)
        last = status(core, program, SECOND // 10)
        assert (last.rows, last.rows_lost) == (5800, 5000)
        program.say(Stop())
        program.hear(core.send())
        events, _ = program.capture()
        (hole,) = holes_of(events)
        assert (hole.first, hole.end) == (100, 5100)
        wanted = np.delete(COUNTS[:, :5800], slice(100, 5100), axis=1)
        assert np.array_equal(counts_of(events), wanted)
        (stopped,) = [m for m in program.messages if isinstance(m, Stopped)]
        assert (stopped.reason, stopped.rows) == (Reason.ASKED, 5800)


def test_rows_come_in_any_pieces(board_main: Path) -> None:
    """Odd ones too: half a byte of one piece is filled by the next."""
    rng = np.random.default_rng(3)
    third = np.concatenate([COUNTS, COUNTS[:1, ::-1]])
    for mode, tape in ((1, COUNTS), (2, third)):
        with Core(board_main) as core:
            program = greeted(core, Start(mode))
            at = 0
            while at < 20_000:
                many = int(rng.choice([1, 1, 2, 3, 5, 7, 64, 213, 320, 321, 1000]))
                core.rows(tape[:, at : at + many])
                at += many
                program.hear(core.send())
            program.say(Stop())
            program.hear(core.send())
            events, _ = program.capture()
            assert not holes_of(events)
            assert np.array_equal(counts_of(events), tape[:, :at])


def test_a_sample_of_more_than_12_bits_spoils_no_other(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        core.rows(COUNTS[:, :BLOCK] | 0xF000)
        program.hear(core.send())
        events, _ = program.capture()
        assert np.array_equal(counts_of(events), COUNTS[:, :BLOCK])


def test_edges_come_between_the_rows_that_they_lie_between(board_main: Path) -> None:
    end = BLOCK * ROW
    with Core(board_main) as core:
        program = greeted(core, Start(1), lead=1000)
        for tick in (999, 1000, 1000 + end - 1, 1000 + end, 1000 + end + 1):
            core.edge(ENCODER, tick, tick % 2 == 1)
        core.edge(INDEX, 1000 + 5, True)
        core.edge(99, 1000 + 5, True)
        core.rows(COUNTS[:, :BLOCK])
        core.rows(COUNTS[:, BLOCK : 2 * BLOCK])
        program.hear(core.send())
        told = [m for m in program.messages if isinstance(m, Samples | Edges)]
        kinds = [m.input if isinstance(m, Edges) else "rows" for m in told]
        assert kinds == ["rows", INDEX, ENCODER, "rows", ENCODER]
        assert not any(
            m.lost for m in edges(program)
        )  # the one before row 0 is none of the capture
        ticks, rising = edges_in(edges(program)[1])
        assert (ticks.tolist(), rising.tolist()) == ([0, end - 1], [False, True])
        assert edges_in(edges(program)[2])[0].tolist() == [end, end + 1]
        (started,) = [m for m in program.messages if isinstance(m, Started)]
        assert started.tick == 1000


def test_edges_lost_are_told_before_the_first_after_them(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        for tick in (10, 20, 30):
            core.edge(ENCODER, tick, True)
        core.edges_lost(ENCODER, 3)
        core.edges_lost(ENCODER, 4)
        core.edge(ENCODER, 40, False)
        core.edge(ENCODER, 35, False)  # time does not go back
        core.edge(ENCODER, 50, False)
        core.edges_lost(ENCODER, 70_000)
        core.rows(COUNTS[:, :BLOCK])
        core.edge(ENCODER, BLOCK * ROW + 1, True)
        core.rows(COUNTS[:, :BLOCK])
        program.hear(core.send())
        assert [(m.count, m.lost) for m in edges(program)] == [(3, 0), (1, 7), (1, 1), (1, 65_535)]
        assert status(core, program, SECOND // 10).edges_lost == 70_008


def test_more_edges_than_can_wait_are_counted_one_by_one(board_main: Path) -> None:
    """Of 600 before the rows, 512 are kept: the first, in order; the rest is told as lost."""
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        for k in range(600):
            core.edge(ENCODER, 10 * k, k % 2 == 0)
        core.rows(COUNTS[:, :BLOCK])
        core.edge(ENCODER, BLOCK * ROW, True)
        core.rows(COUNTS[:, :BLOCK])
        program.hear(core.send())
        assert sum(m.count for m in edges(program)) == 513
        assert [m.lost for m in edges(program)][-1] == 88
        assert all(m.lost == 0 for m in edges(program)[:-1])
        events, _ = program.capture()
        ticks, rising = edges_of(events, "encoder")
        assert ticks[:512].tolist() == list(range(0, 5120, 10))
        assert rising[:512].tolist() == [k % 2 == 0 for k in range(512)]
        assert status(core, program, SECOND // 10).edges_lost == 88


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 2**50), min_size=1, max_size=300))
def test_edges_of_any_distance(board_main: Path, steps: list[int]) -> None:
    """Up to the time that a program takes (two years)."""
    ticks = np.cumsum(np.array(steps, object))
    ticks = ticks[ticks < 2**51]
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        for tick in ticks:
            core.edge(INDEX, int(tick), bool(tick % 3))
        core.rows_lost(2**51 // ROW + 1)
        core.rows(COUNTS[:, :BLOCK])
        program.hear(core.send())
        found = [edges_in(m) for m in edges(program)]
        assert [t for part, _ in found for t in part.tolist()] == ticks.tolist()
        assert [up for _, part in found for up in part.tolist()] == [bool(t % 3) for t in ticks]


def test_what_did_not_fit_is_told_exactly(board_main: Path) -> None:
    """The ring full in mid-capture: what came is what was sampled, the holes are what is missing."""
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        gone, at = 0, 0
        for k in range(300):
            core.edge(ENCODER, at * ROW + 7, k % 2 == 0)
            core.rows(COUNTS[:, at : at + BLOCK])
            at += BLOCK
            if k > 200:
                program.hear(core.send(5000))
        program.say(Stop())
        program.hear(core.send())
        events, capture = program.capture()
        gone = sum(h.end - h.first for h in holes_of(events))
        assert gone > 10_000
        assert counts_of(events).shape[1] + gone == at == capture.rows
        row = 0
        for m in samples(program):
            assert m.first >= row
            row = m.first + m.rows
        came = np.concatenate([np.arange(m.first, m.first + m.rows) for m in samples(program)])
        assert np.array_equal(counts_of(events), COUNTS[:, came])
        lost = sum(m.lost for m in edges(program))
        ticks, rising = edges_of(events, "encoder")
        assert len(ticks) + lost == 300
        assert np.array_equal(ticks % (BLOCK * ROW), np.full(len(ticks), 7))
        assert np.array_equal(rising, ticks // (BLOCK * ROW) % 2 == 0)
        assert program.receiver.counts.missing == program.receiver.counts.refused == 0


def test_room_is_kept_for_answers_and_a_storm_breaks_nothing(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        for _ in range(200):
            core.rows(COUNTS[:, :BLOCK])
        _, used, _ = core.looks()
        assert SIZE - RESERVE - 1100 < used <= SIZE - RESERVE
        program.say(*(Ping(k) for k in range(100)))
        program.hear(core.send())
        pings = [m for m in program.messages if isinstance(m, Reply) and m.command == Ping.CODE]
        assert [m.detail for m in pings] == list(range(100))
        program.say(Stop(), *(Hello(1, 1) for _ in range(2000)))  # far more than fits
        assert core.looks()[1] <= SIZE
        program.hear(core.send())
        program.say(Ping(4711))
        assert isinstance(program.hear(core.send())[-1], Reply)
        assert program.receiver.counts.missing == program.receiver.counts.refused == 0


@pytest.mark.parametrize("command", [Hello, Start, Stop, Ping, Blink, Calibrate, Keep, Restart])
def test_a_command_of_another_length_is_refused_and_not_done(
    board_main: Path, command: type[Message]
) -> None:
    class Wrong(Ping):
        CODE = command.CODE

        def pack(self) -> bytes:
            return b"\1\0\1\0".ljust(self.token, b"\0")[: self.token]

    with Core(board_main) as core:
        program = greeted(core)
        core.events.clear()
        size = command.LAYOUT.size
        lengths = [n for n in (0, size - 1, size + 1, size + 7, 1000) if n >= 0 and n != size]
        program.say(*(Wrong(n) for n in lengths), Ping(1))
        told = program.hear(core.send())
        core.poll()
        outcomes = [m.outcome for m in told if isinstance(m, Reply)]
        assert outcomes == [Outcome.MALFORMED] * len(lengths) + [Outcome.DONE]
        assert len(told) == len(outcomes)
        assert {what for what, _ in core.events} <= {"l"}


def test_frames_that_run_over_the_end_of_the_ring_by_any_number_of_bytes(board_main: Path) -> None:
    rng = np.random.default_rng(8)
    length = SIZE + 1023  # and room for one more frame, ring.h
    over = set()
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        at = program.receiver.counts.bytes
        for _ in range(150):
            turn = at // length
            while at // length == turn:
                left = length - at % length
                if left > 3000:
                    core.rows(COUNTS[:, :BLOCK])
                elif left > 1200:
                    core.rows(COUNTS[:, : int(rng.integers(1, BLOCK))])
                    core.rows_lost(1)
                else:
                    program.say(Ping(1))
                sent = core.send()
                program.hear(sent)
                at += len(sent)
            over.add(at % length)
    assert over >= set(range(1, 27))  # an answer has 29 bytes
    assert program.receiver.counts.missing == program.receiver.counts.refused == 0


def test_a_capture_that_cannot_say_so_does_not_begin(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core)
        program.say(*(Ping(k) for k in range(5000)))
        core.events.clear()
        program.say(Start(1))
        assert not [e for e in core.events if e[0] == "b"]
        program.hear(core.send())
        program.say(Start(1))
        assert [e for e in core.events if e[0] == "b"]


def test_a_line_that_goes_ends_the_capture_and_the_frame_half_sent(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        core.rows(COUNTS[:, : 3 * BLOCK])
        program.hear(core.send(1500))
        core.received(encode(Ping(1), 77)[:9])  # half an order
        core.line_gone()
        assert [e for e in core.events if e[0] == "e"]
        core.rows(COUNTS[:, :BLOCK])  # nobody asked for it
        after = Program(core.received)
        rest = core.send()
        assert rest[0] == 0  # ends what the other side has half of
        after.hear(rest)
        assert after.receiver.counts.refused == after.receiver.counts.missing == 0
        (stopped,) = [m for m in after.messages if isinstance(m, Stopped)]
        assert (stopped.reason, stopped.rows) == (Reason.HOST_GONE, 3 * BLOCK)
        after.say(Start(1), Ping(2))
        after.hear(core.send())
        assert after.replies() == [(0, Outcome.NOT_NOW), (1, Outcome.DONE)]
        # who stayed on the line loses the one frame that was cut
        program.hear(rest)
        assert program.receiver.counts.refused == 1
        assert program.receiver.counts.missing == 1


def test_a_line_that_goes_between_frames_loses_nothing(board_main: Path) -> None:
    with Core(board_main) as core:
        core.init()
        assert core.send(1) == b"\0"
        core.line_gone()
        program = Program(core.received)
        assert isinstance(program.hear(core.send())[0], Begun)
        program.say(Hello(1, 1))
        program.hear(core.send(40))
        core.line_gone()
        core.line_gone()
        assert core.send()[0] == 0


def test_a_stall_begins_after_50_ms_and_the_end_after_2_s(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        core.clock(1000)
        core.poll()
        core.rows(COUNTS[:, :BLOCK])
        for at, ends in ((SECOND // 20, False), (2 * SECOND, True)):
            core.clock(1000 + at - 1)
            core.poll()
            assert ("e", b"") not in core.events
            core.clock(1000 + at)
            core.poll()
            assert (("e", b"") in core.events) == ends
        program.hear(core.send())
        told = [m for m in program.messages if isinstance(m, Status)]
        assert [m.stalls for m in told] == [1]  # told once the 100 ms were over
        assert status(core, program, 4 * SECOND).stalls == 1


def test_who_does_not_read_gets_no_old_news(board_main: Path) -> None:
    with Core(board_main) as core:
        core.init()
        for k in range(1, 5):
            core.clock(k * SECOND)
            core.poll()
        program = Program(core.received)
        assert [type(m) for m in program.hear(core.send())] == [Begun]
        assert status(core, program, 5 * SECOND).state == State.IDLE


def test_failures_of_the_chip_are_told(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core)
        core.faults(begin=17)
        program.say(Start(1), Stop())
        core.faults(store=23)
        program.say(Keep())
        core.faults(load=1)
        program.say(Keep(), Ping(1))
        core.faults()
        program.hear(core.send())
        replies = [m for m in program.messages if isinstance(m, Reply)][1:]
        assert [(m.outcome, m.detail) for m in replies[:3]] == [
            (Outcome.FAILED, 17), (Outcome.DONE, 0), (Outcome.FAILED, 23),
        ]  # fmt: skip
        assert replies[3].outcome == Outcome.FAILED
        assert not program.of(Started)


def test_a_failed_self_check_shows(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core)
        assert status(core, program, SECOND).state == State.IDLE
        core.faults(flags=2)
        told = status(core, program, 2 * SECOND)
        assert (told.state, told.flags) == (State.FAULTY, 2)
        core.faults(flags=4)
        assert status(core, program, 3 * SECOND).state == State.FAULTY
        program.say(Start(1))
        assert status(core, program, 4 * SECOND).state == State.CAPTURING
        core.faults(flags=5)
        assert status(core, program, 5 * SECOND).state == State.FAULTY


def test_restart_waits_until_its_answer_was_taken_but_not_for_ever(board_main: Path) -> None:
    with Core(board_main) as core:
        program = greeted(core, Start(1))
        program.say(Restart(1), Ping(1))
        assert ("e", b"") in core.events
        core.clock(SECOND)
        core.poll()
        assert not [e for e in core.events if e[0] == "r"]
        program.hear(core.send())
        assert program.replies()[-1] == (2, Outcome.DONE)  # Ping after it is not answered
        core.poll()
        core.poll()
        assert core.events.count(("r", b"\1")) == 1
        core.clock(0)
        core.init(Reason.WATCHDOG)
        again = Program(core.received)
        again.say(Hello(1, 1), Restart(0))
        core.clock(2 * SECOND - 1)
        core.poll()
        assert ("r", b"\0") not in core.events
        core.clock(2 * SECOND)
        core.poll()
        assert ("r", b"\0") in core.events
        again.hear(core.send())
        assert [m.reason for m in again.of(Begun) if isinstance(m, Begun)] == [Reason.WATCHDOG]


def test_frames_bear_the_clock_and_a_sequence_without_gaps(board_main: Path) -> None:
    with Core(board_main, serial="0123456789abcdefXYZ") as core:
        program = greeted(core)
        for k in range(1, 40):
            status(core, program, k * SECOND)
        frames = [f for f in program.heard if isinstance(f, Frame)]
        assert [f.sequence for f in frames] == list(range(len(frames)))
        assert [f.clock for f in frames][-39:] == [k * SECOND for k in range(1, 40)]
        (identity,) = [m for m in program.messages if isinstance(m, Identity)]
        assert identity.serial == "0123456789abcde"
        assert identity.calibrated == 0


def test_design_figures(told: Board) -> None:
    """The dividers, 30 kHz of first order (half height: tau ln 2), 500,000 conversions a second."""
    for which, full in (
        ("points_v", 50.0),
        ("current_a", 10.0),
        ("supply_v", 20.0),
        ("contact_v", 2.5),
    ):
        s = told.sampled[Input[which.upper()]]
        assert (s.bits, s.scale, s.zero) == (12, pytest.approx(2 * full / 4096, rel=1e-7), -full)
        assert s.delay_s == pytest.approx(log(2.0) / (2.0 * pi * 30e3), rel=1e-6)
        assert (s.u_delay_s, s.u_gain, s.u_zero) == (0.0, -1.0, -1.0)
    assert [astuple(e) for e in told.edges.values()] == [(INDEX, 1, 0.0), (ENCODER, 1, 0.0)]
    assert [astuple(m) for m in told.modes.values()] == [
        (1, 2, Input.POINTS_V, Input.CURRENT_A, 0, 250, 1, 125.0),
        (2, 3, Input.POINTS_V, Input.CURRENT_A, Input.SUPPLY_V, 375, 1, 125.0),
    ]
    rates = [told.rate_hz(m) for m in told.modes.values()]
    assert rates == [250_000.0, pytest.approx(500_000 / 3)]
    for mode in told.modes.values():
        told.header(mode, simulated=True)  # all that the program asks of a board


def lit(core: Core, begin: int) -> str:
    """What the light shows for two seconds, sixteenth by sixteenth."""
    shown = ""
    for k in range(32):
        core.clock(begin + k * (SECOND // 16))
        core.poll()
        core.send()
        shown += "#" if core.lit else "."
    return shown


def test_the_light_tells_states_apart(board_main: Path) -> None:
    with Core(board_main) as core:
        core.init()
        two = SECOND * 2
        assert lit(core, 0) == "##" + "." * 30
        program = Program(core.received)
        program.say(Hello(1, 1))
        assert lit(core, two) == "#" * 32
        program.say(Start(1))
        assert lit(core, 2 * two) == ("#" * 8 + "." * 8) * 2
        program.say(Stop())
        core.clock(3 * two)
        core.faults(flags=1)
        assert lit(core, 3 * two) == "##..##..##.." + "." * 20
        core.clock(4 * two)
        program.say(Blink(1))
        assert lit(core, 4 * two) == "#." * 8 + "." * 16


@settings(max_examples=150, deadline=None)
@given(
    st.floats(width=32), st.floats(width=32), st.lists(st.floats(width=32), min_size=4, max_size=4)
)
def test_a_calibration_is_taken_where_the_program_would_take_it(
    board_main: Path, scale: float, zero: float, others: list[float]
) -> None:
    """The same line is drawn by ``wire/account.py``; most of these cannot be."""
    with Core(board_main) as core:
        program = greeted(core)
        sense = (0.01, -5.0, [1e-6, 1e-7, 0.001, 0.01])
        for one in range(7):  # each figure alone against sound ones, and all together
            parts = [sense[0], sense[1], *sense[2]]
            drawn = [scale, zero, *others]
            parts = drawn if one == 6 else [*parts[:one], drawn[one], *parts[one + 1 :]]
            told = Calibrate(Input.SUPPLY_V, *parts)
            program.say(told)
            reply = program.hear(core.send())[-1]
            assert isinstance(reply, Reply)
            told = Calibrate.unpack(told.pack())
            try:
                check_sampled(Sampled(told.input, 12, *(getattr(told, f) for f in FIELDS)))
                wanted = Outcome.DONE
            except ValueError:
                wanted = Outcome.MALFORMED
            assert reply.outcome == wanted, told


FIELDS = ("scale", "zero", "delay_s", "u_delay_s", "u_gain", "u_zero")


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("scale", 1e6 / 4095 * 0.999999, 1e6 / 4095 * 1.000001),
        ("scale", -1e-6 / 4095 * 1.000001, -1e-6 / 4095 * 0.999999),
        ("zero", -1e6, -1.0001e6),
        ("delay_s", 0.0099999, 0.0100001),
        ("delay_s", 0.0, -1e-30),
        ("u_delay_s", 0.0099999, 0.0100001),
        ("u_gain", 0.9999, 1.0),
        ("u_gain", -1e30, float("-inf")),
        ("u_zero", 1e6, 1.0001e6),
        ("u_zero", -1e30, float("-inf")),
        ("zero", 0.0, float("nan")),
    ],
)
def test_limits_of_a_calibration(board_main: Path, field: str, good: float, bad: float) -> None:
    sound = Calibrate(Input.CONTACT_V, 0.01, -5.0, 1e-6, 1e-7, 0.001, 0.01)
    with Core(board_main) as core:
        program = greeted(core, replace(sound, **{field: good}), replace(sound, **{field: bad}))
        assert [o for _, o in program.replies()] == [Outcome.DONE, Outcome.DONE, Outcome.MALFORMED]
