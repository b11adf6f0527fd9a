"""The handshake and the answers, by a board made of a list of messages."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.wire.frames import Decoder, Frame, encode
from breakerbench.wire.messages import (
    LEVEL,
    Begun,
    Hello,
    Identity,
    Message,
    Outcome,
    Ping,
    Reason,
    Reply,
    Start,
    Status,
)
from breakerbench.wire.talk import Talk
from wire.streams import BOARD, IDENTITY, MODE


def greeting(identity: Identity = IDENTITY, mode: object = MODE) -> list[Message]:
    parts = [*BOARD.sampled.values(), *BOARD.edges.values(), mode]
    return [identity, *parts, Reply(0, Hello.CODE, Outcome.DONE, 0)]  # type: ignore[list-item]


def talked(messages: list[Message], start: int = 50) -> Talk:
    talk = Talk()
    talk.hello()
    talk.feed(b"".join(encode(m, start + k, k) for k, m in enumerate(messages)))
    return talk


def test_hello_is_a_frame_of_its_own_after_anything() -> None:
    found = Decoder().feed(b"half a frame" + Talk().hello())
    assert isinstance(found[-1], Frame)
    assert found[-1].message == Hello(LEVEL, 1)


def test_a_board_tells_who_it_is() -> None:
    talk = talked(greeting())
    assert talk.board == BOARD
    assert talk.problem is None


@given(st.permutations(range(5)), st.data())
def test_in_any_order_and_split_anyhow(order: list[int], data: st.DataObject) -> None:
    whole = greeting()
    messages = [whole[0], *(whole[1 + k] for k in order), *whole[6:]]
    stream = b"".join(encode(m, k, k) for k, m in enumerate(messages))
    talk = Talk()
    talk.hello()
    cut = data.draw(st.integers(0, len(stream)))
    talk.feed(stream[:cut])
    talk.feed(stream[cut:])
    assert talk.board == BOARD


@pytest.mark.parametrize("left_out", range(7))
def test_nothing_is_begun_before_all_is_told(left_out: int) -> None:
    messages = greeting()
    del messages[left_out]
    talk = talked(messages)
    assert (talk.board, talk.problem) == (None, None)


def test_what_was_left_running_does_not_hinder() -> None:
    status = Status(1, 0, 5, 0, 0, 0, 0, 5.0, 25.0)
    assert talked([status, *greeting(), status]).board == BOARD


@pytest.mark.parametrize(
    ("wrong", "mend"),
    [
        ({"level": LEVEL + 3, "least_level": LEVEL + 1}, "get a newer version of this program"),
        ({"level": 0, "least_level": 0}, "put the firmware on the board"),
        ({"clock_hz": 0}, "put the firmware on the board"),
    ],
)
def test_a_board_that_does_not_fit_names_the_mend(wrong: dict[str, int], mend: str) -> None:
    talk = talked(greeting(replace(IDENTITY, **wrong)))
    assert talk.board is None
    assert talk.problem is not None
    assert mend in talk.problem


def test_a_newer_board_that_still_speaks_ours_is_taken() -> None:
    assert talked(greeting(replace(IDENTITY, level=LEVEL + 5))).board is not None


@pytest.mark.parametrize("wrong", [{"second": 99}, {"second": 16}, {"inputs": 0}, {"row_ticks": 0}])
def test_a_board_that_contradicts_itself_is_refused(wrong: dict[str, int]) -> None:
    talk = talked(greeting(mode=replace(MODE, **wrong)))
    assert talk.board is None
    assert "contradicts itself" in (talk.problem or "")


def test_a_board_with_no_level_in_common_says_so() -> None:
    talk = talked([Reply(0, Hello.CODE, Outcome.LEVEL, 0)])
    assert "no protocol level in common" in (talk.problem or "")


@pytest.mark.parametrize("outcome", [*Outcome, 77])
def test_every_command_has_its_answer(outcome: int) -> None:
    talk = talked(greeting())
    number, data = talk.command(Start(2))
    assert number == 1
    (frame,) = Decoder().feed(data)
    assert isinstance(frame, Frame)
    assert (frame.sequence, frame.message) == (1, Start(2))
    assert talk.answer(number) is None
    talk.feed(encode(Reply(1, Start.CODE, outcome, 0), 90, 90))
    assert (talk.answer(number) == "") is (outcome == Outcome.DONE)


def test_an_answer_to_the_greeting_before_the_last_is_one() -> None:
    """A line slower than the greeting is said again: else it would never be answered in time."""
    talk = Talk()
    talk.hello()
    talk.hello()
    talk.feed(b"".join(encode(m, k, k) for k, m in enumerate(greeting())))
    assert talk.board == BOARD


def test_an_answer_to_a_connection_before_is_none() -> None:
    talk = Talk(first=7)
    talk.hello()
    talk.feed(b"".join(encode(m, k, k) for k, m in enumerate(greeting())))
    assert talk.board is None


def test_a_board_begun_anew_has_to_be_greeted_anew() -> None:
    talk = talked(greeting())
    number, _ = talk.command(Ping(1))
    talk.feed(encode(Begun(Reason.POWER), 0, 0) + encode(Reply(number, Ping.CODE, 0, 1), 1, 1))
    assert talk.board is None
    assert talk.counts.anew == 1
    hello = talk.hello()
    (frame,) = Decoder().feed(hello)
    assert isinstance(frame, Frame)
    messages = greeting()
    messages[-1] = Reply(frame.sequence, Hello.CODE, Outcome.DONE, 0)
    talk.feed(b"".join(encode(m, 2 + k, 2 + k) for k, m in enumerate(messages)))
    assert talk.board == BOARD
