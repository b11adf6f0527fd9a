"""A board as a source: every way in which it goes away and comes back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest

from breakerbench.errors import BadInput
from breakerbench.sources.line import Found, LineEnded, LineLost, the_board
from breakerbench.sources.port import OTHER_FIGURES, PortSource
from breakerbench.trace import Block, EdgeTimes, Event, Hole
from breakerbench.wire.messages import Edges, Hello, Input, Message, Start, Stop
from breakerbench.wire.packed import samples_message
from sources.boards import BLOCKS, READ_S, ROWS, Clock, FakeBoard, counts_of, gone
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


def test_a_board_that_stops_without_a_word_that_comes_is_begun_again() -> None:
    """It goes on saying its state, so that silence does not tell."""
    clock = Clock()
    port = source(
        FakeBoard(clock, lambda k: "idle" if k == 30 else None), FakeBoard(clock), clock=clock
    )
    _, holes = hold(taken(port, 1.0))
    assert ["no longer captures" in h.reason for h in holes] == [True]


def test_another_board_on_the_old_port_while_ours_has_another() -> None:
    clock = Clock()
    first, other, second = (
        FakeBoard(clock, UNPLUGGED["an exception"]),
        FakeBoard(clock, serial="S2"),
        FakeBoard(clock),
    )
    there = {"old": [first, other], "new": [second]}
    port = PortSource(
        "old",
        opener=lambda name: there[name].pop(0),
        finder=lambda serial: "new" if serial == "S1" else None,
        now=clock.now,
        sleep=clock.sleep,
    )
    _, holes = hold(taken(port, 1.0))
    assert len(holes) == 1
    assert (port.port, other.closed) == ("new", True)


def test_what_was_wrong_with_another_board_is_not_held_against_ours() -> None:
    """Ours is slow to answer: what is known until then is of the other."""
    clock = Clock()
    newer = FakeBoard(clock)
    newer.identity = replace(newer.identity, level=9, least_level=9)
    slow = FakeBoard(clock, lambda k: "silence" if k < 3 else None)
    boards = FakeBoard(clock, UNPLUGGED["an exception"]), newer, slow
    _, holes = hold(taken(source(*boards, clock=clock), 3.0))
    assert len(holes) == 1


def test_a_capture_that_nobody_took_is_not_taken_for_the_new_one() -> None:
    """Its beginning, with the answer to it, still lay in a buffer when the line was opened again."""
    clock = Clock()

    class Buffered(FakeBoard):
        def buffered(self) -> None:
            """Halves of what a line before this one did not take."""
            self.take(Hello(1, 1), 0)
            first, self.waiting = self.waiting, []
            self.take(Start(MODE.mode), 1)
            self.send(samples_message(0, counts_of(7, ROWS)))
            self.take(Stop(), 2)
            self.old, self.waiting = [first, self.waiting], []

        def read(self) -> bytes:
            if self.reads < 2:
                answers, self.waiting = self.waiting, self.old[self.reads]
                data = super().read()
                self.waiting = answers
                return data
            return super().read()

    second = Buffered(clock)
    second.buffered()
    port = source(FakeBoard(clock, UNPLUGGED["an exception"]), second, clock=clock)
    _, holes = hold(taken(port, 1.0))
    assert len(holes) == 1
    assert port.progress()[0] >= 1.0


def test_a_capture_in_another_mode_is_not_taken() -> None:
    clock = Clock()

    class Stubborn(FakeBoard):
        def take(self, message: Message, number: int) -> None:
            super().take(
                replace(message, mode=3) if isinstance(message, Start) else message, number
            )

    with pytest.raises(BadInput, match="beginning of the capture"):
        source(Stubborn(clock), clock=clock)


def test_a_board_that_comes_back_with_other_figures_ends_the_trace() -> None:
    """Its calibration was forgotten at power off: the rows would be read by the old one."""
    clock = Clock()
    other = FakeBoard(clock)
    other.parts[0] = replace(other.parts[0], scale=0.5)  # type: ignore[type-var]
    port = source(FakeBoard(clock, UNPLUGGED["an exception"]), other, clock=clock)
    hold(list(port))
    assert port.ended == OTHER_FIGURES
    assert other.closed


def test_frames_that_were_lost_last_are_told_too() -> None:
    """Nothing came after them but the end of the line."""
    for keep in (True, False):
        clock = Clock()
        first = FakeBoard(
            clock, lambda k: LineLost("gone") if k == 31 else "lost" if k == 30 else None
        )
        port = source(first, FakeBoard(clock), clock=clock, keep=keep)
        _, holes = hold(taken(port, 1.0) if keep else list(port))
        assert sum(h.frames for h in holes) == BLOCKS == port.counts.missing


def test_edges_do_not_go_back_where_the_clock_of_the_board_is_the_faster() -> None:
    """Rows were lost whose edges came, and the board is there again at once."""
    clock = Clock()

    class Ahead(FakeBoard):
        def read(self) -> bytes:
            if self.reads == 28:
                self.send(Edges(Input.INDEX, 1, 0, (self.row + 100_000) * MODE.row_ticks, b"\1"))
            return super().read()

    port = source(
        Ahead(clock, UNPLUGGED["an exception"]), Ahead(clock, UNPLUGGED["an exception"]),
        FakeBoard(clock), clock=clock,
    )  # fmt: skip
    events = taken(port, 2.0)
    hold(events)
    times = [float(e.time_s[0]) for e in events if isinstance(e, EdgeTimes)]
    begins = [
        e.end / port.header.sample_rate_hz for e in events if isinstance(e, Hole) and e.frames == 0
    ]
    assert len(times) == 2
    assert times[0] < begins[-2] <= times[1] <= begins[-1]


def test_recorded_bytes_at_their_end_are_not_waited_for() -> None:
    clock = Clock()
    port = source(
        FakeBoard(clock, lambda k: LineEnded("at their end") if k == 30 else None), clock=clock
    )
    hold(list(port))
    assert port.ended == "at their end"


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


def test_a_board_that_does_not_tell_all_of_itself() -> None:
    clock = Clock()
    board = FakeBoard(clock)
    board.identity = replace(board.identity, sampled=3)
    with pytest.raises(BadInput, match=r"does not tell all of itself.*put the firmware"):
        source(board, clock=clock)


def test_a_board_whose_figures_cannot_be() -> None:
    clock = Clock()
    board = FakeBoard(clock)
    board.parts[0] = replace(board.parts[0], scale=float("nan"))  # type: ignore[type-var]
    with pytest.raises(BadInput, match=r"points_v has a scale of nan.*put the firmware"):
        source(board, clock=clock)


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
