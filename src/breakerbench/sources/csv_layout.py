"""The head of a CSV import: what is before the numbers, and where in a row they stand."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import zip_longest

from breakerbench.errors import BadInput
from breakerbench.sources.csv_head import (
    HEADER_MEND,
    MAX_LINE,
    MAX_NOTE_TEXT,
    MAX_NOTES,
    NUMBER,
    decode,
    find_head,
    lines_of,
    names_found,
    split_line,
    units_row,
    wanted_names,
)
from breakerbench.sources.csv_units import split_unit, stated_rate, unit_of, wanted_unit
from breakerbench.sources.files import printable, quoted
from breakerbench.sources.options import CHANNEL_NAMES, ImportOptions

MAX_COLUMNS = 1024
#: Rows between the names and the numbers that may hold units.
MAX_UNITS_BELOW = 8


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """Where the numbers are.

    offset, line   of the first row of numbers: byte in the file, line counted from 1
    delimiter      between cells
    decimal        "." or ","
    width          cells in a row
    time           column of time_s, None where there is none
    rate_hz        sample rate that is told or stated instead, Hz; 0 where there is a time
    channels       channel name -> column, in the order of CHANNEL_NAMES
    scales         channel or time_s -> factor: told, or that of the unit in the file
    names          column -> its name in the file
    notes          key and text of each "# key: value" line, and what was passed over
    """

    offset: int
    line: int
    delimiter: str
    decimal: str
    width: int
    time: int | None
    rate_hz: float
    channels: dict[str, int]
    scales: dict[str, float]
    names: tuple[str, ...]
    notes: dict[str, object]

    @property
    def used(self) -> list[int]:
        """Columns that are read: the time, where there is one, then the channels."""
        return [*([] if self.time is None else [self.time]), *self.channels.values()]

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


def read_layout(where: str, start: bytes, options: ImportOptions) -> CsvLayout:
    """The layout from the beginning of a file: 2 * MAX_LINE bytes of it, where there are so many.

    Raises BadInput with the line and the mend.
    """
    refuse_other_encodings(where, start)
    head, delimiters = find_head(where, start, options)
    place = f"{where} line {head.line}"
    delimiter, names = _header_row(place, head.text, delimiters, options)
    notes = head.notes(delimiter)
    offset, line, units = head.end, head.line + 1, [split_unit(name)[1] for name in names]
    for number, row in enumerate(lines_of(start, offset), line):
        text = decode(row)
        if text.strip():
            below = units_row(text, delimiter) if number < head.line + MAX_UNITS_BELOW else None
            if below is None:
                break
            units = [low or high for low, high in zip_longest(below, units, fillvalue="")]
        offset, line = offset + len(row), number + 1
    names, units = _as_wide_as_rows(start[offset:], delimiter, names, units)
    time, channels = _columns(place, names, options, notes)
    scales = {
        channel: _scale(place, channel, names[column], units[column], options)
        for channel, column in {**({} if time is None else {"time_s": time}), **channels}.items()
    }
    rate_hz = 0.0
    if time is None:
        rate_hz = options.sample_rate_hz or (stated_rate(notes) or (0.0, ""))[0]
    passed = [name for n, name in enumerate(names) if n != time and n not in channels.values()]
    if passed:
        notes["columns passed over"] = [
            printable(name, MAX_NOTE_TEXT) for name in passed[:MAX_NOTES]
        ]
    used = (*(() if time is None else (time,)), *channels.values())
    decimal = _decimal(start[offset:], delimiter, used)
    return CsvLayout(
        offset, line, delimiter, decimal, len(names), time, rate_hz, channels, scales,
        tuple(names), notes,
    )  # fmt: skip


def _as_wide_as_rows(
    rows: bytes, delimiter: str, names: list[str], units: list[str]
) -> tuple[list[str], list[str]]:
    """Names and units with as many cells as the first row has, where a separator at the end of one
    of them alone makes the difference.
    """
    units = (units + [""] * len(names))[: len(names)]
    try:
        cells = split_line(decode(next(lines_of(rows, 0), b"")[: MAX_LINE // 2]), delimiter)
    except csv.Error:
        return names, units
    if len(cells) == len(names) + 1 and cells and not cells[-1]:
        return [*names, ""], [*units, ""]
    if len(cells) == len(names) - 1 and not names[-1]:
        return names[:-1], units[:-1]
    return names, units


def _scale(place: str, channel: str, name: str, unit: str, options: ImportOptions) -> float:
    """Units of the channel per unit of the file: as told, else by the unit that the file states."""
    if channel in options.scales:
        return options.scales[channel]
    wanted = wanted_unit(channel)
    if not wanted or not unit:
        return 1.0
    known = unit_of(unit) or ("", 1.0)
    # A column time_s in ms is not what its name says, either.
    if known[0] != wanted or (known[1] != 1 and name == channel):
        what = f"{quoted(name)} is in {quoted(unit, 12)}, and {channel} is in {wanted}"
        raise BadInput(place, what, f"say what one of it is: --scale {channel}=X")
    return known[1]


#: How a person tells the columns that no trace can do without.
_LOOKS = {
    "time_s": "the one that rises steadily",
    "points_v": "the one that jumps between about 0 V (points closed) and the battery's (open)",
}


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


def _header_row(
    place: str, text: str, delimiters: str, options: ImportOptions
) -> tuple[str, list[str]]:
    """The delimiter and the names: that delimiter which yields most of the names."""
    wanted = wanted_names(options)
    if len(text) >= MAX_LINE // 2:
        raise BadInput(place, "is too long for a header row", HEADER_MEND)
    best: tuple[int, int, str, list[str]] | None = None
    for delimiter in delimiters:
        try:
            names = split_line(text, delimiter)
        except csv.Error as error:
            raise BadInput(place, f"is not a header row ({error})", HEADER_MEND) from error
        if all(NUMBER.fullmatch(name.replace(",", ".")) for name in names):
            raise BadInput(place, "holds numbers where the names belong", HEADER_MEND)
        count = names_found(names, wanted)
        if best is None or (count, len(names)) > best[:2]:
            best = count, len(names), delimiter, names
    assert best is not None
    _, width, delimiter, names = best
    if width > MAX_COLUMNS:
        raise BadInput(place, f"has {width} columns", f"leave at most {MAX_COLUMNS}")
    return delimiter, names


def _columns(
    place: str, names: list[str], options: ImportOptions, notes: Mapping[str, object]
) -> tuple[int | None, dict[str, int]]:
    """Column of the time, None where the sample rate is told or stated, and of each channel."""
    shown = ", ".join(quoted(name, 20) for name in names[:8]) + (", ..." if len(names) > 8 else "")
    needed = ["time_s", "points_v"] if options.kind in ("run", "hand") else ["time_s"]
    bare = [split_unit(name)[0] for name in names]
    found: dict[str, int] = {}
    missing: list[str] = []
    for channel in ("time_s", *CHANNEL_NAMES):
        name = options.columns.get(channel, channel)
        among = names if name in names else bare
        if among.count(name) > 1:
            raise BadInput(place, f"two columns are named {quoted(name)}", "name each once")
        if name in among:
            found[channel] = among.index(name)
        elif channel in options.columns:
            what = f"there is no column {quoted(name)} for {channel}, only {shown}"
            raise BadInput(place, what, f"correct --column {channel}=NAME")
        elif channel in needed:
            missing.append(channel)
    if options.sample_rate_hz is not None and "time_s" in found:
        what = f"has a column of times, {quoted(names[found['time_s']])}"
        raise BadInput(place, what, "leave --sample-rate out")
    if "time_s" in missing and (options.sample_rate_hz or _states_rate(names, notes)):
        missing.remove("time_s")
    if missing:
        what = f"there is no column {' nor '.join(missing)}, only {shown}"
        told = " ".join(f"--column {channel}=NAME" for channel in missing)
        mend = f"name {' and '.join(_LOOKS[channel] for channel in missing)}: {told}"
        if missing == ["time_s"]:
            mend += "; where there is no such column: --sample-rate HZ"
        raise BadInput(place, what, mend)
    time = found.pop("time_s", None)
    if not found:
        what = f"none of the columns {shown} is known"
        raise BadInput(place, what, "say which is which: --column points_v=NAME")
    for option, mapping in (("--scale", options.scales), ("--delay", options.delays)):
        for channel in mapping:
            if channel not in found and (channel != "time_s" or time is None):
                mend = f"add --column {channel}=NAME or leave {option} out"
                raise BadInput(place, f"there is no column for {option} {channel}", mend)
    return time, found


def _states_rate(names: list[str], notes: Mapping[str, object]) -> bool:
    """Does the head of the file state the sampling, and is there no column that looks like times?"""
    for name in names:
        bare, unit = split_unit(name)
        known = unit_of(unit)
        if (known and known[0] == "s") or re.match(
            r"t\Z|time|zeit|x\Z", bare.strip(), re.IGNORECASE
        ):
            return False
    return stated_rate(notes) is not None


def _decimal(rows: bytes, delimiter: str, used: tuple[int, ...]) -> str:
    """The decimal sign: what comes first in the numbers of the first rows."""
    for count, line in enumerate(lines_of(rows, 0)):
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
