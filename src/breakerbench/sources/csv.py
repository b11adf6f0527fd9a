"""Imported traces in CSV: ``#`` lines, a header row, then numbers, uniformly sampled.

Read in pieces of a quarter of a million bytes, so that a file of any length needs the same memory.
The parser is Arrow's: exact to the last bit, and four times as fast as numpy's.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import numpy as np

from breakerbench.errors import BadInput
from breakerbench.sources.csv_head import MAX_LINE
from breakerbench.sources.csv_layout import read_layout
from breakerbench.sources.csv_rows import count_lines, parse_rows, time_texts
from breakerbench.sources.csv_units import stated_rate
from breakerbench.sources.files import Closing, StrPath, open_regular, printable, reason
from breakerbench.sources.options import ImportOptions, says_simulated
from breakerbench.sources.sampling import SampleClock, UnevenTimeError
from breakerbench.trace import SAMPLED_UNITS, Block, Channel, Event, Header

_PIECE_BYTES = 1 << 18  # what fits the cache is parsed at up to twice the speed
_MAX_RATE_HZ = 1e9


class CsvSource(Closing):
    """A CSV file as a source of float32 samples in the units of their channels.

    ``time_s`` (or a sample rate, told or stated in the head) and any of the channels of the
    contract; ``index`` and ``encoder`` stay sampled, with the unit "logic". A line ``# simulated:
    true`` marks the trace as simulated; other keys and values before the numbers, and the names of
    columns that were passed over, are in ``header.notes``, as is ``first_time_s`` where the file
    does not begin at zero. Units in the head (``CH1 (mV)``, or a row of them) are taken into account.
    Raises BadInput with the line and the mend, here or while iterating, for anything that is not a
    full, finite, uniform table.
    """

    def __init__(self, path: StrPath, options: ImportOptions | None = None) -> None:
        self._where = os.fspath(path)
        self._options = options or ImportOptions()
        self._file, self._size = open_regular(path)
        self._done = 0
        try:
            self._layout = read_layout(self._where, self._read(2 * MAX_LINE), self._options)
            self._header = self._begin()
        except BaseException:
            self._file.close()
            raise

    @property
    def header(self) -> Header:
        return self._header

    def progress(self) -> tuple[float, float]:
        """Bytes read and bytes there are."""
        return min(self._done, self._size), self._size

    def close(self) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Event]:
        scales = [self._layout.scales[c.name] for c in self._header.channels]
        if self._clock is not None:
            self._clock.restart()
        first = 0
        for line, rows in self._pieces():
            columns = parse_rows(self._where, line, rows, self._layout)
            if self._clock is not None:
                with self._placed(line):
                    self._clock.check(columns.pop(0), partial(time_texts, rows, self._layout))
            samples = []
            for channel, column, scale in zip(self._header.channels, columns, scales, strict=True):
                with np.errstate(over="ignore"):
                    values = (column if scale == 1 else column * scale).astype(np.float32)
                if not np.isfinite(values).all():
                    row = int(np.argmin(np.isfinite(values)))
                    place = f"{self._where} line {line + row}"
                    raise BadInput(place, f"{channel.name} is too large", "correct the line")
                samples.append(values)
            yield Block(first, tuple(samples))
            first += len(samples[0])

    def _begin(self) -> Header:
        """The header, from the first rows and what the person told."""
        layout, options = self._layout, self._options
        pieces = self._pieces()
        line, rows = next(pieces, (layout.line, b""))
        if not rows:
            raise BadInput(self._where, "has no rows of numbers", "export it again")
        time, *_ = parse_rows(self._where, line, rows, layout)
        if len(time) < 2:
            next(pieces, None)  # raises where what follows is no line of a trace
            raise BadInput(self._where, "has only one row of numbers", "export it again")
        notes = dict(layout.notes)
        origin = f"CSV file {printable(os.path.basename(self._where))}"
        self._clock: SampleClock | None = None
        scale = layout.scales.get("time_s", 1.0)
        if layout.time is not None:
            with self._placed(line):
                self._clock = SampleClock(time, partial(time_texts, rows, layout))
            rate_hz = 1 / (self._clock.interval * scale)
            if time[0] != 0:
                notes["first_time_s"] = float(time[0]) * scale
            mend = "if time_s is not in seconds, add --scale time_s=SECONDS"
        else:
            rate_hz = layout.rate_hz
            told = options.sample_rate_hz is not None
            by = "as told" if told else f"as it says: {(stated_rate(notes) or (0, ''))[1]}"
            origin += f", no times in it, {rate_hz:.10g} samples a second {by}"
            mend = "correct it with --sample-rate HZ"
        if not 0 < rate_hz <= _MAX_RATE_HZ:
            what = f"gives {rate_hz:.3g} samples a second"
            raise BadInput(f"{self._where} line {line}", what, mend)
        header = Header(
            sample_rate_hz=float(f"{rate_hz:.10g}"),  # 1 / 4e-06 is 250000, whatever a fit leaves
            channels=tuple(
                Channel(
                    name,
                    SAMPLED_UNITS.get(name, "logic"),
                    delay_s=options.delays.get(name, 0.0),
                )
                for name in layout.channels
            ),
            simulated=says_simulated(layout.notes),
            origin=origin,
            notes=notes,
        )
        return options.told_besides(header)

    def _pieces(self) -> Iterator[tuple[int, bytes]]:
        """Line number and whole lines, without blank ones at the end and the last line's end."""
        self._seek(self._layout.offset)
        line = self._layout.line
        rest = b""
        blank = False
        last = False
        while not last:
            data = self._read(_PIECE_BYTES)
            last = len(data) < _PIECE_BYTES
            text = rest + data
            cut = len(text) if last else text.rfind(b"\n") + 1
            rows, rest = text[:cut].rstrip(b" \r\n"), text[cut:]
            if rows:
                if blank:  # at the end of the file they are no fault
                    raise BadInput(f"{self._where} line {line}", "is blank", "remove the line")
                yield line, rows
                line += count_lines(rows)
            blank = blank or text.count(b"\n", len(rows), cut) > (1 if rows else 0)
            if len(rest) > MAX_LINE:
                what = "is no line of a trace: no line end within 65,536 bytes"
                raise BadInput(f"{self._where} line {line}", what, "export it again")

    @contextmanager
    def _placed(self, line: int) -> Iterator[None]:
        try:
            yield
        except UnevenTimeError as fault:
            place = f"{self._where} line {line + fault.row}"
            raise BadInput(place, fault.what, fault.mend) from fault

    def _seek(self, offset: int) -> None:
        self._file.seek(offset)
        self._done = offset

    def _read(self, length: int) -> bytes:
        try:
            data = self._file.read(length) or b""
        except OSError as error:
            mend = "check the disk, copy the file to another"
            raise BadInput(self._where, f"cannot be read ({reason(error)})", mend) from error
        self._done += len(data)
        return data
