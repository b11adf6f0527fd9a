"""The shipped image, run in an emulator that knows nothing of it: USB, converter, edges, flash, figures.

The truth is the simulated bench that was on the inputs. No real board stands behind any of this.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.judge.specification import find_specification
from breakerbench.sources.port import PortSource
from breakerbench.trace import Block, EdgeTimes, Hole
from breakerbench.wire.frames import Decoder, encode
from breakerbench.wire.messages import (
    Begun,
    Calibrate,
    Hello,
    Input,
    Keep,
    Message,
    Outcome,
    Reason,
    Reply,
    Restart,
    Sampled,
    Start,
    Started,
    Status,
    Stop,
    Stopped,
)
from cli.command import breakerbench
from firmware.emulator import START_S, Emulated, bench, emulated, truth
from firmware.recordings import analyzed, events_of, write_bench

RATE = 250_000
ROWS = 3 * RATE
FAST = ("--most", "8")
#: What the issue asks of index and encoder.
EDGE_S = 100e-9


def captured(board: Emulated, seconds: float, mode: int = 1) -> tuple[list[Any], PortSource]:
    """Events of so many seconds of capture."""
    source = PortSource(board.port, mode=mode)
    events = []
    with closing(source):
        for event in source:
            assert not source.health.lost, source.health.why_lost
            events.append(event)
            if isinstance(event, Block | Hole) and source.progress()[0] > seconds:
                source.stop()
    return events, source


def gaps_of(events: list[Any]) -> list[tuple[int, int]]:
    """(first row that did not come, next one that did)."""
    blocks = [e for e in events if isinstance(e, Block)]
    return [(a.first + len(a), b.first) for a, b in pairwise(blocks) if a.first + len(a) != b.first]


def held_against_truth(events: list[Any], mode: int = 1) -> int:
    """Every row and edge that came is that of the bench. How many rows there were, lost ones included."""
    blocks = [e for e in events if isinstance(e, Block)]
    end = blocks[-1].first + len(blocks[-1])
    counts, edges = truth(end, mode)
    for b in blocks:
        assert np.array_equal(np.array(b.samples), counts[:, b.first : b.first + len(b)])
    tick_s = 16e-9
    for name, (ticks, rising) in edges.items():
        own = [e for e in events if isinstance(e, EdgeTimes) and e.name == name]
        time_s = np.concatenate([e.time_s for e in own])
        up = np.concatenate([e.rising for e in own])
        if rising.all():  # the bench tells of an encoder what goes up; the pin goes down as well
            time_s = time_s[up]
        at = np.searchsorted(ticks * tick_s, time_s - 0.5e-6)
        late_s = time_s - ticks[at] * tick_s
        assert np.abs(late_s).max() < EDGE_S
        assert np.unique(at).size == at.size
        if not any(isinstance(e, Hole) for e in events):
            missing = ticks[ticks < (end - RATE // 100) * bench(mode).modes[mode].row_ticks].size
            assert at.size >= missing
    return end


class Wire:
    """A program that says what it likes."""

    def __init__(self, board: Emulated) -> None:
        host, _, port = board.port.removeprefix("socket://").partition(":")
        self.line = socket.create_connection((host, int(port)), timeout=START_S)
        self.board, self.decoder, self.sequence = board, Decoder(), 0

    def line_again(self) -> Wire:
        """A new program on the same board."""
        return Wire(self.board)

    def say(self, message: Message) -> int:
        self.line.sendall(encode(message, self.sequence, 0))
        self.sequence += 1
        return self.sequence - 1

    def hear(self, until: Callable[[Message], bool]) -> list[Message]:
        heard: list[Message] = []
        while True:
            data = self.line.recv(65536)
            assert data, "the line was closed"
            for each in self.decoder.feed(data):
                message = getattr(each, "message", None)
                if message is not None:
                    heard.append(message)
            if any(until(m) for m in heard):
                return heard

    def ask(self, message: Message) -> tuple[list[Message], Reply]:
        number = self.say(message)
        heard = self.hear(lambda m: isinstance(m, Reply) and m.to == number)
        return heard, next(m for m in heard if isinstance(m, Reply) and m.to == number)


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Opens a board and a program on it."""
    opened: list[Any] = []

    def give(*options: str) -> Wire:
        context = emulated(tmp_path, RATE // 2, *FAST, *options)
        board = context.__enter__()
        opened.append(context)
        w = Wire(board)
        opened.append(closing(w.line))
        return w

    yield give
    for context in reversed(opened):
        context.__exit__(None, None, None)


def test_the_record_command_gets_the_truth(tmp_path: Path) -> None:
    with emulated(tmp_path, ROWS, *FAST) as board:
        ran = breakerbench(
            "record", "--port", board.port, "--out", "run.bbr", "--seconds", "2.4",
            "--encoder-pulses", "360", "--spec", "four-lobe", folder=tmp_path,
        )  # fmt: skip
        assert ran.status == 0, ran.err
        report = board.report
    events, header = events_of(tmp_path / "run.bbr")
    assert header.simulated  # and every screen and paper says so
    assert not [e for e in events if isinstance(e, Hole)]
    rows = held_against_truth(events)
    assert rows >= 2.4 * RATE
    # the same figures as those of the bench itself, up to how well an edge is stamped
    counts, edges = truth(rows)
    write_bench(tmp_path / "bench.bbr", header, counts, edges)
    spec = find_specification("four-lobe")
    results = [analyzed(tmp_path / name, spec) for name in ("run.bbr", "bench.bbr")]
    ours, theirs = results
    # the verdict: as of the bench itself, and as is true of it: healthy, its dwell and spacing in order
    said = [[(d["what"], d["decision"]) for d in each["decisions"]] for each in results]
    assert said[0] == said[1]
    assert ("dwell.mean_deg", "pass") in said[0]
    assert ("spacing.interval_error_deg", "pass") in said[0]
    assert abs(ours["dwell"]["mean_deg"] - theirs["dwell"]["mean_deg"]) < 0.01
    assert abs(ours["dwell"]["mean_deg"] - 52.0) < 1.0
    # of the chip itself: it had time to spare, and stack
    assert report["busy_captured"] < 0.9
    assert report["stack_free"] > 1024
    assert report["toggles"] == 0


def test_a_gap_set_wrong_fails_by_what_is_true_of_it(tmp_path: Path) -> None:
    fault = "points-gap-narrow"
    with emulated(tmp_path, ROWS, *FAST, fault=fault) as board:
        ran = breakerbench(
            "record", "--port", board.port, "--out", "run.bbr", "--seconds", "2.4", "--json", "run.json",
            "--encoder-pulses", "360", "--spec", "four-lobe", folder=tmp_path,
        )  # fmt: skip
    assert ran.status == 0, ran.err
    result = json.loads((tmp_path / "run.json").read_text())
    cam = bench(fault=fault).benches[1].cam
    assert result["dwell"]["mean_deg"] == pytest.approx(cam.dwell_deg(), abs=0.1)
    assert {d["what"]: d["decision"] for d in result["decisions"]}["dwell.mean_deg"] == "fail"
    assert "FAIL" in ran.out


def test_a_short_stall_of_the_host_costs_nothing(tmp_path: Path) -> None:
    with emulated(tmp_path, ROWS, *FAST, "--do", "capture+0.3:stall:0.1") as board:
        events, source = captured(board, 0.7)
    assert not [e for e in events if isinstance(e, Hole)]
    held_against_truth(events)
    assert source.status is not None
    assert source.status.stalls >= 1


def test_a_long_stall_is_a_hole_exactly_where_it_was(tmp_path: Path) -> None:
    with emulated(tmp_path, ROWS, *FAST, "--do", "capture+0.3:stall:0.5") as board:
        events, source = captured(board, 1.4)
    held_against_truth(events)
    holes = [e for e in events if isinstance(e, Hole)]
    assert holes
    gaps = gaps_of(events)
    assert all(0.25 * RATE < begin < end < 0.85 * RATE for begin, end in gaps)
    assert source.status is not None
    assert source.status.rows_lost == sum(end - begin for begin, end in gaps)


def test_three_inputs_in_turn(tmp_path: Path) -> None:
    with emulated(tmp_path, RATE, *FAST, mode=2) as board:
        events, source = captured(board, 0.5, mode=2)
    assert [c.name for c in source.header.channels] == ["points_v", "current_a", "supply_v"]
    assert not [e for e in events if isinstance(e, Hole)]
    assert held_against_truth(events, mode=2) > 0.5 * RATE / 1.5


#: The processor stands still for longer than the converter's ring holds (33 ms), again and again: so many
#: seconds after row 0, so long. The line carries nothing meanwhile, and must catch up until the next.
STILL_S = 0.05
STILL_AT_S = np.arange(16) * 0.15 + 0.2
#: Where it does so: after so many readings of the converter's ring (filled by channel 0 of the DMA), so
#: that it is in the middle of taking rows; after one of each figure by which the firmware knows how far
#: that is (state and places of both channels, count and timer of the board clock); before the next
#: millisecond is asked for (TIMER_ALARM0).
STILL_WHERE = (
    "dma0", "dma0*2", "dma0*17", "dma0*64", "dma0*100", "dma0*200",
    "5000000c", "50000004", "50000044", "40050094", "40050094*2", "40050094*3", "40050094*4",
    "4005400c", "40054028*2", "=40054010",
)  # fmt: skip


def held_against_losses(events: list[Any], source: PortSource, at_s: np.ndarray) -> None:
    """A hole at each of these times and nowhere else; all that was lost is told, row and edge."""
    end = held_against_truth(events)
    gaps = gaps_of(events)
    holes = [(e.first, e.end) for e in events if isinstance(e, Hole)]
    assert [h for h in holes if h[0] < h[1]] == gaps  # an empty one: edges alone were lost
    assert len(gaps) == len(at_s)
    for (begin, after), time_s in zip(gaps, at_s, strict=True):
        # Up to a turn of the ring later: then its other channel is read.
        assert -0.004 < begin / RATE - time_s < 0.037
        assert 0.015 * RATE < after - begin < STILL_S * RATE
    assert source.status is not None
    assert source.status.flags == 0
    assert source.status.rows_lost == sum(after - begin for begin, after in gaps)
    held_against_lost_edges(events, source, end)


def held_against_lost_edges(events: list[Any], source: PortSource, end: int) -> None:
    """Those that came and those that are told as lost are all there were."""
    assert source.status is not None
    _, edges = truth(end)
    were = edges["index"][0].size + 2 * edges["encoder"][0].size
    came = sum(len(e.time_s) for e in events if isinstance(e, EdgeTimes))
    assert abs(came + source.status.edges_lost - were) <= 2  # where the capture ends


@pytest.mark.parametrize(
    ("at_s", "where"),
    [
        # at every sixteenth of the millisecond in which the firmware goes round once
        (STILL_AT_S + np.arange(16) / 16_000, [""] * 16),
        (STILL_AT_S, [f"@{where}" for where in STILL_WHERE]),
    ],
)
def test_an_overrun_of_the_converters_ring_is_seen(
    tmp_path: Path, at_s: np.ndarray, where: list[str]
) -> None:
    still: list[str] = []
    for time_s, place in zip(at_s, where, strict=True):
        still += ["--do", f"capture+{time_s}:freeze:{STILL_S}{place}"]
    with emulated(tmp_path, ROWS, *FAST, *still) as board:
        events, source = captured(board, 2.7)
    held_against_losses(events, source, at_s)


def test_an_overrun_of_the_edges_ring_is_told(tmp_path: Path) -> None:
    """The processor stands still while it takes edges, for longer than that of the encoder holds.

    An edge that came meanwhile seems 34 s old, from before the capture: the board has been on for longer.
    """
    still = ("--idle", "36", "--do", "capture+1.4:freeze:0.4@dma3*3")
    with emulated(tmp_path, ROWS, *FAST, *still) as board:
        events, source = captured(board, 2.2)
    end = held_against_truth(events)
    assert source.status is not None
    assert source.status.flags == 0
    assert source.status.edges_lost > 2000
    held_against_lost_edges(events, source, end)


def test_no_capture_begins_where_the_processor_stood_still_at_its_start(
    wire: Callable[..., Wire],
) -> None:
    """Between the start of the converter and that of the machines of the edges: which began when?"""
    w = wire("--do", "0:freeze:0.01@=50200000*2")  # PIO0_CTRL, which is written to prepare as well
    w.ask(Hello(1, 1))
    assert w.ask(Start(1))[1].outcome == Outcome.FAILED
    assert w.ask(Start(1))[1].outcome == Outcome.DONE


def test_a_hung_processor_is_restarted_by_the_watchdog(wire: Callable[..., Wire]) -> None:
    w = wire("--stay", "--do", "capture+0.1:freeze:2")
    w.ask(Hello(1, 1))
    w.ask(Start(1))
    with pytest.raises((AssertionError, OSError)):
        w.hear(lambda m: isinstance(m, Begun))
    w.line.close()
    peer = w.line_again()
    heard = peer.hear(lambda m: isinstance(m, Begun))
    assert next(m for m in heard if isinstance(m, Begun)).reason == Reason.WATCHDOG
    peer.line.close()


def test_the_board_is_found_again_after_the_host_reset_it(tmp_path: Path) -> None:
    with emulated(tmp_path, ROWS, *FAST, "--stay", "--do", "capture+0.3:reset:0") as board:
        source = PortSource(board.port, mode=1)
        rows = 0
        with closing(source):
            for event in source:
                rows += len(event) if isinstance(event, Block) else 0
                if rows > 0.6 * RATE:
                    source.stop()
    assert source.health.lost == 1


def test_sleep_of_the_host_ends_a_capture_and_no_more(wire: Callable[..., Wire]) -> None:
    w = wire("--do", "capture+0.2:suspend:0.3")
    w.ask(Hello(1, 1))
    heard, reply = w.ask(Start(1))
    assert reply.outcome == Outcome.DONE
    heard = w.hear(lambda m: isinstance(m, Stopped))
    assert next(m for m in heard if isinstance(m, Stopped)).reason == Reason.HOST_GONE
    assert w.ask(Hello(1, 1))[1].outcome == Outcome.DONE


def test_commands_that_make_no_sense_do_no_harm(wire: Callable[..., Wire]) -> None:
    w = wire()
    rng = np.random.default_rng(5)
    for _ in range(20):
        w.line.sendall(rng.integers(0, 256, 200, np.uint8).tobytes())
    w.line.sendall(b"\0")
    assert w.ask(Hello(1, 1))[1].outcome == Outcome.DONE
    assert w.ask(Stop())[1].outcome == Outcome.DONE
    assert w.ask(Start(77))[1].outcome == Outcome.MALFORMED
    heard = w.hear(lambda m: isinstance(m, Status))
    assert [m for m in heard if isinstance(m, Status)][-1].frames_refused > 0


def kept(w: Wire, *zeros: float) -> float:
    """Keeps these zeros of the points in turn, each in the copy after that. The design's zero."""
    told, reply = w.ask(Hello(1, 1))
    assert reply.outcome == Outcome.DONE
    for zero in zeros:
        figures = Calibrate(int(Input.POINTS_V), 0.025, zero, 1e-6, 1e-7, 0.01, 0.1)
        assert w.ask(figures)[1].outcome == Outcome.DONE
        assert w.ask(Keep())[1].outcome == Outcome.DONE
    return zero_of(told)


def zero_of(told: list[Message]) -> float:
    """The zero of the points that a board told."""
    return next(m for m in told if isinstance(m, Sampled) and m.input == Input.POINTS_V).zero


def restarted(w: Wire) -> tuple[float, int]:
    """The zero of the points, and Status.flags, after a restart of the board."""
    assert w.ask(Restart(0))[1].outcome == Outcome.DONE
    with pytest.raises((AssertionError, OSError)):  # the board goes away and comes back
        w.hear(lambda m: isinstance(m, Started))
    w.line.close()
    peer = w.line_again()
    with closing(peer.line):
        heard = peer.hear(lambda m: isinstance(m, Begun))
        assert next(m for m in heard if isinstance(m, Begun)).reason == Reason.ASKED
        told, _ = peer.ask(Hello(1, 1))
        heard = peer.hear(lambda m: isinstance(m, Status))
    return zero_of(told), next(m for m in heard if isinstance(m, Status)).flags


FLASH = 1 << 2


def test_calibration_lives_in_flash(wire: Callable[..., Wire]) -> None:
    w = wire("--stay")
    kept(w, -47.0, -48.0, -49.0)  # each of the two copies is erased and written anew in turn
    assert restarted(w) == (-49.0, 0)


@pytest.mark.parametrize("what", ["spoil:1", "flip:1.0", "flip:1.150", "flip:1.2047"])
def test_of_a_damaged_newer_copy_the_older_figures_are_in_force(
    wire: Callable[..., Wire], what: str
) -> None:
    """The whole sector of the second copy; one bit of its magic, of a figure, of its CRC."""
    w = wire("--stay", "--do", f"restart:{what}")
    kept(w, -48.0, -49.0)
    assert restarted(w) == (-48.0, FLASH)


def test_of_one_copy_with_a_flipped_bit_the_figures_of_the_design_are_in_force(
    wire: Callable[..., Wire],
) -> None:
    w = wire("--stay", "--do", "restart:flip:0.150")
    design = kept(w, -49.0)
    assert restarted(w) == (design, FLASH)
    assert design != -49.0


def test_a_damaged_older_copy_shows_and_changes_no_figure(wire: Callable[..., Wire]) -> None:
    w = wire("--stay", "--do", "restart:spoil:0")
    kept(w, -48.0, -49.0)
    assert restarted(w) == (-49.0, FLASH)
