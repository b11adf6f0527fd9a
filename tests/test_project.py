"""The project as a whole: its layers, its tree, its texts, and the one known trap of a library."""

from __future__ import annotations

import ast
import fnmatch
import os
import re
import shlex
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path
from textwrap import dedent, indent

import pytest

from breakerbench.cautions import CAUTIONS
from breakerbench.cli.main import build_parser
from breakerbench.judge.specification import parse_specification

ROOT = Path(__file__).resolve().parent.parent
TEXT_SUFFIXES = {".py", ".md", ".toml", ".c", ".h", ".sql", ".html", ".svg", ".csv", ""}

#: Design section 3: nothing else stands at the top of the tree, dot-files apart.
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "src",
    "firmware",
    "hardware",
    "tests",
    "sample_traces",
}


def python(code: str, timeout: float = 120) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )


def ignored() -> list[str]:
    return [line.strip("/") for line in (ROOT / ".gitignore").read_text().split()]


def own_files(*folders: str) -> list[Path]:
    """Text files of the project, without what .gitignore names."""
    found = []
    for folder in folders or (".",):
        for parent, names, files in os.walk(ROOT / folder):
            names[:] = [
                name
                for name in names
                if name != ".git" and not any(fnmatch.fnmatch(name, one) for one in ignored())
            ]
            found += [Path(parent) / name for name in files]
    return [path for path in found if path.suffix in TEXT_SUFFIXES]


def test_layers_are_kept() -> None:
    lint = Path(sys.executable).with_name("lint-imports")
    ran = subprocess.run(
        [lint, "--no-cache"], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr


def test_top_of_the_tree() -> None:
    there = {
        path.name
        for path in ROOT.iterdir()
        if not path.name.startswith(".")
        and not any(fnmatch.fnmatch(path.name, one) for one in ignored())
    }
    assert there <= TOP, (
        f"move {sorted(there - TOP)} below one of the folders named in DEVELOPERS.md"
    )


@pytest.mark.parametrize("path", own_files("src"), ids=lambda path: path.name)
def test_a_module_is_read_in_one_sitting(path: Path) -> None:
    # What is generated is not read: firmware/protocol.md tells the same to people.
    if path.suffix == ".py" and path != ROOT / "src" / "breakerbench" / "wire" / "messages.py":
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 400, f"{path.relative_to(ROOT)} has {lines} lines: split it"


def test_texts_name_no_machine_and_no_registry() -> None:
    parts = (("/wo", "rk/"), ("/tmp/", "venv"), ("/tmp/", "team"), ("/ro", "ot/"), ("/ho", "me/"))
    hosts = (("py", "pi.org"), ("python", "hosted"), ("pypi", ".python"))
    words = [first + second for first, second in parts + hosts]
    found = [
        f"{path.relative_to(ROOT)}: {word}"
        for path in own_files()
        for word in words
        if word in path.read_text(encoding="utf-8", errors="replace")
    ]
    assert not found


def test_ci_ends_with_the_test_command_of_the_readme() -> None:
    first = "python -m venv .venv && .venv/bin/pip install . && .venv/bin/breakerbench demo"
    assert first in readme()
    assert ".venv/bin/pip install '.[test]' && .venv/bin/pytest" in readme()
    run = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert ".venv/bin/pip install --quiet '.[test]'\n" in run
    assert run.splitlines()[-1] == ".venv/bin/pytest"


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


def test_readme_carries_the_cautions_of_the_program() -> None:
    text = " ".join(readme().split())
    for caution in CAUTIONS:
        assert caution in text


def test_readme_commands_are_understood() -> None:
    """Every command line of the README is one that the parser takes."""
    lines = readme().replace("\\\n", " ").splitlines()
    found = [
        line.split("breakerbench ", 1)[1]
        for line in lines
        if line.startswith("    ") and re.search(r"(^|[/ \\])breakerbench [a-z]", line)
    ]
    found += re.findall(r"`breakerbench ([a-z][^`]*)`", readme())
    assert len(found) >= 6
    for line in found:
        words = shlex.split(line)
        args = build_parser(words[0]).parse_args(words)
        assert args.verb == words[0]


def test_readme_specification_is_in_order() -> None:
    block = next(part for part in readme().split("\n\n") if part.lstrip().startswith("schema = 1"))
    spec = parse_specification(dedent(block).encode(), "README.md")
    assert spec.distributor.lobes == 4


def test_developers_guide_has_the_layout_of_the_recording() -> None:
    source = (ROOT / "src/breakerbench/sources/container.py").read_text(encoding="utf-8")
    layout = ast.get_docstring(ast.parse(source))
    assert layout
    assert indent(layout, "    ") in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_start_imports_nothing_dear() -> None:
    """Design section 4: argparse alone; the time itself is printed by tests/benchmarks."""
    ran = python(
        "import sys\n"
        "from breakerbench.cli.main import build_parser\n"
        "build_parser('analyze').format_help()\n"
        "dear = {'numpy', 'scipy', 'rich', 'dataclasses', 'typing', 'pathlib', 'shutil', 'json',"
        " 'PySide6', 'matplotlib', 'inspect', 'importlib.metadata'}\n"
        "print(*sorted(dear & set(sys.modules)))"
    )
    assert (ran.returncode, ran.stdout.strip()) == (0, ""), ran.stdout + ran.stderr


def test_qt_keeps_its_references_to_none() -> None:
    """PySide6 6.12.0 on Python 3.11 loses a reference to None at each void call.

    Measured; it kills the process within some 75 frames. From Python 3.12 on None is immortal and
    cannot be lost; there, living through the calls is what is left to check.
    """
    assert version("PySide6-Essentials").startswith("6.11."), "see pyproject.toml"
    calls = 5000
    ran = python(
        "import sys\n"
        "from PySide6.QtGui import QColor, QGuiApplication, QImage, QPainter\n"
        "app = QGuiApplication([])\n"
        "image = QImage(8, 8, QImage.Format.Format_RGB32)\n"
        "before = sys.getrefcount(None)\n"
        f"for count in range({calls}):\n"
        "    app.setObjectName('x')\n"
        "    image.fill(count)\n"
        "painter = QPainter(image)\n"
        f"for _ in range({calls}):\n"
        "    painter.setPen(QColor(1, 2, 3))\n"
        "painter.end()\n"
        "print(sys.getrefcount(None) - before)"
    )
    if "cannot open shared object file" in ran.stderr:
        missing = ran.stderr.strip().splitlines()[-1]
        pytest.skip(f"{missing}; install the Qt packages that .ci/run lists")
    assert ran.returncode == 0, ran.stderr
    assert abs(int(ran.stdout)) < calls / 10
