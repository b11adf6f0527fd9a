"""A trace put side by side for exports: each block with the edges in its time, and no hole between."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.errors import BadInput
from breakerbench.trace import Block, Channel, EdgeTimes, Event, Header, Hole, Samples, Source

#: Edges of one channel: times in s, and True where the line went up.
Edges = tuple[NDArray[np.float64], NDArray[np.bool_]]
_NO_EDGES: Edges = (np.empty(0), np.empty(0, np.bool_))
#: Rows that a writer is given at a time, whatever the blocks of the source.
_ROWS = 1 << 16


def paired(source: Source, where: str, form: str) -> Iterator[tuple[Block, dict[str, Edges]]]:
    """Blocks in order, each with all edges before its end; what comes later is with the last one.

    where, form  the input's name and the format to write, for the messages

    Raises BadInput where samples follow a hole: no format but our own can show one, and closing it
    up would make up time that never was. A hole at the end shortens the trace and no more.
    """
    rate = source.header.sample_rate_hz
    edges: dict[str, Edges] = {each.name: _NO_EDGES for each in source.header.edge_channels}
    waiting: Block | None = None
    hole: Hole | None = None
    end = 0
    given_s = -np.inf  # edges before this went out with their block
    for event in source:
        if isinstance(event, EdgeTimes):
            if len(event.time_s) and event.time_s[0] < given_s:
                what = f"edges of {event.name} come after the samples of their time"
                raise BadInput(where, what, "record it again")
            before = edges[event.name]
            edges[event.name] = (
                np.concatenate([before[0], event.time_s]),
                np.concatenate([before[1], event.rising]),
            )
        elif isinstance(event, Hole):
            hole = hole or event
        else:
            if hole is not None or event.first != end:
                raise _holed(where, form, end, event.first, hole, rate)
            if waiting is not None:
                yield from _cut(waiting, edges, rate, last=False)
                given_s = (waiting.first + len(waiting)) / rate
            waiting = event
            end = event.first + len(event)
    if waiting is None:
        raise BadInput(where, "holds no samples", "record it again")
    yield from _cut(waiting, edges, rate, last=True)


def _cut(
    block: Block, edges: dict[str, Edges], rate: float, *, last: bool
) -> Iterator[tuple[Block, dict[str, Edges]]]:
    """The block in pieces of at most _ROWS; the edges given out are taken from ``edges``."""
    for at in range(0, len(block), _ROWS):
        piece = Block(block.first + at, tuple(s[at : at + _ROWS] for s in block.samples))
        end_s = (piece.first + len(piece)) / rate
        given = {}
        for name, (time_s, rising) in edges.items():
            n = int(np.searchsorted(time_s, end_s))
            if last and at + _ROWS >= len(block):
                n = len(time_s)
            given[name] = (time_s[:n], rising[:n])
            edges[name] = (time_s[n:], rising[n:])
        yield piece, given


def _holed(where: str, form: str, first: int, end: int, hole: Hole | None, rate: float) -> BadInput:
    reason = f" ({hole.reason})" if hole is not None and hole.reason else ""
    what = f"has a hole of {(end - first) / rate:.6g} s at {first / rate:.6g} s{reason}"
    side = (
        f"--to {first / rate:.6f} or --from {end / rate:.6f}"
        if first
        else f"--from {end / rate:.6f}"
    )
    what += f", which {form} cannot show"
    return BadInput(where, what, f"export one side of it with {side}, or to a recording (.bbr)")


@dataclass(frozen=True, slots=True)
class Start:
    """What the first edges of a channel show.

    level       before the first edge; low where there is none
    step_s      0, or where edges of one direction alone were stamped: the first step between two
    """

    level: bool = False
    step_s: float = 0.0


def starts(source: Source) -> dict[str, Start]:
    """How each edge channel begins.

    Reads ``source`` until each has shown three edges; it must be able to begin again.
    """
    names = [each.name for each in source.header.edge_channels]
    first: dict[str, list[tuple[float, bool]]] = {name: [] for name in names}
    for event in source if names else ():
        if isinstance(event, EdgeTimes):
            some = zip(event.time_s[:3].tolist(), event.rising[:3].tolist(), strict=True)
            first[event.name] = [*first[event.name], *some][:3]
            if all(len(found) == 3 for found in first.values()):
                break
    found = {}
    for name, edges in first.items():
        same = len(edges) > 1 and len({up for _, up in edges}) == 1
        step_s = edges[1][0] - edges[0][0] if same else 0.0
        found[name] = Start(bool(edges) and not edges[0][1], step_s)
    return found


class Returns:
    """A source whose edge channels go both ways: a line must come back before it can rise again.

    Where edges of one direction alone were stamped, as counters do, the other is put in a third of
    the last step later. Nothing but the direction that was stamped is a measurement.
    """

    def __init__(self, source: Source, begin: Mapping[str, Start]) -> None:
        self._source, self.header = source, source.header
        self._begin = begin

    def __iter__(self) -> Iterator[Event]:
        steps = {name: each.step_s for name, each in self._begin.items() if each.step_s}
        last: dict[str, tuple[float, float]] = {}  # the last edge, and when the line came back
        for event in self._source:
            if not isinstance(event, EdgeTimes) or event.name not in steps:
                yield event
                continue
            name = event.name
            edge_s, after = last.get(name, (-np.inf, -np.inf))
            way = not self._begin[name].level
            time_s = event.time_s[(event.time_s > after) & (event.rising == way)]
            if not len(time_s):
                continue
            before = np.diff(time_s, prepend=max(edge_s, time_s[0] - steps[name]))
            width = np.minimum(before, np.diff(time_s, append=np.inf)) / 3
            both = np.stack([time_s, time_s + width], axis=1).ravel()
            last[name] = float(time_s[-1]), float(both[-1])
            yield EdgeTimes(name, both, np.tile([way, not way], len(time_s)))

    def progress(self) -> tuple[float, float]:
        return self._source.progress()

    def close(self) -> None:
        self._source.close()


class Levels:
    """Edge channels as levels at the times of the samples.

    lost  name -> edges that no sample shows, because the line went back before the next one
    seen  name -> edges given
    """

    def __init__(self, start: Mapping[str, Start], sample_rate_hz: float) -> None:
        self._level = {name: each.level for name, each in start.items()}
        self._rate = sample_rate_hz
        self._rest: dict[str, Edges] = dict.fromkeys(start, _NO_EDGES)
        self.lost = dict.fromkeys(start, 0)
        self.seen = dict.fromkeys(start, 0)

    def of(self, block: Block, edges: Mapping[str, Edges]) -> dict[str, NDArray[np.bool_]]:
        """The levels in one block; blocks follow each other."""
        numbers = np.arange(block.first, block.first + len(block))
        found = {}
        for name, (new_s, new_rising) in edges.items():
            time_s = np.concatenate([self._rest[name][0], new_s])
            rising = np.concatenate([self._rest[name][1], new_rising])
            # The first sample that shows an edge: the one at its time or the next one.
            sample = np.ceil(time_s * self._rate - 1e-6)
            count = np.searchsorted(sample, numbers, side="right")
            states = np.concatenate([[self._level[name]], rising])
            found[name] = level = states[count]
            shown = int(np.count_nonzero(np.diff(level, prepend=self._level[name])))
            n = int(count[-1])
            self.seen[name] += n
            self.lost[name] += n - shown
            self._level[name] = bool(level[-1])
            self._rest[name] = (time_s[n:], rising[n:])
        return found


def names_of(header: Header) -> list[str]:
    """Names of all columns; one that is no plain word would break the file and gets a number."""
    names = [c.name for c in header.channels] + [e.name for e in header.edge_channels]
    plain = [re.fullmatch(r"[A-Za-z_]\w{0,60}", name, re.ASCII) is not None for name in names]
    return [name if plain[n] else f"channel_{n}" for n, name in enumerate(names)]


def values(channel: Channel, samples: Samples, where: str) -> NDArray[np.float32]:
    """Samples in the unit of their channel. Raises BadInput where float32 cannot hold them."""
    if samples.dtype == np.float32 and (channel.scale, channel.zero) == (1.0, 0.0):
        found = np.asarray(samples, np.float32)
    else:
        with np.errstate(over="ignore"):
            scaled = channel.zero + channel.scale * samples.astype(np.float64)
            found = scaled.astype(np.float32)
    if not np.isfinite(found).all():
        raise BadInput(where, f"{channel.name} is beyond float32", "check its scale")
    return found
