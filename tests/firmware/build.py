"""Builds the firmware's core for this machine, with every warning an error and the sanitizers in."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

#: Where the firmware is; elsewhere for the mutations.
FIRMWARE = Path(
    os.environ.get("BREAKERBENCH_FIRMWARE", Path(__file__).resolve().parents[2] / "firmware")
)
CORE = FIRMWARE / "core"
STRICT = (
    "-std=c11", "-g", "-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wpedantic", "-Werror",
)  # fmt: skip
SANITIZE = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")
#: A board that is none says so; all else as the simulated board tells it, to be held against that.
SIMULATED = ('-DBB_BOARD_KIND="simulated"', '-DBB_BUILD="simulated bench"')


def sources() -> list[Path]:
    """The core, all of it."""
    return sorted(CORE.glob("*.c"))


def tool(name: str, package: str) -> str:
    """Its path; skips where it is missing."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"no `{name}`: install the Debian package {package}")
    return found


def build(main: str, to: Path, *options: str, compiler: str | None = None) -> Path:
    """A program of the core and ``firmware/tests/<main>.c``."""
    program = to / main
    command = [compiler or tool("gcc", "gcc"), *STRICT, *options]
    subprocess.run(
        [*command, *sources(), FIRMWARE / "tests" / f"{main}.c", "-o", program], check=True
    )
    return program
