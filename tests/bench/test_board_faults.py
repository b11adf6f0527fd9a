"""Faults of the simulated board: each shows as the hole, count or reason that it should."""

from __future__ import annotations

import numpy as np
import pytest

from bench.board_program import Program, begun, bench, counts_of, edges_of, holes_of
from breakerbench.bench import simulate
from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_faults import CONTRADICTIONS, BoardFaults, faults_of
from breakerbench.errors import BadInput
from breakerbench.trace import Block, Event
from breakerbench.wire.capture import Capture
from breakerbench.wire.messages import (
    Begun,
    Edges,
    Hello,
    Identity,
    Outcome,
    Ping,
    Reason,
    Reply,
    Start,
    Status,
    Stop,
    Stopped,
)

TRUTH = counts_of(list(simulate(bench(), 7)))


def ran(faults: BoardFaults, seconds: float = 0.9) -> tuple[Program, list[Event], Capture]:
    """A capture of mode 1, stopped at its end; every row that came is true."""
    board = SimulatedBoard(bench(), 7, faults)
    program = begun(board)
    for k in range(1, 46):
        program.hear(board.give(k / 45 * seconds))
    program.say(Stop())
    program.hear(board.give(seconds + 0.2))
    events, capture = program.capture()
    row = 0
    for event in events:
        if isinstance(event, Block):
            assert event.first == row
            row += len(event)
            assert np.array_equal(np.array(event.samples), TRUTH[:, event.first : row])
        elif event in holes_of(events):
            row = event.end  # type: ignore[union-attr]
    return program, events, capture


@pytest.mark.parametrize("what", ["bytes_dropped", "bytes_flipped", "bytes_doubled"])
def test_damaged_bytes_cost_their_frames_and_no_more(what: str) -> None:
    program, events, _ = ran(BoardFaults(**{what: 2e-5}, seed=5))  # type: ignore[arg-type]
    counts = program.receiver.counts
    # some 15 of 750,000 bytes: each costs the frame it is in, or two, where it is the zero between
    assert 4 <= counts.refused <= 40
    assert counts.missing >= counts.refused - 4
    assert counts.missing <= 2 * counts.refused
    holes = holes_of(events)
    assert sum(h.frames for h in holes) == counts.missing
    assert 0 < sum(h.end - h.first for h in holes) <= 320 * counts.missing


def test_dropped_frames_are_missing_and_none_is_refused() -> None:
    program, events, _ = ran(BoardFaults(frames_dropped=0.02, seed=1))
    counts = program.receiver.counts
    assert counts.refused == 0
    assert 0.01 < counts.missing / (counts.frames + counts.missing) < 0.03
    assert sum(h.frames for h in holes_of(events)) == counts.missing


def test_a_stall_within_the_buffer_costs_nothing() -> None:
    program, events, _ = ran(BoardFaults(stalls=((0.3, 0.15),)))
    assert not holes_of(events)
    assert [m.stalls for m in program.of(Status) if isinstance(m, Status)][-1] == 1


def test_a_longer_stall_loses_the_rows_that_the_buffer_does_not_hold() -> None:
    program, events, capture = ran(BoardFaults(stalls=((0.3, 0.5),)))
    (hole,) = [h for h in holes_of(events) if h.end > h.first]
    status = capture.status
    assert status is not None
    assert (status.rows_lost, status.stalls) == (hole.end - hole.first, 1)
    assert status.edges_lost > 0
    # 0.5 s less what 160,000 bytes hold: some 0.19 s of two channels with their edges
    assert 0.28 < (hole.end - hole.first) / 250e3 < 0.34
    assert 0.3 < hole.first / 250e3 < 0.51
    assert "could not send" in hole.reason
    assert hole.frames == program.receiver.counts.missing == 0
    told = [m.lost for m in program.of(Edges) if isinstance(m, Edges) and m.lost]
    assert sum(told) == status.edges_lost


def test_a_program_that_takes_nothing_for_long_ends_the_capture_and_the_board_never_grows() -> None:
    board = SimulatedBoard(bench(), 7)
    program = begun(board)
    for k in range(300):
        assert board.give(0.01 * k, 0) == b""
    waiting = board.give(3.0)
    assert 150_000 < len(waiting) < 170_000
    program.hear(waiting)
    (stopped,) = program.of(Stopped)
    assert isinstance(stopped, Stopped)
    assert stopped.reason == Reason.HOST_GONE
    assert 1.9 < stopped.rows / 250e3 < 2.1
    _, capture = program.capture()
    assert capture.ended is not None
    assert "nobody took" in capture.ended


def test_a_slow_program_loses_rows_and_what_comes_is_true() -> None:
    board = SimulatedBoard(bench(), 7)
    program = begun(board)
    for k in range(1, 90):
        program.hear(board.give(0.01 * k, 4000))  # 400 kB/s of some 800
    program.hear(board.give(0.9))
    events, capture = program.capture()
    assert program.receiver.counts.refused == program.receiver.counts.missing == 0
    for event in events:
        if isinstance(event, Block):
            there = slice(event.first, event.first + len(event))
            assert np.array_equal(np.array(event.samples), TRUTH[:, there])
    assert capture.status is not None
    assert 0.2 < capture.status.rows_lost / capture.status.rows < 0.5


def test_a_reset_ends_the_capture_and_begins_anew() -> None:
    program, _, capture = ran(BoardFaults(resets_s=(0.4,)))
    assert capture.ended == "the board began anew"
    assert 0.39 < capture.rows / 250e3 < 0.401
    assert program.receiver.counts.anew == 1
    assert [m.reason for m in program.of(Begun) if isinstance(m, Begun)] == [0 + Reason.POWER, 2]
    # it wants to be greeted again, and then goes on
    assert program.replies()[-1][1] == Outcome.NOT_NOW


def test_a_reset_with_a_frame_cut_short_is_still_heard() -> None:
    board = SimulatedBoard(bench(), 7, BoardFaults(resets_s=(0.1,)))
    program = begun(board)
    program.hear(board.give(0.0999, 3001))  # in the midst of a frame
    program.hear(board.give(0.15, 0))
    program.hear(board.give(0.2))
    assert program.receiver.counts.refused == 1
    assert isinstance(program.messages[-1], Begun)
    program.say(Hello(1, 1), Start(1))
    program.hear(board.give(0.5))
    events, capture = program.capture()
    assert capture.ended is None
    assert not holes_of(events)
    assert capture.rows > 70_000


def test_silence() -> None:
    board = SimulatedBoard(bench(), 7, BoardFaults(silent_s=0.2))
    program = begun(board)
    program.hear(board.give(0.3))
    program.say(Ping(1), Hello(1, 1))
    assert board.give(9.0) == b""
    _, capture = program.capture()
    assert 0.19 < capture.rows / 250e3 <= 0.2


@pytest.mark.parametrize(("said", "ok"), [((1, 1), False), ((9, 9), True), ((12, 3), True)])
def test_a_level_that_does_not_fit_is_refused_and_told(said: tuple[int, int], ok: bool) -> None:
    board = SimulatedBoard(bench(), 7, BoardFaults(levels=(9, 8)))
    program = Program(board.take)
    program.say(Hello(*said), Start(1))
    program.hear(board.give(0.0))
    (identity,) = program.of(Identity)
    assert isinstance(identity, Identity)
    assert (identity.level, identity.least_level) == (9, 8)
    first, second = program.replies()
    if ok:
        assert (first[1], second[1]) == (Outcome.DONE, Outcome.DONE)
    else:
        assert (first[1], second[1]) == (Outcome.LEVEL, Outcome.NOT_NOW)
        assert [m.detail for m in program.of(Reply) if isinstance(m, Reply)] == [9, 0]


@pytest.mark.parametrize("what", CONTRADICTIONS)
def test_a_board_that_contradicts_itself(what: str) -> None:
    board = SimulatedBoard(bench(), 7, BoardFaults(contradiction=what))
    program = Program(board.take)
    program.say(Hello(1, 1))
    program.hear(board.give(0.0))
    told = program.board()
    if what == "too few inputs":
        assert told.identity.sampled == len(told.sampled) + 1
    else:
        with pytest.raises((ValueError, ZeroDivisionError)):
            told.header(told.modes[1], simulated=True)


def test_lost_edges_are_told_and_break_the_trace() -> None:
    program, events, capture = ran(BoardFaults(edges_lost=((0.2, 3), (0.5, 40))))
    ticks, _ = edges_of(list(simulate(bench(), 7)), "encoder")
    came, _ = edges_of(events, "encoder")
    lost = np.setdiff1d(ticks[ticks <= came[-1]], came)
    at = np.searchsorted(ticks, [0.2 * 62.5e6, 0.5 * 62.5e6])
    assert np.array_equal(lost, np.concatenate((ticks[at[0] :][:3], ticks[at[1] :][:40])))
    assert [m.lost for m in program.of(Edges) if isinstance(m, Edges) and m.lost] == [3, 40]
    assert capture.status is not None
    assert capture.status.edges_lost == 43
    assert [(h.end - h.first, "edges" in h.reason) for h in holes_of(events)] == [(0, True)] * 2


def test_faults_as_people_write_them() -> None:
    texts = ["bytes-flipped=1e-4", "stall=2:0.5", "stall=4:1", "reset=3", "silent=9", "level=7"]
    texts += ["edges-lost=2:30", "contradiction=no-rows", "frames-dropped=0.1"]
    assert faults_of(texts, 4) == BoardFaults(
        bytes_flipped=1e-4, frames_dropped=0.1, stalls=((2.0, 0.5), (4.0, 1.0)), resets_s=(3.0,),
        silent_s=9.0, levels=(7, 7), contradiction="no rows", edges_lost=((2.0, 30),), seed=4,
    )  # fmt: skip


@pytest.mark.parametrize(
    "text",
    ["", "nonsense", "stall=x", "stall=-1:2", "bytes-dropped=2", "level=-1", "contradiction=x",
     "edges-lost=1:0", "reset=nan", "bytes-flipped=nan"],
)  # fmt: skip
def test_faults_that_cannot_be_are_one_line(text: str) -> None:
    with pytest.raises(BadInput, match="board fault"):
        faults_of([text])
