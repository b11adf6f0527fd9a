"""The head of a CSV import: what is before the numbers, and where in a row they stand."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

from breakerbench.errors import BadInput
from breakerbench.sources.files import printable, quoted
from breakerbench.sources.options import CHANNEL_NAMES, ImportOptions

#: A line longer than this is no line of a trace, bytes.
MAX_LINE = 1 << 16
MAX_COLUMNS = 1024
_MAX_NOTES = 100
_MAX_NOTE_TEXT = 200
_DELIMITERS = ";\t,"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
#: What may be written for a number, with a decimal point.
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """Where the numbers are.

    offset, line   of the first row of numbers: byte in the file, line counted from 1
    delimiter      between cells
    decimal        "." or ","
    width          cells in a row
    time           column of time_s
    channels       channel name -> column, in the order of CHANNEL_NAMES
    names          column -> its name in the file
    notes          key and text of each "# key: value" line, and what was passed over
    """

    offset: int
    line: int
    delimiter: str
    decimal: str
    width: int
    time: int
    channels: dict[str, int]
    names: tuple[str, ...]
    notes: dict[str, object]

    def cells(self, line: str) -> list[str]:
        """Cells of one line, spaces around them taken off. Raises csv.Error."""
        return split_line(line, self.delimiter)

    def number_text(self, cell: str) -> str | None:
        """The cell as Python would write the number, or None where it is not a number."""
        if self.decimal == ",":
            if "." in cell:
                return None
            cell = cell.replace(",", ".")
        return cell if NUMBER.fullmatch(cell) else None


def split_line(line: str, delimiter: str) -> list[str]:
    """Cells of one line, spaces around them taken off. Raises csv.Error."""
    for cells in csv.reader([line], delimiter=delimiter):
        return [cell.strip(" \t") for cell in cells]
    return []


def decode(line: bytes) -> str:
    """A line as text: UTF-8, else the Western code page that older instruments write."""
    line = line.rstrip(b"\r\n")
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def read_layout(where: str, start: bytes, options: ImportOptions) -> CsvLayout:
    """The layout from the beginning of a file: 2 * MAX_LINE bytes of it, where there are so many.

    Raises BadInput with the line and the mend.
    """
    refuse_other_encodings(where, start)
    notes: dict[str, object] = {}
    comments: list[str] = []
    delimiters = _DELIMITERS
    offset = len(_BYTE_ORDER_MARK) if start.startswith(_BYTE_ORDER_MARK) else 0
    number = 0
    for number, line in enumerate(_lines(start, offset), 1):
        offset += len(line)
        text = decode(line)
        bare = text.strip()
        if bare.startswith("#"):
            _note(bare.lstrip("#"), notes, comments)
        elif number == 1 and re.fullmatch(r'"?sep=[;,\t]"?', text):
            delimiters = text.strip('"')[-1]  # as spreadsheets write it
        elif bare:
            break
    else:
        if len(start) >= 2 * MAX_LINE:
            raise BadInput(where, "no header row within its first 131,072 bytes", _HEADER_MEND)
        raise BadInput(where, "there is no header row in it", _HEADER_MEND)
    place = f"{where} line {number}"
    delimiter, names = _header_row(place, text, delimiters, options)
    if comments:
        notes["comments"] = comments
    time, channels = _columns(place, names, options)
    passed = [name for n, name in enumerate(names) if n != time and n not in channels.values()]
    if passed:
        notes["columns passed over"] = [
            printable(name, _MAX_NOTE_TEXT) for name in passed[:_MAX_NOTES]
        ]
    used = (time, *channels.values())
    decimal = _decimal(start[offset:], delimiter, used)
    return CsvLayout(
        offset, number + 1, delimiter, decimal, len(names), time, channels, tuple(names), notes
    )


#: How a person tells the columns that no trace can do without.
_LOOKS = {
    "time_s": "the one that rises steadily",
    "points_v": "the one that jumps between about 0 V (points closed) and the battery's (open)",
}
_HEADER_MEND = "lines with # first, then a row of names such as time_s,points_v, then numbers"


def refuse_other_encodings(where: str, start: bytes) -> None:
    """Raises BadInput for UTF-16 or UTF-32 text and for binary data."""
    head = start[:64]
    halves = (head[0::2], head[1::2])  # Latin text in UTF-16 has zeros in every second place
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or (
        len(head) >= 4 and any(head) and not all(any(half) for half in halves)
    ):
        raise BadInput(where, "is UTF-16 text", "save it as UTF-8 or plain text")
    if b"\0" in start[:4096]:
        raise BadInput(where, "is binary data of no known kind", "export it as CSV")


def _lines(start: bytes, offset: int) -> Iterator[bytes]:
    while offset < len(start):
        end = start.find(b"\n", offset) + 1 or len(start)
        yield start[offset:end]
        offset = end


def _note(text: str, notes: dict[str, object], comments: list[str]) -> None:
    text = printable(text, _MAX_NOTE_TEXT).strip()
    key, colon, value = (part.strip() for part in text.partition(":"))
    if colon and key and len(notes) < _MAX_NOTES:
        notes[key] = value
    elif key and len(comments) < _MAX_NOTES:
        comments.append(text)


def _header_row(
    place: str, text: str, delimiters: str, options: ImportOptions
) -> tuple[str, list[str]]:
    """The delimiter and the names: that delimiter which yields the name of the time column."""
    wanted = options.columns.get("time_s", "time_s")
    if len(text) >= MAX_LINE // 2:
        raise BadInput(place, "is too long for a header row", _HEADER_MEND)
    best: tuple[bool, int, str, list[str]] | None = None
    for delimiter in delimiters:
        try:
            names = split_line(text, delimiter)
        except csv.Error as error:
            raise BadInput(place, f"is not a header row ({error})", _HEADER_MEND) from error
        if all(NUMBER.fullmatch(name.replace(",", ".")) for name in names):
            raise BadInput(place, "holds numbers where the names belong", _HEADER_MEND)
        if best is None or (wanted in names, len(names)) > best[:2]:
            best = wanted in names, len(names), delimiter, names
    assert best is not None
    _, width, delimiter, names = best
    if width > MAX_COLUMNS:
        raise BadInput(place, f"has {width} columns", f"leave at most {MAX_COLUMNS}")
    return delimiter, names


def _columns(place: str, names: list[str], options: ImportOptions) -> tuple[int, dict[str, int]]:
    """Column of the time, and of each channel that the file has."""
    shown = ", ".join(quoted(name, 20) for name in names[:8]) + (", ..." if len(names) > 8 else "")
    needed = ("time_s", "points_v") if options.kind in ("run", "hand") else ("time_s",)
    found: dict[str, int] = {}
    missing: list[str] = []
    for channel in ("time_s", *CHANNEL_NAMES):
        name = options.columns.get(channel, channel)
        count = names.count(name)
        if count > 1:
            raise BadInput(place, f"two columns are named {quoted(name)}", "name each once")
        if count:
            found[channel] = names.index(name)
        elif channel in options.columns:
            what = f"there is no column {quoted(name)} for {channel}, only {shown}"
            raise BadInput(place, what, f"correct --column {channel}=NAME")
        elif channel in needed:
            missing.append(channel)
    if missing:
        what = f"there is no column {' nor '.join(missing)}, only {shown}"
        told = " ".join(f"--column {channel}=NAME" for channel in missing)
        raise BadInput(
            place, what, f"name {' and '.join(_LOOKS[channel] for channel in missing)}: {told}"
        )
    time = found.pop("time_s")
    if not found:
        what = f"none of the columns {shown} is known"
        raise BadInput(place, what, "say which is which: --column points_v=NAME")
    for option, mapping in (("--scale", options.scales), ("--delay", options.delays)):
        for channel in mapping:
            if channel not in found and channel != "time_s":
                mend = f"add --column {channel}=NAME or leave {option} out"
                raise BadInput(place, f"there is no column for {option} {channel}", mend)
    return time, found


def _decimal(rows: bytes, delimiter: str, used: tuple[int, ...]) -> str:
    """The decimal sign: what comes first in the numbers of the first rows."""
    for count, line in enumerate(_lines(rows, 0)):
        if count == 1000 or len(line) > MAX_LINE // 2:
            break
        try:
            cells = split_line(decode(line), delimiter)
        except csv.Error:
            break
        for column in used:
            sign = re.search(r"[.,]", cells[column]) if column < len(cells) else None
            if sign is not None:
                return sign.group()
    return "."
