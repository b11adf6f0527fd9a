"""Any file is opened by its content, or refused in one line that says what it seems to be."""

from __future__ import annotations

import gzip
import os
import re
import sqlite3
import struct
import wave
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.sources import files
from breakerbench.sources.csv import CsvSource
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.recording import RecordingSource, write_recording
from breakerbench.sources.vcd import VcdSource
from breakerbench.sources.wav import WavSource
from breakerbench.trace import Block

from .traces import HEADER, ListSource, made_trace

TABLE = b"time_s,points_v\n0,1\n0.001,2\n"


def refused(path: Path, options: ImportOptions | None = None) -> str:
    with pytest.raises(BadInput) as caught:
        open_trace(path, options)
    text = str(caught.value)
    assert text.isprintable()
    assert caught.value.mend
    return text


def test_content_counts_not_the_name(tmp_path: Path) -> None:
    table = tmp_path / "a.bbr"
    table.write_bytes(TABLE)
    recording = tmp_path / "b.csv"
    write_recording(recording, ListSource(HEADER, made_trace(0.1)))
    sound = tmp_path / "c.vcd"
    with wave.open(str(sound), "wb") as file:
        file.setparams((1, 2, 44100, 0, "NONE", ""))
        file.writeframes(bytes(200))
    changes = tmp_path / "d.wav"
    changes.write_bytes(
        b"\xef\xbb\xbf$timescale 1 us $end $var real 64 ! points_v $end\n$enddefinitions $end\n"
        b"#0\nr1 !\n#1\nr2 !\n"
    )
    kinds = {table: CsvSource, recording: RecordingSource, sound: WavSource, changes: VcdSource}
    for path, kind in kinds.items():
        for name in (path, str(path)):
            source = open_trace(name)
            assert isinstance(source, kind)
            assert any(isinstance(event, Block) for event in source)
            source.close()


def test_what_a_person_tells_of_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "a.bbr"
    write_recording(path, ListSource(HEADER, made_trace(0.1)))
    source = open_trace(path, ImportOptions(kind="coil", series_ohm=1.5))
    source.close()
    assert (source.header.kind, source.header.series_ohm) == ("coil", 1.5)
    assert source.header.temperature_c == HEADER.temperature_c
    assert source.header.vacuum_steps == HEADER.vacuum_steps
    assert source.header.channels == HEADER.channels
    assert "with its own scales" in refused(path, ImportOptions(scales={"points_v": 2.0}))
    assert "with its own columns" in refused(path, ImportOptions(columns={"points_v": "0"}))


def write_zip(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as file:
        file.writestr("xl/workbook.xml", "<x/>")


def write_database(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("create table a (b)")
    connection.close()


OTHERS = {
    "a spreadsheet": write_zip,
    "a compressed file": lambda p: p.write_bytes(gzip.compress(TABLE)),
    "a picture": lambda p: p.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100)),
    "a PDF document": lambda p: p.write_bytes(b"%PDF-1.7\n"),
    "a database": write_database,
    "an XML or HTML text": lambda p: p.write_bytes(b"\n <html><body>no</body></html>"),
    "a JSON text": lambda p: p.write_bytes(b'{"time_s": [0, 1]}'),
    "a program": lambda p: p.write_bytes(b"\x7fELF" + bytes(100)),
}


@pytest.mark.parametrize("what", OTHERS)
def test_foreign_files(tmp_path: Path, what: str) -> None:
    path = tmp_path / "a.csv"
    OTHERS[what](path)
    assert re.search(f"a.csv: seems to be {what}", refused(path))


def test_binary_data_of_no_kind(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(struct.pack("<100d", *range(100)))
    assert "is binary data of no known kind" in refused(path)


def test_text_that_is_no_table(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Dear reader,\nthe distributor was overhauled.\n")
    assert "a.csv line 1: there is no column time_s nor points_v, only 'Dear reader'" in refused(
        path
    )


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("none.csv", "there is no such file; check the name and the folder"),
        ("folder", "is a folder, not a file; name the file in it"),
        ("pipe", "is a device or a pipe, not a file; save it to a file first"),
        ("empty", "is empty; record or export it again"),
        ("file/a.csv", "cannot be opened (not a directory)"),
        ("loop", "cannot be opened (too many levels of symbolic links)"),
        ("x" * 300, "cannot be opened (file name too long)"),
        ("a\0b", "cannot be opened (embedded null byte)"),
        ("gone", "there is no such file"),
    ],
)
def test_places_that_cannot_be_read(tmp_path: Path, name: str, message: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "file").write_bytes(b"x")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "gone").symlink_to(tmp_path / "none")
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(BadInput) as caught:
        open_trace(tmp_path / name)
    assert caught.value.where == str(tmp_path / name)
    assert message in str(caught.value)


def test_devices_that_never_end() -> None:
    for device in ("/dev/zero", "/dev/random", "/dev/tty"):
        if os.path.exists(device):
            assert "is a device or a pipe" in refused(Path(device))


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(name: str) -> None:
        raise PermissionError(13, "Permission denied", name)

    path = tmp_path / "a.csv"
    path.write_bytes(TABLE)
    monkeypatch.setattr(files, "FileIO", denied)
    assert "a.csv: may not be read; check its permissions" in refused(path)


def test_a_disk_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Failing(files.FileIO):
        def read(self, _size: int | None = -1, /) -> bytes:
            raise OSError(5, "Input/output error")

    path = tmp_path / "a.csv"
    path.write_bytes(TABLE)
    monkeypatch.setattr(files, "FileIO", Failing)
    message = "cannot be read (input/output error); check the disk"
    assert message in refused(path)
    for kind in (CsvSource, RecordingSource):
        with pytest.raises(BadInput, match=re.escape(message)):
            kind(path)


@settings(
    max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    data=st.one_of(
        st.binary(max_size=300),
        st.text(max_size=200).map(lambda text: text.encode(errors="replace")),
        st.text("time_s,points_v;\n\r\t \"'#0123456789.eE+-", max_size=100).map(str.encode),
        st.binary(max_size=50).map(TABLE.__add__),
        st.binary(max_size=50).map(b"RIFF\x40\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0".__add__),
        st.binary(max_size=50).map(b"$timescale 1 us $end ".__add__),
        st.binary(max_size=50).map(b"\x89BBR\r\n\x1a\n\1\0\0\0".__add__),
    )
)
def test_anything_is_read_or_refused_in_one_line(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a"
    path.write_bytes(data)
    try:
        source = open_trace(path)
    except BadInput as error:
        text = str(error)
    else:
        try:
            for _ in source:
                pass
            return
        except BadInput as error:
            text = str(error)
        finally:
            source.close()
    assert text.startswith(str(path))
    assert text.isprintable()
