"""The core as built for the chip: no warnings, no heap, no recursion, whole numbers where it is fast."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from firmware.build import CORE, STRICT, sources, tool

ARM = ("-mcpu=cortex-m0plus", "-mthumb", "-O2", "-ffreestanding")
#: What every sample and every edge passes through.
FAST = ("frames", "ring", "stamps", "capture")
#: All that these may ask of the compiler's library: memory, and whole numbers of 64 bits.
WHOLE = {"memcpy", "memset"} | {
    f"__aeabi_{name}"
    for name in ("lmul", "uldivmod", "uidiv", "uidivmod", "idiv", "idivmod", "llsl", "llsr")
}


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("arm")
    compiler = tool("arm-none-eabi-gcc", "gcc-arm-none-eabi, libnewlib-arm-none-eabi")
    for source in sources():
        subprocess.run(
            [compiler, *STRICT, *ARM, "-fcallgraph-info=su", "-c", source, "-o",
             folder / f"{source.stem}.o"], check=True,
        )  # fmt: skip
    return folder


def wanted(path: Path) -> set[str]:
    """What an object takes from elsewhere."""
    ran = subprocess.run(
        ["arm-none-eabi-nm", "-u", path], capture_output=True, text=True, check=True
    )
    return {line.split()[-1] for line in ran.stdout.splitlines()}


def test_no_heap_and_no_library_of_numbers_in_the_fast_path(objects: Path) -> None:
    own = {name for s in sources() for name in re.findall(r"\bbb_\w+", s.read_text())}
    everything = {symbol for s in sources() for symbol in wanted(objects / f"{s.stem}.o")}
    assert not everything & {"malloc", "calloc", "realloc", "free", "printf", "abort"}
    for name in FAST:
        asked = wanted(objects / f"{name}.o") - own
        assert asked <= WHOLE, (name, asked)
    # the check can fail: figures of a calibration are looked at in double
    assert {s for s in wanted(objects / "inputs.o") if s.startswith("__aeabi_d")}


def calls(objects: Path) -> tuple[dict[str, set[str]], dict[str, int]]:
    """(who calls whom, bytes of stack of each); calls through the port's pointers are not followed."""
    graph: dict[str, set[str]] = {}
    stack: dict[str, int] = {}
    for path in sorted(objects.glob("*.ci")):
        text = path.read_text()
        for name, size in re.findall(r'title: "([^"]+)" label: "[^"]*?(\d+) bytes', text):
            stack[name.split(":")[-1]] = int(size)
        for a, b in re.findall(r'sourcename: "([^"]+)" targetname: "([^"]+)"', text):
            graph.setdefault(a.split(":")[-1], set()).add(b.split(":")[-1])
    return graph, stack


def deepest(
    graph: dict[str, set[str]], stack: dict[str, int], at: str, above: tuple[str, ...]
) -> int:
    assert at not in above, f"recursion: {' > '.join((*above, at))}"
    inner = [deepest(graph, stack, b, (*above, at)) for b in sorted(graph.get(at, ()))]
    return stack.get(at, 0) + max(inner, default=0)


def test_no_recursion_and_a_stack_that_is_known(objects: Path) -> None:
    graph, stack = calls(objects)
    assert len(stack) > 40
    # A command acts by a table, which no graph shows.
    graph.setdefault("bb_command", set()).update(
        ("hello", "start", "stop", "ping", "blink", "calibrate", "keep", "restart")
    )
    depth = {
        name: deepest(graph, stack, name, ()) for name in stack if name.startswith("bb_board_")
    }
    print(depth)
    assert depth["bb_board_received"] > 500  # Keep holds two records
    assert max(depth.values()) < 2048


def test_it_is_built_of_this_version() -> None:
    project = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text())[
        "project"
    ]
    assert f'#define BB_BUILD "{project["version"]}"' in (CORE / "commands.c").read_text()


def test_headers_stand_by_themselves(tmp_path: Path) -> None:
    compiler = tool("gcc", "gcc")
    for header in sorted(CORE.glob("*.h")):
        alone = tmp_path / "alone.c"
        alone.write_text(f'#include "{header}"\n#include "{header}"\nint alone;\n')
        subprocess.run([compiler, *STRICT, "-c", alone, "-o", tmp_path / "alone.o"], check=True)
