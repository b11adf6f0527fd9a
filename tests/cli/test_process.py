"""How the command lives with the system: pipes, full disks, signals, terminals, its own faults."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import IO

import pytest

from breakerbench.cli.main import main
from cli.command import CLEAN, COMMAND, Ran, breakerbench, names, stopped_while_writing


def listed_to(stdout: IO[str] | int, unbuffered: str) -> subprocess.CompletedProcess[bytes]:
    """``spec list`` with its standard output going there."""
    return subprocess.run(
        [COMMAND, "spec", "list"],
        stdout=stdout,
        stderr=subprocess.PIPE,
        env=CLEAN | {"PYTHONUNBUFFERED": unbuffered},
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_reader_that_went_away(unbuffered: str) -> None:
    """Quiet, with the status that a shell gives for it."""
    reader, writer = os.pipe()
    os.close(reader)
    ran = listed_to(writer, unbuffered)
    os.close(writer)
    assert (ran.returncode, ran.stderr) == (141, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's /dev/full")
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_standard_output_on_a_full_disk(unbuffered: str) -> None:
    with Path("/dev/full").open("w") as full:
        ran = listed_to(full, unbuffered)
    assert Ran(ran.returncode, "", ran.stderr.decode()).error == "output: No space left on device"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's /dev/full")
def test_a_file_on_a_full_disk(trace_csv: Path) -> None:
    ran = breakerbench("analyze", trace_csv, "--json", "/dev/full")
    assert "/dev/full: the disk is full" in ran.error


@pytest.mark.skipif(os.name == "nt", reason="needs the signals of Unix")
@pytest.mark.parametrize(
    ("sent", "status", "said"),
    [(signal.SIGINT, 130, "stopped"), (signal.SIGTERM, 143, "")],
    ids=["Ctrl-C", "told to end"],
)
@pytest.mark.parametrize(
    "arguments",
    [["simulate", "--out", "long.bbr", "--seconds", "3000"], ["demo", "--out", "demo"]],
    ids=["simulate", "demo"],
)
def test_stopped_while_writing(
    arguments: list[str], sent: signal.Signals, status: int, said: str, tmp_path: Path
) -> None:
    ran = stopped_while_writing(arguments, sent, tmp_path)
    assert ran.status == status
    assert ran.err.count("\n") == (1 if said else 0)
    assert said in ran.err
    assert not names(tmp_path)


class Screen(io.StringIO):
    """Standard error that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_progress_only_on_a_terminal(
    recording: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    assert main(["analyze", str(recording)]) == 0
    assert "measuring" in screen.getvalue()
    assert "\x1b" not in capsys.readouterr().out
    assert breakerbench("analyze", recording).err == ""


FAULTY = """
import sys
import breakerbench.cli.spec as spec
from breakerbench.cli.main import main

def run(args):
    raise ZeroDivisionError("division\\nby zero \\x1b[31m")

spec.run = run
sys.exit(main(["spec", "list"]))
"""


def test_a_fault_of_the_program_is_neither_hidden_nor_called_bad_input() -> None:
    def run(**environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", FAULTY],
            env=CLEAN | environment,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    ran = run()
    assert ran.returncode == 3
    assert ran.stderr.count("\n") == 1
    assert "ZeroDivisionError: division by zero" in ran.stderr
    assert "\x1b" not in ran.stderr
    assert "line 7" in ran.stderr
    ran = run(BREAKERBENCH_TRACEBACK="1")
    assert ran.returncode == 3
    assert "Traceback" in ran.stderr
