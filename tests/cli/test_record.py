"""``record`` and ``ports`` through the real command, from the simulated board in its own process."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.sources.open import open_trace
from breakerbench.trace import Block, Hole
from cli.command import CLEAN, COMMAND, breakerbench, names

PLAN = ("--spec", "four-lobe")
UNIX = pytest.mark.skipif(os.name == "nt", reason="signals and process groups of Unix")


@contextmanager
def board(*options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """(process, port) of a simulated board."""
    command = [sys.executable, "-m", "breakerbench.bench.board_process", "--port", "0", *options]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=CLEAN
    ) as process:
        assert process.stdout is not None
        try:
            yield process, f"socket://127.0.0.1:{process.stdout.readline().strip()}"
        finally:
            process.kill()


@contextmanager
def recording(folder: Path, port: str, *more: str) -> Iterator[subprocess.Popen[str]]:
    arguments = [COMMAND, "record", "--port", port, "--out", "run.bbr", *more]
    with subprocess.Popen(
        arguments, cwd=folder, env=CLEAN, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            process.kill()


def until(file: Path, size: int) -> None:
    """Waits until that much is recorded."""
    end = time.monotonic() + 40.0
    while not file.exists() or file.stat().st_size < size:
        assert time.monotonic() < end, "nothing is recorded"
        time.sleep(0.02)


def rows_of(path: Path) -> tuple[int, list[Hole]]:
    source = open_trace(path)
    try:
        events = list(source)
    finally:
        source.close()
    return sum(len(e) for e in events if isinstance(e, Block)), [
        e for e in events if isinstance(e, Hole)
    ]


def live_and_after(folder: Path, *more: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Results of ``record``, as written, and of its recording."""
    ran = breakerbench("analyze", "run.bbr", "--json", "after.json", *more, folder=folder)
    assert ran.status == 0
    live, after = (json.loads((folder / f"{n}.json").read_text()) for n in ("live", "after"))
    return live, after


def test_live_figures_are_those_of_the_recording(tmp_path: Path) -> None:
    arguments = (
        "record",
        "--port",
        "sim",
        "--out",
        "run.bbr",
        "--seconds",
        "3",
        "--json",
        "live.json",
    )
    ran = breakerbench(*arguments, *PLAN, folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    assert "SIMULATED" in ran.out
    assert "dwell" in ran.out
    live, after = live_and_after(tmp_path, *PLAN)
    assert live == after
    assert live["trace"]["seconds"] == pytest.approx(3.0, abs=1e-6)
    assert live["lost"] == {"frames": 0, "seconds": 0.0}
    assert live["dwell"]["mean_deg"] is not None
    assert live["trace"]["simulated"] is True


@UNIX
def test_ctrl_c_ends_it_with_the_report(tmp_path: Path) -> None:
    with recording(tmp_path, "sim") as process:
        until(tmp_path / "run.bbr", 1_500_000)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert (process.returncode, err) == (0, "")
    assert "dwell" in out
    rows, holes = rows_of(tmp_path / "run.bbr")
    assert rows > 250_000
    assert not holes


@UNIX
def test_killed_all_but_the_last_second_is_there(tmp_path: Path) -> None:
    with board() as (_, port), recording(tmp_path, port) as process:
        until(tmp_path / "run.bbr", 1_500_000)
        time.sleep(0.37)
        size = (tmp_path / "run.bbr").stat().st_size
        process.kill()
    rows, holes = rows_of(tmp_path / "run.bbr")
    assert rows * 4 > 0.9 * (size - 10_000)
    assert all("cut short" in h.reason for h in holes)
    assert breakerbench("analyze", "run.bbr", folder=tmp_path).status == 0


@UNIX
@pytest.mark.sweep
def test_killed_at_fifty_moments(tmp_path: Path) -> None:
    """At most the last second is missing, the rest equal bit for bit to an undisturbed run."""
    rng = np.random.default_rng(50)
    options = ("--buffer-s", "5", "--seed", "3")
    with board(*options) as (_, port), recording(tmp_path, port, "--seconds", "5") as process:
        assert process.wait(timeout=60) == 0
    whole = counts_of(tmp_path / "run.bbr")
    for k in range(50):
        folder = tmp_path / str(k)
        folder.mkdir()
        with board(*options) as (_, port), recording(folder, port) as process:
            until(folder / "run.bbr", 1)  # the capture has begun
            begun = time.monotonic()
            time.sleep(float(rng.uniform(0.0, 3.5)))
            lasted_s = time.monotonic() - begun
            process.kill()
        found = counts_of(folder / "run.bbr")
        assert found.shape[1] >= (lasted_s - 1.3) * 250e3, k
        assert np.array_equal(found, whole[:, : found.shape[1]]), k


def counts_of(path: Path) -> np.ndarray:
    """(channels, rows) of a recording without a hole."""
    with closing(open_trace(path)) as source:
        blocks = [e for e in source if isinstance(e, Block)]
    none = np.empty((2, 0), np.int16)
    return np.concatenate([none, *(np.array(b.samples) for b in blocks)], axis=1)


def test_a_board_that_goes_away_ends_it_where_it_is_not_waited_for(tmp_path: Path) -> None:
    with board() as (process, port), recording(tmp_path, port, "--no-wait") as command:
        until(tmp_path / "run.bbr", 1_000_000)
        process.kill()
        out, err = command.communicate(timeout=30)
    assert command.returncode == 0
    assert "the board was away once" in err
    assert "dwell" in out
    assert rows_of(tmp_path / "run.bbr")[0] > 200_000


def record_from(folder: Path, *options: str) -> dict[str, Any]:
    """Result of three seconds from a board with faults; the same as of the recording."""
    with board("--buffer-s", "5", *options) as (_, port):
        arguments = (
            "record",
            "--port",
            port,
            "--out",
            "run.bbr",
            "--seconds",
            "3",
            "--json",
            "live.json",
        )
        assert breakerbench(*arguments, folder=folder).status == 0
    live, after = live_and_after(folder)
    assert live["lost"] == after["lost"]
    return live


@pytest.mark.parametrize(
    "fault", ["frames-dropped=0.01", "bytes-flipped=0.00002", "bytes-dropped=0.00002"]
)
def test_what_the_wire_lost_is_in_the_result(tmp_path: Path, fault: str) -> None:
    lost = record_from(tmp_path, "--board-fault", fault)["lost"]
    assert lost["frames"] > 5
    assert 0.0 < lost["seconds"] < 1.0


def test_a_board_that_resets_is_begun_again(tmp_path: Path) -> None:
    result = record_from(tmp_path, "--board-fault", "reset=1.2")
    assert 0.0 < result["lost"]["seconds"] < 1.5
    _, holes = rows_of(tmp_path / "run.bbr")
    assert [h.reason for h in holes if "began anew" in h.reason]


@UNIX
def test_a_full_disk_leaves_a_whole_recording(tmp_path: Path) -> None:
    shell = 'ulimit -f 3000 && exec "$0" record --port sim --out run.bbr --seconds 20'
    ran = subprocess.run(
        ["bash", "-c", shell, COMMAND], cwd=tmp_path, env=CLEAN, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert ran.returncode == 2, ran.stderr
    assert ran.stderr.count("\n") == 1
    assert "run.bbr" in ran.stderr
    rows, _ = rows_of(tmp_path / "run.bbr")
    assert rows > 200_000


def test_nobody_there(tmp_path: Path) -> None:
    ran = breakerbench(
        "record", "--port", "socket://127.0.0.1:1", "--out", "run.bbr", folder=tmp_path
    )
    assert "nobody answers there" in ran.error
    ran = breakerbench("record", "--port", "/dev/none", "--out", "run.bbr", folder=tmp_path)
    assert "breakerbench ports" in ran.error
    assert names(tmp_path) == set()


def test_nothing_recorded_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "run.bbr").write_text("mine")
    ran = breakerbench("record", "--port", "sim", "--out", "run.bbr", folder=tmp_path)
    assert "exists already" in ran.error
    assert (tmp_path / "run.bbr").read_text() == "mine"


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--seconds", "0"), "above 0"),
        (("--mode", "77"), "it has 1"),
        (("--encoder-pulses", "0"), "1 or more"),
        (("--encoder-pulses", "1000000000"), "at most"),
        (("--series-ohm", "0"), "above 0 ohm"),
        (("--temperature-c", "-300"), "above absolute zero"),
        (("--spec", "none-such"), "none-such"),
    ],
)
def test_what_cannot_be(tmp_path: Path, more: tuple[str, str], says: str) -> None:
    ran = breakerbench("record", "--port", "sim", "--out", "run.bbr", *more, folder=tmp_path)
    assert says in ran.error
    assert names(tmp_path) == set()


def test_ports_says_what_is_there() -> None:
    ran = breakerbench("ports")
    assert (ran.status, ran.err) == (0, "")
    assert re.search(r"a board of ours|No board of ours is plugged in", ran.out)
