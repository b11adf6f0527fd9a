"""WAV and VCD through the real command: the figures of the recording, or one line that mends."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import soundfile

from breakerbench.sources.open import open_trace
from breakerbench.sources.recording import write_recording
from breakerbench.trace import Block, Channel, EdgeTimes, Header
from cli.command import breakerbench, names
from sources.traces import ListSource

FULL_V = 20.0  # of the simulated front end: 12 bits over 40 V are exact in 16
DELAY_S = 4e-6


class Files(NamedTuple):
    """One simulated trace: the points with the index sampled beside them."""

    recording: Path
    pcm: Path
    floats: Path


@pytest.fixture(scope="module")
def same(recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Files:
    source = open_trace(recording)
    header = source.header
    row = header.position("points_v")
    assert row is not None
    index = np.zeros(0)
    parts = []
    for event in source:
        if isinstance(event, EdgeTimes) and event.name == "index":
            index = np.concatenate((index, event.time_s))
        elif isinstance(event, Block):
            parts.append(event.samples[row])
    source.close()
    points = header.channels[row]
    volts = points.zero + points.scale * np.concatenate(parts)
    counts = np.rint(volts / FULL_V * 32768).astype(np.int16)
    np.testing.assert_array_equal(counts * FULL_V / 32768, volts)
    time_s = np.arange(len(counts)) / header.sample_rate_hz
    high = (16384 * (np.searchsorted(index, time_s, side="right") % 2)).astype(np.int16)
    folder = tmp_path_factory.mktemp("same")
    files = Files(folder / "a.bbr", folder / "a.wav", folder / "b.wav")
    channels = (
        Channel("points_v", "V", FULL_V / 32768, delay_s=DELAY_S, rail_counts=(-32768.0, 32767.0)),
        Channel("index", "logic", 1 / 32768, rail_counts=(-32768.0, 32767.0)),
    )
    trace = ListSource(Header(header.sample_rate_hz, channels), [Block(0, (counts, high))])
    trace.events = [
        Block(first, (counts[first : first + 65536], high[first : first + 65536]))
        for first in range(0, len(counts), 65536)
    ]
    write_recording(files.recording, trace)
    columns = np.column_stack([high, counts])
    rate = round(header.sample_rate_hz)
    soundfile.write(files.pcm, columns, rate, "PCM_16")
    with soundfile.SoundFile(files.floats, "w", rate, 2, "FLOAT") as file:
        file.comment = "simulated: true"
        file.write(columns / 32768)
    return files


TOLD = (
    *("--column", "points_v=1", "--column", "index=0"),
    *("--scale", f"points_v={FULL_V}", "--delay", f"points_v={DELAY_S}"),
)


def figures(path: Path, *told: str) -> dict[str, Any]:
    ran = breakerbench("analyze", path, *told, "--spec", "four-lobe", "--json", "-")
    assert (ran.status, ran.err) == (0, "")
    result: dict[str, Any] = json.loads(ran.out, parse_constant=pytest.fail)
    return result


def test_a_wav_gives_the_figures_of_the_recording(same: Files, recording: Path) -> None:
    ours, pcm, floats = (
        figures(same.recording),
        figures(same.pcm, *TOLD),
        figures(same.floats, *TOLD),
    )
    assert pcm["trace"].pop("origin") == "WAV file a.wav"
    assert floats["trace"]["simulated"] is True
    ours["trace"].pop("origin")
    assert pcm == ours  # to the digit
    assert pcm["speed"]["revolutions"] > 30
    for table, key in (("dwell", "mean_deg"), ("dwell", "percent"), ("scatter", "deg")):
        assert floats[table][key] == pytest.approx(pcm[table][key], abs=1e-3)
    assert floats["spacing"]["error_deg"] == pytest.approx(pcm["spacing"]["error_deg"], abs=1e-3)
    # The recording itself has its index and encoder as edge times, the WAV its index in samples.
    best = figures(recording)
    assert pcm["dwell"]["mean_deg"] == pytest.approx(best["dwell"]["mean_deg"], abs=0.05)


def test_a_wav_cut_short_warns(same: Files, tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    data = same.pcm.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 4 + 1])
    result = figures(path, *TOLD)
    whole = figures(same.pcm, *TOLD)
    assert result["dwell"]["mean_deg"] == pytest.approx(whole["dwell"]["mean_deg"], abs=0.05)
    assert result["lost"]["seconds"] == pytest.approx(0.5, rel=0.01)
    assert any("s of the trace are lost" in text for text in result["warnings"])


def test_a_wav_of_two_channels_wants_to_be_told(same: Files, tmp_path: Path) -> None:
    ran = breakerbench("analyze", same.pcm, "--json", "out.json", folder=tmp_path)
    assert ran.error == (
        f"{same.pcm}: holds channels 0 to 1, and which of them is points_v "
        "is not told; say which: --column points_v=0"
    )
    assert names(tmp_path) == set()


VCD = """$timescale 1 us $end
$var wire 1 ! index $end
$enddefinitions $end
#0 0!
#50000 1!
#60000 0!
"""


def test_a_vcd_alone_has_no_points(tmp_path: Path) -> None:
    path = tmp_path / "run.vcd"
    path.write_text(VCD)
    said = breakerbench("analyze", path).error
    assert "run.vcd: holds no voltage of the points, from which all is measured" in said
    assert said.endswith("; record points_v, and the index with it, as CSV or WAV")


def test_a_vcd_with_real_points(same: Files, tmp_path: Path) -> None:
    path = tmp_path / "run.vcd"
    data, _ = soundfile.read(same.pcm, dtype="int16")
    head = VCD.partition("$enddefinitions")[0] + "$var real 64 p CH1 $end\n$enddefinitions $end\n"
    lines, before = [], (None, None)
    for n, (high, count) in enumerate(data[: len(data) // 4].tolist()):
        lines.append(f"#{4 * n}")
        if count != before[1]:
            lines.append(f"r{count / 32768 * FULL_V:.9g} p")
        if high != before[0]:
            lines.append(f"{high // 16384}!")
        before = (high, count)
    path.write_text(head + "\n".join(lines) + "\n")
    result = figures(path, "--column", "points_v=CH1", "--delay", f"points_v={DELAY_S}")
    whole = figures(same.pcm, *TOLD)
    assert result["trace"]["sample_rate_hz"] == 250e3
    assert result["dwell"]["mean_deg"] == pytest.approx(whole["dwell"]["mean_deg"], abs=0.1)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"RIFF\xff\xff\xff\xffWAVEfmt \xff\xff\xff\xff" + bytes(1000), "cannot be read as WAV"),
        (b"$timescale 1 parsec $end\n$enddefinitions $end\n", "line 1: is no VCD"),
        (b"$timescale 1 us $end\n$comment " + b"!" * 5_000_000 + b" $end\n", "without end"),
    ],
    ids=["sizes", "timescale", "token"],
)
def test_hostile_files_are_one_line(data: bytes, what: str, tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(data)
    assert what in breakerbench("analyze", path).error
