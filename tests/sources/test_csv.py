"""CSV imports: a table of files, with what must come out of each; and Python's own csv as judge."""

from __future__ import annotations

import csv
import math
import tracemalloc
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.sources import csv as csv_source
from breakerbench.sources import csv_rows
from breakerbench.sources.csv import CsvSource
from breakerbench.sources.csv_head import MAX_LINE
from breakerbench.sources.options import ImportOptions
from breakerbench.sources.recording import RecordingSource, write_recording
from breakerbench.trace import Block

from .traces import whole

many = settings(
    max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)


def read(
    path: Path, data: bytes, options: ImportOptions | None = None
) -> tuple[CsvSource, dict[str, list[float]]]:
    """The source and its channels, as Python floats."""
    path.write_bytes(data)
    with CsvSource(path, options) as source:
        first = 0
        columns: dict[str, list[float]] = {c.name: [] for c in source.header.channels}
        for event in source:
            assert isinstance(event, Block)
            assert event.first == first
            first += len(event)
            for channel, samples in zip(source.header.channels, event.samples, strict=True):
                assert samples.dtype == np.float32
                columns[channel.name] += samples.tolist()
        assert source.progress() == (len(data), len(data))
    return source, columns


class Good(NamedTuple):
    data: bytes
    columns: Mapping[str, list[float]]
    rate_hz: float = 1000.0
    options: Mapping[str, Any] = {}
    notes: Mapping[str, Any] = {}


PLAIN = {"points_v": [1.0, 2.5, -3.0]}
GOOD = {
    "plain": Good(b"time_s,points_v\n0,1\n0.001,2.5\n0.002,-3\n", PLAIN),
    "no line end at the end": Good(b"time_s,points_v\n0,1\n0.001,2.5\n0.002,-3", PLAIN),
    "CRLF": Good(b"time_s,points_v\r\n0,1\r\n0.001,2.5\r\n0.002,-3\r\n", PLAIN),
    "blank lines at the end": Good(
        b"time_s,points_v\n0,1\n0.001,2.5\n0.002,-3\n\n  \n\r\n\n", PLAIN
    ),
    "very many blank lines at the end": Good(
        b"time_s,points_v\n0,1\n0.001,2.5\n0.002,-3\n" + b" \r\n" * 200_000, PLAIN
    ),
    "CRLF and blank lines at the end": Good(
        b"time_s,points_v\r\n0,1\r\n0.001,2.5\r\n0.002,-3\r\n\r\n\r\n", PLAIN
    ),
    "byte-order mark": Good(b"\xef\xbb\xbftime_s,points_v\n0,1\n0.001,2.5\n0.002,-3\n", PLAIN),
    "byte-order mark and comment": Good(
        b"\xef\xbb\xbf# scope: ours\ntime_s,points_v\n0,1\n0.001,2.5\n0.002,-3\n",
        PLAIN,
        notes={"scope": "ours"},
    ),
    "semicolons": Good(b"time_s;points_v\n0;1\n0.001;2.5\n0.002;-3\n", PLAIN),
    "tabs": Good(b"time_s\tpoints_v\n0\t1\n0.001\t2.5\n0.002\t-3\n", PLAIN),
    "semicolons and decimal comma": Good(b"time_s;points_v\n0;1\n0,001;2,5\n0,002;-3,0\n", PLAIN),
    "tabs and decimal comma": Good(b"time_s\tpoints_v\n0\t1\n0,001\t2,5\n0,002\t-3\n", PLAIN),
    "quoted decimal comma": Good(
        b'"time_s","points_v"\n"0","1"\n"0,001","2,5"\n"0,002","-3"\n', PLAIN
    ),
    "decimal comma with exponent": Good(
        b"time_s;points_v\n0,0E+00;1\n1,0E-03;25,0E-1\n2,0E-03;-3\n", PLAIN
    ),
    "spreadsheet's separator line": Good(
        b"sep=;\r\ntime_s;points_v\r\n0;1\r\n0,001;2,5\r\n0,002;-3\r\n", PLAIN
    ),
    "quoted header": Good(b'"time_s","points_v"\n0,1\n0.001,2.5\n0.002,-3\n', PLAIN),
    "spaces": Good(b" time_s , points_v \n 0 , 1 \n0.001,\t2.5\n  0.002,  -3\n", PLAIN),
    "forms of numbers": Good(
        b"time_s,points_v\n0e0,+1\n1E-3,.25e1\n2.e-03,-3.000000000000000000000000\n", PLAIN
    ),
    "comments": Good(
        b"# bench: ours\n#\n# free text\n\n#Date : today: noon\ntime_s,points_v\n0,1\n"
        b"0.001,2.5\n0.002,-3\n",
        PLAIN,
        notes={"bench": "ours", "Date": "today: noon", "comments": ["free text"]},
    ),
    "columns in any order": Good(
        b"encoder,points_v,time_s,index\n1,1,0,5\n0,2.5,0.001,0\n1,-3,0.002,5\n",
        {**PLAIN, "index": [5.0, 0.0, 5.0], "encoder": [1.0, 0.0, 1.0]},
    ),
    "all channels": Good(
        b"time_s,points_v,contact_v,current_a,supply_v,condenser_v,spark,index,encoder\n"
        b"0,1,2,3,4,5,6,7,8\n1e-3,1,2,3,4,5,6,7,8\n",
        {"points_v": [1.0, 1.0]}
        | {
            name: [float(n)] * 2
            for n, name in enumerate(
                ("contact_v", "current_a", "supply_v", "condenser_v", "spark", "index", "encoder"),
                2,
            )
        },
    ),
    "unknown columns hold anything": Good(
        b'n,time_s,remark,points_v,n\n,0,"a, b",1,x\n7,0.001,\xff\xfe,2.5,\n8,0.002,nan,-3,1\n',
        PLAIN,
        notes={"columns passed over": ["n", "remark", "n"]},
    ),
    "a first column without a name": Good(
        b"\ttime_s\tpoints_v\n0\t0\t1\n1\t0.001\t2.5\n2\t0.002\t-3\n",
        PLAIN,
        notes={"columns passed over": [""]},
    ),
    "separator line with a tab": Good(
        b"sep=\t\ntime_s\tpoints_v\n0\t1\n0.001\t2.5\n0.002\t-3\n", PLAIN
    ),
    "separator at the end of every row": Good(
        b"time_s,points_v,\n0,1,\n0.001,2.5,\n0.002,-3,\n",
        PLAIN,
        notes={"columns passed over": [""]},
    ),
    "decimal comma beside an unknown column with points": Good(
        b"when;time_s;points_v\n1.2.2001;0;1\n1.2.2001;0,001;2,5\n1.2.2001;0,002;-3\n",
        PLAIN,
        notes={"columns passed over": ["when"]},
    ),
    "named columns": Good(
        b"Time [ms];CH1 (V)\n0;10\n1;25\n2;-30\n",
        PLAIN,
        options={
            "columns": {"time_s": "Time [ms]", "points_v": "CH1 (V)"},
            "scales": {"time_s": 1e-3, "points_v": 0.1},
        },
    ),
    "a named column stands before one with the name": Good(
        b"time_s,points_v,CH2\n0,9,1\n0.001,9,2.5\n0.002,9,-3\n",
        PLAIN,
        options={"columns": {"points_v": "CH2"}},
        notes={"columns passed over": ["points_v"]},
    ),
    "one column for two channels": Good(
        b"time_s,CH1\n0,1\n0.001,2.5\n0.002,-3\n",
        {**PLAIN, "contact_v": [1.0, 2.5, -3.0]},
        options={"columns": {"points_v": "CH1", "contact_v": "CH1"}},
    ),
    "a comma in a name of a table with semicolons": Good(
        b"time_s;points_v;U, other\n0;1;1\n0.001;2.5;1\n0.002;-3;1\n",
        PLAIN,
        notes={"columns passed over": ["U, other"]},
    ),
    "a western code page": Good(
        b"# Pr\xfcfer: ich\ntime_s,points_v,\xb5s\n0,1,1\n0.001,2.5,1\n0.002,-3,1\n",
        PLAIN,
        notes={"Prüfer": "ich", "columns passed over": ["µs"]},
    ),
    "blank lines before the numbers": Good(
        b"time_s,points_v\n\n \r\n0,1\n0.001,2.5\n0.002,-3\n", PLAIN
    ),
    "units below the names": Good(b"time_s,points_v\ns,V\n0,1\n0.001,2.5\n0.002,-3\n", PLAIN),
    "units below the names that change the figures": Good(
        b"Time,CH1,CH2\n(ms),(mV),(mA)\n\n0,1000,5\n1,2500,5\n2,-3000,5\n",
        PLAIN | {"current_a": [float(np.float32(0.005))] * 3},
        options={"columns": {"time_s": "Time", "points_v": "CH1", "current_a": "CH2"}},
    ),
    "units in brackets": Good(
        "Time [\u00b5s];CH1 (mV);CH2 [V]\n-1000;1000,0;5\n0;2500,0;5\n1000;-3000,0;5\n".encode(),
        PLAIN | {"index": [5.0, 5.0, 5.0]},
        options={"columns": {"time_s": "Time", "points_v": "CH1", "index": "CH2"}},
        notes={"first_time_s": -0.001},
    ),
    "a scale that is told stands before the unit": Good(
        b"Time (ms),CH1 (mV)\n0,10\n1,25\n2,-30\n",
        PLAIN,
        options={"columns": {"time_s": "Time", "points_v": "CH1"}, "scales": {"points_v": 0.1}},
    ),
    "a bracket that holds no unit": Good(
        b"time_s,CH1 (filtered)\n0,1\n0.001,2.5\n0.002,-3\n",
        PLAIN,
        options={"columns": {"points_v": "CH1 (filtered)"}},
    ),
    "keys and values before the names": Good(
        b'"Model","of the test"\r\nTrigger,,2.5,V\r\nTime,12:30\r\n\r\nnothing more\r\n'
        b'Time,CH1\r\n"s","V"\r\n0,1\r\n0.001,2.5\r\n0.002,-3\r\n',
        PLAIN,
        options={"columns": {"time_s": "Time", "points_v": "CH1"}},
        notes={
            "Model": "of the test",
            "Trigger": "2.5 V",
            "Time": "12:30",
            "comments": ["nothing more"],
        },
    ),
    "keys with colons before the names": Good(
        b"Logger: ours\nChannels: 2\ntime_s\tpoints_v\n0\t1\n0.001\t2.5\n0.002\t-3\n",
        PLAIN,
        notes={"Logger": "ours", "Channels": "2"},
    ),
    "names behind a #": Good(
        b"# ours\n# time_s points_v\n# time_s,points_v\n0,1\n0.001,2.5\n0.002,-3\n",
        PLAIN,
        notes={"comments": ["ours", "time_s points_v"]},
    ),
    "a separator at the end of the numbers alone": Good(
        b"time_s,points_v\n0,1,\n0.001,2.5,\n0.002,-3,\n",
        PLAIN,
        notes={"columns passed over": [""]},
    ),
    "a separator at the end of the names alone": Good(
        b"time_s,points_v,\n0,1\n0.001,2.5\n0.002,-3\n", PLAIN
    ),
    "two rows": Good(b"time_s,points_v\n0,1\n1,2\n", {"points_v": [1.0, 2.0]}, 1.0),
    "a time before zero": Good(
        b"time_s,points_v\n-0.001,1\n0,2.5\n0.001,-3\n", PLAIN, notes={"first_time_s": -0.001}
    ),
    "too small for a float": Good(
        b"time_s,points_v\n0,1e-400\n0.001,-1e-60\n", {"points_v": [0.0, -0.0]}
    ),
}


@pytest.mark.parametrize("name", GOOD)
def test_what_is_understood(tmp_path: Path, name: str) -> None:
    case = GOOD[name]
    source, columns = read(tmp_path / "a.csv", case.data, ImportOptions(**case.options))
    assert columns == dict(case.columns)
    assert list(columns) == list(case.columns)
    header = source.header
    assert header.sample_rate_hz == pytest.approx(case.rate_hz, rel=1e-12)
    assert dict(header.notes) == dict(case.notes)
    assert not header.simulated
    assert header.origin == "CSV file a.csv"
    assert all((c.scale, c.zero, c.rail_counts) == (1.0, 0.0, None) for c in header.channels)
    units = {"current_a": "A", "index": "logic", "encoder": "logic"}
    assert [c.unit for c in header.channels] == [units.get(name, "V") for name in columns]


@pytest.mark.parametrize("name", GOOD)
def test_fast_and_slow_reading_agree(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csv_rows, "_parse_fast", lambda *_: None)
    case = GOOD[name]
    _, columns = read(tmp_path / "a.csv", case.data, ImportOptions(**case.options))
    assert columns == dict(case.columns)


@pytest.mark.parametrize(
    ("head", "rate_hz"),
    [
        ("Sample interval,4e-06", 250e3),
        ("Sampling Interval:,4.0,us", 250e3),
        ("Sample Period [ns];4000", 250e3),
        ("# sample_interval_s: 4E-6", 250e3),
        ("Time step\t0.004 ms", 250e3),
        ("dt,0.001", 1e3),
        ("Sample Rate,250 kS/s", 250e3),
        ("Sample rate (Hz),96000", 96e3),
        ("# Sampling frequency: 1 MHz", 1e6),
        ("# sample_rate_hz: 12000", 12e3),
        ("Samples per second,500", 500.0),
    ],
)
def test_a_sample_rate_that_the_head_states(tmp_path: Path, head: str, rate_hz: float) -> None:
    delimiter = next((each for each in ";\t" if each in head), ",")
    text = f"{head}\nRecord length{delimiter}3\npoints_v{delimiter}CH2\n"
    text += "".join(f"{value}{delimiter}0\n" for value in (1, 2.5, -3))
    source, columns = read(tmp_path / "a.csv", text.encode())
    assert columns == PLAIN
    assert source.header.sample_rate_hz == rate_hz
    # Nobody told it, so the report says where it is from.
    assert source.header.origin.startswith("CSV file a.csv, no times in it, ")
    assert "samples a second as it says: " in source.header.origin
    told = ImportOptions(sample_rate_hz=7.0)
    source, _ = read(tmp_path / "a.csv", text.encode(), told)
    assert source.header.sample_rate_hz == 7.0
    assert source.header.origin.endswith("7 samples a second as told")


@pytest.mark.parametrize(
    "head",
    [
        "Sample interval,soon",
        "Sample rate,4 V",
        "Sample interval,0",
        "Sample interval,-1",
        "Interval,4",
    ],
)
def test_what_states_no_sample_rate(tmp_path: Path, head: str) -> None:
    with pytest.raises(BadInput, match=r"line 2: there is no column time_s.*--sample-rate HZ"):
        read(tmp_path / "a.csv", f"{head}\npoints_v\n1\n2\n".encode())


ROWS = b"0,1\n0.001,2\n0.002,3\n0.003,4\n"
HEAD = b"time_s,points_v\n"
BAD: dict[str, tuple[bytes, str] | tuple[bytes, str, Mapping[str, Any]]] = {
    "text in a number": (HEAD + ROWS.replace(b"3\n", b"3V\n", 1), "line 4: 'points_v' is '3V'"),
    "not a number": (HEAD + ROWS + b"0.004,NaN\n", "line 6: 'points_v' is 'NaN'; if it was over"),
    "infinite": (
        HEAD + ROWS + b"0.004,-inf\n",
        "line 6: 'points_v' is '-inf'; if it was over",
    ),
    "a time that is not a number": (HEAD + ROWS + b"nan,1\n", "line 6: 'time_s' is 'nan'"),
    "empty cell": (HEAD + ROWS + b"0.004,\n", "line 6: the cell of 'points_v' is empty"),
    "cell of spaces": (HEAD + ROWS + b"0.004,  \n", "line 6: the cell of 'points_v' is empty"),
    "short row": (HEAD + ROWS + b"0.004\n", "line 6: has 1 cells where the header row has 2"),
    "long row": (HEAD + ROWS + b"0.004,1,2\n", "line 6: has 3 cells where the header row has 2"),
    "cut short": (HEAD + ROWS + b"0.0", "line 6: has 1 cells .*if the file was cut short"),
    "blank line inside": (HEAD + ROWS + b"\n0.004,5\n", "line 6: is blank; remove"),
    "blank line of spaces inside": (HEAD + ROWS + b"  \r\n0.004,5\n", "line 6: is blank"),
    "beyond the range": (
        HEAD + ROWS + "0.004,-\u221e\n".encode(),
        "line 6: 'points_v' is '-\u221e'; if it was over",
    ),
    "a word for it": (HEAD + ROWS + b"0.004,OVL\n", "line 6: 'points_v' is 'OVL'; if it was over"),
    "a wrong unit": (
        b"time_s,CH1 (A)\n" + ROWS,
        r"line 1: 'CH1 \(A\)' is in 'A', and points_v is in V; .*--scale points_v=X",
        {"columns": {"points_v": "CH1"}},
    ),
    "a name that says one unit and a row that says another": (
        HEAD + b"ms,V\n" + ROWS,
        "line 1: 'time_s' is in 'ms', and time_s is in s; say what one of it is: --scale time_s",
    ),
    "no time and nothing that states it": (
        b"points_v\n1\n2\n",
        "line 1: there is no column time_s, only 'points_v'; .* no such column: --sample-rate HZ",
    ),
    "no time, and two rates": (
        b"Sample rate,1000 Hz\nSample interval,5 ms\npoints_v\n1\n2\n",
        "line 3: there is no column time_s",
    ),
    "times that are not told beside a stated interval": (
        b"Sample interval,5 ms\nT,points_v\n0,1\n5,2\n",
        "line 2: there is no column time_s",
    ),
    "a rate told, and times": (
        HEAD + ROWS,
        "line 1: has a column of times, 'time_s'; leave --sample-rate out",
        {"sample_rate_hz": 5.0},
    ),
    "a scale of times that are not there": (
        b"points_v\n1\n2\n",
        "line 1: there is no column for --scale time_s",
        {"sample_rate_hz": 5.0, "scales": {"time_s": 2.0}},
    ),
    "a stated rate beyond use": (
        b"Sample interval,1e-12 s\npoints_v\n1\n2\n",
        r"line 3: gives 1e\+12 samples a second; correct it with --sample-rate HZ",
    ),
    "a unit that is none": (
        b"Time,points_v\ns,dBV\n" + ROWS,
        "line 1: 'points_v' is in 'dBV', and points_v is in V; say",
        {"columns": {"time_s": "Time"}},
    ),
    "a second row of names": (
        HEAD + b"seconds,of the points\n" + ROWS,
        "line 2: holds no numbers; remove a second row of names or units",
    ),
    "units twice as wide": (HEAD + b"s,V,s,V\n0,1,2\n", "line 3: has 3 cells where the header"),
    "comment inside": (HEAD + ROWS + b"# note\n0.004,5\n", "line 6: is a # line among .*; remove"),
    "underscore": (HEAD + ROWS + b"0.004,1_0\n", "line 6: 'points_v' is '1_0'"),
    "hexadecimal": (HEAD + ROWS + b"0.004,0x10\n", "line 6: 'points_v' is '0x10'"),
    "other digits": (HEAD + ROWS + "0.004,\u0661\n".encode(), "line 6: 'points_v' is '\u0661'"),
    "two signs": (HEAD + ROWS + b"0.004,+-1\n", "line 6: 'points_v' is '\\+-1'"),
    "too large": (HEAD + ROWS + b"0.004,1e999\n", "line 6: 'points_v' is '1e999', too large"),
    "too large for float32": (HEAD + ROWS + b"0.004,1e39\n", "line 6: points_v is too large"),
    "too large when scaled": (
        HEAD + ROWS + b"0.004,1e30\n",
        "line 6: points_v is too large",
        {"scales": {"points_v": 1e10}},
    ),
    "bare carriage return inside": (HEAD + ROWS + b"0.004,5\r0.005,6\n", "line 6: is not a row"),
    "carriage return for a blank": (
        HEAD + ROWS + b"0.004,5\r0.005,6\n\n0.006,7\n",
        "line 6: is not a row",
    ),
    "only carriage returns": ((HEAD + ROWS).replace(b"\n", b"\r"), "line 1: is not a header row"),
    "line end in quotes": (
        b'time_s,points_v,x\n0,1,"a\nb"\n0.001,2,c\n',
        "line 3: has 1 cells where the header row has 3",
    ),
    "mixed decimal signs": (
        b"time_s;points_v\n0,000;1,5\n0,001;1.5\n",
        "line 3: 'points_v' is '1.5'; a number with decimal comma",
    ),
    "thousands": (b"time_s;points_v\n0,000;1\n0,001;1.000,5\n", "line 3: 'points_v' is '1.000,5'"),
    "decimal comma without quotes": (
        b"time_s,points_v\n0,000,1,5\n0,001,2,5\n",
        "line 2: has 4 cells where the header row has 2; if it has decimal commas, export",
    ),
    "an escape sequence": (HEAD + ROWS + b"0.004,\x1b[2J\n", r"line 6: 'points_v' is '\\x1b\[2J'"),
    "zero byte": (HEAD + ROWS + b"0.004,1\0\n", "is binary data"),
    "no rows": (HEAD, "has no rows of numbers"),
    "no rows but blank ones": (HEAD + b"\n\r\n \n", "has no rows of numbers"),
    "one row": (HEAD + b"0,1\n", "has only one row"),
    "empty": (b"", "is empty"),
    "only comments": (b"# a: b\n# c\n", "there is no header row"),
    "only blanks": (b"\n\n  \n", "there is no header row"),
    "only a byte-order mark": (b"\xef\xbb\xbf", "there is no header row"),
    "no header row": (ROWS, "line 1: holds numbers where the names belong"),
    "no header row, decimal commas": (b"0,0;1,5\n0,1;2,5\n", "line 1: holds numbers"),
    "no time": (b"t,points_v\n" + ROWS, "line 1: .*only 't', 'points_v'.*--column time_s=NAME"),
    "no points": (
        b"time_s,CH1,index\n0,1,0\n",
        "line 1: there is no column points_v, only 'time_s', 'CH1', 'index'; name the one that "
        "jumps between about 0 V .*: --column points_v=NAME",
    ),
    "neither time nor points": (
        b"Time,CH1\n" + ROWS,
        "line 1: there is no column time_s nor points_v, only 'Time', 'CH1'; .*"
        "--column time_s=NAME --column points_v=NAME",
    ),
    "nothing known": (b"time_s,CH1\n" + ROWS, "no column points_v, only 'time_s', 'CH1'"),
    "nothing known of a coil": (
        b"time_s,CH1\n" + ROWS,
        "none of the columns 'time_s', 'CH1' is known",
        {"kind": "coil"},
    ),
    "one column": (b"time_s\n0\n1\n", "line 1: there is no column points_v, only 'time_s'"),
    "double name": (b"time_s,points_v,points_v\n0,1,1\n", "line 1: two columns are named 'points_"),
    "double time": (b"time_s,time_s,points_v\n0,1,1\n", "line 1: two columns are named 'time_s'"),
    "a column that is not there": (
        HEAD + ROWS,
        "line 1: there is no column 'CH1' for current_a, only 'time_s', 'points_v'; correct",
        {"columns": {"current_a": "CH1"}},
    ),
    "a scale without a column": (
        HEAD + ROWS,
        "line 1: there is no column for --scale current_a; add --column current_a=NAME",
        {"scales": {"current_a": 2.0}},
    ),
    "a delay without a column": (
        HEAD + ROWS,
        "line 1: there is no column for --delay current_a",
        {"delays": {"current_a": 2e-6}},
    ),
    "UTF-16 with its mark": ((HEAD + ROWS).decode().encode("utf-16"), "is UTF-16 text; save"),
    "UTF-16 without a mark": ((HEAD + ROWS).decode().encode("utf-16-be"), "is UTF-16 text; save"),
    "noise": (bytes(range(256)) * 10, "is binary data"),
    "a time beyond all measure": (
        HEAD + ROWS + b"1e308,5\n",
        "line 6: time steps by 1e\\+308 where 0.001 is usual",
    ),
    "times beyond all measure": (
        HEAD + b"0,1\n1e308,2\n1e308,3\n",
        "line 3: the times are printed",
    ),
    "one row and a very long one": (
        HEAD + b"0,1\n0.001," + b"1" * 300_000,
        "line 3: is no line of a trace",
    ),
    "time in microseconds": (
        HEAD + b"0,1\n1e-10,2\n",
        "line 2: gives 1e\\+10 samples a second; .*--scale time_s",
    ),
    "a table of one very long line": (HEAD + b"0," * 300_000, "line 2: is no line of a trace"),
    "a header without end": (b"time_s," * 100_000, "line 1: is too long for a header row"),
    "comments without end": (b"# more\n" * 100_000, "no header row within its first"),
    "too many columns": (b"," * 5000 + b"time_s\n", "line 1: has 5001 columns"),
    "a row after many blank lines": (
        HEAD + ROWS + b"\r\n" * 300_000 + b"0.004,5\n",
        "line 6: is blank; remove",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_refused(tmp_path: Path, name: str) -> None:
    data, message, *rest = BAD[name]
    path = tmp_path / "a.csv"
    options = ImportOptions(**(rest[0] if rest else {}))
    with pytest.raises(BadInput, match=message) as caught:
        read(path, data, options)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert text.isprintable()
    assert len(text) < 400
    assert caught.value.mend


@pytest.mark.parametrize("word", ["true", "True", "YES", "1"])
def test_a_file_may_say_that_it_is_simulated(tmp_path: Path, word: str) -> None:
    data = f"# Simulated: {word}\n".encode() + HEAD + ROWS
    assert read(tmp_path / "a.csv", data)[0].header.simulated
    data = data.replace(f": {word}".encode(), b": false")
    assert not read(tmp_path / "a.csv", data)[0].header.simulated


def test_what_the_person_tells_is_in_the_header(tmp_path: Path) -> None:
    options = ImportOptions(
        delays={"points_v": 4e-6, "index": 1e-6},
        kind="hand",
        supply_v=12.5,
        series_ohm=10.0,
        temperature_c=21.0,
        encoder_pulses=360,
        vacuum_steps=((0.0, 0.0), (10.0, 20.0)),
    )
    data = b"time_s,points_v,index,encoder\n0,1,0,0\n0.001,2,1,1\n"
    header = read(tmp_path / "a.csv", data, options)[0].header
    assert [c.delay_s for c in header.channels] == [4e-6, 1e-6, 0.0]
    assert (header.kind, header.supply_v, header.series_ohm) == ("hand", 12.5, 10.0)
    assert (header.temperature_c, header.encoder_pulses) == (21.0, 360)
    assert header.vacuum_steps == ((0.0, 0.0), (10.0, 20.0))
    without = read(tmp_path / "a.csv", HEAD + ROWS, ImportOptions(encoder_pulses=360))[0].header
    assert without.encoder_pulses == 360  # told of a channel that is not there: warned of later


def test_a_name_that_a_terminal_would_obey(tmp_path: Path) -> None:
    source, _ = read(tmp_path / "a\x1b[2J\n.csv", b"# k\x1b[2J: v\x07\n" + HEAD + ROWS)
    assert source.header.origin == "CSV file a?[2J?.csv"
    assert source.header.notes == {"k?[2J": "v?"}
    with CsvSource(tmp_path / "a\x1b[2J\n.csv") as again:
        write_recording(tmp_path / "a.bbr", again)


def test_an_import_becomes_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(long_table(30_000))
    with CsvSource(path, ImportOptions(delays={"points_v": 4e-6})) as source:
        write_recording(tmp_path / "a.bbr", source)
        with RecordingSource(tmp_path / "a.bbr") as recording:
            assert recording.header == source.header
            a, b = whole(source.header, source), whole(source.header, recording)
    assert a.dtypes == b.dtypes == {"<f4"}
    for x, y in zip(a.samples, b.samples, strict=True):
        np.testing.assert_array_equal(x, y)


def long_table(rows: int) -> bytes:
    lines = [f"{n / 250e3:.6f},{n % 977 / 7:.4f},{n % 13}" for n in range(rows)]
    return ("time_s,points_v,current_a\n" + "\n".join(lines) + "\n").encode()


def test_a_long_table_in_many_pieces_and_bounded_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = 50_000
    path.write_bytes(long_table(rows))
    tracemalloc.start()
    n = 0
    with CsvSource(path) as source:
        for event in source:
            assert isinstance(event, Block)
            k = np.arange(event.first, event.first + len(event))
            points = np.array([float(f"{m / 7:.4f}") for m in (k % 977).tolist()], np.float32)
            np.testing.assert_array_equal(event.samples[0], points)
            np.testing.assert_array_equal(event.samples[1], (k % 13).astype(np.float32))
            n += len(event)
        peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert n == rows
    assert peak < 8_000_000
    assert source.header.sample_rate_hz == 250e3


SHORT = [b"%.3f,%d\n" % (n / 1000, n) for n in range(30)]


@pytest.mark.parametrize("size", range(24, 40))
def test_the_result_does_not_depend_on_the_pieces(
    tmp_path: Path, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read in tiny pieces: every border falls on every place of a row, and of the faults."""
    monkeypatch.setattr(csv_source, "_PIECE_BYTES", size)
    path = tmp_path / "a.csv"
    for end in (b"", b"\n", b"\n \r\n\n"):
        _, columns = read(path, HEAD + b"".join(SHORT).rstrip() + end)
        assert columns == {"points_v": [float(n) for n in range(30)]}
    for place in (9, 10, 11, 12, 13, 29):
        for fault, message in (
            (SHORT[:place] + SHORT[place + 1 :] + [b"0.030,30\n"], "time steps by 0.002"),
            ([*SHORT[:place], b"\n", *SHORT[place:]], "is blank"),
            (SHORT[:place] + [b"\n"] * 20 + SHORT[place:], "is blank"),
            ([*SHORT[:place], b"0.0,x\n", *SHORT[place:]], "'points_v' is 'x'"),
        ):
            with pytest.raises(BadInput, match=rf"line {place + 2}: {message}"):
                read(path, HEAD + b"".join(fault))


@pytest.mark.parametrize("line", [2, 20_000, 30_000, 50_001])
def test_a_fault_far_in_is_named_by_its_line(tmp_path: Path, line: int) -> None:
    lines = long_table(50_000).split(b"\n")
    lines[line - 1] = lines[line - 1].replace(b",", b",x", 1)
    with pytest.raises(BadInput, match=rf"a\.csv line {line}: 'points_v' is 'x"):
        read(tmp_path / "a.csv", b"\n".join(lines))


def test_a_long_line_is_bounded_far_in(tmp_path: Path) -> None:
    data = long_table(50_000) + b"0.2," + b"1" * (4 * MAX_LINE)
    with pytest.raises(BadInput, match=r"line 50002: is no line of a trace"):
        read(tmp_path / "a.csv", data)


def test_a_second_reading_begins_again(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(long_table(50_000))
    with CsvSource(path) as source:
        next(iter(source))
        a, b = whole(source.header, source), whole(source.header, source)
    np.testing.assert_array_equal(a.samples[0], b.samples[0])
    assert a.end == b.end == 50_000


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"columns": {"points": "CH1"}}, "--column points: no such channel; one of points_v"),
        ({"scales": {"volts": 1.0}}, "--scale volts: no such channel"),
        ({"delays": {"time_s": 1.0}}, "--delay time_s: no such channel"),
        ({"scales": {"points_v": 0.0}}, "--scale points_v: 0 is no scale"),
        ({"scales": {"points_v": math.nan}}, "--scale points_v: nan is no scale"),
        ({"scales": {"time_s": -1.0}}, "--scale time_s: -1 is no scale"),
        ({"delays": {"points_v": math.inf}}, "--delay points_v: inf is no delay"),
        ({"delays": {"points_v": 1.0}}, "--delay points_v: 1 is no delay; seconds, as 4e-6"),
        ({"kind": "walk"}, "--kind walk: no such kind; one of run, hand"),
        ({"supply_v": math.nan}, "--supply-v: nan is no number"),
        ({"encoder_pulses": 0}, "--encoder-pulses: 0 is no number of pulses"),
        ({"vacuum_steps": ((0.0, math.nan),)}, "--vacuum: holds no number"),
    ],
)
def test_options_that_mean_nothing(options: dict[str, Any], message: str) -> None:
    with pytest.raises(BadInput, match=message):
        ImportOptions(**options)


# Python's own csv and float as the judge.

numbers = st.one_of(st.floats(-1e30, 1e30), st.floats(-15, 15).map(lambda x: round(x, 4)))
cells = st.builds(
    lambda number, form, pad: pad + form.format(number) + pad,
    numbers,
    st.sampled_from(["{!r}", "{:.3f}", "{:.17g}", "{:e}", "{:+.6E}", "{:.30f}"]),
    st.sampled_from(["", " "]),
)


@many
@given(
    form=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]),
    quotes=st.booleans(),
    end=st.sampled_from(["\n", "\r\n"]),
    last=st.integers(0, 2),
    scale=st.sampled_from([1.0, 100.0, -0.3]),
    rows=st.lists(st.tuples(cells, cells), min_size=2, max_size=12),
)
def test_numbers_are_those_of_python(
    tmp_path: Path,
    form: tuple[str, str],
    quotes: bool,
    end: str,
    last: int,
    scale: float,
    rows: list[tuple[str, str]],
) -> None:
    """Any table of any form: exactly float() of each cell, times the scale, as float32."""
    delimiter, decimal = form
    lines = [delimiter.join(("time_s", "points_v", "current_a"))]
    for n, row in enumerate(rows):
        written = [cell.replace(".", decimal) for cell in (repr(n / 4096), *row)]
        lines.append(delimiter.join(f'"{cell}"' if quotes else cell for cell in written))
    text = (end.join(lines) + end * last).encode()
    options = ImportOptions(scales={"points_v": scale} if scale != 1 else {})
    _, columns = read(tmp_path / "a.csv", text, options)
    array = np.array([(float(a) * scale, float(b)) for a, b in rows]).astype(np.float32)
    assert columns == {"points_v": array[:, 0].tolist(), "current_a": array[:, 1].tolist()}


words = st.text(st.sampled_from("abcXYZ 0189.:-_()"), max_size=12)


@many
@given(
    preamble=st.lists(st.lists(words, min_size=1, max_size=3), max_size=5),
    mark=st.sampled_from(["", "#", "# "]),
    form=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]),
    time_unit=st.sampled_from([("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("\u00b5s", 1e-6)]),
    unit=st.sampled_from([("V", 1.0), ("mV", 1e-3), ("uV", 1e-6)]),
    where=st.sampled_from(["({})", "[{}]", "row", "row ({})"]),
    quotes=st.booleans(),
    trailing=st.sampled_from([(0, 0), (1, 1), (0, 1), (1, 0)]),
    end=st.sampled_from(["\n", "\r\n"]),
    blank=st.integers(0, 2),
    start=st.integers(-5, 5),
)
def test_any_head_that_instruments_write(
    tmp_path: Path,
    preamble: list[list[str]],
    mark: str,
    form: tuple[str, str],
    time_unit: tuple[str, float],
    unit: tuple[str, float],
    where: str,
    quotes: bool,
    trailing: tuple[int, int],
    end: str,
    blank: int,
    start: int,
) -> None:
    """The same numbers come out of each, in seconds and volts."""
    delimiter, decimal = form

    def row(cells: list[str], more: int) -> str:
        return delimiter.join(f'"{cell}"' if quotes else cell for cell in cells) + delimiter * more

    units = [time_unit[0], unit[0]]
    names = ["Time", "CH1"]
    below = []
    if where.startswith("row"):
        form_of_unit = "({})" if "(" in where else "{}"
        below = [row([form_of_unit.format(each) for each in units], trailing[0])]
    else:
        names = [f"{a} {where.format(b)}" for a, b in zip(names, units, strict=True)]
    volts = [0.0, 12.5, -3.25, 7.0, 0.5]
    rows = []
    for n, value in enumerate(volts):
        cells = [f"{(n + start) * 0.001 / time_unit[1]:.6f}", f"{value / unit[1]:.6f}"]
        rows.append(row([cell.replace(".", decimal) for cell in cells], trailing[1]))
    head = [mark + "a" + delimiter.join(cells) for cells in preamble]
    lines = [*head, row(names, trailing[0]), *below, *[""] * blank, *rows]
    options = ImportOptions({"time_s": "Time", "points_v": "CH1"})
    source, columns = read(tmp_path / "a.csv", (end.join(lines) + end).encode(), options)
    assert columns["points_v"] == pytest.approx(volts)
    assert source.header.sample_rate_hz == pytest.approx(1000.0)
    assert source.header.notes.get("first_time_s", 0.0) == pytest.approx(start * 0.001)


def judge(text: str) -> list[list[float]] | None:
    """What Python's csv and float make of a file with commas; None where it is refused."""
    lines = text.split("\n")
    while lines and not lines[-1].strip(" \r"):
        lines.pop()
    while len(lines) > 1 and not lines[1].strip(" \t\r"):  # between the names and the numbers
        lines.pop(1)
    rows = []
    for line in lines[1:]:
        try:
            cells = next(csv.reader([line.rstrip("\r")]), [])
            numbers = [float(cell) for cell in cells]
        except (ValueError, csv.Error):
            return None
        if len(numbers) != 2 or not all(map(math.isfinite, numbers)) or "_" in line:
            return None
        rows.append(numbers)
    return rows


TABLE = HEAD + b"".join(b"%.3f,%d.5\r\n" % (n / 1000, n) for n in range(12))


@many
@given(data=st.data())
def test_damaged_tables_are_read_as_python_reads_them_or_refused(
    tmp_path: Path, data: st.DataObject
) -> None:
    damaged = bytearray(TABLE)
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(len(HEAD), len(damaged)))
        some = data.draw(
            st.one_of(
                st.binary(max_size=2),
                st.sampled_from(list(b',;"\n\r \t.-+eE_0159naif#')).map(lambda b: bytes([b])),
            )
        )
        damaged[place : place + data.draw(st.integers(0, 2))] = some
    rows = judge(bytes(damaged).decode("latin-1"))
    try:
        _, columns = read(tmp_path / "a.csv", bytes(damaged))
    except BadInput as error:
        message = str(error)
    else:
        assert rows is not None
        assert columns["points_v"] == np.array(rows, np.float32)[:, 1].tolist()
        return
    assert message.startswith(str(tmp_path / "a.csv"))
    assert message.isprintable()
    if rows is not None and len(rows) > 1:
        # Only the time may be at fault, or a spelling that Python's float takes and we do not.
        assert "time" in message or "line" in message
