"""A recording gives back what was written, to the last bit, however it was cut into events."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from dataclasses import replace
from io import FileIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.sources import recording_writer
from breakerbench.sources.container import MAX_COUNT
from breakerbench.sources.recording import RecordingSource, RecordingWriter, write_recording
from breakerbench.trace import Block, EdgeChannel, EdgeTimes, Event, Header, Hole

from .traces import HEADER, TICK_S, ListSource, made_trace, same, traces, whole

quick = settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)


def read(path: Path) -> tuple[Header, list[Event]]:
    with RecordingSource(path) as source:
        return source.header, list(source)


@quick
@given(trace=traces())
def test_any_trace_comes_back(tmp_path: Path, trace: tuple[Header, list[Event]]) -> None:
    header, events = trace
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(header, events))
    got_header, got = read(path)
    assert got_header == header
    same(whole(header, got), whole(header, (e for e in events if not _empty(e))))
    given_holes = [e for e in events if isinstance(e, Hole)]
    assert [e for e in got if isinstance(e, Hole)] == given_holes


def _empty(event: Event) -> bool:
    return isinstance(event, EdgeTimes) and len(event.time_s) == 0


def test_a_bench_trace_comes_back_compactly(tmp_path: Path) -> None:
    events = made_trace(3.0)
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(HEADER, events))
    header, got = read(path)
    assert header == HEADER
    expected = whole(HEADER, events)
    same(whole(HEADER, got), expected)
    blocks = [e for e in got if isinstance(e, Block)]
    assert max(len(b) for b in blocks) == MAX_COUNT
    assert all(s.dtype == np.int16 for b in blocks for s in b.samples)
    edges = sum(len(e) for e in expected.edges.values())
    assert edges > 5000
    # 4 bytes an edge at most, and next to nothing besides
    assert path.stat().st_size < 2 * 2 * expected.end + 4 * edges + 2000


@quick
@given(data=st.data())
def test_the_file_does_not_depend_on_the_split(tmp_path: Path, data: st.DataObject) -> None:
    """The same trace cut differently gives the same file, byte for byte."""
    events = made_trace(1.0, block=250_000)
    path = tmp_path / "whole.bbr"
    write_recording(path, ListSource(HEADER, events))
    cuts = sorted(data.draw(st.lists(st.integers(1, 249_999), max_size=8)))
    edges = [e for e in events if isinstance(e, EdgeTimes)]
    (block,) = (e for e in events if isinstance(e, Block))
    split: list[Event] = list(edges)
    for low, high in pairwise([0, *cuts, len(block)]):
        if low < high:
            split.append(Block(low, tuple(s[low:high] for s in block.samples)))
    other = tmp_path / "split.bbr"
    write_recording(other, ListSource(HEADER, split))
    assert other.read_bytes() == path.read_bytes()


def test_a_second_reading_begins_again(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(HEADER, made_trace(1.0)))
    with RecordingSource(path) as source:
        next(iter(source))
        same(whole(HEADER, source), whole(HEADER, source))
        assert source.progress() == (path.stat().st_size, path.stat().st_size)


@pytest.mark.parametrize("resolution_s", [16e-9, 1 / 62.5e6, 1e-6, 1 / 3])
def test_ticks_are_exact(tmp_path: Path, resolution_s: float) -> None:
    header = replace(HEADER, edge_channels=(EdgeChannel("index", resolution_s),))
    rng = np.random.default_rng(1)
    steps = rng.integers(0, 2 ** rng.integers(1, 33, 5000))
    ticks = np.concatenate(([-7, -7, 0, 1], 1 + np.cumsum(steps)))
    edges = EdgeTimes("index", ticks * resolution_s, rng.random(len(ticks)) < 0.5)
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(header, [edges]))
    _, (got,) = read(path)
    assert isinstance(got, EdgeTimes)
    np.testing.assert_array_equal(np.rint(got.time_s / resolution_s).astype(np.int64), ticks)
    np.testing.assert_array_equal(got.time_s.view(np.int64), edges.time_s.view(np.int64))
    np.testing.assert_array_equal(got.rising, edges.rising)


def test_times_off_the_ticks_are_exact_too(tmp_path: Path) -> None:
    times = np.sort(np.random.default_rng(2).uniform(-1, 5, 999))
    edges = EdgeTimes("index", times, np.arange(999) % 2 == 0)
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(HEADER, [edges]))
    _, (got,) = read(path)
    assert isinstance(got, EdgeTimes)
    np.testing.assert_array_equal(got.time_s, times)


def test_many_edges_without_samples_stay_bounded(tmp_path: Path) -> None:
    header = replace(HEADER, channels=())
    count = 50_000
    events = [
        EdgeTimes("encoder", np.arange(n * count, (n + 1) * count) * TICK_S, np.ones(count, bool))
        for n in range(11)
    ]
    path = tmp_path / "a.bbr"
    with RecordingWriter(path, header) as writer:
        for event in events:
            writer.write(event)
            assert sum(len(e.time_s) for e in writer._edges[1]) < 400_000
    same(whole(header, read(path)[1]), whole(header, events))


def test_flush_makes_all_of_it_readable(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    events = made_trace(0.01, block=500)
    with RecordingWriter(path, HEADER) as writer:
        for event in events:
            writer.write(event)
            writer.flush()
            got = read(path)[1]
            assert got[-1] == Hole(writer._end, writer._end, 0, "the file was cut short")
        same(whole(HEADER, got), whole(HEADER, events))
    assert not any(isinstance(e, Hole) for e in read(path)[1])


def test_edges_that_come_after_a_flush(tmp_path: Path) -> None:
    """They may come until the next block does; a flush in between loses none."""
    path = tmp_path / "a.bbr"
    events: list[Event] = []
    for n in range(20):
        events.append(Block(n * 100, (np.full(100, n, np.int16),) * 2))
        late = np.array([n * 100 + 50]) / 250e3
        events.append(EdgeTimes("index", late, np.array([n % 2 == 0])))
    with RecordingWriter(path, HEADER) as writer:
        for n, event in enumerate(events):
            writer.write(event)
            if n % 3 == 0:
                writer.flush()
    same(whole(HEADER, read(path)[1]), whole(HEADER, events))


def test_edges_stay_on_their_side_of_a_hole(tmp_path: Path) -> None:
    """Rows are lost, their edges are not, but for one between them: the second hole says so."""
    path = tmp_path / "a.bbr"

    def edge(tick: int) -> EdgeTimes:
        return EdgeTimes("index", np.array([tick * TICK_S]), np.ones(1, bool))

    row = np.zeros(10, np.int16)
    rate = HEADER.sample_rate_hz
    ticks = [round((row + 0.5) / rate / TICK_S) for row in (12, 14, 16)]
    samples = tuple(row for _ in HEADER.channels)
    events = [
        Block(0, samples), Hole(10, 10, 1, "a"), edge(ticks[0]), Hole(10, 10, 1, "b"), edge(ticks[2]),
        Hole(10, 20, 0, "c"), Block(20, samples),
    ]  # fmt: skip
    with RecordingWriter(path, HEADER) as writer:
        for event in events:
            writer.write(event)
    _, got = read(path)
    assert [type(e) for e in got] == [type(e) for e in events]
    assert [e for e in got if isinstance(e, Hole)] == [e for e in events if isinstance(e, Hole)]


def test_without_flush_at_most_six_tenths_of_a_second_wait(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    with RecordingWriter(path, HEADER) as writer:
        for event in made_trace(2.0, block=1000):
            writer.write(event)
            if isinstance(event, Block):
                assert event.first - writer._end < 0.6 * 250e3


def test_a_killed_recorder_leaves_all_but_the_last_second(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    program = (
        "import itertools, sys, numpy as np\n"
        "from breakerbench.sources.recording import RecordingWriter\n"
        "from breakerbench.trace import Block, Channel, Header\n"
        "writer = RecordingWriter(sys.argv[1], Header(250e3, (Channel('points_v', 'V'),)))\n"
        "for n in itertools.count():\n"
        "    samples = np.arange(n * 1000, n * 1000 + 1000) % 30011\n"
        "    writer.write(Block(n * 1000, (samples.astype(np.int16),)))\n"
        "    print(n * 1000 + 1000, flush=True)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
    ) as recorder:
        assert recorder.stdout is not None
        for line in recorder.stdout:
            if int(line) >= 500_000:
                recorder.send_signal(signal.SIGKILL)
                break
        written = max([500_000, *(int(rest) for rest in recorder.stdout.read().split())])
    with RecordingSource(path) as source:
        *blocks, hole = source
    assert isinstance(hole, Hole)
    assert hole.reason == "the file was cut short"
    got = np.concatenate([b.samples[0] for b in blocks if isinstance(b, Block)])
    assert len(got) >= written - 250e3
    np.testing.assert_array_equal(got, np.arange(len(got)) % 30011)


class FullDisk(FileIO):
    """Takes so many bytes and then fails as a full disk does, the last write being cut."""

    room = 0

    def write(self, data: Any) -> int:
        if FullDisk.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = super().write(bytes(data)[: FullDisk.room])
        FullDisk.room -= taken
        return taken


@pytest.mark.parametrize("room", [0, 10, 1_300, 100_000, 263_000, 300_000, 1_000_000])
def test_disk_full_while_recording_live(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    monkeypatch.setattr(recording_writer, "FileIO", FullDisk)
    monkeypatch.setattr(FullDisk, "room", room)
    path = tmp_path / "a.bbr"
    events = made_trace(2.0)
    with pytest.raises(BadInput, match=r"^\S*a\.bbr: the disk is full; make room"):
        _record(path, events)
    if room < 1_300:
        assert list(tmp_path.iterdir()) == []
        return
    got = read(path)[1]
    end = whole(HEADER, got).end
    assert got[-1] == Hole(end, end, 0, "the file was cut short")
    _same_as_far_as(whole(HEADER, got), whole(HEADER, events))
    assert path.stat().st_size <= room


def _record(path: Path, events: list[Event]) -> None:
    with RecordingWriter(path, HEADER) as writer:
        for event in events:
            writer.write(event)


def _same_as_far_as(got: Any, expected: Any) -> None:
    for a, b in zip(got.samples, expected.samples, strict=True):
        np.testing.assert_array_equal(a, b[: got.end])
    for name, edges in got.edges.items():
        assert edges == expected.edges[name][: len(edges)]


@pytest.mark.parametrize("room", [0, 10, 300_000])
def test_disk_full_while_writing_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    path = tmp_path / "a.bbr"
    path.write_bytes(b"what stood there")
    monkeypatch.setattr(recording_writer, "FileIO", FullDisk)
    monkeypatch.setattr(FullDisk, "room", room)
    with pytest.raises(BadInput, match=r"a\.bbr: the disk is full"):
        write_recording(path, ListSource(HEADER, made_trace(2.0)))
    assert [p.name for p in tmp_path.iterdir()] == ["a.bbr"]
    assert path.read_bytes() == b"what stood there"


@pytest.mark.parametrize(
    "raised", [KeyboardInterrupt, SystemExit, MemoryError, BadInput("in.csv line 9", "is bad")]
)
def test_interrupted_writing_leaves_nothing(tmp_path: Path, raised: Any) -> None:
    class Interrupted(ListSource):
        def __iter__(self) -> Any:
            yield from self.events
            raise raised

    with pytest.raises(raised if isinstance(raised, type) else type(raised)) as caught:
        write_recording(tmp_path / "a.bbr", Interrupted(HEADER, made_trace(1.0)))
    assert list(tmp_path.iterdir()) == []
    if isinstance(raised, BadInput):
        assert caught.value is raised


def test_interrupted_live_recording_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C in the middle of a write: the file ends with its last whole block."""
    path = tmp_path / "a.bbr"
    events = made_trace(2.0)
    monkeypatch.setattr(recording_writer, "crc32c", _interrupt_after(4))
    with pytest.raises(KeyboardInterrupt):
        _record(path, events)
    monkeypatch.undo()
    got = whole(HEADER, read(path)[1])
    assert got.end > 0
    _same_as_far_as(got, whole(HEADER, events))


def _interrupt_after(calls: int) -> Any:
    from breakerbench.sources.container import crc32c  # noqa: PLC0415

    count = 0

    def interrupting(data: bytes, start: int = 0) -> int:
        nonlocal count
        count += 1
        if count == calls:
            raise KeyboardInterrupt
        return crc32c(data, start)

    return interrupting


def test_progress_is_told_and_the_file_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    events = made_trace(0.1)
    told: list[tuple[float, float]] = []
    for _ in range(2):
        write_recording(path, ListSource(HEADER, events), lambda *done: told.append(done))
    assert told == 2 * [(0.0, float(len(events)))] * len(events)
    same(whole(HEADER, read(path)[1]), whole(HEADER, events))
    assert path.stat().st_mode & 0o777 == 0o666 & ~_umask()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_a_recording_may_be_rewritten_onto_itself(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(HEADER, made_trace(1.0)))
    before = path.read_bytes()
    with RecordingSource(path) as source:
        write_recording(path, source)
    assert path.read_bytes() == before


def test_live_recording_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    path.write_bytes(b"precious")
    with pytest.raises(BadInput, match=r"cannot be written \(file exists\); choose another name"):
        RecordingWriter(path, HEADER)
    assert path.read_bytes() == b"precious"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("", "is a folder; name a file in it"),
        ("none/a.bbr", r"cannot be written \(no such file or directory\); make the folder first"),
        ("file/a.bbr", r"cannot be written \(not a directory\)"),
        ("x" * 300, r"cannot be written \(file name too long\); choose a shorter name"),
        ("fifo", "is a device or a pipe"),
    ],
)
def test_places_that_cannot_be_written(tmp_path: Path, name: str, message: str) -> None:
    (tmp_path / "file").write_bytes(b"")
    os.mkfifo(tmp_path / "fifo")
    path = tmp_path / name
    with pytest.raises(BadInput, match=message) as caught:
        write_recording(path, ListSource(HEADER, made_trace(0.01)))
    assert caught.value.where == str(path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["fifo", "file"]


GOOD = Block(0, (np.zeros(5, np.int16), np.zeros(5, np.int16)))


@pytest.mark.parametrize(
    "event",
    [
        Block(4, GOOD.samples),  # back in time
        Block(5, GOOD.samples[:1]),
        Block(5, (np.zeros(5, np.int16), np.zeros(4, np.int16))),
        Block(5, (np.zeros(5, np.int32), np.zeros(5, np.int32))),  # type: ignore[arg-type]
        Block(5, (np.zeros(5, np.int16), np.array([1, 2, np.nan, 4, 5], np.float32))),
        Block(2**60, GOOD.samples),
        Hole(4, 10),
        Hole(9, 8),
        Hole(5, 9, -1),
        EdgeTimes("third", np.zeros(1), np.zeros(1, bool)),
        EdgeTimes("index", np.array([2.0, 1.0]), np.zeros(2, bool)),
        EdgeTimes("index", np.array([np.nan]), np.zeros(1, bool)),
        EdgeTimes("index", np.zeros(2), np.zeros(1, bool)),
        EdgeTimes("index", np.array([0.5]), np.zeros(1, bool)),  # before the last one
    ],
)
def test_what_is_no_trace_is_refused_and_the_rest_kept(tmp_path: Path, event: Event) -> None:
    path = tmp_path / "a.bbr"
    first = EdgeTimes("index", np.array([1.0]), np.ones(1, bool))
    with RecordingWriter(path, HEADER) as writer:
        writer.write(first)
        writer.write(GOOD)
        with pytest.raises(ValueError, match=r"."):
            writer.write(event)
    same(whole(HEADER, read(path)[1]), whole(HEADER, [first, GOOD]))


@pytest.mark.parametrize(
    "header",
    [
        replace(HEADER, sample_rate_hz=float("nan")),
        replace(HEADER, sample_rate_hz=-1.0),
        replace(HEADER, channels=HEADER.channels * 2),
        replace(HEADER, kind="walk"),
        replace(HEADER, notes={"x": "y" * 2_000_000}),
    ],
)
def test_a_header_that_could_not_be_read_back_is_refused(tmp_path: Path, header: Header) -> None:
    with pytest.raises(ValueError, match=r"."):
        RecordingWriter(tmp_path / "a.bbr", header)
    assert list(tmp_path.iterdir()) == []


def test_written_after_closing(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path / "a.bbr", HEADER)
    writer.close()
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.write(Hole(0, 3))


def test_the_caller_may_use_its_arrays_again(tmp_path: Path) -> None:
    """Live sources fill one buffer over and over."""
    path = tmp_path / "a.bbr"
    buffer = np.zeros((2, 100), np.int16)
    times, rising = np.zeros(1), np.zeros(1, bool)
    with RecordingWriter(path, HEADER) as writer:
        for n in range(50):
            buffer[:] = n
            times[:], rising[:] = n * 100 / 250e3, n % 2
            writer.write(EdgeTimes("index", times, rising))
            writer.write(Block(n * 100, tuple(buffer)))
    got = whole(HEADER, read(path)[1])
    np.testing.assert_array_equal(got.samples[0], np.repeat(np.arange(50.0), 100))
    assert got.edges["index"] == [(n * 100 / 250e3, n % 2 == 1) for n in range(50)]


def test_what_is_read_stays_as_it_was(tmp_path: Path) -> None:
    """Blocks kept by the reader are not overwritten by later ones, nor by the reader itself."""
    path = tmp_path / "a.bbr"
    events = made_trace(2.0)
    write_recording(path, ListSource(HEADER, events))
    got = read(path)[1]
    same(whole(HEADER, got), whole(HEADER, events))
    block = next(e for e in got if isinstance(e, Block))
    with pytest.raises(ValueError, match="read-only"):
        block.samples[0][0] = 1
