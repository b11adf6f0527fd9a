"""The shipped image in the emulator, with the simulated bench on its inputs."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.board_feed import designed, feed
from breakerbench.bench.board_inputs import Inputs, inputs_of
from breakerbench.bench.drive import Drive
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.endless import Endless, Stamps
from breakerbench.bench.faults import apply
from breakerbench.bench.scenario import healthy
from breakerbench.firmware import IMAGE

#: What is run: the shipped image; another one for the mutations.
TRIED = Path(os.environ.get("BREAKERBENCH_IMAGE", IMAGE))
EMULATOR = Path(__file__).resolve().parents[2] / "firmware" / "emulator"
SPEED = ((0.0, 600.0), (0.5, 600.0), (2.0, 1800.0), (2.5, 1800.0))
SEED = 11
#: Real seconds that an emulated board may take until it is there.
START_S = 60.0


def node() -> str:
    """Skips where the emulator cannot run."""
    found = shutil.which("node")
    if found is None:
        pytest.skip("no `node`: install the Debian packages nodejs and npm")
    if not (EMULATOR / "node_modules" / "rp2040js").is_dir():
        pytest.skip("the emulator is not installed: run `npm ci` in firmware/emulator")
    return found


@cache
def bench(mode: int = 1, fault: str | None = None) -> Inputs:
    """A distributor with the ranges that the board is designed for; in mode 2 on a coil."""
    drive = Drive(SPEED, healthy().drive.ripples)
    made = replace(healthy(), drive=drive)
    if fault is not None:
        made = apply(made, fault, "needs repair")
    if mode == 2:
        made = replace(on_a_coil(made), channels=("points_v", "current_a", "supply_v"))
    return inputs_of(designed(made))


def truth(rows: int, mode: int = 1) -> tuple[np.ndarray, dict[str, Stamps]]:
    """Counts (inputs, rows) and edges of the bench."""
    inputs = bench(mode)
    return Endless(inputs.benches[mode], SEED, inputs.modes[mode].row_ticks).take(rows)


@dataclass
class Emulated:
    """A board that runs. said: lines of it; report: what it told at its end."""

    port: str
    process: subprocess.Popen[str]
    said: list[str] = field(default_factory=list)

    @property
    def report(self) -> dict[str, Any]:
        """Of the end, which this waits for."""
        self.process.wait(timeout=60)
        last: dict[str, Any] = json.loads([s for s in self.said if s.startswith("{")][-1])
        return last


@contextmanager
def emulated(
    folder: Path, rows: int, *options: str, mode: int = 1, image: Path = TRIED,
    fault: str | None = None,
) -> Iterator[Emulated]:  # fmt: skip
    """A board with so many rows of the bench on its inputs."""
    program = node()
    source = folder / "feed"
    with source.open("wb") as file:
        feed(bench(mode, fault), mode, SEED, rows, lambda data: void(file.write(data)))
    command = [program, str(EMULATOR / "run.mjs"), "--image", str(image), "--bench", *options]
    with (
        source.open("rb") as stdin,
        subprocess.Popen(
            command, stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as process,
    ):
        assert process.stdout is not None
        assert process.stderr is not None
        said: list[str] = []
        stderr = process.stderr
        reader = threading.Thread(target=lambda: said.extend(s.rstrip() for s in stderr))
        reader.start()
        port = process.stdout.readline().strip()
        try:
            assert port.isdigit(), said
            yield Emulated(f"socket://127.0.0.1:{port}", process, said)
        finally:
            process.terminate()
            process.wait(timeout=30)
            reader.join()


def void(_: object) -> None:
    """Forgets what it is given."""
