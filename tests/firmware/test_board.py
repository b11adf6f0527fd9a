"""What the simulated board does not do: losses of the chip, a line that goes, failures, the light."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.board_program import Program
from breakerbench.wire.frames import Frame, encode
from breakerbench.wire.messages import (
    Begun,
    Blink,
    Calibrate,
    Hello,
    Identity,
    Keep,
    Message,
    Outcome,
    Ping,
    Reason,
    Reply,
    Restart,
    Start,
    Started,
    State,
    Status,
    Stop,
    Stopped,
)
from firmware.core import Core
from firmware.orders import (
    BLOCK,
    COUNTS,
    RESERVE,
    SECOND,
    SIZE,
    greeted,
    status,
)


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
