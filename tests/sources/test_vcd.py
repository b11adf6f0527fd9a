"""VCD imports: against an independent reader (vcdvcd), a table of forms, and what is wrong."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcd.writer import VCDWriter

from breakerbench.errors import BadInput
from breakerbench.sources import files, vcd
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.vcd import VcdSource
from breakerbench.trace import EdgeTimes, Hole

from .independent_vcd import independently_read
from .traces import Whole, whole

#: The kinds that need no points: logic alone can be looked at.
LOGIC = ImportOptions(kind="coil", encoder_pulses=4)
many = settings(
    max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)

HEAD = """$date today $end
$version ours $end
$timescale 1 us $end
$scope module bench $end
$var wire 1 ! index $end
$var wire 1 " encoder $end
$upscope $end
$enddefinitions $end
"""
REAL = """$timescale 1 us $end
$var real 64 p points_v $end
$var wire 1 ! index $end
$enddefinitions $end
"""
STEADY = "".join(f"#{4 * n}\nr{n % 7} p\n" for n in range(40))


def read(path: Path, text: str, options: ImportOptions = LOGIC) -> tuple[VcdSource, Whole]:
    path.write_text(text, encoding="utf-8")
    with open_trace(path, options) as source:
        assert isinstance(source, VcdSource)
        once, again = whole(source.header, source), whole(source.header, source)
    assert once.edges == again.edges
    for a, b in zip(once.samples, again.samples, strict=True):
        np.testing.assert_array_equal(a, b)
    return source, once


def refused(path: Path, data: str | bytes, options: ImportOptions = LOGIC) -> str:
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    with pytest.raises(BadInput) as caught, open_trace(path, options) as source:
        list(source)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert text.isprintable()
    assert len(text) < len(str(path)) + 400
    assert caught.value.mend
    return text.removeprefix(str(path))


def test_edges_with_the_timescale_as_resolution(tmp_path: Path) -> None:
    text = HEAD + '#0\n$dumpvars\n0!\n1"\n$end\n#5\n1!\n0"\n#7\n1"\n#1000009\n0!\n'
    source, trace = read(tmp_path / "a", text)
    assert trace.edges["index"] == [(pytest.approx(5e-6), True), (pytest.approx(1.000009), False)]
    assert trace.edges["encoder"] == [(pytest.approx(5e-6), False), (pytest.approx(7e-6), True)]
    header = source.header
    assert [(e.name, e.resolution_s) for e in header.edge_channels] == [
        ("index", 1e-6), ("encoder", 1e-6)
    ]  # fmt: skip
    assert header.channels == ()
    assert header.encoder_pulses == 4
    assert not header.simulated
    assert (header.notes["date"], header.notes["version"]) == ("today", "ours")


@pytest.mark.parametrize(
    "body",
    [
        "#0 0! #3 1! #4 1! #9 0!",  # a repeated level is no edge
        "#0 b0 ! #3 b1 ! #9 b0 !",  # vectors of one bit
        "0! #0 $dumpvars $end #3 1! #9 0!",  # a level before any time
        "#0 $dumpvars 0! $end #3 1! $comment x $end #9 0!",
        "#0 0! #3 1! #6 x! #7 1! #9 z! #9 0!",  # unknown for a while
        "#0 x! #1 0! #3 1! #9 0!",  # no edge out of the unknown
        "#0 0! #0 0! #3 1! 0? #4 1? #9 0!",  # a variable that is not ours
        "#0 L! #3 H! #9 l!",
        "#0\r\n0!\r\n#3\r\n1!\r\n#9\r\n0!\r\n",
    ],
)
def test_forms_of_changes(tmp_path: Path, body: str) -> None:
    _, trace = read(tmp_path / "a", HEAD + body + "\n")
    assert trace.edges["index"] == [(pytest.approx(3e-6), True), (pytest.approx(9e-6), False)]
    assert trace.edges["encoder"] == []
    assert trace.holes == []


@pytest.mark.parametrize(
    ("timescale", "tick_s"),
    [("1 s", 1), ("10ms", 1e-2), ("100 us", 1e-4), ("1ns", 1e-9), ("20 ns", 2e-8), ("1 fs", 1e-15)],
)
def test_timescales(tmp_path: Path, timescale: str, tick_s: float) -> None:
    text = HEAD.replace("1 us", timescale) + "#40 0!\n#43 1!\n#50 0!\n"
    source, trace = read(tmp_path / "a", text)
    assert [t for t, _ in trace.edges["index"]] == pytest.approx([3 * tick_s, 10 * tick_s])
    assert source.header.edge_channels[0].resolution_s == pytest.approx(tick_s)
    assert source.header.notes["first_time_s"] == pytest.approx(40 * tick_s)


def test_names_by_scope_and_column(tmp_path: Path) -> None:
    text = """$timescale 1 us $end
$scope module a $end $var wire 1 ! D0 $end $upscope $end
$scope module b $end $var wire 1 " D0 $end $var reg 1 # D [1] $end $upscope $end
$enddefinitions $end
#0 0! 0" 0# #1 1! #2 1" #3 1#
"""
    columns = {"index": "b.D0", "encoder": "D[1]"}
    _, trace = read(tmp_path / "a", text, ImportOptions(columns, kind="coil"))
    assert trace.edges == {
        "index": [(pytest.approx(2e-6), True)],
        "encoder": [(pytest.approx(3e-6), True)],
    }
    said = refused(tmp_path / "a", text, ImportOptions({"index": "D0"}, kind="coil"))
    assert "several variables are named 'D0'; say which by its scopes" in said
    said = refused(tmp_path / "a", text)
    assert "none of its variables is known, only 'D0', 'D0', 'D[1]'; say which" in said


@many
@given(
    st.lists(st.tuples(st.integers(0, 50), st.sampled_from("ie"), st.sampled_from("01xz"))),
    st.sampled_from(["1 us", "10 ns", "100 ps"]),
)
def test_an_independent_reader_finds_the_same(
    tmp_path: Path, steps: list[tuple[int, str, str]], timescale: str
) -> None:
    """vcdvcd reads what pyvcd's writer wrote; the edges from its list of changes."""
    path = tmp_path / "a"
    now = 0
    with path.open("w") as file, VCDWriter(file, timescale=timescale) as writer:
        variables = {
            "i": writer.register_var("bench", "index", "wire", 1),
            "e": writer.register_var("bench", "encoder", "wire", 1),
        }
        for step, which, level in steps:
            now += step
            writer.change(variables[which], now, level)
        writer.close(now + 1)
    theirs = independently_read(path)
    tick_s = float(theirs.timescale["timescale"])
    _, ours = read(path, path.read_text())
    for name in ("index", "encoder"):
        known = [(t, v) for t, v in theirs[f"bench.{name}"].tv if v in "01"]
        edges = [
            (t, v == "1") for (t, v), (_, old) in zip(known[1:], known, strict=False) if v != old
        ]
        assert [up for _, up in ours.edges[name]] == [up for _, up in edges]
        times = [float(t * tick_s) for t, _ in edges]
        assert [t for t, _ in ours.edges[name]] == pytest.approx(times, abs=1e-3 * tick_s)


def test_pieces_change_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(0)
    lines, tick = [], 0
    for n in range(3000):
        tick += int(rng.integers(1, 9))
        lines.append(f'#{tick}\n{n % 2}!\n{rng.integers(2)}"\n')
    text = HEAD + "".join(lines)
    sampled = REAL + "".join(
        f"#{4 * n}\nr{n % 50} p\n" * (n % 3 > 0) + f"{n // 5 % 2}!\n" for n in range(3000)
    )
    points = ImportOptions(scales={"points_v": 0.5})
    _, logic = read(tmp_path / "a", text)
    _, both = read(tmp_path / "b", sampled, points)
    for piece in (1, 7, 1000):
        monkeypatch.setattr(vcd, "_PIECE", piece)
        assert read(tmp_path / "a", text)[1].edges == logic.edges
        if piece > 1:  # the sample time is found from the first piece
            again = read(tmp_path / "b", sampled, points)[1]
            assert again.edges == both.edges
            np.testing.assert_array_equal(again.samples, both.samples)


def test_a_real_variable_carries_the_points(tmp_path: Path) -> None:
    values = [0.0, 12.5, 12.5, 12.25, -1.0, -1.0, -1.0, 3.0]
    text = REAL + "#96\n0!\n"
    for n, value in enumerate(values):
        text += f"#{100 + 4 * n}\n"
        if n == 0 or value != values[n - 1]:  # a VCD holds changes
            text += f"r{value} p\n"
        text += f"{n % 2}!\n"
    options = ImportOptions(scales={"points_v": 10.0}, delays={"points_v": 4e-6, "index": 1e-6})
    source, trace = read(tmp_path / "a", text, options)
    header = source.header
    assert header.sample_rate_hz == 250e3
    assert [(c.name, c.unit, c.delay_s) for c in header.channels] == [("points_v", "V", 4e-6)]
    assert header.edge_channels[0].delay_s == 1e-6
    assert header.notes["first_time_s"] == pytest.approx(100e-6)
    np.testing.assert_allclose(trace.samples, [np.multiply(values, 10)])
    assert trace.dtypes == {"<f4"}
    # Time counts from the first sample.
    assert [t for t, _ in trace.edges["index"]] == pytest.approx([4e-6 * n for n in range(1, 8)])


def test_a_sample_time_that_is_no_whole_tick(tmp_path: Path) -> None:
    """166,666.7 samples a second in whole microseconds: steps of 5, 6 and 7."""
    n = np.arange(80_000)
    ticks = np.floor(n * 5.988 + 0.3).astype(int)
    text = REAL + "".join(f"#{t}\nr{v} p\n" for t, v in zip(ticks, n % 5, strict=True))
    source, trace = read(tmp_path / "a", text, ImportOptions())
    assert source.header.sample_rate_hz == pytest.approx(1e6 / 5.988, rel=1e-6)
    np.testing.assert_array_equal(trace.samples, [n % 5])


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (REAL + STEADY + "#157\nr1 p\n", "line 86: the value is not on the sample time of 4 ticks"),
        (REAL + "#0\nr1 p\n#1\nr2 p\n#50\nr3 p\n#777\nr4 p\n", "not sampled uniformly"),
        (REAL + "#0\nr1 p\n", "points_v has fewer than two values"),
        (REAL + "#0\n1!\n", "points_v has fewer than two values"),
        (REAL + STEADY + "#9000000\nr1 p\n", "change too rarely"),
        (REAL + "#0\nr1 p\n#1\nrnan p\n", "line 8: points_v is no finite number"),
        (REAL + "#0\nr1 p\n#1\nr1e39 p\n", "line 8: points_v is no finite number"),
        (REAL + "#0\nr1 p\n#1\nrx p\n", "line 8: is no VCD"),
        (REAL.replace("1 us", "1 ps") + "#0\nr1 p\n#1\nr2 p\n", "samples a second"),
        (HEAD, "holds no voltage of the points, from which all is measured"),
        (HEAD.replace("encoder", "points_v"), "points_v is logic (wire), and its voltage"),
    ],
)
def test_points_that_are_none(tmp_path: Path, text: str, what: str) -> None:
    assert what in refused(tmp_path / "a", text, ImportOptions())


def test_a_small_file_does_not_become_a_long_trace(tmp_path: Path) -> None:
    text, tick = REAL + STEADY, 160
    for n in range(40):
        tick += 4 * 60_000
        text += f"#{tick}\nr{n} p\n"
    assert "change too rarely" in refused(tmp_path / "a", text, ImportOptions())


def test_simulated_is_said(tmp_path: Path) -> None:
    text = HEAD.replace("$date", "$comment simulated: true $end\n$date") + "#0 0!\n#1 1!\n"
    assert read(tmp_path / "a", text)[0].header.simulated


def test_a_vector_of_very_many_bits_is_no_level(tmp_path: Path) -> None:
    """It is longer than Python writes out as a number."""
    _, trace = read(tmp_path / "a", HEAD + "#0 0!\n#1 b" + "1" * 400_000 + " !\n#2 b1 !\n")
    assert trace.edges["index"] == [(pytest.approx(2e-6), True)]


def test_letters_of_any_language(tmp_path: Path) -> None:
    """In comments and names; the library that takes the file apart knows ASCII alone."""
    text = mutated("today", "t\u00f6day").replace(" index", " Geber_\u00fc")
    source, trace = read(
        tmp_path / "a", text, ImportOptions({"index": "Geber_\u00fc"}, kind="coil")
    )
    assert len(trace.edges["index"]) == 1
    assert source.header.notes["date"] == "t??day"


def test_simulated_is_said_among_other_lines(tmp_path: Path) -> None:
    text = HEAD.replace("$timescale", "$comment\n\tours\n\tsimulated: true\n$end\n$timescale", 1)
    source, _ = read(tmp_path / "a", text + "#0 0!\n#1 1!\n")
    assert source.header.simulated


def test_a_file_cut_within_a_word_is_read_to_the_last_whole_one(tmp_path: Path) -> None:
    path = tmp_path / "a"
    body = HEAD + "#100\n0!\n#200\n1!\n#300"
    for text in (body + "\n0", body[:-1]):  # of "0!"; of "#300"
        path.write_text(text)
        with open_trace(path, LOGIC) as source:
            edges, hole = source
        assert isinstance(edges, EdgeTimes)
        assert edges.time_s.tolist() == pytest.approx([100e-6])
        assert hole == Hole(0, 0, 0, "the file was cut short")


def mutated(old: str, new: str) -> str:
    assert old in HEAD
    return HEAD.replace(old, new, 1) + "#0 0!\n#1 1!\n"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (HEAD, "holds no changes; record or export it again"),
        (HEAD[:100], "it ends before $enddefinitions"),
        (mutated("$timescale 1 us $end\n", ""), "states no $timescale"),
        (mutated("1 us", "1 parsec"), " line 3: is no VCD (Invalid $timescale unit: parsec"),
        (mutated("1 us", "0 us"), " line 3: $timescale of 0 us"),
        (mutated("1 us", "9" * 3000 + " us"), " line 3: $timescale of 999"),
        (mutated("1 us", "9" * 9000 + " us"), " line 2: after this line, something that is no"),
        (mutated("wire 1 !", "wire 8 !"), "index is wire of 8 bits, not logic of one bit"),
        (mutated("wire 1 !", "real 1 !"), "index is real of 1 bits, not logic"),
        (mutated("wire 1 !", "colour 1 !"), " line 5: is no VCD (Invalid $var type: colour"),
        (mutated("encoder", "index"), "several variables are named 'index'"),
        (mutated("$upscope $end", "$upscope $end\n" * 2), " line 8: $upscope without a $scope"),
        (mutated("$upscope", "$scope module a $end\n" * 300 + "$upscope"), "scopes nest deeper"),
        (mutated("$upscope $end", "#5 1!"), " line 7: a change before $enddefinitions"),
        (HEAD + "#5 0!\n#4 1!\n", " line 10: the time goes backwards"),
        (HEAD + "#5 0!\n#99999999999999999999 1!\n", " line 10: the time is beyond all use"),
        (HEAD + f"#5 0!\n#{'9' * 6000} 1!\n", "something that is no VCD"),
        (HEAD + "#5 0!\n#1.5 1!\n", " line 10: is no VCD (Expected zero fraction"),
        (HEAD + "#5 0!\n?\n", " line 10: is no VCD (confused: ?)"),
        (HEAD + "#5 0!\n$dumpoff x! $end\n", " line 10: the dump was switched off here"),
        (HEAD + "#5 0!\n1" + "!" * 5_000_000 + "\n", " line 9: after this line, something without"),
        (HEAD + "#5 0!\nb" + "1" * 1_000_000 + " !\n", "something without end"),
        (HEAD + "#5 0!\n$comment " + "x " * 500_000 + "$end\n", "something without end"),
        (HEAD + "#5 0!\n" + " " * 1_000_000 + "#6 1!\n", "something without end"),
        (HEAD + "#5 0!\n$comment x\n", ""),  # a comment that the end of the file cuts
    ],
)
def test_what_cannot_be_read(tmp_path: Path, text: str, what: str) -> None:
    if not what:
        assert read(tmp_path / "a", text)[1].edges["index"] == []
        return
    tracemalloc.start()
    try:
        assert what in refused(tmp_path / "a", text)
        assert tracemalloc.get_traced_memory()[1] < 45e6
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (ImportOptions({"index": "D7"}, kind="coil"), "no variable 'D7' for index, only 'index'"),
        (ImportOptions({"encoder": "index"}, kind="coil"), "index and encoder are one variable"),
        (ImportOptions({"time_s": "t"}, kind="coil"), "leave --column time_s out"),
        (ImportOptions(scales={"time_s": 2.0}, kind="coil"), "leave --scale time_s out"),
        (ImportOptions(scales={"index": 2.0}, kind="coil"), "index is logic and has no scale"),
        (ImportOptions(delays={"spark": 1e-6}, kind="coil"), "no variable for --delay spark"),
    ],
)
def test_options_that_do_not_fit(tmp_path: Path, options: ImportOptions, what: str) -> None:
    assert what in refused(tmp_path / "a", HEAD + "#0 0!\n#1 1!\n", options)


def test_definitions_without_end_are_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("breakerbench.sources.vcd_tokens._MAX_DEFINITIONS", 20_000)
    text = "$timescale 1 us $end\n" + "$var wire 1 ! index $end\n" * 30_000
    assert "more than 20000 definitions" in refused(tmp_path / "a", text)


def test_a_disk_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Failing(files.FileIO):
        def readinto(self, _buffer: bytearray, /) -> int:  # type: ignore[override]
            raise OSError(5, "Input/output error")

    path = tmp_path / "a"
    path.write_text(HEAD)
    monkeypatch.setattr(files, "FileIO", Failing)
    with pytest.raises(BadInput, match="input/output error"):
        VcdSource(path, LOGIC)


@many
@given(
    base=st.sampled_from([HEAD + "#0 0!\n#5 1!\n#9 0!\n", REAL + STEADY]),
    changes=st.lists(
        st.tuples(
            st.integers(0, 400), st.integers(0, 3), st.binary(max_size=4) | st.just(b"$end ")
        ),
        max_size=4,
    ),
    cut=st.none() | st.integers(20, 300),
)
def test_a_changed_file_is_read_or_refused_in_one_line(
    tmp_path: Path, base: str, changes: list[tuple[int, int, bytes]], cut: int | None
) -> None:
    data = bytearray(base.encode())
    for at, length, new in changes:
        data[at : at + length] = new
    path = tmp_path / "a"
    path.write_bytes(bytes(data[:cut]) or b"x")
    refusal = None
    try:
        with VcdSource(path, LOGIC) as source:
            trace = whole(source.header, source)
    except BadInput as error:
        refusal = error
    if refusal:
        assert str(refusal).startswith(str(path))
        assert str(refusal).isprintable()
    else:
        assert all(np.isfinite(s).all() for s in trace.samples)
        assert all(t >= 0 for found in trace.edges.values() for t, _ in found)


@many
@given(st.binary(max_size=200))
def test_anything_after_the_definitions(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a"
    path.write_bytes(HEAD.encode() + data)
    try:
        with VcdSource(path, LOGIC) as source:
            whole(source.header, source)
    except BadInput as error:
        said = str(error)
    else:
        return
    assert said.startswith(str(path))
    assert said.isprintable()
