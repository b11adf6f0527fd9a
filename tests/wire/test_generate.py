"""One definition: the tree holds what is generated from it, and contradictions are refused."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import fields
from pathlib import Path

import pytest

from breakerbench.wire import generate
from breakerbench.wire.messages import MESSAGES

#: The checkout, wherever the package itself was installed.
ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "src" / "breakerbench" / "wire" / "protocol.toml").read_text(encoding="utf-8")


def test_what_lies_in_the_tree_is_what_the_definition_makes() -> None:
    for path, made in generate.files(generate.load(TEXT), ROOT).items():
        assert path.read_text(encoding="utf-8") == made, path.name


def test_every_message_is_there_with_its_size() -> None:
    protocol = generate.load(TEXT)
    assert {m.code for m in protocol.messages} == set(MESSAGES)
    for m in protocol.messages:
        assert MESSAGES[m.code].LAYOUT.size == m.size
        names = [f.name for f in fields(MESSAGES[m.code])]
        assert names == [f.name for f in m.fields] + (["tail"] if m.tail else [])


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("code = 0x02", "code = 0x01", "share a code"),
        ('name = "Sampled"', 'name = "Identity"', "share a code or a name"),
        ("code = 0x02", "code = 0x92", "the program's"),
        ('"u16", "", "protocol level of the firmware"', '"u24", "", ""', "unknown type"),
        ('["index", 16,', '["index", 1,', "two names"),
        ("most_body = 1000", "most_body = 10", "longer than a frame"),
    ],
)
def test_contradictions_are_refused(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(ValueError, match=re.escape(says)):
        generate.load(TEXT.replace(old, new, 1))


def test_check_says_what_differs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there = tmp_path / "src" / "breakerbench" / "wire"
    there.mkdir(parents=True)
    (tmp_path / "firmware" / "core").mkdir(parents=True)
    (there / "protocol.toml").write_text(TEXT)
    assert generate.main([], tmp_path) == 0
    assert generate.main(["--check"], tmp_path) == 0
    (there / "protocol.toml").write_text(TEXT.replace("level = 1", "level = 2"))
    assert generate.main(["--check"], tmp_path) == 1
    assert len(capsys.readouterr().out.splitlines()) == 3


def test_the_header_compiles_without_a_warning() -> None:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler `cc`: install gcc or clang")
    header = ROOT / "firmware" / "core" / "protocol.h"
    strict = ["-std=c11", "-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Werror"]
    subprocess.run([compiler, *strict, "-fsyntax-only", "-x", "c", header], check=True)
