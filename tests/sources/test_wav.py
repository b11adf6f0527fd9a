"""WAV imports: every form against what soundfile wrote, and what is wrong in a file."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.sources import files, wav
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.wav import WavSource
from breakerbench.trace import Block, Hole

from .traces import whole

TWO = ImportOptions(columns={"current_a": "0", "points_v": "1"}, scales={"points_v": 20.0})
many = settings(
    max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)


def chunk(name: bytes, data: bytes, length: int | None = None) -> bytes:
    stated = len(data) if length is None else length
    return name + struct.pack("<I", stated) + data + b"\0" * (len(data) % 2)


def made(
    data: bytes,
    channels: int = 1,
    rate: int = 1000,
    bits: int = 16,
    form: int = 1,
    length: int | None = None,
    before: bytes = b"",
) -> bytes:
    """A file by hand, as the RIFF WAVE form is defined, so that it can be wrong."""
    align = channels * bits // 8
    fmt = struct.pack(
        "<HHIIHH", form, channels & 0xFFFF, rate, rate * align & 0xFFFFFFFF, align & 0xFFFF, bits
    )
    body = b"WAVE" + before + chunk(b"fmt ", fmt) + chunk(b"data", data, length)
    return chunk(b"RIFF", body)


def counts(*values: int) -> bytes:
    return struct.pack(f"<{len(values)}h", *values)


def refused(path: Path, data: bytes, options: ImportOptions | None = None) -> str:
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught, open_trace(path, options) as source:
        list(source)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert text.isprintable()
    assert caught.value.mend
    return text.removeprefix(str(path))


def test_int16_stays_int16_and_the_scale_does_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "a"
    x = np.random.default_rng(0).integers(-32768, 32768, (200_000, 2)).astype(np.int16)
    soundfile.write(path, x, 250_000, format="WAV", subtype="PCM_16")
    with open_trace(path, TWO) as source:
        assert isinstance(source, WavSource)
        points, current = source.header.channels
        for _ in range(2):  # a second iteration begins again
            trace = whole(source.header, source)
            assert trace.dtypes == {"<i2"}
            assert trace.holes == []
            np.testing.assert_array_equal(trace.samples, x.T[::-1])
            assert source.progress() == (200_000, 200_000)
    assert source.header.sample_rate_hz == 250_000
    assert (points.name, points.unit, points.scale) == ("points_v", "V", 20 / 32768)
    assert (current.name, current.unit, current.scale) == ("current_a", "A", 1 / 32768)
    assert points.rail_counts == (-32768, 32767)
    assert not source.header.simulated


@pytest.mark.parametrize(
    ("form", "subtype", "step"),
    [
        ("WAV", "PCM_U8", 1 / 128),
        ("WAV", "PCM_16", 1 / 32768),
        ("WAV", "PCM_24", 2**-23),
        ("WAV", "PCM_32", 2**-24),  # float32 holds 24 bits of it
        ("WAV", "FLOAT", 2**-24),
        ("WAV", "DOUBLE", 2**-24),
        ("WAVEX", "PCM_24", 2**-23),
        ("RF64", "PCM_16", 1 / 32768),
    ],
)
def test_every_form(tmp_path: Path, form: str, subtype: str, step: float) -> None:
    path = tmp_path / "a"
    x = np.random.default_rng(1).uniform(-1, 0.99, (3000, 3))
    soundfile.write(path, x, 96_000, format=form, subtype=subtype)
    with open_trace(path, TWO) as source:
        trace = whole(source.header, source)
        values = [
            c.zero + c.scale * s for c, s in zip(source.header.channels, trace.samples, strict=True)
        ]
    assert trace.dtypes == ({"<i2"} if subtype in ("PCM_U8", "PCM_16") else {"<f4"})
    np.testing.assert_allclose(values[0], 20 * x[:, 1], atol=20 * step * 1.01)
    np.testing.assert_allclose(values[1], x[:, 0], atol=step * 1.01)
    assert trace.holes == []


def test_the_other_byte_order(tmp_path: Path) -> None:
    path = tmp_path / "a"
    x = np.arange(-500, 500).astype(np.int16)
    soundfile.write(path, x, 1000, format="WAV", subtype="PCM_16", endian="BIG")
    assert path.read_bytes().startswith(b"RIFX")
    with open_trace(path) as source:
        trace = whole(source.header, source)
    np.testing.assert_array_equal(trace.samples, [x])
    assert trace.dtypes == {"<i2"}


def test_one_channel_is_the_points(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(made(counts(1, 2, 3)))
    with open_trace(path, ImportOptions(delays={"points_v": 4e-6}, kind="hand")) as source:
        assert [(c.name, c.delay_s) for c in source.header.channels] == [("points_v", 4e-6)]
        assert source.header.kind == "hand"
    said = refused(path, path.read_bytes(), ImportOptions(kind="coil"))
    assert "holds channel 0 alone, and which of them is current_a is not told" in said


def test_simulated_is_said(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with soundfile.SoundFile(path, "w", 1000, 1, "PCM_16", format="WAV") as file:
        file.comment = "bench: ours\nSimulated: true"
        file.write(np.zeros(10, np.int16))
    with open_trace(path) as source:
        assert source.header.simulated


@pytest.mark.parametrize(
    ("columns", "scales", "what", "mend"),
    [
        ({}, {}, "holds channels 0 to 1, and which of them is points_v is not told", "points_v=0"),
        ({"index": "0"}, {}, "which of them is points_v is not told", "--column points_v=0"),
        ({"points_v": "2"}, {}, "there is no channel '2' for points_v", "points_v=NUMBER"),
        ({"points_v": "-1"}, {}, "there is no channel '-1' for points_v", "points_v=NUMBER"),
        ({"points_v": "CH1"}, {}, "there is no channel 'CH1' for points_v", "points_v=NUMBER"),
        ({"points_v": "9" * 5000}, {}, "there is no channel", "points_v=NUMBER"),
        ({"points_v": "²"}, {}, "there is no channel '²'", "points_v=NUMBER"),
        ({"points_v": "0", "time_s": "1"}, {}, "no column of times", "leave --column time_s out"),
        ({"points_v": "0"}, {"time_s": 2.0}, "no column of times", "leave --scale time_s out"),
        ({"points_v": "0"}, {"current_a": 2.0}, "no channel for --scale", "--column current_a="),
    ],
)
def test_what_the_file_lacks(
    tmp_path: Path, columns: dict[str, str], scales: dict[str, float], what: str, mend: str
) -> None:
    said = refused(tmp_path / "a", made(counts(*range(8)), 2), ImportOptions(columns, scales))
    assert what in said.partition("; ")[0]
    assert mend in said.partition("; ")[2]


@pytest.mark.parametrize("length", [14, 20, 1000, 0x7FFEFFFF])
def test_a_data_chunk_cut_short(tmp_path: Path, length: int) -> None:
    path = tmp_path / "a"
    # Five bytes beyond the third whole frame are no frame.
    path.write_bytes(made(counts(1, 2, 3, 4, 5, 6) + b"\7", 2, length=length))
    with open_trace(path, ImportOptions(columns={"points_v": "1"})) as source:
        *blocks, hole = source
    assert [b.samples[0].tolist() for b in blocks if isinstance(b, Block)] == [[2, 4, 6]]
    assert isinstance(hole, Hole)
    assert (hole.first, hole.end) == (3, max(3, length // 4))
    assert hole.reason == "the file was cut short"


@pytest.mark.parametrize("length", [0x7FFFF000, 0xFFFFFFFF])
def test_a_file_never_closed_states_no_length(tmp_path: Path, length: int) -> None:
    path = tmp_path / "a"
    path.write_bytes(made(counts(1, 2, 3), length=length))
    with open_trace(path) as source:
        block, hole = source
    assert isinstance(block, Block)
    assert block.samples[0].tolist() == [1, 2, 3]
    assert isinstance(hole, Hole)
    assert (hole.first, hole.end) == (3, 3)


GOOD = made(counts(*range(50)))


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (made(b""), "has no samples"),
        (made(b"\1"), "has no samples"),
        (made(counts(1, 2, 3), length=0), "or was never closed"),
        (GOOD[:12], "cannot be read as WAV"),
        (GOOD[:30], "cannot be read as WAV"),
        (GOOD[:36], "cannot be read as WAV"),
        (b"RIFF\x04\0\0\0WAVE", "cannot be read as WAV"),
        (made(counts(1), channels=0), "cannot be read as WAV"),
        (made(bytes(200_000), channels=65_535), "cannot be read as WAV"),
        (made(counts(1, 2), rate=0), "cannot be read as WAV"),
        (made(counts(1, 2), rate=0xFFFFFFFF), "cannot be read as WAV"),
        (made(counts(1, 2), rate=2_000_000_000), "states 2e+09 samples a second"),
        (made(counts(1, 2), bits=0), "cannot be read as WAV"),
        (made(bytes(4000), bits=4, form=2), "cannot be read as WAV"),
        (made(bytes(400), bits=8, form=7), "is compressed"),
        (made(counts(1, 2), form=0x1234), "cannot be read as WAV"),
        (made(struct.pack("<3f", 1, float("nan"), 2), bits=32, form=3), "frame 1: points_v is no"),
        (b"RIFF\xff\xff\xff\xffWAVE" + b"\xff" * 100_000, "cannot be read as WAV"),
        (b"RIFF\0\0\0\0WAVE" + b"LIST\0\0\0\0" * 20_000, "cannot be read as WAV"),
    ],
)
def test_what_cannot_be_read(tmp_path: Path, data: bytes, what: str) -> None:
    assert what in refused(tmp_path / "a", data)


def test_a_scale_beyond_float32(tmp_path: Path) -> None:
    data = made(struct.pack("<2f", 0, 1), bits=32, form=3)
    said = refused(tmp_path / "a", data, ImportOptions(scales={"points_v": 1e300}))
    assert "frame 1: points_v is no finite number" in said


def test_1024_channels_in_flat_memory(tmp_path: Path) -> None:
    path = tmp_path / "a"
    x = np.arange(1024 * 20_000).astype(np.int16).reshape(-1, 1024)
    soundfile.write(path, x, 1000, format="WAV", subtype="PCM_16")
    tracemalloc.start()
    with open_trace(path, ImportOptions(columns={"points_v": "1023"})) as source:
        first = 0
        for block in source:
            assert isinstance(block, Block)
            np.testing.assert_array_equal(block.samples[0], x[first : first + len(block), 1023])
            first += len(block)
    assert first == 20_000
    assert tracemalloc.get_traced_memory()[1] < 8e6  # the file: 41 MB
    tracemalloc.stop()


def test_blocks_stay_what_they_were(tmp_path: Path) -> None:
    path = tmp_path / "a"
    x = np.arange(3 * wav._BLOCK_FRAMES).astype(np.int16)
    soundfile.write(path, x, 1000, format="WAV", subtype="PCM_16")
    with open_trace(path) as source:
        kept = list(source)  # read on before the first is looked at
    np.testing.assert_array_equal(whole(source.header, kept).samples, [x])


@pytest.mark.parametrize("good", [0, 1, 2, 5])
def test_a_disk_that_fails(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    good: int,
) -> None:
    reads = 0

    class Failing(files.FileIO):
        def readinto(self, buffer: bytearray, /) -> int:  # type: ignore[override]
            nonlocal reads
            reads += 1
            if reads > good:
                raise OSError(5, "Input/output error")
            return super().readinto(buffer)

    path = tmp_path / "a"
    path.write_bytes(made(bytes(1_000_000)))
    monkeypatch.setattr(files, "FileIO", Failing)
    message = re.escape("cannot be read (input/output error)")
    with pytest.raises(BadInput, match=message), WavSource(path) as source:
        list(source)
    assert capfd.readouterr() == ("", "")  # nothing is printed from within the library


def test_an_enormous_file_needs_no_memory(tmp_path: Path) -> None:
    """A sparse file of 3 GB, opened and read for a moment, in a process of its own."""
    path = tmp_path / "a"
    data = made(b"", channels=2, rate=250_000, length=3_000_000_000)
    with path.open("wb") as file:
        file.write(data)
        file.truncate(3_000_000_000)
    code = f"""
import itertools, resource
from breakerbench.sources.open import ImportOptions, open_trace
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
with open_trace({str(path)!r}, ImportOptions(columns={{"points_v": "0"}})) as source:
    for _ in itertools.islice(source, 100):
        pass
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(ran.stdout) * (1 if sys.platform == "darwin" else 1024) < 64e6


@many
@given(
    base=st.sampled_from(
        [GOOD, made(bytes(96), 2, bits=24), made(bytes(64), 2, bits=32, form=3), made(bytes(64), 4)]
    ),
    changes=st.lists(st.tuples(st.integers(0, 80), st.integers(0, 255)), max_size=6),
    cut=st.none() | st.integers(12, 140),
    more=st.binary(max_size=40),
)
def test_a_changed_file_is_read_or_refused_in_one_line(
    tmp_path: Path,
    base: bytes,
    changes: list[tuple[int, int]],
    cut: int | None,
    more: bytes,
) -> None:
    data = bytearray(base)
    for at, value in changes:
        if at >= 12 or 4 <= at < 8:
            data[at] = value
    path = tmp_path / "a"
    path.write_bytes(bytes(data[:cut]) + more)
    refusal = None
    try:
        with open_trace(path, ImportOptions(columns={"points_v": "0"})) as source:
            trace = whole(source.header, source)
    except BadInput as error:
        refusal = error
    if refusal:
        assert str(refusal).startswith(str(path))
        assert str(refusal).isprintable()
        assert refusal.mend
    else:
        assert 0 < len(trace.samples[0][~np.isnan(trace.samples[0])]) <= len(path.read_bytes())
