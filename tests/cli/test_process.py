"""How the command lives with the system: pipes, full disks, signals, terminals, its own faults."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cli.command import CLEAN, COMMAND, breakerbench, names

pty = pytest.importorskip("pty", reason="needs the terminals and signals of Unix")


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_reader_that_went_away(unbuffered: str) -> None:
    """Quiet, with the status that a shell gives for it."""
    reader, writer = os.pipe()
    os.close(reader)
    ran = subprocess.run(
        [COMMAND, "spec", "list"],
        stdout=writer,
        stderr=subprocess.PIPE,
        env=CLEAN | {"PYTHONUNBUFFERED": unbuffered},
        timeout=60,
        check=False,
    )
    os.close(writer)
    assert (ran.returncode, ran.stderr) == (141, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's /dev/full")
def test_a_full_disk(trace_csv: Path, tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [COMMAND, "spec", "list"],
            stdout=full,
            stderr=subprocess.PIPE,
            env=CLEAN,
            timeout=60,
            check=False,
        )
    assert ran.returncode == 2
    assert ran.stderr.count(b"\n") == 1
    assert b"No space left" in ran.stderr
    assert "full" in breakerbench("analyze", trace_csv, "--json", "/dev/full").error
    assert not names(tmp_path)


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
    with subprocess.Popen(
        [COMMAND, *arguments],
        cwd=tmp_path,
        env=CLEAN,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        until = time.monotonic() + 30
        while not list(tmp_path.rglob("*.part")) and time.monotonic() < until:
            time.sleep(0.005)
        process.send_signal(sent)
        _, err = process.communicate(timeout=30)
    assert process.returncode == status
    assert err.count("\n") == (1 if said else 0)
    assert said in err
    assert not names(tmp_path)


def test_progress_and_colour_only_on_a_terminal(recording: Path) -> None:
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [COMMAND, "analyze", recording],
        env=CLEAN | {"TERM": "xterm"},
        stdout=subprocess.PIPE,
        stderr=theirs,
    ) as process:
        out, _ = process.communicate(timeout=60)
    os.close(theirs)
    shown = os.read(ours, 1 << 16)
    os.close(ours)
    assert process.returncode == 0
    assert b"measuring" in shown
    assert b"\x1b" in shown
    assert b"\x1b" not in out
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
