"""The newest samples of the channels, and pictures cut from them around each contact as it comes.

For watching only: nothing of this goes into a result, and a run of which nobody draws pictures pays
nothing. A window is cut once, when all its samples are there, and never over a hole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings
from breakerbench.trace import Block, Channel, Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Windows of a kind that are laid upon each other.
MOST = 100
#: Around an edge, s.
BEFORE_S, AFTER_S = 0.3e-3, 1.2e-3
#: Around a burn and around a closed time, s; the first lasts no longer than to the next touch.
BURN_BEFORE_S, BURN_AFTER_S, BURN_POINTS = 0.2e-3, 5e-3, 600
#: A burn is drawn up to so long before the next touch, s: the fall of the front end begins there.
GUARD_S = 16e-6
CURRENT_BEFORE_S, CURRENT_AFTER_S, CURRENT_POINTS = 0.2e-3, 0.3e-3, 400
#: A closed time that is longer or shorter by more than this share makes a new picture of the current.
OTHER = 0.2
#: Room for closed times longer than the usual one.
ROOM = 1.25
#: A contact nearer to one already cut than this share of the usual interval is that one, placed again.
SAME = 0.25
#: Samples of a point that are gone through one by one.
FEW = 16
#: A point that fewer than this share of the windows reach is not shown.
REACHED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The last windows of one kind, laid upon each other at their edge.

    time_s    (k,) from the edge, s
    mean      (k,) of the windows, in the unit of the channel
    low, high (k,) lowest and highest of them
    newest    (k,) the newest window; nan past its own end
    n         how many windows, 100 at most
    """

    time_s: Floats
    mean: Floats
    low: Floats
    high: Floats
    newest: Floats
    n: int


class Recent:
    """The newest samples of some rows of the blocks, as they came; what is before a hole is gone."""

    def __init__(self, rows: tuple[int, ...], most: int) -> None:
        self._rows, self._most = rows, most
        self._held: dict[int, NDArray[Any]] = {}
        self._begin = self._end = 0  # of what is held, in the arrays
        self.next = 0  #: number of the sample after the newest

    def __len__(self) -> int:
        return self._end - self._begin

    @property
    def first(self) -> int:
        """Number of the oldest sample held."""
        return self.next - len(self)

    @property
    def nbytes(self) -> int:
        return sum(x.nbytes for x in self._held.values())

    def add(self, block: Block) -> bool:
        """Whether those held were moved to the front: seldom, there is room for twice as many."""
        came = {row: block.samples[row][-self._most :] for row in self._rows}
        many = min(len(block), self._most)
        for row, x in came.items():
            if row not in self._held or self._held[row].dtype != x.dtype:
                self._held[row] = np.empty(2 * self._most, x.dtype)
        moved = self._end + many > 2 * self._most
        if moved:
            begin, end = max(self._begin, self._end + many - self._most), self._end
            for held in self._held.values():
                held[: end - begin] = held[begin:end].copy()
            self._begin, self._end = 0, end - begin
        for row, x in came.items():
            self._held[row][self._end : self._end + many] = x
        self._end += many
        self._begin = max(self._begin, self._end - self._most)
        self.next = block.first + len(block)
        return moved

    def cut(self, number: int) -> None:
        """Everything is forgotten; what comes begins at this sample."""
        self._begin = self._end = 0
        self.next = number

    def newest(self, row: int, many: int) -> NDArray[Any]:
        """The last ``many`` samples of a row; good until the next ``add``."""
        return self._held[row][self._end - many : self._end]

    def take(self, row: int, first: Ints, count: int) -> NDArray[Any]:
        """(n, count) samples from each number ``first`` on; past what is held the sample at its end."""
        at = (first - self.first)[:, None] + np.arange(count)
        if len(at) and (at[:, -1].max() >= len(self) or at[:, 0].min() < 0):
            np.clip(at, 0, len(self) - 1, out=at)
        found: NDArray[Any] = self._held[row][at + self._begin]
        return found


class Layers:
    """The last MOST windows over one grid of times: their means, lowest and highest."""

    def __init__(self, time_s: Floats, cells: bool) -> None:
        """cells: there are several samples to a point, each with its own lowest and highest."""
        self._time_s = time_s
        # Each window in its place; where the points are single samples, all three are one.
        self._rows = np.empty((3 if cells else 1, MOST, len(time_s)), np.float32)
        self._count = 0
        self._seen: Seen | None = None

    def add(self, windows: NDArray[np.float32]) -> None:
        """windows: (1 or 3, n, k) mean, lowest, highest; nan past the end of a window."""
        windows = windows[:, -MOST:]
        at = (self._count + np.arange(windows.shape[1])) % MOST
        self._rows[:, at] = windows
        self._count += windows.shape[1]
        self._seen = None

    def seen(self) -> Seen | None:
        if self._seen is None and self._count:
            n = min(self._count, MOST)
            rows = self._rows[:, :n]
            there = ~np.isnan(rows[0])
            reached = there.sum(axis=0)
            # Windows end where they end: the points are the first so many.
            k = int(np.count_nonzero(reached >= REACHED * n))
            total = np.where(there, rows[0], np.float32(0.0)).sum(axis=0, dtype=np.float64)
            self._seen = Seen(
                self._time_s[:k],
                total[:k] / reached[:k],
                np.fmin.reduce(rows[min(1, len(rows) - 1)])[:k].astype(np.float64),
                np.fmax.reduce(rows[-1])[:k].astype(np.float64),
                rows[0, (self._count - 1) % MOST, :k].astype(np.float64),
                n,
            )
        return self._seen


class Windows:
    """Cuts a window of each kind around every contact that it has not seen before.

    opening, touch   points_v about the opening and about the first touch, at the sample rate
    burn             points_v from the opening to the next first touch, 5 ms at most
    current          current_a from the first touch to just after the opening
    None where there is no such channel, or nothing yet. Times are those of the edges as placed, with the
    channel's offset and delay taken out.
    """

    def __init__(self, header: Header, recent: Recent) -> None:
        self._rate_hz, self._recent = header.sample_rate_hz, recent
        self._channels: dict[str, tuple[int, Channel]] = {
            c.name: (row, c) for row, c in enumerate(header.channels)
        }
        self._layers: dict[str, Layers] = {}
        self._cut_s: dict[str, float] = {}  # opening of the newest contact that was cut
        self._closed_s = np.nan  # usual time closed of the picture of the current

    @property
    def opening(self) -> Seen | None:
        return self._of("opening")

    @property
    def touch(self) -> Seen | None:
        return self._of("touch")

    @property
    def burn(self) -> Seen | None:
        return self._of("burn")

    @property
    def current(self) -> Seen | None:
        return self._of("current")

    def _of(self, kind: str) -> Seen | None:
        return self._layers[kind].seen() if kind in self._layers else None

    def collect(self, contacts: Openings) -> None:
        """The newest contacts, as they were placed just now; most have been here before."""
        if not len(contacts):
            return
        o, now_s = contacts, self._recent.next / self._rate_hz
        interval_s = float(np.median(np.diff(o.time_s))) if len(o) > 1 else 0.0
        # The loss of contact of a bounce at the very end may pass for an opening.
        sure = o.time_s + AFTER_S <= now_s
        if "points_v" in self._channels:
            for kind, edge_s, ok in (
                ("opening", o.time_s, sure),
                ("touch", o.touch_s, sure & o.valid),
            ):
                new = ok & self._unseen(kind, o.time_s, interval_s)
                self._lines(kind, "points_v", o.time_s[new], edge_s[new])
            if len(o) > 1:
                # Where it ends tells the touch of the contact after it.
                new = sure[1:] & o.valid[1:] & self._unseen("burn", o.time_s[:-1], interval_s)
                opened_s, until_s = o.time_s[:-1][new], o.touch_s[1:][new] - GUARD_S
                width = max(round(BURN_AFTER_S * self._rate_hz / BURN_POINTS), 1)
                longest_s = BURN_BEFORE_S + BURN_AFTER_S
                self._cells(
                    "burn", "points_v", opened_s, opened_s - BURN_BEFORE_S,
                    np.minimum(until_s, opened_s + BURN_AFTER_S), BURN_BEFORE_S, longest_s, width,
                )  # fmt: skip
        if "current_a" in self._channels and o.valid.any():
            closed_s = float(np.median((o.time_s - o.touch_s)[o.valid]))
            if not abs(closed_s / self._closed_s - 1.0) <= OTHER:
                self._closed_s = closed_s
                self._layers.pop("current", None)
            new = sure & o.valid & self._unseen("current", o.time_s, interval_s)
            width = max(round(self._closed_s * self._rate_hz / CURRENT_POINTS), 1)
            longest_s = CURRENT_BEFORE_S + ROOM * self._closed_s + CURRENT_AFTER_S
            self._cells(
                "current", "current_a", o.time_s[new], o.touch_s[new] - CURRENT_BEFORE_S,
                o.time_s[new] + CURRENT_AFTER_S, CURRENT_BEFORE_S, longest_s, width,
            )  # fmt: skip

    def _unseen(self, kind: str, time_s: Floats, interval_s: float) -> Bools:
        return np.asarray(time_s > self._cut_s.get(kind, -np.inf) + SAME * interval_s)

    def _at(self, name: str, time_s: Floats) -> Floats:
        """Where the channel shows these instants, samples."""
        c = self._channels[name][1]
        return (time_s - c.offset_s + c.delay_s) * self._rate_hz

    def _ready(self, kind: str, opened_s: Floats, first: Floats, end: Floats) -> Bools:
        """Windows of which all samples are held; the rest wait, or have gone by."""
        ready = (first >= self._recent.first) & (end <= self._recent.next)
        if ready.any():
            self._cut_s[kind] = float(opened_s[ready].max())
        # More than are kept are not cut at all.
        ready[: max(len(ready) - MOST, 0)] = False
        return np.asarray(ready)

    def _lines(self, kind: str, name: str, opened_s: Floats, edge_s: Floats) -> None:
        """Windows at the sample rate, by straight lines between the samples."""
        before, after = (int(s * self._rate_hz) for s in (BEFORE_S, AFTER_S))
        at = self._at(name, edge_s)
        whole = np.floor(at)
        ready = self._ready(kind, opened_s, whole - before, whole + after + 2)
        if not ready.any():
            return
        row, channel = self._channels[name]
        first = whole[ready].astype(np.int64) - before
        x = self._recent.take(row, first, before + after + 2).astype(np.float32)
        share = (at - whole)[ready, None].astype(np.float32)
        values = x[:, :-1] + share * (x[:, 1:] - x[:, :-1])
        if kind not in self._layers:
            time_s = np.array(np.arange(-before, after + 1) / self._rate_hz, float)
            self._layers[kind] = Layers(time_s, False)
        self._layers[kind].add(_in_unit(channel, values)[None])

    def _cells(
        self, kind: str, name: str, opened_s: Floats, begin_s: Floats, end_s: Floats,
        before_s: float, longest_s: float, width: int,
    ) -> None:  # fmt: skip
        """Windows of ``width`` samples a point, with the mean, lowest and highest of these.

        opened_s, begin_s, end_s   (n,) of each window; before_s: from its begin to its edge
        """
        begin, end = self._at(name, begin_s), self._at(name, end_s)
        points = int(np.ceil(longest_s * self._rate_hz / width))
        ready = self._ready(kind, opened_s, np.floor(begin), np.ceil(end))
        if not (ready.any() and points > 0):  # contacts that end before they begin have no window
            return
        row, channel = self._channels[name]
        # Less than a sample after the begin of the grid: each lies in the cell that it is counted to.
        first = np.ceil(begin[ready])
        x = self._recent.take(row, first.astype(np.int64), points * width)
        values = _in_unit(channel, x.astype(np.float32)).reshape(len(x), points, width)
        windows = _of_cells(values)
        past = np.arange(1, points + 1) * width > (end[ready] - first)[:, None]
        windows[:, past] = np.nan
        if kind not in self._layers:
            middle_s = np.array((np.arange(points) + 0.5) * width / self._rate_hz - before_s, float)
            self._layers[kind] = Layers(middle_s, True)
        self._layers[kind].add(windows)


def _of_cells(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """(3, n, k) mean, lowest and highest of the (n, k, width) samples in each cell."""
    width = values.shape[2]
    if width > FEW:
        return np.stack([values.mean(axis=2), values.min(axis=2), values.max(axis=2)])
    # Reducing along a short last axis takes several times as long as this.
    windows = np.stack([values[:, :, 0]] * 3)
    for k in range(1, width):
        each = values[:, :, k]
        windows[0] += each
        np.minimum(windows[1], each, out=windows[1])
        np.maximum(windows[2], each, out=windows[2])
    windows[0] /= np.float32(width)
    return windows


def _in_unit(channel: Channel, counts: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.float32(channel.zero) + np.float32(channel.scale) * counts
