"""Rows of a CSV import as arrays. A library parses them; where it finds fault, each line is read by
itself in plain Python, which has the last word and names the line.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence

import numpy as np
import pyarrow  # type: ignore[import-untyped]
import pyarrow.csv  # type: ignore[import-untyped]
from numpy.typing import NDArray

from breakerbench.errors import BadInput
from breakerbench.sources.csv_head import decode
from breakerbench.sources.csv_layout import CsvLayout
from breakerbench.sources.files import quoted

#: What instruments write where there is no reading, or one beyond their range.
_NO_NUMBERS = (
    "nan",
    "inf",
    "infinity",
    "\u221e",
    "ovl",
    "ol",
    "overload",
    "over",
    "clip",
    "---",
    "--",
)

Columns = list[NDArray[np.float64]]


def parse_rows(where: str, line: int, rows: bytes, layout: CsvLayout) -> Columns:
    """The time, where there is one, and then each channel of ``layout``, float64.

    Exactly as Python's float() has them.
    ``rows`` are whole lines, the first of them line number ``line``, the last without its line end.
    Raises BadInput for anything but a full table of finite numbers.
    """
    parsed = _parse_fast(rows, layout)
    return _parse_by_line(where, line, rows, layout) if parsed is None else parsed


def _parse_fast(rows: bytes, layout: CsvLayout) -> Columns | None:
    """As ``parse_rows``, or None for anything out of the ordinary."""
    if b"\r" in rows and rows.count(b"\r") != rows.count(b"\r\n"):
        return None  # the library would take a bare one for the end of a line
    names = [str(column) for column in range(layout.width)]
    used = [str(column) for column in layout.used]
    try:
        table = pyarrow.csv.read_csv(
            pyarrow.BufferReader(rows),
            read_options=pyarrow.csv.ReadOptions(
                use_threads=False, block_size=len(rows) + 1, column_names=names
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=layout.delimiter, quote_char='"' if b'"' in rows else False
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(used, pyarrow.float64()),
                include_columns=list(dict.fromkeys(used)),
                null_values=[],
                strings_can_be_null=False,
                decimal_point=layout.decimal,
            ),
        )
    except pyarrow.ArrowException:
        return None
    if table.num_rows != count_lines(rows):
        return None  # blank lines, which the library passes over, or line ends in quotes
    columns = [table.column(name).to_numpy() for name in used]
    return columns if all(np.isfinite(column).all() for column in columns) else None


def count_lines(rows: bytes) -> int:
    """Lines in ``rows``, the last without its line end (twenty times faster than bytes.count)."""
    return int(np.count_nonzero(np.frombuffer(rows, np.uint8) == ord("\n"))) + 1


def _parse_by_line(where: str, first: int, rows: bytes, layout: CsvLayout) -> Columns:
    used = layout.used
    values: list[list[float]] = [[] for _ in used]
    for number, line in enumerate(rows.split(b"\n"), first):
        place = f"{where} line {number}"
        text = decode(line)
        if not text.strip():
            raise BadInput(place, "is blank", "remove the line")
        try:
            cells = layout.cells(text)
        except csv.Error as error:
            raise BadInput(place, f"is not a row ({error})", "correct the line") from error
        if text.lstrip().startswith("#"):
            raise BadInput(place, "is a # line among the numbers", "remove the line")
        if number == layout.line and not any(map(layout.number_text, cells)):
            mend = "remove a second row of names or units, so that numbers follow the names"
            raise BadInput(place, "holds no numbers", mend)
        if len(cells) != layout.width:
            what = f"has {len(cells)} cells where the header row has {layout.width}"
            raise BadInput(place, what, _width_mend(len(cells), layout))
        for column, into in zip(used, values, strict=True):
            into.append(_number(place, cells[column], column, layout))
    return [np.array(column, np.float64) for column in values]


def _width_mend(cells: int, layout: CsvLayout) -> str:
    if cells < layout.width:
        return "if the file was cut short, remove the line"
    if layout.delimiter == ",":
        return "if it has decimal commas, export it with semicolons between the cells"
    return "correct the line"


def _number(place: str, cell: str, column: int, layout: CsvLayout) -> float:
    name = quoted(layout.names[column])
    if not cell:
        raise BadInput(place, f"the cell of {name} is empty", "export it without gaps")
    if cell.lstrip("+-").lower() in _NO_NUMBERS:
        mend = "if it was over its range, record it with a larger one; else export it without gaps"
        raise BadInput(place, f"{name} is {quoted(cell)}", mend)
    text = layout.number_text(cell)
    if text is None:
        mend = (
            f"a number with decimal {'point' if layout.decimal == '.' else 'comma'} belongs there"
        )
        raise BadInput(place, f"{name} is {quoted(cell)}", mend)
    value = float(text)
    if not math.isfinite(value):
        raise BadInput(place, f"{name} is {quoted(cell)}, too large", "correct the line")
    return value


def time_texts(rows: bytes, layout: CsvLayout, wanted: Sequence[int]) -> list[str]:
    """The time cells of the wanted rows as they are written, with a decimal point."""
    lines = rows.split(b"\n")
    assert layout.time is not None
    cells = [layout.cells(decode(lines[row]))[layout.time] for row in wanted]
    return [cell.replace(",", ".") for cell in cells]
