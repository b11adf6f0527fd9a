"""The parser: help, version, wrong use, by the contract."""

from __future__ import annotations

import signal
from importlib.metadata import version
from pathlib import Path

import pytest

from breakerbench.cli.main import main
from cli.command import COMMAND, Ran, breakerbench

VERBS = (
    ("demo",),
    ("analyze",),
    ("simulate",),
    ("spec",),
    ("spec", "list"),
    ("spec", "show"),
    ("spec", "check"),
    ("spec", "new"),
)


def test_the_command_is_installed() -> None:
    assert COMMAND.exists()


def test_help_names_every_verb() -> None:
    ran = breakerbench("--help")
    assert (ran.status, ran.err) == (0, "")
    for words in VERBS:
        assert words[0] in ran.out
    assert "example" in ran.out


@pytest.mark.parametrize("words", VERBS, ids=" ".join)
def test_every_verb_has_help_with_an_example(words: tuple[str, ...]) -> None:
    ran = breakerbench(*words, "--help")
    assert (ran.status, ran.err) == (0, "")
    assert f"breakerbench {' '.join(words)}" in ran.out.split("example", 1)[1]
    assert max(map(len, ran.out.splitlines())) <= 98


def test_version() -> None:
    ran = breakerbench("--version")
    assert (ran.status, ran.out.strip()) == (0, f"breakerbench {version('breakerbench')}")


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ([], "VERB"),
        (["nonsense"], "nonsense"),
        (["analyze"], "FILE"),
        (["analyze", "a.csv", "--nonsense"], "--nonsense"),
        (["analyze", "a.csv", "--spe", "x"], "--spe"),  # shortened options would break later
        (["analyze", "a.csv", "--column", "points_v"], "NAME=VALUE"),
        (["analyze", "a.csv", "--column", "=CH1"], "NAME=VALUE"),
        (["analyze", "a.csv", "--scale", "points_v=ten"], "'ten' is not a number"),
        (["analyze", "a.csv", "--scale", "points_v=inf"], "'inf' is not a number"),
        (["analyze", "a.csv", "--delay", "points_v=nan"], "'nan' is not a number"),
        (["analyze", "a.csv", "--encoder-pulses", "3.5"], "not a whole number"),
        (["analyze", "a.csv", "--vacuum", "0:0,5"], "SECONDS:VALUE"),
        (["analyze", "a.csv", "--vacuum", "0:0,10:20,5:30"], "do not rise"),
        (["analyze", "a.csv", "--kind", "walk"], "condenser"),
        (["analyze", "a.csv", "--degrees", "camshaft"], "crankshaft"),
        (["simulate", "--out", "x.bbr", "--seed", "first"], "not a whole number"),
        (["simulate", "--out", "x.bbr", "--speed", "0:300,fast"], "SECONDS:VALUE"),
        (["analyze", ""], "FILE: is empty"),
        (["analyze", "a.csv", "--spec", ""], "--spec: is empty"),
        (["analyze", "a.csv", "--json", " "], "--json: is empty"),
        (["simulate", "--out", ""], "--out: is empty"),
        (["spec"], "WHAT"),
        (["spec", "show"], "SPEC"),
        (["spec", "new", ""], "OUT: is empty"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_use_is_one_line(arguments: list[str], named: str, tmp_path: Path) -> None:
    ran = breakerbench(*arguments, folder=tmp_path)
    assert named in ran.error
    assert ran.out == ""
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "verb"),
    [
        (["analyze", "a.csv", "--nonsense"], "analyze"),
        (["analyze", "a.csv", "b.csv"], "analyze"),
        (["demo", "--nonsense"], "demo"),
        (["spec", "show", "four-lobe", "--nonsense"], "spec show"),
        (["spec", "list", "nonsense"], "spec list"),
        (["--nonsense"], ""),
        (["nonsense"], ""),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_use_points_to_the_help_of_the_verb(
    arguments: list[str], verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    error = Ran(main(arguments), *capsys.readouterr()).error
    command = f"breakerbench {verb}".rstrip()
    assert error.startswith(f"{command}: ")
    assert error.endswith(f"see {command} --help")


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["analyze", "a.csv", "--column", "volts=CH1"], "points_v"),
        (["analyze", "a.csv", "--column", "points_v=1", "--column", "points_v=2"], "twice"),
        (["analyze", "a.csv", "--scale", "points_v=0"], "--scale"),
        (["analyze", "a.csv", "--delay", "points_v=1"], "--delay points_v"),
        (["analyze", "a.csv", "--encoder-pulses", "0"], "--encoder-pulses"),
        (["analyze", "a.csv", "--series-ohm", "-1"], "--series-ohm"),
        (["analyze", "a.csv", "--temperature-c", "-300"], "--temperature-c"),
        (["analyze", "a.csv", "--vacuum", "0:-20"], "--vacuum"),
        (["simulate", "--out", "x.bbr", "--seed", "-1"], "--seed"),
        (["simulate", "--out", "x.bbr", "--lobes", "13"], "12 lobes"),
        (["simulate", "--out", "x.bbr", "--seconds", "0"], "--seconds"),
        (["simulate", "--out", "x.bbr", "--seconds", "1e12"], "--seconds"),
        (["simulate", "--out", "x.bbr", "--sample-rate", "1"], "sample_rate_hz"),
        (["simulate", "--out", "x.bbr", "--fault", "gremlins=repair"], "gremlins"),
        (["simulate", "--out", "x.bbr", "--dwell-deg", "95"], "dwell"),
        (["simulate"], "--out"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_figures_out_of_range_are_one_line(
    arguments: list[str],
    named: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """In this process: what follows the parser, without a start of numpy for each."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    status = main(arguments)
    out, err = capsys.readouterr()
    assert named in Ran(status, out, err).error
    assert out == ""
    assert not list(tmp_path.iterdir())
