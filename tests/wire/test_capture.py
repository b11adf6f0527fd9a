"""A capture from the wire: nothing wrong accepted, nothing lost but what was damaged, holes for all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from breakerbench.trace import Block, EdgeTimes, Event, Hole
from breakerbench.wire.capture import Capture
from breakerbench.wire.frames import encode
from breakerbench.wire.messages import (
    Begun,
    Edges,
    Input,
    Message,
    Mode,
    Ping,
    Reason,
    Samples,
    Started,
    State,
    Status,
    Stopped,
)
from breakerbench.wire.packed import samples_message
from breakerbench.wire.receive import Anew, Missing, Receiver
from wire.streams import BOARD, CLOCK_HZ, MODE, Made, made

KINDS = (
    "drop",
    "flip",
    "double",
    "swap",
    "truncate",
    "splice",
    "insert",
    "double frame",
    "drop frame",
)


def taken(stream: bytes, cut: int = 0) -> tuple[list[Event], Receiver, Capture]:
    receiver = Receiver()
    capture = Capture(BOARD, MODE, BOARD.header(MODE, simulated=True))
    # One that came before the capture: the first frame missing shows, too.
    parts = [encode(Ping(1), 99, 0), stream[:cut], stream[cut:]]
    received = [each for part in parts for each in receiver.feed(part)] + receiver.end()
    return [event for each in received for event in capture.add(each)], receiver, capture


def hold(events: list[Event], truth: Made) -> int:
    """Asserts that all events are true and no row is passed over in silence; rows that came."""
    row = came = 0
    for event in events:
        if isinstance(event, Block):
            assert event.first == row
            row += len(event)
            came += len(event)
            assert np.array_equal(np.array(event.samples), truth.counts[:, event.first : row])
        elif isinstance(event, Hole):
            assert event.first == row
            assert event.end >= row
            row = event.end
        else:
            assert isinstance(event, EdgeTimes)
            ticks, rising = truth.edges[event.name]
            at = np.searchsorted(ticks, np.rint(event.time_s * CLOCK_HZ).astype(np.int64))
            assert np.array_equal(ticks[at] * (1.0 / CLOCK_HZ), event.time_s)
            assert np.array_equal(rising[at], event.rising)
    return came


def damaged(truth: Made, rng: np.random.Generator) -> tuple[bytes, int, str]:
    """(stream, how many frames may be gone, what was done)."""
    stream = bytearray(truth.stream)
    frames = list(truth.frames)
    kind = KINDS[int(rng.integers(0, len(KINDS)))]
    at = int(rng.integers(0, len(stream)))
    size = int(rng.integers(1, 12))
    k = int(rng.integers(0, len(frames)))
    if kind == "drop":
        del stream[at : at + size]
    elif kind == "flip":
        stream[at] ^= 1 << int(rng.integers(0, 8))
    elif kind == "double":
        stream[at:at] = stream[at : at + size]
    elif kind == "swap":
        other = min(at + size, len(stream) - 1)
        stream[at], stream[other] = stream[other], stream[at]
    elif kind == "truncate":
        return bytes(stream[:at]), truth.stream.count(0, 0, at), kind
    elif kind == "splice":  # a stretch that came before stands here once more, or instead
        begin = int(rng.integers(0, at + 1))
        part = stream[begin : begin + int(rng.integers(1, 300))]
        stream[at : at + (len(part) if rng.integers(0, 2) else 0)] = part
    elif kind == "insert":
        stream[at:at] = rng.integers(0, 256, size, np.uint8).tobytes()
    elif kind == "double frame":
        return b"".join([*frames[: k + 1], *frames[k:]]), 0, kind
    else:
        return b"".join([*frames[:k], *frames[k + 1 :]]), 1, kind
    # What begins or ends within the damage, and the one whose zero byte it took.
    touched = truth.stream.count(0, at, at + (300 if kind == "splice" else size + 1)) + 2
    return bytes(stream), touched, kind


def mutate(seeds: range) -> dict[str, int]:
    counts = dict.fromkeys(KINDS, 0)
    for seed in seeds:
        rng = np.random.default_rng(seed)
        truth = made(rng, blocks=6, rows=8)
        stream, most, kind = damaged(truth, rng)
        counts[kind] += 1
        events, receiver, capture = taken(stream, int(rng.integers(0, len(stream) + 1)))
        came = hold(events, truth)
        got = receiver.counts.frames - 1
        if kind == "truncate":
            assert got == most, seed
            assert capture.ended is None or got == len(truth.frames)
        else:
            assert got >= len(truth.frames) - most, (seed, kind)
            assert came >= truth.counts.shape[1] - 8 * most, (seed, kind)
        assert receiver.counts.doubled <= most + 1 or kind == "splice"
        # Whatever did not come shows, if anything came after it.
        gone = len(truth.frames) - got
        last = truth.frames[-1][:-1] in stream.split(b"\0")
        holes = sum(e.frames for e in events if isinstance(e, Hole))
        if kind != "truncate" and last and capture.ended == "stopped as asked":
            assert holes == gone == receiver.counts.missing, (seed, kind)
    return counts


def test_mutations_of_a_stream() -> None:
    assert min(mutate(range(2000)).values()) > 100


@pytest.mark.sweep
def test_a_hundred_thousand_mutations() -> None:
    print(mutate(range(10_000, 110_000)))


def test_an_undamaged_stream_is_whole() -> None:
    truth = made(np.random.default_rng(1))
    events, receiver, capture = taken(truth.stream)
    assert hold(events, truth) == truth.counts.shape[1]
    assert not [e for e in events if isinstance(e, Hole)]
    for name, (ticks, _) in truth.edges.items():
        found = [e for e in events if isinstance(e, EdgeTimes) and e.name == name]
        assert sum(len(e.time_s) for e in found) == len(ticks)
    assert capture.ended == "stopped as asked"
    assert (receiver.counts.refused, receiver.counts.missing, capture.refused) == (0, 0, 0)
    assert isinstance(capture.status, Status)


def test_edges_come_before_the_block_after_them() -> None:
    truth = made(np.random.default_rng(2))
    events, _, capture = taken(truth.stream)
    rate, reach = capture.header.sample_rate_hz, 0.0
    for event in events:
        if isinstance(event, Block):
            reach = event.first / rate
        elif isinstance(event, EdgeTimes):
            assert event.time_s.min() >= reach


def feed(*messages: object, start: int = 0) -> tuple[list[Event], Capture]:
    stream = b"".join(encode(m, start + k, k) for k, m in enumerate(messages))  # type: ignore[arg-type]
    capture = Capture(BOARD, MODE, BOARD.header(MODE, simulated=True))
    return [e for r in Receiver().feed(stream) for e in capture.add(r)], capture


ROWS = np.zeros((2, 10), np.int16)


def test_rows_that_the_board_could_not_send_are_a_hole() -> None:
    events, _ = feed(
        samples_message(0, ROWS), samples_message(30, ROWS), Stopped(Reason.OVERRUN, 55)
    )
    holes = [e for e in events if isinstance(e, Hole)]
    assert [(h.first, h.end, h.frames) for h in holes] == [(10, 30, 0), (40, 55, 0)]
    assert all("the board could not send" in h.reason for h in holes)


def test_edges_that_the_board_lost_break_the_trace() -> None:
    events, _ = feed(
        samples_message(0, ROWS), Edges(Input.INDEX, 1, 3, 9, b"\1"), samples_message(10, ROWS)
    )
    hole = events[1]
    assert isinstance(hole, Hole)
    assert (hole.first, hole.end, hole.frames) == (10, 10, 0)
    assert isinstance(events[2], EdgeTimes)
    assert isinstance(events[3], Block)


@pytest.mark.parametrize(
    "wrong",
    [
        samples_message(5, ROWS),  # rows that came already
        samples_message(10, ROWS[:1]),  # of another mode
        Samples(10, 10, 2, bytes(29)),
        Edges(Input.SPARK, 1, 0, 9, b"\1"),
        Edges(Input.INDEX, 2, 0, 9, b"\1"),
        Edges(Input.INDEX, 1, 0, 8, b"\1"),  # before those that came already
    ],
)
def test_a_message_that_contradicts_what_came_before_is_refused(wrong: Samples | Edges) -> None:
    good = samples_message(0, ROWS), Edges(Input.INDEX, 1, 0, 9, b"\1")
    events, capture = feed(*good, wrong, samples_message(10, ROWS))
    assert capture.refused == 1
    assert [type(e) for e in events] == [Block, EdgeTimes, Hole, Block]
    hole = events[2]
    assert isinstance(hole, Hole)
    assert (hole.first, hole.end, hole.frames) == (10, 10, 1)


@pytest.mark.parametrize("message", [Begun(Reason.WATCHDOG), Started(2, 0)])
def test_a_board_that_begins_anew_ends_the_capture(message: Begun | Started) -> None:
    events, capture = feed(samples_message(0, ROWS), message, samples_message(10, ROWS))
    assert len(events) == 1
    assert capture.ended is not None
    assert "began" in capture.ended


@pytest.mark.parametrize("state", State)
def test_a_board_that_says_it_does_not_capture_has_ended_it(state: State) -> None:
    """Stopped was lost on the wire; so was the last frame of samples."""
    capture = Capture(BOARD, MODE, BOARD.header(MODE, simulated=True))
    status = Status(state, 0, 0, 0, 0, 0, 0, 5.0, 25.0)
    parts = [encode(samples_message(0, ROWS), 5, 0), encode(status, 8, 1)]
    events = [e for r in Receiver().feed(b"".join(parts)) for e in capture.add(r)]
    assert (capture.ended is None) == (state == State.CAPTURING)
    assert capture.again == (state == State.IDLE)
    assert [e.frames for e in events if isinstance(e, Hole)] == [2] * (state != State.CAPTURING)


@pytest.mark.parametrize(
    "wrong",
    [
        samples_message(1 << 52, ROWS),
        samples_message((1 << 64) - 1, ROWS),
        Edges(Input.INDEX, 1, 0, 1 << 52, b"\1"),
        Stopped(Reason.ASKED, 1 << 63),
    ],
)
def test_a_time_that_cannot_be_is_refused(wrong: Message) -> None:
    """No header of a trace, and no float, counts so far."""
    events, capture = feed(samples_message(0, ROWS), wrong, samples_message(10, ROWS))
    assert not [e for e in events if isinstance(e, EdgeTimes)]
    assert all(e.end <= 10 for e in events if isinstance(e, Hole))
    assert capture.refused == (not isinstance(wrong, Stopped))


def test_a_sequence_or_a_clock_that_goes_back_is_a_board_begun_anew() -> None:
    for sequence, clock in ((5, 900), (501, 3), (5, 3)):
        receiver = Receiver()
        receiver.feed(encode(Ping(1), 500, 600))
        assert isinstance(receiver.feed(encode(Ping(2), sequence, clock))[0], Anew)
        assert receiver.counts.anew == 1


def test_a_board_that_begins_anew_soon_is_not_taken_for_a_frame_that_came_twice() -> None:
    begun, after = encode(Begun(Reason.POWER), 0, 0), encode(Ping(1), 1, 0)
    receiver = Receiver()
    found = receiver.feed(begun + begun + after + begun + after)
    assert [isinstance(f, Anew) for f in found] == [False, False, True, False, False]
    assert (receiver.counts.doubled, receiver.counts.anew) == (1, 1)


def test_the_sequence_runs_over() -> None:
    receiver = Receiver()
    last = (1 << 32) - 1
    found = receiver.feed(b"".join(encode(Ping(k), last + k, k) for k in (0, 1, 4)))
    assert [f.frames for f in found if isinstance(f, Missing)] == [2]
    assert receiver.counts.anew == 0


def test_the_header_is_what_the_board_tells() -> None:
    header = BOARD.header(MODE, simulated=True, encoder_pulses=360, kind="coil")
    assert header.sample_rate_hz == 250e3
    points, current = header.channels
    assert (points.name, points.unit, current.name) == ("points_v", "V", "current_a")
    assert (points.rail_counts, points.u_gain) == ((0, 4095), pytest.approx(0.003))
    assert (current.u_gain, current.u_zero, current.offset_s) == (None, None, 2e-6)
    assert [e.name for e in header.edge_channels] == ["index", "encoder"]
    assert (header.encoder_pulses, header.kind, header.simulated) == (360, "coil", True)
    assert "S1" in header.origin


@pytest.mark.parametrize(
    "wrong",
    [
        {"inputs": 0},
        {"inputs": 4},
        {"row_ticks": 0},
        {"row_parts": 0},
        {"second": Input.SPARK},
        {"second": 99},
    ],
)
def test_a_mode_that_contradicts_the_board_is_refused(wrong: dict[str, int]) -> None:
    mode: Mode = replace(MODE, **wrong)
    with pytest.raises(ValueError, match="samples"):
        BOARD.header(mode, simulated=True)
