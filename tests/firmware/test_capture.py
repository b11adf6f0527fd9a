"""Rows and edges on their way: in any pieces, lost, in order, to the bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.board_program import counts_of, edges_of, holes_of
from breakerbench.wire.messages import (
    Edges,
    Ping,
    Reason,
    Samples,
    Start,
    Started,
    Stop,
    Stopped,
)
from breakerbench.wire.packed import edges_of as edges_in
from firmware.core import Core
from firmware.orders import (
    BLOCK,
    COUNTS,
    ENCODER,
    INDEX,
    ROW,
    SECOND,
    SIZE,
    edges,
    greeted,
    samples,
    status,
)


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
