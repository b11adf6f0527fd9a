"""The specifications that can be chosen, and the copy that a job keeps."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from breakerbench.app import specs
from breakerbench.bench import scenario
from breakerbench.errors import BadInput
from breakerbench.judge.specification import find_specification, library, load_specification


def test_each_choice_can_be_loaded_and_kept(tmp_path: Path) -> None:
    choices = specs.choices()
    assert [name for _, name in choices] == [*library(), specs.DEMO]
    assert len({shown for shown, _ in choices}) == len(choices)
    for shown, name in choices:
        assert specs.load(name).distributor.name == shown
        kept = specs.keep(name, str(tmp_path))
        again = load_specification(tmp_path / specs.COPY)
        for one in (kept, again):
            assert {f.name: getattr(one, f.name) for f in fields(one) if f.name != "warnings"} == {
                f.name: getattr(specs.load(name), f.name)
                for f in fields(one)
                if f.name != "warnings"
            }


def test_that_of_the_demo_holds_both_of_its_parts() -> None:
    dry, coil = (load_specification(p) for p in (scenario.SPECIFICATION, scenario.ON_COIL))
    demo = specs.load(specs.DEMO)
    assert (demo.dwell, demo.advance) == (dry.dwell, dry.advance)
    assert (demo.coil, demo.spark) == (coil.coil, coil.spark)
    assert demo.coil is not None


def test_the_copy_is_by_itself(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_bytes(b"\xef\xbb\xbf" + library()["four-lobe"].read_bytes())
    folder = tmp_path / "job"
    folder.mkdir()
    kept = specs.keep(str(own), str(folder))
    own.write_text("schema = 1\n")
    assert load_specification(folder / specs.COPY) == kept
    assert kept.distributor == find_specification("four-lobe").distributor


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "there is no such file; check the name and the folder"),
        (b"schema = 1\n[distributor]\nname = \"\xff\xfe\"", "own.toml"),
        (b"schema = 1\n[distributor]\n", "own.toml [distributor]"),
        (b"# " + b"x" * 100_000, "is larger than 64 kB"),
    ],
)  # fmt: skip
def test_what_is_none_is_refused_and_nothing_is_copied(
    content: bytes | None, words: str, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    if content is not None:
        own.write_bytes(content)
    folder = tmp_path / "job"
    folder.mkdir()
    with pytest.raises(BadInput) as refused:
        specs.keep(str(own), str(folder))
    assert words in str(refused.value)
    assert list(folder.iterdir()) == []


def test_a_name_that_there_is_not(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="neither a name in the library nor a file"):
        specs.keep("no such", str(tmp_path))
    with pytest.raises(OSError, match="No such file"):
        specs.keep(specs.DEMO, str(tmp_path / "gone"))
