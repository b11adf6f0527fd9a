"""Imported traces in VCD (IEEE 1364 clause 18): logic channels as edge times, ``real`` ones sampled.

A VCD holds changes: a value that stayed is not in it. So a ``real`` variable is taken as sampled
where its changes lie on a uniform grid of times, and a time of the grid without one repeats the
value; changes at any other times are no samples, and refused.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from vcd.reader import TokenKind

from breakerbench.errors import BadInput
from breakerbench.sources.files import Closing, StrPath, open_regular, printable
from breakerbench.sources.options import CHANNEL_NAMES, ImportOptions, says_simulated
from breakerbench.sources.sampling import UNIFORM
from breakerbench.sources.vcd_tokens import VcdTokens
from breakerbench.trace import (
    EDGE_NAMES,
    SAMPLED_UNITS,
    Block,
    Channel,
    EdgeChannel,
    EdgeTimes,
    Event,
    Header,
    Hole,
)

_PIECE = 1 << 15  # changes taken together
_MAX_TICK = 1 << 53  # what a float counts without loss
_MAX_RATE_HZ = 1e9
#: A value may stay for so many samples, and a trace may be so many times longer than its changes:
#: beyond that there is no saying that it was sampled, and a small file would be a long trace.
_MAX_HOLD = 1 << 16
_MAX_GROWTH = 32

#: A scalar comes as its letter, a vector as a number or, with x and z in it, as its letters.
_LEVELS: dict[int | str | float, bool] = {
    "0": False, "1": True, "L": False, "l": False, "H": True, "h": True, 0: False, 1: True,
}  # fmt: skip


class VcdSource(Closing):
    """A VCD file as a source; other names with ``--column index=NAME`` or ``SCOPE.NAME``.

    ``index`` and ``encoder`` come as edge times, with the timescale of the file as resolution;
    a level that is unknown (x, z) is none, and no edge leads out of it at the start. Any channel of
    the contract may be a ``real`` variable; all of them are samples of one clock.
    Time counts from the first sample, or else from the first time in the file (``first_time_s`` in
    the notes where that is not zero). A file of which the last word has no end was cut: an empty
    hole at its end. (Cut between two lines it looks whole: a VCD has no end mark.)

    Raises BadInput with the line and the mend, here or while iterating. One iteration at a time; a
    second begins again.
    """

    def __init__(self, path: StrPath, options: ImportOptions | None = None) -> None:
        self._where = os.fspath(path)
        self._options = options or ImportOptions()
        self._file, self._size = open_regular(path)
        try:
            self._tokens = VcdTokens(self._where, self._file, self._size)
            definitions = self._tokens.define(self._options)
            self._wanted, self._tick_s = definitions.wanted, definitions.tick_s
            names = definitions.wanted.values()
            self._edges = [name for name in EDGE_NAMES if name in names]
            self._sampled = [
                name for name in CHANNEL_NAMES if name in names and name in SAMPLED_UNITS
            ]
            self._header = self._begin(definitions.notes)
        except BaseException:
            self._file.close()
            raise

    @property
    def header(self) -> Header:
        return self._header

    def progress(self) -> tuple[float, float]:
        """Bytes read and bytes there are."""
        return self._tokens.done, self._size

    def close(self) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Event]:
        first = 0  # number of the sample that comes next
        changes = 0
        rest: _Rows | None = None  # the last row: how long it stays is seen from the next one
        for piece, edges in self._pieces():
            yield from edges
            if not len(piece):
                continue
            changes += len(piece)
            rows = piece if rest is None else rest.joined(piece)
            counts = np.diff(self._grid.numbers(rows, self._where))
            if len(counts):
                self._hold(rows, counts, first, changes)
                values = np.repeat(rows.values[:-1], counts, axis=0)
                yield Block(first, tuple(np.ascontiguousarray(v) for v in values.T))
                first += len(values)
            rest = rows.last()
        if rest is not None:
            yield Block(first, tuple(np.ascontiguousarray(v) for v in rest.values.T))
            first += 1
        if self._tokens.cut:
            yield Hole(first, first, 0, "the file was cut short")

    def _hold(self, rows: _Rows, counts: NDArray[np.int64], first: int, changes: int) -> None:
        """Refuses values that stay too long, before they are made."""
        row = int(np.argmax(counts))
        end = first + int(counts.sum())
        if counts[row] > _MAX_HOLD or end > _MAX_HOLD + _MAX_GROWTH * changes:
            place = f"{self._where} line {rows.lines[row]}"
            what = "the values change too rarely to have been sampled uniformly"
            raise BadInput(place, what, _UNEVEN_MEND)

    def _begin(self, notes: dict[str, object]) -> Header:
        options = self._options
        self._start: int | None = None
        rate_hz = min(1 / self._tick_s, _MAX_RATE_HZ)
        if self._sampled:
            rows = next((rows for rows, _ in self._pieces() if len(rows) > 1), None)
            if rows is None:
                what = f"{self._sampled[0]} has fewer than two values"
                raise BadInput(self._where, what, "export it again")
            self._grid = _Grid(rows, self._where)
            rate_hz = 1 / (self._grid.interval * self._tick_s)
            if not 0 < rate_hz <= _MAX_RATE_HZ:
                what = f"gives {rate_hz:.3g} samples a second"
                raise BadInput(self._where, what, "check its $timescale")
        else:
            for _ in self._pieces():
                break
            if self._start is None:
                raise BadInput(self._where, "holds no changes", "record or export it again")
        assert self._start is not None
        if self._start:
            notes["first_time_s"] = self._start * self._tick_s
        header = Header(
            sample_rate_hz=float(f"{rate_hz:.10g}"),
            channels=tuple(
                Channel(name, SAMPLED_UNITS[name], delay_s=options.delays.get(name, 0.0))
                for name in self._sampled
            ),
            edge_channels=tuple(
                EdgeChannel(name, self._tick_s, options.delays.get(name, 0.0))
                for name in self._edges
            ),
            simulated=says_simulated(notes),
            origin=f"VCD file {printable(os.path.basename(self._where))}",
            notes=notes,
        )
        return options.told_besides(header)

    def _pieces(self) -> Iterator[tuple[_Rows, list[EdgeTimes]]]:
        """Rows of the real variables, and edges up to the last of them or a little beyond."""
        tokens = self._tokens = VcdTokens(self._where, self._file, self._size)
        tokens.define(self._options)
        sampled, places = self._sampled, {name: n for n, name in enumerate(self._sampled)}
        scales = [self._options.scales.get(name, 1.0) for name in sampled]
        values = [math.nan] * len(sampled)
        levels: dict[str, bool] = {}
        edges: dict[str, list[tuple[int, bool]]] = {name: [] for name in self._edges}
        ticks: list[int] = []
        lines: list[int] = []
        rows: list[list[float]] = []
        tick: int | None = None
        start = None
        changed = False
        count = 0
        for token in tokens:
            kind = token.kind
            if kind is TokenKind.CHANGE_TIME:
                now = token.time_change
                if now == tick:
                    continue
                if tick is not None and now < tick:
                    raise tokens.refuse("the time goes backwards", "export it again")
                if now > _MAX_TICK:
                    raise tokens.refuse("the time is beyond all use", "export it again")
                if changed and tick is not None and not any(map(math.isnan, values)):
                    start = tick if start is None else start
                    ticks.append(tick)
                    rows.append(values.copy())
                    lines.append(tokens.line)
                changed = False
                tick = now
                if start is None and not sampled:
                    start = now
                if count >= _PIECE:
                    self._start = start
                    yield _Rows.of(ticks, rows, lines, start), self._taken(edges, start)
                    ticks, rows, lines, count = [], [], [], 0
            elif kind is TokenKind.CHANGE_SCALAR or kind is TokenKind.CHANGE_VECTOR:
                change = token.data
                name = self._wanted.get(change.id_code)  # type: ignore[union-attr]
                if name is None or name in places:
                    continue
                level = _LEVELS.get(change.value)  # type: ignore[union-attr]
                before = levels.get(name)
                if level is None or level is before:
                    continue
                levels[name] = level
                if before is not None and tick is not None:
                    edges[name].append((tick, level))
                    count += 1
            elif kind is TokenKind.CHANGE_REAL:
                real = token.real_change
                name = self._wanted.get(real.id_code)
                if name is None or name not in places:
                    continue
                value = real.value * scales[places[name]]
                if not abs(value) < 3e38:  # of float32
                    raise tokens.refuse(f"{name} is no finite number", "export it again")
                values[places[name]] = value
                changed = True
                count += 1
            elif kind is TokenKind.DUMPOFF:
                what = "the dump was switched off here, and what happened is not in the file"
                raise tokens.refuse(what, "export a stretch without $dumpoff")
        if changed and tick is not None and not any(map(math.isnan, values)):
            start = tick if start is None else start
            ticks.append(tick)
            rows.append(values.copy())
            lines.append(tokens.line)
        self._start = start
        yield _Rows.of(ticks, rows, lines, start), self._taken(edges, start)

    def _taken(
        self, edges: dict[str, list[tuple[int, bool]]], start: int | None
    ) -> list[EdgeTimes]:
        """The edges collected so far, from the first sample on; the lists are emptied."""
        events = []
        for name, found in edges.items():
            after = [] if start is None else [(t - start, up) for t, up in found if t >= start]
            found.clear()
            if after:
                time_s = np.array([tick for tick, _ in after], np.float64) * self._tick_s
                rising = np.array([level for _, level in after], np.bool_)
                events.append(EdgeTimes(name, time_s, rising))
        return events


class _Rows:
    """Values of all real variables at the times where one of them changed.

    ticks   int64, from the first row of the file
    values  float32, rows by channels
    lines   where each is in the file
    """

    def __init__(
        self, ticks: NDArray[np.int64], values: NDArray[np.float32], lines: NDArray[np.int64]
    ) -> None:
        self.ticks, self.values, self.lines = ticks, values, lines

    @classmethod
    def of(
        cls, ticks: list[int], rows: list[list[float]], lines: list[int], start: int | None
    ) -> _Rows:
        values = np.array(rows, np.float32).reshape(len(rows), len(rows[0]) if rows else 0)
        return cls(np.array(ticks, np.int64) - (start or 0), values, np.array(lines, np.int64))

    def __len__(self) -> int:
        return len(self.ticks)

    def joined(self, other: _Rows) -> _Rows:
        return _Rows(
            np.concatenate([self.ticks, other.ticks]),
            np.concatenate([self.values, other.values]),
            np.concatenate([self.lines, other.lines]),
        )

    def last(self) -> _Rows:
        return _Rows(self.ticks[-1:], self.values[-1:], self.lines[-1:])


_UNEVEN_MEND = "export it with uniform sampling, or as CSV"


class _Grid:
    """The sample time, from the first rows; every row must lie on it, to 1 % or a tick of rounding.

    interval   in ticks
    """

    def __init__(self, rows: _Rows, where: str) -> None:
        steps = np.diff(rows.ticks)
        least = steps[steps <= max((1 + UNIFORM) * steps.min(), steps.min() + 1)]
        usual = float(np.median(least))  # steps of one sample; longer ones repeat a value
        if len(least) < 0.4 * len(steps):
            usual = float(np.median(steps))  # a few are odd, and the check of each will find them
            if (np.abs(steps - usual) <= max(UNIFORM * usual, 1)).mean() < 0.5:
                what = f"its values are {steps.min()} to {steps.max()} ticks apart"
                place = f"{where} line {rows.lines[0]}"
                raise BadInput(place, what + ": it is not sampled uniformly", _UNEVEN_MEND)
        self._take(usual)
        if (
            steps % usual != 0
        ).any():  # no whole number of ticks, so that rounding varies the steps
            n = np.concatenate([[0], np.cumsum(np.maximum(1, np.rint(steps / usual)))])
            middle = n - n.mean()
            self._take(float(middle @ (rows.ticks - rows.ticks.mean()) / (middle @ middle)))
            if (steps % usual == 0).mean() >= 0.8 and self._numbers(rows)[1].any():
                self._take(usual)  # an odd step spoils the fit: the usual one finds the right line

    def _take(self, interval: float) -> None:
        self.interval = interval
        self._loose = min(max(UNIFORM * interval, 1.5), 0.3 * interval)

    def numbers(self, rows: _Rows, where: str) -> NDArray[np.int64]:
        """Number of the sample that each row is, from the first of them. Raises BadInput."""
        numbers, off = self._numbers(rows)
        if off.any():
            row = int(np.argmax(off))
            what = f"the value is not on the sample time of {self.interval:.6g} ticks"
            raise BadInput(f"{where} line {rows.lines[row]}", what, _UNEVEN_MEND)
        return numbers

    def _numbers(self, rows: _Rows) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """The numbers, and which of them are wrong."""
        ticks = rows.ticks - rows.ticks[0]
        numbers = np.rint(ticks / self.interval).astype(np.int64)
        off = np.abs(ticks - numbers * self.interval) > self._loose
        off[1:] |= np.diff(numbers) < 1
        return numbers, off
