"""Exports: what other libraries find in them, and what our own imports read back."""

from __future__ import annotations

import csv
import dataclasses
import shlex
import warnings
import wave
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io.wavfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.cli.analyze import import_options
from breakerbench.cli.main import build_parser
from breakerbench.errors import BadInput
from breakerbench.sources import paired as paired_module
from breakerbench.sources.export import Kept, kept
from breakerbench.sources.open import open_trace
from breakerbench.sources.stretch import Stretch
from breakerbench.sources.write_csv import decimals_of, write_csv
from breakerbench.sources.write_vcd import timescale, write_vcd
from breakerbench.sources.write_wav import coding, scales_of, write_wav
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header, Hole

from .independent_vcd import independently_read
from .traces import HEADER, ListSource, Whole, made_trace, traces, whole

many = settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
FORMS = ("csv", "wav", "vcd")


def export(path: Path, form: str, header: Header, events: Sequence[Event]) -> Kept:
    source = ListSource(header, events)
    scales = scales_of(source) if form == "wav" else None
    says = kept(header, form, str(path), "here.bbr", scales)
    write: Any = {"csv": write_csv, "wav": write_wav, "vcd": write_vcd}[form]
    write(path, source, "here.bbr", says.facts)
    return says


def read_back(says: Kept) -> tuple[Header, Whole]:
    """By the very command that the export names."""
    args = build_parser("analyze").parse_args(list(says.words[1:]))
    with open_trace(args.file, import_options(args)) as source:  # type: ignore[attr-defined]
        return source.header, whole(source.header, source)


def in_units(header: Header, trace: Whole) -> dict[str, np.ndarray]:
    return {
        c.name: (c.zero + c.scale * s).astype(np.float32)
        for c, s in zip(header.channels, trace.samples, strict=True)
    }


def level_at(edges: list[tuple[float, bool]], time_s: float) -> bool:
    before = [up for at, up in edges if at <= time_s + 1e-12]
    return before[-1] if before else not edges[0][1] if edges else False


def square(name: str, step_s: float, end_s: float) -> EdgeTimes:
    ticks = np.arange(1, int(end_s / step_s)) * round(step_s / 16e-9)
    return EdgeTimes(name, ticks * 16e-9, np.arange(len(ticks)) % 2 == 0)


@pytest.fixture(scope="module")
def events() -> list[Event]:
    """Half a second of noise, an index and an encoder, cut into blocks."""
    made = made_trace(0.5)
    blocks = [event for event in made if isinstance(event, Block)]
    return [square("index", 0.02, 0.5), square("encoder", 250e-6, 0.5), *blocks]


@pytest.mark.parametrize("form", FORMS)
def test_what_is_read_back(tmp_path: Path, form: str, events: list[Event]) -> None:
    path = tmp_path / f"a.{form}"
    header, trace = read_back(export(path, form, HEADER, events))
    ours = whole(HEADER, events)
    fields = ("kind", "simulated", "encoder_pulses", "temperature_c", "vacuum_steps", "probe_ohm")
    assert header.pickup_sense == HEADER.pickup_sense
    for field in fields:
        assert getattr(header, field) == getattr(HEADER, field), field
    assert header.u_series_share == pytest.approx(0.005, rel=1e-8)
    assert header.u_supply_share is None
    assert [c.u_gain for c in header.channels[:2]] == [None, pytest.approx(0.002, rel=1e-8)]
    assert header.sample_rate_hz == HEADER.sample_rate_hz
    # A time offset can only be told as a delay the other way.
    delays = {c.name: c.delay_s for c in (*header.channels, *header.edge_channels)}
    assert delays["points_v"] == pytest.approx(5e-6, rel=1e-8)
    assert delays["current_a"] == pytest.approx(-2e-6, rel=1e-8)
    assert delays["index"] == pytest.approx(1e-6, rel=1e-8)
    back = in_units(header, trace)
    for name, wanted in in_units(HEADER, ours).items():
        np.testing.assert_array_equal(back[name], wanted)
    assert trace.end == ours.end
    assert trace.holes == []
    for name, edges in ours.edges.items():
        if form == "vcd":
            assert [up for _, up in trace.edges[name]] == [up for _, up in edges]
            np.testing.assert_allclose(
                [at for at, _ in trace.edges[name]], [at for at, _ in edges], atol=0.51e-9
            )
        else:
            levels = back[name] > 0.1
            wanted = [level_at(edges[:40], n / 250e3) for n in range(1000)]
            assert levels[:1000].tolist() == wanted


def test_python_reads_the_csv(tmp_path: Path, events: list[Event]) -> None:
    path = tmp_path / "a.csv"
    says = export(path, "csv", HEADER, events)
    lines = path.read_text().splitlines()
    assert lines[: len(says.facts)] == [f"# {fact}" for fact in says.facts]
    assert lines[0] == "# simulated: true"
    assert any(line.startswith("# read with: breakerbench analyze a.csv --delay") for line in lines)
    rows = list(csv.DictReader(lines[len(says.facts) :]))
    assert list(rows[0]) == ["time_s", "points_v", "current_a", "index", "encoder"]
    assert [row["time_s"] for row in rows[:3]] == ["0.000000", "0.000004", "0.000008"]
    ours = in_units(HEADER, whole(HEADER, events))
    for name, wanted in ours.items():
        np.testing.assert_array_equal(np.array([row[name] for row in rows], np.float32), wanted)


def test_scipy_and_the_standard_library_read_the_wav(tmp_path: Path, events: list[Event]) -> None:
    path = tmp_path / "a.wav"
    export(path, "wav", HEADER, events)
    ours = in_units(HEADER, whole(HEADER, events))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", scipy.io.wavfile.WavFileWarning)  # chunks it knows not
        rate, data = scipy.io.wavfile.read(path)
    assert rate == 250_000
    words = list(kept(HEADER, "wav", "a", "b", scales_of(ListSource(HEADER, events))).words)
    if data.dtype == np.int16:
        scale = float(words[words.index("--scale") + 1].partition("=")[2])
        with wave.open(str(path)) as file:
            assert file.getsampwidth() == 2
            frames = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 4)
        np.testing.assert_array_equal(frames, data)
    else:
        scale = 32768.0
    points = data[:, 0] / 32768 * scale
    np.testing.assert_allclose(points, ours["points_v"], rtol=1e-6)


def test_counts_of_a_converter_stay_counts(tmp_path: Path) -> None:
    """12 bits about zero, as the board has them: 16 bits, finer by whole factors, exactly."""
    channel = Channel("points_v", "V", 40 / 4096, -20.0, rail_counts=(0.0, 4095.0))
    header = Header(48_000.0, (channel,))
    counts = np.random.default_rng(3).integers(0, 4096, 9000).astype(np.int16)
    path = tmp_path / "a.wav"
    says = export(path, "wav", header, [Block(0, (counts,))])
    with wave.open(str(path)) as file:
        frames = np.frombuffer(file.readframes(9000), "<i2")
    np.testing.assert_array_equal(frames, (counts.astype(int) - 2048) * 16)
    assert says.words[5:] == ("--scale", "points_v=20")
    back, trace = read_back(says)
    np.testing.assert_array_equal(in_units(back, trace)["points_v"], counts / 4096 * 40 - 20)


def test_another_library_reads_the_vcd(tmp_path: Path, events: list[Event]) -> None:
    path = tmp_path / "a.vcd"
    export(path, "vcd", HEADER, events)
    found = independently_read(path)
    assert float(found.timescale["timescale"]) == pytest.approx(1e-9)
    ours = whole(HEADER, events)
    for name, wanted in in_units(HEADER, ours).items():
        changes = found[f"breakerbench.{name}"].tv
        at = {tick: float(value) for tick, value in changes}
        numbers = np.arange(2000) * 4000
        np.testing.assert_array_equal(np.array([at[n] for n in numbers], np.float32), wanted[:2000])
    for name, edges in ours.edges.items():
        changes = [(tick, value) for tick, value in found[f"breakerbench.{name}"].tv if tick]
        assert changes == [(round(at * 1e9), str(int(up))) for at, up in edges]


# What the source was cut into must not show, and levels are those of the definition.


@st.composite
def alternating(draw: st.DrawFn) -> tuple[list[tuple[float, bool]], int]:
    """Edges that take turns, and the number of samples at 1 kHz."""
    count = draw(st.integers(2, 60))
    ticks = sorted(draw(st.lists(st.integers(0, count * 1000), max_size=12, unique=True)))
    times = [tick / 1e6 for tick in ticks]
    up = draw(st.booleans())
    return [(at, up ^ (n % 2 == 1)) for n, at in enumerate(times)], count


def cut_up(draw: st.DrawFn, edges: list[tuple[float, bool]], samples: np.ndarray) -> list[Event]:
    events: list[Event] = []
    at = first = 0
    while first < len(samples):
        size = draw(st.integers(1, len(samples)))
        end = min(first + size, len(samples))
        n = sum(time_s < end / 1e3 for time_s, _ in edges)
        given = [EdgeTimes("index", np.array([t]), np.array([u])) for t, u in edges[at:n]]
        block = [Block(first, (samples[first:end],))]
        events += block + given if draw(st.booleans()) else given + block
        first, at = end, n
    rest = edges[at:]
    if rest:
        events.append(
            EdgeTimes("index", np.array([t for t, _ in rest]), np.array([u for _, u in rest]))
        )
    return events


SMALL = Header(1000.0, (Channel("points_v", "V", 0.01),), (EdgeChannel("index"),))


@many
@given(case=alternating(), data=st.data(), form=st.sampled_from(FORMS))
def test_the_file_does_not_depend_on_the_blocks(
    tmp_path: Path, case: tuple[list[tuple[float, bool]], int], data: st.DataObject, form: str
) -> None:
    edges, count = case
    samples = np.random.default_rng(count).integers(-999, 999, count).astype(np.int16)
    path = tmp_path / "a"
    written = set()
    for rows in (1 << 16, data.draw(st.integers(1, 9))):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(paired_module, "_ROWS", rows)
            export(path, form, SMALL, data.draw(st.composite(cut_up)(edges, samples)))
        content = path.read_bytes()
        written.add(content.partition(b"PEAK")[2][16:] if b"PEAK" in content else content)
    assert len(written) == 1
    if form == "csv":
        rows_of = [line.split(",") for line in path.read_text().splitlines() if line[0].isdigit()]
        assert [row[2] == "1" for row in rows_of] == [
            level_at(edges, n / 1e3) for n in range(count)
        ]


@many
@given(
    case=alternating(),
    data=st.data(),
    first=st.integers(0, 30),
    length=st.integers(1, 60),
)
def test_a_stretch_is_what_lies_between(
    case: tuple[list[tuple[float, bool]], int], data: st.DataObject, first: int, length: int
) -> None:
    edges, count = case
    samples = np.arange(count).astype(np.int16)
    source = ListSource(SMALL, data.draw(st.composite(cut_up)(edges, samples)))
    cut = Stretch(source, "here", first / 1e3, (first + length) / 1e3)
    if first >= count:
        with pytest.raises(BadInput, match="here: no sample lies between"):
            list(cut)
        return
    trace = whole(cut.header, cut)
    np.testing.assert_array_equal(trace.samples[0], samples[first : first + length])
    inside = [
        (at - first / 1e3, up) for at, up in edges if first / 1e3 <= at < (first + length) / 1e3
    ]
    assert [up for _, up in trace.edges["index"]] == [up for _, up in inside]
    np.testing.assert_allclose([t for t, _ in trace.edges["index"]], [t for t, _ in inside])


def test_a_stretch_carries_the_vacuum_on() -> None:
    steps = ((0.0, 0.0), (1.0, 10.0), (2.0, 20.0), (3.0, 30.0))
    header = dataclasses.replace(SMALL, vacuum_steps=steps)
    source = ListSource(header, [Block(0, (np.zeros(5000, np.int16),))])
    assert Stretch(source, "", 1.5, None).header.vacuum_steps == ((0, 10), (0.5, 20), (1.5, 30))
    assert Stretch(source, "", 2.0, 2.5).header.vacuum_steps == ((0, 20), (1, 30))
    assert Stretch(source, "", None, 2.5).header.vacuum_steps == steps
    assert Stretch(source, "", 1.5, None).header.notes["from_s"] == 1.5


@pytest.mark.parametrize("form", FORMS)
def test_a_hole_is_never_closed(tmp_path: Path, form: str) -> None:
    block = np.arange(3000).astype(np.int16)
    events: list[Event] = [
        Block(0, (block,)),
        Hole(3000, 3500, 2, "frame refused"),
        Block(3500, (block,)),
        Hole(6500, 7000, 0, "cut short"),
    ]
    with pytest.raises(
        BadInput, match=r"a hole of 0\.5 s at 3 s \(frame refused\), which .* can"
    ) as e:
        export(tmp_path / "a", form, SMALL, events)
    assert e.value.mend.startswith("export one side of it with --to 3.000000 or --from 3.500000")
    for low, high in ((None, 3.0), (3.5, None), (3.6, 9.0), (3.2, None)):
        source = Stretch(ListSource(SMALL, events), "here", low, high)
        part = list(source)
        if low == 3.2:  # it begins within the hole
            with pytest.raises(BadInput, match=r"a hole of 0\.3 s at 0 s"):
                export(tmp_path / "a", form, source.header, part)
            continue
        says = export(tmp_path / "a", form, source.header, part)
        header, trace = read_back(says)
        expected = block[100:] if low == 3.6 else block
        np.testing.assert_array_equal(
            in_units(header, trace)["points_v"], (expected * 0.01).astype(np.float32)
        )
    # Without a hole to state, the clock that went on alone is one.
    with pytest.raises(BadInput, match="a hole of"):
        export(tmp_path / "a", form, SMALL, [events[0], events[2]])


def test_edges_of_one_direction_get_the_other(tmp_path: Path) -> None:
    """As a counter stamps them: the line must come back before it can rise again."""
    header = dataclasses.replace(SMALL, edge_channels=(EdgeChannel("encoder", 1e-6),))
    rises = np.arange(9, 900, 9) / 1e3
    some: list[Event] = [
        EdgeTimes("encoder", part, np.ones(len(part), bool)) for part in np.array_split(rises, 7)
    ]
    events = [*some, Block(0, (np.arange(900).astype(np.int16),))]
    _, trace = read_back(export(tmp_path / "a.vcd", "vcd", header, events))
    edges = trace.edges["encoder"]
    assert [up for _, up in edges] == [True, False] * len(rises)
    np.testing.assert_allclose([at for at, up in edges if up], rises, atol=1e-9)
    falls = np.array([at for at, up in edges if not up])
    np.testing.assert_allclose(falls, rises + 0.003, atol=1e-9)
    source, levels = ListSource(header, events), None
    levels = write_csv(tmp_path / "a.csv", source, "", [])
    assert levels.lost == {"encoder": 0}
    assert levels.seen == {"encoder": 2 * len(rises)}


def test_edges_too_late_are_refused(tmp_path: Path) -> None:
    block = np.arange(100).astype(np.int16)
    late = EdgeTimes("index", np.array([0.05]), np.array([True]))
    events = [Block(0, (block,)), Block(100, (block,)), late, Block(200, (block,))]
    for form in FORMS:
        with pytest.raises(BadInput, match="edges of index come after the samples of their time"):
            export(tmp_path / "a", form, SMALL, events)


@pytest.mark.parametrize(
    ("rate", "decimals"),
    [(250e3, 6), (1e3, 3), (1.0, 0), (96e3, 9), (1e6 / 6, 6), (166_667.0, 10), (3.0, 5)],
)
def test_decimals_of_the_time(rate: float, decimals: int) -> None:
    """Exact where the sample time has a short form, else to a ten-thousandth of it."""
    assert decimals_of(1 / rate) == decimals


@many
@given(rate=st.floats(1.0, 1e6), count=st.integers(300, 3000))
def test_any_sample_rate_comes_back(tmp_path: Path, rate: float, count: int) -> None:
    header = dataclasses.replace(SMALL, sample_rate_hz=rate)
    samples = np.random.default_rng(count).integers(-99, 99, count).astype(np.int16)
    events = [EdgeTimes("index", np.array([3.5]) / rate, np.array([True])), Block(0, (samples,))]
    for form in ("csv", "vcd"):
        back, trace = read_back(export(tmp_path / "a", form, header, events))
        assert back.sample_rate_hz == pytest.approx(rate, rel=2e-6)
        assert trace.end == count


def test_the_timescale() -> None:
    assert timescale(HEADER) == ("1 ns", 1e-9)
    fast = dataclasses.replace(HEADER, sample_rate_hz=50e6)
    assert timescale(fast) == ("10 ps", 1e-11)
    odd = dataclasses.replace(HEADER, edge_channels=(EdgeChannel("index", 12.5e-9),))
    assert timescale(odd) == ("100 ps", 1e-10)


@many
@given(text=st.text(max_size=60), simulated=st.booleans(), form=st.sampled_from(FORMS))
def test_no_text_gets_out_of_its_place(
    tmp_path: Path, text: str, simulated: bool, form: str
) -> None:
    """Whatever a note says: it does not end a comment, and simulated stays what it was."""
    header = dataclasses.replace(
        SMALL,
        simulated=simulated,
        origin=text,
        notes={text: text, "a": f"x\nsimulated: true\n$end\n{text}", "simulated": "yes"},
    )
    block = Block(0, (np.arange(-200, 200).astype(np.int16),))
    back, trace = read_back(export(tmp_path / "a", form, header, [block]))
    assert back.simulated is simulated
    assert trace.end == 400


def test_figures_below_nothing_are_read_back() -> None:
    header = dataclasses.replace(SMALL, supply_v=-6.1e-05, temperature_c=-3.5e-04)
    says = kept(header, "csv", "run.csv", "here.bbr")
    args = build_parser("analyze").parse_args(list(says.words[1:]))
    assert (args.supply_v, args.temperature_c) == (-6.1e-05, -3.5e-04)


def test_a_scale_that_no_pcm_can_hold_goes_out_as_float() -> None:
    assert coding(Channel("points_v", "V", scale=1e-304, zero=69.0)) is None
    assert coding(Channel("points_v", "V", scale=0.01, zero=1000.0)) is None
    assert coding(Channel("points_v", "V", scale=0.01)) is not None


@many
@given(trace=traces(), form=st.sampled_from(FORMS))
def test_any_trace_goes_out_or_is_refused(
    tmp_path: Path, trace: tuple[Header, list[Event]], form: str
) -> None:
    """Odd names, scales, rates, times and holes: a file that is read back, or one line."""
    header, events = trace
    refusal, back = None, None
    try:
        says = export(tmp_path / "a", form, header, events)
    except BadInput as error:
        refusal = error
    if refusal is None:
        assert says.facts[0].startswith("simulated") == header.simulated
        try:
            back = read_back(says)
        except BadInput as error:
            refusal = error
    else:
        assert refusal.where == "here.bbr"
    if refusal is not None:
        assert str(refusal).isprintable()
    elif back is not None:
        assert back[0].simulated == header.simulated
        assert back[1].end == sum(len(event) for event in events if isinstance(event, Block))


def test_a_wav_wants_a_whole_sample_rate(tmp_path: Path) -> None:
    block = Block(0, (np.arange(50).astype(np.int16),))
    for rate in (0.4, 1.5, 1e-3):
        header = dataclasses.replace(SMALL, sample_rate_hz=rate)
        with pytest.raises(BadInput, match="and a WAV whole numbers of them; export it as CSV"):
            export(tmp_path / "a", "wav", header, [block])
    header = dataclasses.replace(SMALL, sample_rate_hz=1e6 / 6)
    says = export(tmp_path / "a", "wav", header, [block])
    assert "sample rate 166666.6667 Hz: 166667 in the file" in says.lost


def test_every_word_read_back_is_one_that_a_shell_takes() -> None:
    says = kept(HEADER, "csv", "my run.csv", "here.bbr")
    assert shlex.split(shlex.join(says.words)) == list(says.words)
    assert "'my run.csv'" in shlex.join(says.words)
    lost = " ".join(says.lost)
    for word in ("index and encoder", "time offset of current_a", "delay of points_v", "0.01 deg"):
        assert word in lost
