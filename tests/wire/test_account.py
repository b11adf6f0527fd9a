"""What a board tells of itself and what cannot be: each figure alone, and any of them together."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.sources.header_text import decode_header, encode_header
from breakerbench.wire.capture import Board
from breakerbench.wire.frames import encode
from breakerbench.wire.messages import Edge, Hello, Identity, Input, Mode, Outcome, Reply, Sampled
from breakerbench.wire.talk import FIRMWARE, Talk, contradiction
from wire.streams import BOARD, EDGES, IDENTITY, MODE, SAMPLED

NAN, INF = math.nan, math.inf

WRONG: dict[type, list[dict[str, object]]] = {
    Identity: [
        {"clock_hz": 0},
        {"clock_hz": 1},  # more rows than ticks
        {"board": "a\nb"},
        {"serial": "\x1b[2J"},
        {"build": "\x07"},
    ],
    Sampled: [
        {"input": Input.INDEX},
        {"input": 99},
        {"bits": 0},
        {"bits": 13},
        {"bits": 255},
        *({"scale": x} for x in (0.0, NAN, INF, -INF, 1e-30, 1e30)),
        *({"zero": x} for x in (NAN, INF, -INF, 1e30)),
        *({"delay_s": x} for x in (NAN, INF, -INF, -1e-6, 0.02)),
        *({"u_delay_s": x} for x in (NAN, INF, -1e-9, 0.02)),
        *({"u_gain": x} for x in (NAN, INF, -INF, 1.0)),
        *({"u_zero": x} for x in (NAN, INF, -INF, 1e30)),
    ],
    Edge: [
        {"input": Input.POINTS_V},
        {"input": 99},
        {"resolution_ticks": 0},
        *({"delay_s": x} for x in (NAN, INF, -INF, -1e-6, 0.02)),
    ],
    Mode: [
        {"inputs": 0},
        {"inputs": 4},
        {"second": Input.POINTS_V},  # the first once more
        {"second": Input.SPARK},  # not there
        {"second": 99},
        {"inputs": 3, "third": 0},
        {"row_ticks": 0},
        {"row_parts": 0},
        {"row_ticks": 1, "row_parts": 1000},
        {"row_ticks": 4_000_000_000},
        *({"step_ticks": x} for x in (NAN, INF, -INF, -1.0, 250.0)),
    ],
}
RIGHT: dict[type, Identity | Sampled | Edge | Mode] = {
    Identity: IDENTITY, Sampled: SAMPLED[0], Edge: EDGES[0], Mode: MODE,
}  # fmt: skip


def account(*parts: Identity | Sampled | Edge | Mode) -> Talk:
    """What comes of this account and the parts of the usual one that it leaves open."""
    there = {type(part) for part in parts}
    usual = (IDENTITY, SAMPLED[0], SAMPLED[1], EDGES[0], EDGES[1], MODE)
    rest = [u for u in usual if type(u) not in there or u in (SAMPLED[1], EDGES[1])]
    order = (Identity, Sampled, Edge, Mode)
    messages = sorted([*parts, *rest], key=lambda m: order.index(type(m)))
    talk = Talk()
    talk.hello()
    answer = [*messages, Reply(0, Hello.CODE, Outcome.DONE, 0)]
    talk.feed(b"".join(encode(m, k, k) for k, m in enumerate(answer)))
    return talk


def test_the_usual_account_is_taken() -> None:
    assert account().board == BOARD


@pytest.mark.parametrize(("kind", "wrong"), [(kind, w) for kind in WRONG for w in WRONG[kind]])
def test_what_cannot_be_is_refused_with_the_mend(kind: type, wrong: dict[str, object]) -> None:
    talk = account(replace(RIGHT[kind], **wrong))  # type: ignore[type-var]
    assert talk.board is None
    assert talk.problem is not None
    assert talk.problem.endswith(FIRMWARE)
    assert talk.problem.isprintable()


@pytest.mark.parametrize(
    "again",
    [replace(SAMPLED[0], scale=0.5), replace(EDGES[0], delay_s=0.0), replace(MODE, row_ticks=500)],
)
def test_one_thing_told_in_two_ways_is_refused(again: Sampled | Edge | Mode) -> None:
    talk = account(RIGHT[type(again)], again)
    assert talk.board is None
    assert "in two ways" in (talk.problem or "")


def test_one_thing_told_twice_is_taken() -> None:
    """An answer whose Identity was lost comes before the next one."""
    assert account(SAMPLED[0], SAMPLED[0], EDGES[0], EDGES[0], MODE, MODE).board == BOARD


def test_a_header_of_what_cannot_be_is_not_made() -> None:
    """Whoever makes one of a board without a talk is stopped too."""
    for kind, wrongs in WRONG.items():
        for wrong in wrongs:
            part = replace(RIGHT[kind], **wrong)  # type: ignore[type-var]
            board = Board(
                part if kind is Identity else IDENTITY,
                {int(s.input): s for s in ((part if kind is Sampled else SAMPLED[0]), SAMPLED[1])},
                {int(e.input): e for e in ((part if kind is Edge else EDGES[0]), EDGES[1])},
                {},
            )
            with pytest.raises(ValueError, match=r"."):
                board.header(part if kind is Mode else MODE, simulated=True)


def test_too_new_a_board_cannot_steer_the_terminal() -> None:
    talk = account(replace(IDENTITY, level=9, least_level=9, build="\x1b[2J"))
    assert talk.problem is not None
    assert talk.problem.isprintable()


floats = st.one_of(
    st.floats(width=32),
    st.floats(0.0, 0.0078125, width=32),
    st.sampled_from([-1.0, 0.0, 1e-3, 0.5]),
)
small = st.integers(0, 20)
texts = st.text(max_size=4)
identities = st.builds(
    Identity, st.just(1), st.just(1), st.sampled_from([0, 1, 1000, 62_500_000, (1 << 32) - 1]),
    small, st.just(2), st.just(2), st.just(1), texts, texts, texts,
)  # fmt: skip
inputs = st.sampled_from([*Input, 0, 99])
sampled = st.builds(
    Sampled, inputs, st.integers(0, 16), floats, floats, floats, floats, floats, floats
)
edges = st.builds(Edge, inputs, st.integers(0, 65_535), floats)
modes = st.builds(
    Mode, small, st.integers(0, 4), inputs, inputs, inputs,
    st.sampled_from([0, 1, 250, 500, (1 << 32) - 1]), st.sampled_from([0, 1, 3, (1 << 32) - 1]),
    floats,
)  # fmt: skip


@given(
    identities | st.just(IDENTITY),
    st.lists(sampled | st.sampled_from(SAMPLED), max_size=4),
    st.lists(edges | st.sampled_from(EDGES), max_size=2),
    st.lists(modes | st.just(MODE), max_size=2),
)
def test_whatever_is_taken_makes_a_header_that_can_be_recorded(
    identity: Identity, several: list[Sampled], stamped: list[Edge], ways: list[Mode]
) -> None:
    board = Board(
        identity,
        {int(s.input): Sampled.unpack(s.pack()) for s in several},
        {int(e.input): Edge.unpack(e.pack()) for e in stamped},
        {m.mode: Mode.unpack(m.pack()) for m in ways},
    )
    if contradiction(board) is not None:
        return
    for mode in board.modes.values():
        header = board.header(mode, simulated=False)
        assert decode_header(encode_header(header)) == header
