"""Damage anywhere in a recording: what is read is what was written, the rest is told as lost."""

from __future__ import annotations

import json
import random
import struct
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.sources import container, recording
from breakerbench.sources.container import (
    BLOCK_HEADER,
    FILE_HEADER,
    MAGIC,
    MARKER,
    BlockHeader,
    crc32c,
)
from breakerbench.sources.recording import RecordingSource, write_recording
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header, Hole

from .traces import TICK_S, ListSource, made_trace, same, whole

# Slow enough that a short file has many blocks: 10 kS/s, 6,000 samples in a block.
HEADER = Header(
    10e3,
    (Channel("points_v", "V"), Channel("current_a", "A")),
    (EdgeChannel("index", TICK_S), EdgeChannel("encoder", TICK_S)),
)
EVENTS = made_trace(4.0, block=700, header=HEADER)
TRUTH = whole(HEADER, EVENTS)

many = settings(
    max_examples=70, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("good") / "good.bbr"
    write_recording(path, ListSource(HEADER, EVENTS))
    return path.read_bytes()


def blocks_of(data: bytes) -> list[tuple[int, int]]:
    """Begin and end of every block of a sound file."""
    _, _, _, length = FILE_HEADER.unpack_from(data)
    at = FILE_HEADER.size + length + 4
    found = []
    while at < len(data):
        end = at + BLOCK_HEADER.size + BLOCK_HEADER.unpack_from(data, at)[1]
        found.append((at, end))
        at = end
    return found


def read(path: Path, data: bytes) -> list[Event] | BadInput:
    """What is read of these bytes; every message is checked to be one line naming the file."""
    path.write_bytes(data)
    try:
        with RecordingSource(path) as source:
            assert source.header == HEADER
            return list(source)
    except BadInput as error:
        fault = error
    assert str(fault).startswith(str(path))
    assert "\n" not in str(fault)
    assert fault.mend
    return fault


def hold(events: list[Event]) -> None:
    """Nothing is read that was not written; beside samples that are there, all edges are."""
    got = whole(HEADER, events)
    assert got.end <= TRUTH.end
    for mine, true in zip(got.samples, TRUTH.samples, strict=True):
        present = ~np.isnan(mine)
        np.testing.assert_array_equal(mine[present], true[: got.end][present])
    for name, edges in got.edges.items():
        true = TRUTH.edges[name]
        found = set(edges)
        assert found <= set(true)
        place = (np.array([t for t, _ in true]) * HEADER.sample_rate_hz).astype(int)
        beside = place < got.end
        beside[beside] = ~np.isnan(got.samples[0][place[beside]])
        assert found >= {edge for edge, is_beside in zip(true, beside, strict=True) if is_beside}


def test_undamaged(tmp_path: Path, good: bytes) -> None:
    events = read(tmp_path / "a.bbr", good)
    assert isinstance(events, list)
    same(whole(HEADER, events), TRUTH)
    assert len(blocks_of(good)) == 8
    hold(events)


def test_cut_anywhere(tmp_path: Path, good: bytes) -> None:
    """At every byte of the headers and around every border, and at some bytes of the payloads."""
    places = set(range(0, len(good), 4999))
    borders = [place for pair in blocks_of(good) for place in pair]
    data_begins = borders[0]
    for border in (0, data_begins, *borders[5:7], *borders[-2:]):
        places |= set(range(max(0, border - 2), min(len(good), border + 42)))
    for place in sorted(places):
        got = read(tmp_path / "a.bbr", good[:place])
        if place < data_begins:
            assert isinstance(got, BadInput)
            continue
        assert isinstance(got, list)
        hold(got)
        last = got[-1]
        assert isinstance(last, Hole)
        assert last.reason == "the file was cut short"
        whole_blocks = [b for b in blocks_of(good) if b[1] <= place]
        end = whole(HEADER, got[:-1]).end
        assert end == min(TRUTH.end, 6000 * len(whole_blocks))
        if place - max([data_begins, *(b[1] for b in whole_blocks)]) >= BLOCK_HEADER.size:
            assert last.end == min(TRUTH.end, end + 6000)  # its header says what is missing
            assert last.frames == 1


@many
@given(data=st.data())
def test_bits_flipped_anywhere(tmp_path: Path, good: bytes, data: st.DataObject) -> None:
    damaged = bytearray(good)
    for _ in range(data.draw(st.integers(1, 4))):
        border = data.draw(st.sampled_from([0, *(b for b, _ in blocks_of(good))]))
        place = data.draw(st.one_of(st.integers(0, 45).map(border.__add__), st.integers(0)))
        damaged[place % len(damaged)] ^= 1 << data.draw(st.integers(0, 7))
    got = read(tmp_path / "a.bbr", bytes(damaged))
    if isinstance(got, list):
        hold(got)
        if bytes(damaged) != good:
            assert any(isinstance(e, Hole) for e in got)


@many
@given(data=st.data())
def test_bytes_dropped_put_in_or_overwritten(
    tmp_path: Path, good: bytes, data: st.DataObject
) -> None:
    begin = blocks_of(good)[0][0]
    damaged = good
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(begin, len(good)))
        junk = data.draw(st.one_of(st.binary(max_size=60), st.just(MARKER), st.just(good[:300])))
        drop = data.draw(st.one_of(st.integers(0, 60), st.integers(0, 40_000), st.just(len(junk))))
        damaged = damaged[:place] + junk + damaged[place + drop :]
    got = read(tmp_path / "a.bbr", damaged)
    assert isinstance(got, list)
    hold(got)


@many
@given(order=st.lists(st.integers(0, 7), max_size=12))
def test_blocks_missing_swapped_or_doubled(tmp_path: Path, good: bytes, order: list[int]) -> None:
    places = blocks_of(good)
    data = good[: places[0][0]] + b"".join(good[slice(*places[n])] for n in order)
    got = read(tmp_path / "a.bbr", data)
    assert isinstance(got, list)
    hold(got)
    if order[:8] == list(range(8)):
        same(whole(HEADER, got), TRUTH)
    else:
        assert any(isinstance(e, Hole) for e in got)


def test_a_lost_block_is_one_hole_where_it_was(tmp_path: Path, good: bytes) -> None:
    places = blocks_of(good)
    for n, (begin, end) in enumerate(places[:-1]):
        damaged = bytearray(good)
        damaged[end - 1] ^= 1
        got = read(tmp_path / "a.bbr", bytes(damaged))
        assert isinstance(got, list)
        hold(got)
        holes = [e for e in got if isinstance(e, Hole)]
        last = min(TRUTH.end, 6000 * (n + 1))
        assert holes == [Hole(6000 * n, last, 1, "blocks of the file are damaged")], begin


@pytest.mark.parametrize("dropped", [-50, -1, 1, 39, 40, 41, 5000])
def test_bytes_dropped_from_a_block_cost_that_block_alone(
    tmp_path: Path, good: bytes, dropped: int
) -> None:
    """Also where so many are missing that the next header lies before the end that was stated."""
    begin, end = blocks_of(good)[2]
    place = (begin + end) // 2
    damaged = good[:place] + bytes(max(0, -dropped)) + good[place + max(0, dropped) :]
    got = read(tmp_path / "a.bbr", damaged)
    assert isinstance(got, list)
    hold(got)
    holes = [e for e in got if isinstance(e, Hole)]
    assert holes == [Hole(12_000, 18_000, 1, "blocks of the file are damaged")]


@pytest.mark.parametrize("junk", range(0, 130, 5))
def test_junk_between_blocks_costs_nothing(
    tmp_path: Path, good: bytes, junk: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The marker is found wherever it lies across the windows of the search."""
    monkeypatch.setattr(recording, "_SEARCH_BYTES", 64)
    begin, _ = blocks_of(good)[3]
    got = read(tmp_path / "a.bbr", good[:begin] + bytes(junk) + good[begin:])
    assert isinstance(got, list)
    same(whole(HEADER, got), TRUTH)


def test_blocks_of_another_recording_are_not_taken(tmp_path: Path, good: bytes) -> None:
    """After a crash a disk may hold blocks of an older file where this one was cut."""
    other = tmp_path / "other.bbr"
    header = replace(HEADER, origin="another")
    write_recording(other, ListSource(header, made_trace(2.0, seed=9, block=700, header=header)))
    foreign = other.read_bytes()
    mine, theirs = blocks_of(good), blocks_of(foreign)
    got = read(tmp_path / "a.bbr", good[: mine[3][1]] + foreign[theirs[4][0] :])
    assert isinstance(got, list)
    hold(got)
    assert whole(HEADER, got).end == 24_000


# Files made on purpose: every CRC right, the content not.


def file_with(*blocks: tuple[int, int, int, int, bytes], header: bytes | None = None) -> bytes:
    """A file of blocks (type, sequence, count, clock, payload), each with right CRCs."""
    if header is None:
        text = {
            "sample_rate_hz": 10e3,
            "channels": [{"name": "points_v", "unit": "V"}, {"name": "current_a", "unit": "A"}],
            "edge_channels": [
                {"name": "index", "resolution_s": TICK_S},
                {"name": "encoder", "resolution_s": TICK_S},
            ],
        }
        header = json.dumps(text).encode()
    data, stamp = container.pack_file_header(header)
    for kind, sequence, count, clock, payload in blocks:
        block = BlockHeader(len(payload), kind, sequence, count, clock, crc32c(payload))
        data += block.pack(stamp) + payload
    return data


def samples(count: int) -> bytes:
    return np.arange(2 * count, dtype="<i2").tobytes()


def edges(channel: int, coding: int, count: int, first: int, body: bytes) -> bytes:
    return struct.pack("<HHIq", channel, coding, count, first) + body


GOOD_BLOCK = (container.INT16, 0, 10, 0, samples(10))


@pytest.mark.parametrize(
    "block",
    [
        (container.INT16, 1, 10, 10, b""),
        (container.INT16, 1, 10, 10, samples(9)),
        (container.INT16, 1, 10, 10, samples(10) + b"\0"),
        (container.INT16, 1, container.MAX_COUNT, 10, samples(10)),
        (container.FLOAT32, 1, 10, 10, samples(10)),
        (container.FLOAT32, 1, 1, 10, struct.pack("<2f", 1, float("nan"))),
        (container.FLOAT32, 1, 1, 10, struct.pack("<2f", float("inf"), 1)),
        (container.INT16, 1, 10, 5, samples(10)),  # back in time
        (container.INT16, 0, 10, 10, samples(10)),  # the sequence again
        (container.INT16, 1, 10, 2**52 + 1, samples(10)),
        (container.HOLE, 1, 0, 10, b""),
        (container.HOLE, 1, 0, 10, struct.pack("<QI", 9, 0)),
        (container.HOLE, 1, 0, 10, struct.pack("<QI", 2**63, 0)),
        (container.HOLE, 1, 3, 10, struct.pack("<QI", 20, 0)),
        (container.HOLE, 1, 0, 10, struct.pack("<QI", 20, 0) + bytes(2000)),
        (container.END, 1, 7, 10, b""),
        (99, 1, 10, 10, samples(10)),
        (container.INT16, 1, 0, 10, edges(2, 1, 1, 0, b"\0")),
        (container.INT16, 1, 0, 10, edges(0, 3, 1, 0, b"\0\0\0")),
        (container.INT16, 1, 0, 10, edges(0, 1, 0, 0, b"")),
        (container.INT16, 1, 0, 10, edges(0, 1, 2, 0, b"\0")),
        (container.INT16, 1, 0, 10, edges(0, 8, 2**32 - 1, 0, b"\0" * 8)),
        (container.INT16, 1, 0, 10, edges(0, 8, 2, 0, b"\xff" * 16)),
        (container.INT16, 1, 0, 10, edges(0, 1, 1, -(2**63), b"\0")),
        (container.INT16, 1, 0, 10, edges(0, 1, 1, 0, b"\0") * 2),
        (container.INT16, 1, 0, 10, edges(1, 1, 1, 0, b"\0") + edges(0, 1, 1, 0, b"\0")),
        (container.INT16, 1, 0, 10, edges(0, 0, 2, 0, struct.pack("<2d2B", 2, 1, 0, 1))),
        (container.INT16, 1, 0, 10, edges(0, 0, 1, 0, struct.pack("<dB", float("nan"), 0))),
        (container.INT16, 1, 0, 10, edges(0, 0, 1, 0, struct.pack("<dB", float("inf"), 0))),
    ],
)
def test_unsound_blocks_with_right_crcs_are_lost(
    tmp_path: Path, block: tuple[int, int, int, int, bytes]
) -> None:
    after = (container.INT16, 2, 10, 100, samples(10))
    data = file_with(GOOD_BLOCK, block, after, (container.END, 3, 0, 110, b""))
    got = read(tmp_path / "a.bbr", data)
    assert isinstance(got, list)
    first, hole, last = got
    assert isinstance(first, Block)
    assert hole == Hole(10, 100, 1, "blocks of the file are damaged")
    assert isinstance(last, Block)


def test_edges_that_go_back_from_block_to_block_are_lost(tmp_path: Path) -> None:
    data = file_with(
        (container.INT16, 0, 10, 0, samples(10) + edges(0, 1, 1, 1000, b"\1")),
        (container.INT16, 1, 10, 10, samples(10) + edges(0, 1, 1, 999, b"\1")),
        (container.END, 2, 0, 20, b""),
    )
    got = read(tmp_path / "a.bbr", data)
    assert isinstance(got, list)
    index, _, hole = got
    assert isinstance(index, EdgeTimes)
    assert hole == Hole(10, 20, 1, "blocks of the file are damaged")


def test_a_clock_that_jumps_is_a_hole(tmp_path: Path) -> None:
    data = file_with(
        (container.INT16, 0, 10, 50, samples(10)),
        (container.INT16, 1, 10, 70, samples(10)),
        (container.END, 2, 0, 99, b""),
    )
    got = read(tmp_path / "a.bbr", data)
    assert isinstance(got, list)
    assert [(e.first, e.end, e.frames) for e in got if isinstance(e, Hole)] == [
        (0, 50, 0),
        (60, 70, 0),
        (80, 99, 0),
    ]


def test_a_reason_cannot_steer_a_terminal(tmp_path: Path) -> None:
    payload = struct.pack("<QI", 9, 2) + "\x1b[2J\nüber".encode() + b"\xff"
    got = read(tmp_path / "a.bbr", file_with((container.HOLE, 0, 0, 0, payload)))
    assert isinstance(got, list)
    assert got[0] == Hole(0, 9, 2, "?[2J?über\ufffd")


def test_what_follows_the_end_is_not_read(tmp_path: Path, good: bytes) -> None:
    got = read(tmp_path / "a.bbr", good + good)
    assert isinstance(got, list)
    same(whole(HEADER, got), TRUTH)


def repeated(head: bytes, length: int) -> bytes:
    return (head * (length // len(head) + 1))[:length]


def claims_much(data: bytes, stamp: int) -> bytes:
    """Sound block headers, one after the other, each claiming the largest payload."""
    block = BlockHeader(container.MAX_PAYLOAD, container.INT16, 0, 10, 0, 12345).pack(stamp)
    return data + repeated(block, 1_000_000)


@pytest.mark.parametrize(
    "make",
    [
        claims_much,
        lambda data, _: data + repeated(MARKER, 1_000_000),
        lambda data, _: data + bytes(5_000_000),
        lambda data, _: data + random.Random(1).randbytes(1_000_000),
    ],
    ids=["lengths", "markers", "zeros", "noise"],
)
def test_hostile_bodies_are_bounded(tmp_path: Path, make: Callable[[bytes, int], bytes]) -> None:
    start = file_with(GOOD_BLOCK)
    stamp = int.from_bytes(file_with()[-4:], "little")
    data = make(start, stamp)
    path = tmp_path / "a.bbr"
    path.write_bytes(data)
    source = RecordingSource(path)
    read_bytes = 0
    original = source._read

    def counting(at: int, length: int) -> bytes:
        nonlocal read_bytes
        got = original(at, length)
        read_bytes += len(got)
        return got

    source._read = counting  # type: ignore[method-assign]
    tracemalloc.start()
    try:
        events = list(source)
        assert len(events) <= 2
    except BadInput as error:
        assert "damaged beyond use" in str(error)  # noqa: PT017
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        source.close()
    assert peak < 80_000_000
    assert read_bytes < 5 * len(data) + 100_000_000


def header_cases() -> Iterator[tuple[Any, str]]:
    good: dict[str, Any] = {
        "sample_rate_hz": 1e5,
        "channels": [{"name": "points_v", "unit": "V"}],
    }
    channel = good["channels"][0]
    yield [], "not a JSON object"
    yield {}, "no channels"
    yield good | {"channels": 5}, "channels is not a list"
    yield good | {"channels": [channel] * 1_0000}, "10000 entries, at most 64"
    yield good | {"channels": [3]}, r"channels\[0\] is not an object"
    yield good | {"channels": [channel, channel]}, "two channels have one name"
    yield good | {"channels": [{"name": "", "unit": "V"}]}, r"channels\[0\].name"
    yield good | {"channels": [{"name": "a\x1b[2J", "unit": "V"}]}, r"name is not a text"
    yield good | {"channels": [{"name": "a" * 5000, "unit": "V"}]}, r"name is not a text"
    yield good | {"channels": [{"name": "a"}]}, r"channels\[0\].unit is not a text"
    for key in ("scale", "zero", "offset_s", "delay_s", "u_delay_s"):
        for value in ("1", None, True, [], 10**400):
            yield good | {"channels": [channel | {key: value}]}, f"{key} is not a number"
    yield good | {"channels": [channel | {"scale": 0}]}, "scale is zero"
    yield good | {"channels": [channel | {"u_delay_s": -1}]}, "u_delay_s is negative"
    for key in ("u_gain", "u_zero"):
        yield good | {"channels": [channel | {key: -1}]}, f"{key} is negative"
        yield good | {"channels": [channel | {key: "1"}]}, f"{key} is not a number"
    yield good | {"pickup_sense": 2}, "pickup_sense is neither 1 nor -1"
    yield good | {"probe_ohm": 0}, "probe_ohm is not above 0"
    yield good | {"u_series_share": -0.1}, "u_series_share is negative"
    yield good | {"u_supply_share": []}, "u_supply_share is not a number"
    for rails in (3, [1], [1, "2"], [2, 1], [1, 2, 3]):
        yield good | {"channels": [channel | {"rail_counts": rails}]}, "rail_counts"
    for rate in (-1, 0, 1e10, "fast", None, True):
        yield good | {"sample_rate_hz": rate}, "sample_rate_hz"
    yield {"channels": [channel]}, "sample_rate_hz"
    yield good | {"edge_channels": [{"name": "third"}]}, "none of index, encoder"
    yield good | {"edge_channels": [{"name": "index"}] * 2}, "two channels have one name"
    yield good | {"edge_channels": [{"name": "index"}] * 3}, "at most 2"
    yield good | {"edge_channels": [{"name": "index", "resolution_s": -1}]}, "resolution"
    for pulses in (0, -5, 1.5, "360", 10**9, True):
        yield good | {"encoder_pulses": pulses}, "encoder_pulses"
    for kind in ("walk", 5, None, []):
        yield good | {"kind": kind}, "kind is n"
    yield good | {"simulated": "no"}, "simulated"
    yield good | {"origin": 5}, "origin"
    yield good | {"supply_v": "12"}, "supply_v"
    yield good | {"vacuum_steps": [[1]]}, r"vacuum_steps\[0\]"
    yield good | {"vacuum_steps": [[1, "x"]]}, r"vacuum_steps\[0\]"
    yield good | {"vacuum_steps": [[0, 0]] * 10_001}, "at most 10000"
    yield good | {"notes": []}, "notes"
    deep: Any = {}
    for _ in range(100):
        deep = {"": deep}
    yield good | {"notes": deep}, "notes"
    yield b"\xff\xfe", "not JSON"
    yield b"", "not JSON"
    yield b'{"sample_rate_hz": NaN}', "NaN"
    yield b'{"sample_rate_hz": -Infinity}', "Infinity"
    yield b'{"sample_rate_hz": 1e999, "channels": [{"name": "a", "unit": "V"}]}', "sample_rate_hz"
    yield b'{"sample_rate_hz": ' + b"9" * 100_000 + b"}", "not JSON"
    yield b"[" * 1_000_000, "nested too deeply"
    yield b'{"":' * 200_000, "nested too deeply"


@pytest.mark.parametrize(("header", "message"), list(header_cases()))
def test_hostile_headers(tmp_path: Path, header: Any, message: str) -> None:
    text = header if isinstance(header, bytes) else json.dumps(header).encode()
    path = tmp_path / "a.bbr"
    path.write_bytes(file_with(header=text))
    with pytest.raises(BadInput, match=message) as caught:
        RecordingSource(path)
    assert caught.value.where == f"{path} header"
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (MAGIC[:5], "cut within its header"),
        (MAGIC + b"\1\0\0\0", "cut within its header"),
        (MAGIC + b"\1\0\0\0\xff\xff\xff\xff" + bytes(100), "header is damaged"),
        (MAGIC + b"\1\0\0\0\xff\xff\x0f\0" + bytes(100), "cut within its header"),
        (MAGIC + b"\1\0\0\0\2\0\0\0{}1234", "header is damaged"),
        (MAGIC.replace(b"\r\n", b"\n") + bytes(100), "sent as text"),
        (b"RIFF" + bytes(100), "is not a Breakerbench recording"),
    ],
)
def test_other_beginnings(tmp_path: Path, data: bytes, message: str) -> None:
    got = read(tmp_path / "a.bbr", data)
    assert isinstance(got, BadInput)
    assert message in str(got)


def test_a_newer_layout_asks_for_an_update(tmp_path: Path) -> None:
    head = FILE_HEADER.pack(MAGIC, 2, 0, 3) + b"???"
    got = read(tmp_path / "a.bbr", head + crc32c(head).to_bytes(4, "little") + bytes(50))
    assert isinstance(got, BadInput)
    assert str(got).endswith("has layout 2, this program knows up to 1; update Breakerbench")


def test_the_crc_is_the_published_one() -> None:
    """RFC 3720, appendix B.4: check values of CRC-32C."""
    assert crc32c(bytes(32)) == 0x8A9136AA
    assert crc32c(b"\xff" * 32) == 0x62A8AB43
    assert crc32c(bytes(range(32))) == 0x46DD794E
    assert crc32c(bytes(range(31, -1, -1))) == 0x113FDB5C
    assert crc32c(b"56789", crc32c(b"1234")) == 0xE3069283  # from memory
