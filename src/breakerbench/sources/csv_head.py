"""What stands before the rows of a CSV: remarks, keys with values, the row of names."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

from breakerbench.errors import BadInput
from breakerbench.sources.csv_units import split_unit, unit_of
from breakerbench.sources.files import printable
from breakerbench.sources.options import CHANNEL_NAMES, ImportOptions

#: A line longer than this is no line of a trace, bytes.
MAX_LINE = 1 << 16
MAX_NOTES = 100
MAX_NOTE_TEXT = 200
HEADER_MEND = "lines with # first, then a row of names such as time_s,points_v, then numbers"
_MAX_HEAD_LINES = 2000
_DELIMITERS = ";\t,"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
#: What may be written for a number, with a decimal point.
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Head:
    """line, end, text  of the row of names: its number from 1, the byte after it, itself
    remarks          lines with #, without it
    before           other lines that stand before the names: a key and its value, as a rule
    """

    line: int
    end: int
    text: str
    remarks: tuple[str, ...]
    before: tuple[str, ...]

    def notes(self, delimiter: str) -> dict[str, object]:
        """Keys and values of what stands before, and the "comments" that are neither."""
        notes: dict[str, object] = {}
        comments: list[str] = []
        for text in self.remarks:
            _note(text, ":", notes, comments)
        for text in self.before:
            splits = (_split(text, each) for each in (delimiter, *_DELIMITERS))
            cells = max(([c for c in cells if c] for cells in splits), key=lambda c: len(c) > 1)
            if len(cells) > 1:
                key, value = cells[0].rstrip(": "), " ".join(cells[1:])
                _note(f"{key}\0{value}", "\0", notes, comments)
            else:
                _note(cells[0] if cells else text, ":", notes, comments)
        if comments:
            notes["comments"] = comments
        return notes


def _note(text: str, between: str, notes: dict[str, object], comments: list[str]) -> None:
    key, found, value = (
        printable(part, MAX_NOTE_TEXT).strip() for part in text[:1000].partition(between)
    )
    if found and key and len(notes) < MAX_NOTES:
        notes[key] = value
    elif key and len(comments) < MAX_NOTES:
        comments.append(printable(text, MAX_NOTE_TEXT).strip())


def find_head(where: str, start: bytes, options: ImportOptions) -> tuple[Head, str]:
    """The row of names and what stands before it; the delimiters that may be in it.

    The row with most of the wanted names; where none has any, the one above the first numbers. It
    may stand behind a #.
    Raises BadInput where there is none.
    """
    delimiters = _DELIMITERS
    wanted = wanted_names(options)
    remarks: list[str] = []
    marked: tuple[int, int, str] | None = None  # the last of them
    rows: list[tuple[int, int, str]] = []
    best, most, numbers_at = 0, 0, None
    end = len(_BYTE_ORDER_MARK) if start.startswith(_BYTE_ORDER_MARK) else 0
    for number, line in enumerate(lines_of(start, end), 1):
        end += len(line)
        text = decode(line)
        bare = text.strip()
        if bare.startswith("#"):
            if most:
                break
            remarks.append(bare.lstrip("#"))
            marked = number, end, remarks[-1].strip()
        elif number == 1 and re.fullmatch(r'"?sep=[;,\t]"?', text):
            delimiters = text.strip('"')[-1]  # as spreadsheets write it
        elif bare:
            rows.append((number, end, text))
            found = max(names_found(_split(text, each), wanted) for each in delimiters)
            if found > most:
                best, most = len(rows) - 1, found
            if any(_is_numbers(_split(text, each)) for each in delimiters):
                numbers_at = len(rows) - 1
                break
            if number > _MAX_HEAD_LINES:
                break
    if not rows:
        if len(start) >= 2 * MAX_LINE:
            raise BadInput(where, "no header row within its first 131,072 bytes", HEADER_MEND)
        raise BadInput(where, "there is no header row in it", HEADER_MEND)
    named = marked and any(names_found(_split(marked[2], each), wanted) for each in delimiters)
    if numbers_at == 0 and marked and named:  # names behind a #, as some programs write them
        rows, remarks = [marked], remarks[:-1]
    elif not most and numbers_at:
        best = numbers_at - 1
        if best and any(units_row(rows[best][2], each) is not None for each in delimiters):
            best -= 1
    line_number, end, text = rows[best]
    before = tuple(text for _, _, text in rows[:best])
    return Head(line_number, end, text, tuple(remarks), before), delimiters


def wanted_names(options: ImportOptions) -> set[str]:
    """Names that the columns may have: as told, else those of the contract."""
    return {options.columns.get(channel, channel) for channel in ("time_s", *CHANNEL_NAMES)}


def names_found(cells: list[str], wanted: set[str]) -> int:
    """How many of the wanted names are among the cells, with or without a unit in brackets."""
    return len(wanted & {*cells, *(split_unit(cell)[0] for cell in cells)})


def units_row(text: str, delimiter: str) -> list[str] | None:
    """The cells of a row of units, "" where one is empty; None for any other row."""
    cells = _split(text, delimiter)
    known = [unit_of(cell) for cell in cells if cell]
    if not any(known) or any(
        " " in cell or NUMBER.fullmatch(cell.replace(",", ".")) for cell in cells
    ):
        return None
    return cells


def _split(text: str, delimiter: str) -> list[str]:
    try:
        return split_line(text[: MAX_LINE // 2], delimiter)
    except csv.Error:
        return []


def _is_numbers(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(NUMBER.fullmatch(cell.replace(",", ".")) for cell in filled)


def lines_of(start: bytes, offset: int) -> Iterator[bytes]:
    """Lines from ``offset`` on, each with its end."""
    while offset < len(start):
        end = start.find(b"\n", offset) + 1 or len(start)
        yield start[offset:end]
        offset = end


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
