"""Runs the installed command as a person would, and says what came of it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

COMMAND = Path(sys.executable).with_name("breakerbench.exe" if os.name == "nt" else "breakerbench")

#: What every run gets: any warning of Python is an error, no colours asked for, fixed width.
CLEAN = {
    name: value
    for name, value in os.environ.items()
    if name not in ("COLUMNS", "FORCE_COLOR", "NO_COLOR", "BREAKERBENCH_TRACEBACK")
    and name != "PYTHONDONTWRITEBYTECODE"  # many starts: compile once
} | {"PYTHONWARNINGS": "error", "OMP_NUM_THREADS": "1", "PYTHONIOENCODING": "utf-8"}


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str

    @property
    def error(self) -> str:
        """The one line of a refusal: checks that it is one, with the status of bad input."""
        assert self.status == 2, (self.status, self.err, self.out)
        assert self.err.endswith("\n")
        assert self.err.count("\n") == 1, self.err
        assert "Traceback" not in self.err
        return self.err.rstrip("\n")


def breakerbench(
    *arguments: str | Path,
    folder: Path | None = None,
    environment: Mapping[str, str] | None = None,
    timeout: float = 60,
) -> Ran:
    """Run ``breakerbench arguments`` to its end."""
    ran = subprocess.run(
        [COMMAND, *map(str, arguments)],
        cwd=folder,
        env=CLEAN | dict(environment or {}),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=timeout,
        check=False,
    )
    return Ran(ran.returncode, ran.stdout.decode("utf-8"), ran.stderr.decode("utf-8"))


def started(
    arguments: Sequence[str | Path], folder: Path, stdin: int | None = None
) -> subprocess.Popen[str]:
    """The command begun, to be stopped by a signal (Unix)."""
    return subprocess.Popen(
        [COMMAND, *map(str, arguments)],
        cwd=folder,
        env=CLEAN,
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A run in the background has Ctrl-C switched off, and its children with it.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509
    )


def stopped_while_writing(
    arguments: Sequence[str | Path], sent: signal.Signals, folder: Path
) -> Ran:
    """Run the command, and send it a signal as soon as it writes something."""
    with started(arguments, folder) as process:
        until = time.monotonic() + 30
        while not list(folder.rglob("*.part")) and time.monotonic() < until:
            time.sleep(0.005)
        process.send_signal(sent)
        out, err = process.communicate(timeout=30)
    return Ran(process.returncode, out, err)


def names(folder: Path) -> set[str]:
    """All that is in a folder, hidden leftovers too."""
    return {path.name for path in folder.iterdir()}
