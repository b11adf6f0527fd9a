"""A stretch of a trace as a trace of its own: from one time to another, its clock beginning at zero."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator

import numpy as np

from breakerbench.errors import BadInput
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole, Source


class Stretch:
    """The samples of ``source`` from ``from_s`` up to ``to_s``, and the edges in that time.

    where         name of the input, for messages
    from_s, to_s  s from the first sample of the source; None: its beginning, its end

    Samples are numbered from 0 again; times of edges and of ``vacuum_steps`` are shifted with them
    (the step in force at the beginning stands at 0), ``from_s`` of the header's notes says by how
    much. Raises BadInput where the times are none, or nothing lies between them (while iterating).
    """

    def __init__(
        self, source: Source, where: str, from_s: float | None, to_s: float | None
    ) -> None:
        from_s = 0.0 if from_s is None else from_s
        if not from_s >= 0:
            raise BadInput(f"--from {from_s:g}", "is before the first sample", "0 or more")
        if to_s is not None and not to_s > from_s:
            raise BadInput(f"--to {to_s:g}", "is not after --from", f"more than {from_s:g}")
        self._source, self._where = source, where
        self._rate = rate = source.header.sample_rate_hz
        self._first = math.ceil(from_s * rate - 1e-6)
        self._end = math.inf if to_s is None else math.ceil(to_s * rate - 1e-6)
        self._shift_s = self._first / rate
        self.header = self._shifted(source.header)

    def __iter__(self) -> Iterator[Event]:
        found = False
        shift = self._first
        for event in self._source:
            if isinstance(event, EdgeTimes):
                yield from self._edges(event)
                continue
            length = len(event) if isinstance(event, Block) else event.end - event.first
            if event.first >= self._end:
                break
            low = max(event.first, shift)
            high = int(min(event.first + length, self._end))
            if low > high or (low == high and length):
                continue
            if isinstance(event, Hole):
                if low < high or low > shift:
                    yield Hole(low - shift, high - shift, event.frames, event.reason)
                continue
            found = True
            part = slice(low - event.first, high - event.first)
            yield Block(low - shift, tuple(s[part] for s in event.samples))
        if not found and self.header.channels:
            until = "" if math.isinf(self._end) else f" and --to {self._end / self._rate:g}"
            what = (
                f"no sample lies {'between' if until else 'after'} --from {self._shift_s:g}{until}"
            )
            raise BadInput(self._where, what, "choose other times")

    def progress(self) -> tuple[float, float]:
        return self._source.progress()

    def close(self) -> None:
        self._source.close()

    def _edges(self, event: EdgeTimes) -> Iterator[EdgeTimes]:
        end_s = self._end / self._rate
        inside = (event.time_s >= self._shift_s) & (event.time_s < end_s)
        if inside.any():
            yield EdgeTimes(event.name, event.time_s[inside] - self._shift_s, event.rising[inside])

    def _shifted(self, header: Header) -> Header:
        if not self._first:
            return header
        steps: list[tuple[float, float]] = []
        for time_s, kpa in header.vacuum_steps:
            after_s = float(np.round(time_s - self._shift_s, 9))
            if after_s <= 0:
                steps, after_s = [], 0.0
            steps.append((after_s, kpa))
        notes = {**header.notes, "from_s": self._shift_s}
        return dataclasses.replace(header, vacuum_steps=tuple(steps), notes=notes)
