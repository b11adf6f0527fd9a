"""A board as a source: every way in which it goes away and comes back."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from breakerbench.errors import BadInput
from breakerbench.sources.line import Found, LineLost, the_board
from breakerbench.sources.port import PortSource
from breakerbench.trace import Block, Event, Hole
from sources.boards import READ_S, ROWS, Clock, FakeBoard, counts_of, gone
from wire.streams import MODE


def source(
    *boards: FakeBoard | Callable[[str], FakeBoard], clock: Clock, **more: object
) -> PortSource:
    """Each opening of the line is the next board."""
    lines: Iterator[object] = iter(boards)

    def opener(port: str) -> FakeBoard:
        line = next(lines)
        return line if isinstance(line, FakeBoard) else line(port)  # type: ignore[operator,no-any-return]

    return PortSource("a port", opener=opener, now=clock.now, sleep=clock.sleep, **more)  # type: ignore[arg-type]


def taken(port: PortSource, seconds: float) -> list[Event]:
    """Events until so much of the trace has come; then it is stopped."""
    events = []
    for event in port:
        events.append(event)
        if port.progress()[0] >= seconds:
            port.stop()
    return events


def hold(events: list[Event], of_each: bool = True) -> tuple[int, list[Hole]]:
    """Asserts that rows go on without a step and hold what the board sampled; (rows, holes)."""
    row, came, begun = 0, 0, 0
    holes = []
    for event in events:
        if isinstance(event, Hole):
            assert event.first == row
            row = event.end
            holes.append(event)
            if "away" in event.reason:
                begun = event.end
        elif isinstance(event, Block):
            assert event.first == row
            row += len(event)
            came += len(event)
            if of_each:
                assert np.array_equal(
                    np.array(event.samples), counts_of(event.first - begun, len(event))
                )
    return came, holes


def test_a_board_is_read_and_stopped() -> None:
    clock = Clock()
    port = source(FakeBoard(clock), clock=clock, kind="run", encoder_pulses=360)
    assert (port.header.simulated, port.header.encoder_pulses) == (True, 360)
    came, holes = hold(taken(port, 0.2))
    assert came >= 0.2 * port.header.sample_rate_hz
    assert not holes
    assert port.ended == "stopped as asked"
    assert port.counts.missing == port.counts.refused == 0


UNPLUGGED = {
    "an exception": lambda k: LineLost("device disconnected") if k == 30 else None,
    "half a frame, then an exception": lambda k: (
        LineLost("gone") if k == 31 else "half a frame" if k == 30 else None
    ),
    "silence": lambda k: "silence" if k >= 30 else None,
}


@pytest.mark.parametrize("how", UNPLUGGED)
def test_unplugged_and_plugged_in_again(how: str) -> None:
    clock = Clock()
    boards = FakeBoard(clock, UNPLUGGED[how]), gone, gone, FakeBoard(clock)
    port = source(*boards, clock=clock)
    rate = port.header.sample_rate_hz
    came, holes = hold(taken(port, 5.0))
    away = [h for h in holes if "away" in h.reason]
    assert len(away) == 1
    # About as long as it was, by this machine's clock: two looks in vain, at the least.
    assert 1.0 - 0.1 < (away[0].end - away[0].first) / rate < 4.0
    assert port.health.lost == 1
    assert boards[0].closed  # type: ignore[union-attr]
    assert came > 0.3 * rate


def test_a_port_that_the_system_renames() -> None:
    clock = Clock()
    first, second = FakeBoard(clock, UNPLUGGED["an exception"]), FakeBoard(clock)
    there = {"old": first, "new": second}

    def opener(port: str) -> FakeBoard:
        if there[port].closed:
            raise BadInput(port, "there is no such port")
        return there[port]

    def finder(serial: str) -> str | None:
        return "new" if serial == "S1" else None

    port = PortSource("old", opener=opener, finder=finder, now=clock.now, sleep=clock.sleep)
    came, holes = hold(taken(port, 1.0))
    assert port.port == "new"
    assert len(holes) == 1
    assert came > 0.5 * port.header.sample_rate_hz


def test_a_board_that_resets_in_mid_capture_is_begun_again() -> None:
    clock = Clock()
    first = FakeBoard(clock, lambda k: "reset" if k == 30 else None)
    port = source(first, FakeBoard(clock), clock=clock)
    _, holes = hold(taken(port, 1.0))
    assert ["began anew" in h.reason for h in holes] == [True]
    assert port.counts.anew == 1


def test_another_board_in_its_place_is_not_taken() -> None:
    clock = Clock()
    boards = (
        FakeBoard(clock, UNPLUGGED["an exception"]),
        FakeBoard(clock, serial="S2"),
        FakeBoard(clock),
    )
    port = source(*boards, clock=clock)
    _, holes = hold(taken(port, 2.0))
    assert len([h for h in holes if "away" in h.reason]) == 1
    assert boards[1].closed


def test_a_board_that_is_not_waited_for_ends_the_trace() -> None:
    clock = Clock()
    port = source(FakeBoard(clock, UNPLUGGED["an exception"]), clock=clock, keep=False)
    came, holes = hold(list(port))
    assert port.ended == "device disconnected"
    assert came > 20 * 4 * ROWS
    assert not holes


def test_stopped_while_the_board_is_away() -> None:
    clock = Clock()

    def last_look(_: str) -> FakeBoard:
        port.stop()
        raise LineLost("no such port")

    port = source(FakeBoard(clock, UNPLUGGED["an exception"]), gone, last_look, clock=clock)
    hold(list(port))
    assert port.ended == "stopped as asked"


def test_the_first_words_may_be_lost() -> None:
    """Silence for a second, then a board that answers the greeting said again."""
    clock = Clock()
    board = FakeBoard(clock, lambda k: "silence" if k < 1.0 / READ_S else None)
    assert source(board, clock=clock).header.channels[0].name == "points_v"


def test_nobody_there() -> None:
    clock = Clock()
    board = FakeBoard(clock, lambda _: "silence")
    with pytest.raises(BadInput, match="nobody answers"):
        source(board, clock=clock)
    assert board.closed
    assert 2.5 < clock.s < 4.0


def test_something_else_there() -> None:
    clock = Clock()

    class Modem(FakeBoard):
        def read(self) -> bytes:
            self.clock.s += READ_S
            return b"NO CARRIER\r\n"

    with pytest.raises(BadInput, match="not a board of ours"):
        source(Modem(clock), clock=clock)


def test_a_mode_that_is_not_there() -> None:
    clock = Clock()
    with pytest.raises(BadInput, match="it has 2"):
        source(FakeBoard(clock), clock=clock, mode=7)
    assert source(FakeBoard(clock), clock=clock, mode=MODE.mode).mode.mode == MODE.mode


OURS = Found("/dev/a", True, "S1", "board")
OTHER = Found("/dev/b", False, "", "modem")


def test_the_one_board_is_found() -> None:
    assert the_board(there=[OTHER, OURS]) == OURS
    second = Found("/dev/c", True, "S2", "board")
    assert the_board("S2", there=[OURS, second]) == second
    with pytest.raises(BadInput, match="name a port"):
        the_board(there=[OURS, second])
    with pytest.raises(BadInput, match="plug it in"):
        the_board(there=[OTHER])
