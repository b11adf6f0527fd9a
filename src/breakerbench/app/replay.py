"""A trace from a file as if it came from the bench now, at any speed; and a trace begun anew midway."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace

from breakerbench.trace import Block, EdgeTimes, Event, Hole, Source

#: Played in pieces of so long, s of the trace.
PIECE_S = 0.02


def played(
    source: Source,
    pace: float,
    wait: Callable[[float], None],
    now: Callable[[], float] = time.monotonic,
) -> Iterator[Event]:
    """The events of ``source`` when they are due at ``pace`` times real time; 0: at once.

    wait  is asked to let so many seconds pass
    """
    if not pace:
        yield from source
        return
    rate_hz = source.header.sample_rate_hz
    begun_s: float | None = None
    for event, at_s in _pieces(source, rate_hz):
        if begun_s is None:
            begun_s = now() - at_s / pace
        due_s = begun_s + at_s / pace - now()
        if due_s > 0.0:
            wait(due_s)
        yield event


def _pieces(source: Source, rate_hz: float) -> Iterator[tuple[Event, float]]:
    """Events with the time at which each is there, blocks in pieces, edges not before their samples."""
    held: list[EdgeTimes] = []
    size = max(round(PIECE_S * rate_hz), 1)
    end_s = 0.0
    for event in source:
        if isinstance(event, EdgeTimes):
            held.append(event)
            continue
        if isinstance(event, Hole):
            # What was said of the time before the hole is not to come after it.
            yield from ((edges, end_s) for edges in held)
            held = []
            end_s = event.end / rate_hz
            yield event, end_s
            continue
        for at in range(0, len(event), size):
            piece = Block(event.first + at, tuple(x[at : at + size] for x in event.samples))
            end_s = (piece.first + len(piece)) / rate_hz
            due, held = _split(held, end_s)
            yield from ((edges, end_s) for edges in due)
            yield piece, end_s
    yield from ((edges, end_s) for edges in held)


def _split(held: list[EdgeTimes], end_s: float) -> tuple[list[EdgeTimes], list[EdgeTimes]]:
    """(edges before ``end_s``, the others)."""
    due, later = [], []
    for edges in held:
        n = int(edges.time_s.searchsorted(end_s))
        if n:
            due.append(EdgeTimes(edges.name, edges.time_s[:n], edges.rising[:n]))
        if n < len(edges.time_s):
            later.append(EdgeTimes(edges.name, edges.time_s[n:], edges.rising[n:]))
    return due, later


class Anew:
    """Events as those of a trace that begins with row ``first``; no block or hole reaches before it."""

    def __init__(self, rate_hz: float, first: int) -> None:
        self._first, self._first_s = first, first / rate_hz

    def __call__(self, event: Event) -> Event | None:
        """The event on the new clock; None for edges that all lie before its beginning."""
        first = self._first
        if isinstance(event, Block):
            return replace(event, first=event.first - first)
        if isinstance(event, Hole):
            return replace(event, first=event.first - first, end=event.end - first)
        time_s = event.time_s - self._first_s
        within = time_s >= 0.0
        if not within.any():
            return None
        return EdgeTimes(event.name, time_s[within], event.rising[within])
