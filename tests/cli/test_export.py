"""``export`` through the real command: what it says, what it leaves behind, what is read back."""

from __future__ import annotations

import json
import os
import resource
import shlex
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.sources.recording import write_recording
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header, Hole
from cli.command import CLEAN, COMMAND, breakerbench, names, stopped_while_writing
from sources.traces import ListSource


def figures(words: list[str], folder: Path) -> dict[str, Any]:
    ran = breakerbench(*words, "--spec", "four-lobe", "--json", "-", folder=folder)
    assert (ran.status, ran.err) == (0, "")
    result: dict[str, Any] = json.loads(ran.out, parse_constant=pytest.fail)
    return result


@pytest.fixture(scope="module")
def whole(recording: Path) -> dict[str, Any]:
    return figures(["analyze", str(recording)], recording.parent)


@pytest.mark.parametrize("form", ["csv", "wav", "vcd", "bbr"])
def test_the_figures_are_those_of_the_recording(
    form: str, recording: Path, whole: dict[str, Any], tmp_path: Path
) -> None:
    """Read back by the command that the export prints."""
    out = f"my run.{form}"
    ran = breakerbench("export", recording, "--out", out, folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    assert names(tmp_path) == {out}
    lines = ran.out.splitlines()
    assert lines[0] == "SIMULATED: no real distributor was measured."
    words = shlex.split(lines[-1])
    assert words[:3] == ["breakerbench", "analyze", out]
    back = figures(words[1:], tmp_path)
    assert back["trace"]["simulated"] is True
    assert back["trace"]["reference"] == whole["trace"]["reference"]
    assert back["speed"]["revolutions"] == whole["speed"]["revolutions"] > 30
    assert back["warnings"] == whole["warnings"]
    # CSV and WAV place the edges of index and encoder to a sample, 0.03 deg at this speed.
    close = {"bbr": 0.0, "vcd": 1e-6, "csv": 0.03, "wav": 0.03}[form]
    for table, key in (
        ("dwell", "mean_deg"),
        ("dwell", "per_lobe_deg"),
        ("spacing", "error_deg"),
        ("scatter", "deg"),
    ):
        assert back[table][key] == pytest.approx(whole[table][key], abs=close), (table, key)
    if form == "bbr":
        back["trace"].pop("origin")
        assert back["trace"] == {k: v for k, v in whole["trace"].items() if k != "origin"}
    elif form != "vcd":
        assert "times of the edges of index and encoder: rounded to a sample, 4 us" in ran.out


def test_an_import_goes_out_too(trace_csv: Path, tmp_path: Path) -> None:
    """Oscilloscope to recording to CSV again: the same samples, the same figures."""
    one = breakerbench("export", trace_csv, "--out", "a.bbr", "--supply-v", "12.6", folder=tmp_path)
    two = breakerbench("export", "a.bbr", "--out", "b", "--format", "csv", folder=tmp_path)
    assert (one.status, two.status) == (0, 0)
    assert "SIMULATED" not in one.out
    assert two.out.splitlines()[-1] == "  breakerbench analyze b --supply-v 12.6"
    before = np.loadtxt(trace_csv, delimiter=",", skiprows=1, dtype=np.float32)
    rows = [line for line in (tmp_path / "b").read_text().splitlines() if line[0].isdigit()]
    np.testing.assert_array_equal(np.loadtxt(rows, delimiter=",", dtype=np.float32), before)
    a, b = figures(["analyze", str(trace_csv)], tmp_path), figures(["analyze", "b"], tmp_path)
    assert {**a, "trace": 0} == {**b, "trace": 0}


def test_a_stretch(recording: Path, tmp_path: Path) -> None:
    told = ("--from", "0.5", "--to", "0.6")
    ran = breakerbench("export", recording, "--out", "a.csv", *told, folder=tmp_path)
    assert ran.status == 0
    assert "a.csv: 0.1 s as CSV" in ran.out
    rows = [x for x in (tmp_path / "a.csv").read_text().splitlines() if x[0] not in "#t"]
    assert (len(rows), rows[0][:9], rows[-1][:9]) == (25_000, "0.000000,", "0.099996,")


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (
            ("--out", "a.txt"),
            "--out a.txt: its name does not tell the format; end it in .csv, .wav",
        ),
        (("--out", "none/a.csv"), "none/a.csv: cannot be written (no such file or directory)"),
        (("--out", "."), "--out .: its name does not tell the format"),
        (("--out", ".", "--format", "csv"), ".: is a folder; name a file in it"),
        (("--out", "a.csv", "--from", "-1"), "--from -1: is before the first sample"),
        (
            ("--out", "a.csv", "--from", "1", "--to", "1"),
            "--to 1: is not after --from; more than 1",
        ),
        (("--out", "a.csv", "--from", "99"), "no sample lies after --from 99; choose other times"),
        (("--out", "a.csv", "--from", "nan"), "'nan' is not a number"),
        (("--out", "a.csv", "--scale", "points_v=2"), "is a recording with its own scales"),
        ((), "the following arguments are required: --out"),
    ],
)
def test_what_cannot_be_done(
    told: tuple[str, ...], said: str, recording: Path, tmp_path: Path
) -> None:
    assert said in breakerbench("export", recording, *told, folder=tmp_path).error
    assert names(tmp_path) == set()


@pytest.mark.parametrize("form", ["csv", "wav", "vcd", "bbr"])
def test_the_input_is_never_overwritten(form: str, recording: Path, tmp_path: Path) -> None:
    data = recording.read_bytes()
    (tmp_path / "a.bbr").write_bytes(data)
    (tmp_path / "b").symlink_to("a.bbr")
    for out in ("a.bbr", "b"):
        ran = breakerbench("export", "a.bbr", "--out", out, "--format", form, folder=tmp_path)
        assert ran.error == f"{out}: is the input itself; name another file for the output"
    assert (tmp_path / "a.bbr").read_bytes() == data


@pytest.mark.parametrize("form", ["csv", "wav", "vcd", "bbr"])
def test_a_full_disk_leaves_nothing(form: str, recording: Path, tmp_path: Path) -> None:
    """As a limit on the size of files, which the system tells in the same way."""
    (tmp_path / f"a.{form}").write_text("what stood here before")
    ran = subprocess.run(
        [COMMAND, "export", recording, "--out", f"a.{form}"],
        cwd=tmp_path,
        env=CLEAN,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, 500_000)),
    )
    assert ran.returncode == 2
    assert ran.stderr.startswith(f"a.{form}: cannot be written (")
    assert ran.stderr.count("\n") == 1
    assert names(tmp_path) == {f"a.{form}"}
    assert (tmp_path / f"a.{form}").read_text() == "what stood here before"


@pytest.mark.skipif(os.name == "nt", reason="signals of Unix")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("form", ["csv", "wav", "vcd", "bbr"])
def test_stopped_it_leaves_nothing(
    sent: signal.Signals, form: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    long = tmp_path_factory.getbasetemp() / "long.bbr"
    if not long.exists():
        counts = np.random.default_rng(0).integers(-2000, 2000, 1 << 17).astype(np.int16)
        header = Header(250e3, (Channel("points_v", "V", 0.01),))
        blocks = [Block(n << 17, (counts,)) for n in range(400)]
        write_recording(long, ListSource(header, blocks))
    ran = stopped_while_writing(("export", long, "--out", f"a.{form}"), sent, tmp_path)
    assert ran.status == {signal.SIGINT: 130, signal.SIGTERM: 143}[sent]
    assert "Traceback" not in ran.err
    assert names(tmp_path) == set()


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    header = Header(250e3, (Channel("points_v", "V", 0.01),), (EdgeChannel("index"),))
    counts = np.random.default_rng(0).integers(-2000, 2000, 1 << 16).astype(np.int16)

    def peak(blocks: int, form: str) -> int:
        path = tmp_path / f"{blocks}.bbr"
        write_recording(
            path, ListSource(header, [Block(n << 16, (counts,)) for n in range(blocks)])
        )
        code = (
            "import resource, sys; from breakerbench.cli.main import main; "
            f"assert main(['export', {str(path)!r}, '--out', {str(tmp_path / f'a.{form}')!r}]) == 0; "
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
        )
        ran = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        return int(ran.stdout.split()[-1]) // (1024 if sys.platform == "darwin" else 1)

    for form in ("csv", "wav", "vcd"):
        assert peak(40, form) - peak(10, form) < 12_000, form  # kB; 30 blocks are 2 million rows


def holed(path: Path) -> Path:
    header = Header(1000.0, (Channel("points_v", "V", 0.01),), (EdgeChannel("index"),))
    counts = np.random.default_rng(0).integers(-2000, 2000, 3000).astype(np.int16)
    events: list[Event] = [
        Block(0, (counts,)),
        Hole(3000, 3200, 1, "frame refused"),
        Block(3200, (counts,)),
    ]
    write_recording(path, ListSource(header, events))
    return path


@pytest.mark.parametrize("form", ["csv", "wav", "vcd"])
def test_a_hole_is_refused_with_the_way_round_it(form: str, tmp_path: Path) -> None:
    holed(tmp_path / "a.bbr")
    said = breakerbench("export", "a.bbr", "--out", f"a.{form}", folder=tmp_path).error
    assert said.startswith("a.bbr: has a hole of 0.2 s at 3 s (frame refused), which ")
    assert names(tmp_path) == {"a.bbr"}
    for side in (("--to", "3.000000"), ("--from", "3.200000")):
        assert " ".join(side) in said
        ran = breakerbench("export", "a.bbr", "--out", f"a.{form}", *side, folder=tmp_path)
        assert f"a.{form}: 3 s as" in ran.out
    assert breakerbench("export", "a.bbr", "--out", "b.bbr", folder=tmp_path).status == 0


def test_a_trace_that_was_cut_short_says_so(trace_csv: Path, tmp_path: Path) -> None:
    assert breakerbench("export", trace_csv, "--out", "a.bbr", folder=tmp_path).status == 0
    data = (tmp_path / "a.bbr").read_bytes()
    (tmp_path / "a.bbr").write_bytes(data[: len(data) * 3 // 4])
    for form in ("csv", "wav", "vcd"):
        ran = breakerbench("export", "a.bbr", "--out", f"a.{form}", folder=tmp_path)
        assert ran.status == 0
        assert "that the trace did not end there: after 0.6 s" in " ".join(ran.out.split())


def test_pulses_between_samples_are_not_dropped_quietly(tmp_path: Path) -> None:
    header = Header(1000.0, (Channel("points_v", "V", 0.01),), (EdgeChannel("index", 1e-6),))
    counts = np.random.default_rng(0).integers(-2000, 2000, 30_000).astype(np.int16)
    for short, status in ((300, 2), (1, 0)):  # of 300 pulses
        rise = np.arange(300) * 0.1 + 0.0502
        width = np.where(np.arange(300) < short, 0.0005, 0.01)
        times = np.stack([rise, rise + width], axis=1).ravel()
        edges = EdgeTimes("index", times, np.tile([True, False], 300))
        trace = ListSource(header, [edges, Block(0, (counts,))])
        write_recording(tmp_path / f"{short}.bbr", trace)
        ran = breakerbench("export", f"{short}.bbr", "--out", "a.csv", folder=tmp_path)
        assert ran.status == status
        if status:
            assert "600 of 600 edges of index are shorter than a sample, and CSV" in ran.error
            assert ran.error.endswith("export to VCD, which keeps the times of edges")
            assert names(tmp_path) == {"300.bbr"}
        else:
            assert (
                "2 of 600 edges of index are shorter than a sample and not in the file" in ran.out
            )
