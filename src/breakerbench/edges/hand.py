"""A distributor turned by hand: does the contact open and close, and when.

At some 5 to 30 rpm, with jerks, rests and reversals, nothing of a run's rhythm holds: levels are
told from the whole trace, which is kept as means over a tenth of a millisecond (0.02 degrees at 30
rpm), and what is chatter or a jerk is told from how little time or travel it takes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import Rechunk
from breakerbench.edges.levels import split_two
from breakerbench.edges.logic import LogicEdges
from breakerbench.edges.lost import Lost
from breakerbench.trace import EDGE_NAMES, Block, EdgeTimes, Header, Hole

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

GROUP_S = 1e-4
#: Groups in one piece of work, and kept in all; of more than that, neighbours are joined.
PIECE = 4096
MOST_GROUPS = 1 << 22
#: Two levels apart by this share of the larger one and by this many volts; within them no more than
#: this share of the whole variance.
APART_SHARE, APART_V, WITHIN = 0.3, 0.3, 0.08
#: Shares of the swing below which the contact is closed and above which it is open.
CLOSED_SHARE, OPEN_SHARE = 0.25, 0.5
#: A contact that never moves: below the first it is closed, from the second on open; from memory.
CLOSED_V, OPEN_V = 1.0, 2.0
#: From these on a feed is there; from memory.
FEED_V, FEED_A = 2.0, 0.02
#: A state shorter than this is chatter; or shorter than this share of the usual ones around it.
CHATTER_S = 5e-3
BRIEF_SHARE = 0.2
#: States of a kind on each side that tell what is usual.
AROUND = 4

NO_VOLTAGE = (
    "no voltage on the points: is the feed on? If it is, the points are closed all the way round: put a "
    "strip of card between them, and the feed must show"
)
MOVES, OPEN, CLOSED = "opening and closing", "always open", "always closed"


@dataclass(frozen=True, slots=True, eq=False)
class Turned:
    """What a hand-turned trace shows.

    state        MOVES, OPEN, CLOSED; None: neither can be said, ``why`` tells the reason
    open_s       instants of the openings, s, chatter and jerks left out; touch_s: of the closings
    index, encoder   (times s, rising) of the edges; None without such a channel
    holes        (begin, end) s of what was lost
    step_s       how finely openings and closings are placed
    polarity, notes  as in the result
    """

    state: str | None
    why: str
    open_s: Floats
    touch_s: Floats
    index: tuple[Floats, Bools] | None
    encoder: tuple[Floats, Bools] | None
    holes: list[tuple[float, float]]
    step_s: float
    polarity: str | None
    notes: list[str]


class HandTrace:
    """Takes the events of a trace in order; ``finish`` tells what they show."""

    def __init__(self, header: Header) -> None:
        self.header = header
        self.lost = Lost(header.sample_rate_hz)
        self._samples = 0
        self._row = header.points_row
        self._size = max(1, round(GROUP_S * header.sample_rate_hz))
        block = self._size * PIECE
        self._chunk = Rechunk(block)
        self._join = 1
        self._kept = 0
        self._parts: list[list[Any]] = []  # stretches: number of the first group, means
        self._fresh = True  # what comes begins a stretch
        self._holes: list[tuple[float, float]] = []
        self._logic = {
            row: (Rechunk(block), LogicEdges(c.name, header.sample_rate_hz, c.offset_s - c.delay_s))
            for row, c in enumerate(header.channels)
            if c.name in EDGE_NAMES
        }
        self._delays = {c.name: c.delay_s for c in header.edge_channels}
        self._edges: dict[str, list[EdgeTimes]] = {name: [] for name in self._delays}
        self._edges |= {logic.name: [] for _, logic in self._logic.values()}
        self._besides = {
            name: (row, Rechunk(block), list[float]())
            for name in ("supply_v", "current_a")
            if (row := header.position(name)) is not None
        }

    # --- input ---

    def block(self, block: Block) -> None:
        self._samples += len(block)
        if not len(block):
            return
        for row, (chunk, logic) in self._logic.items():
            for first, x in chunk.feed(block.first, block.samples[row]):
                self._edges[logic.name].append(logic.feed(first, x))
        for row, chunk, means in self._besides.values():
            for _, x in chunk.feed(block.first, block.samples[row]):
                means.append(float(np.mean(x, dtype=np.float64)))
        if self._row is not None:
            for first, x in self._chunk.feed(block.first, block.samples[self._row]):
                self._add(first, x)

    def edge_times(self, edges: EdgeTimes) -> None:
        if edges.name in self._edges:
            time_s = edges.time_s - self._delays.get(edges.name, 0.0)
            self._edges[edges.name].append(EdgeTimes(edges.name, time_s, edges.rising))

    def hole(self, hole: Hole) -> None:
        rate = self.header.sample_rate_hz
        self.lost.add(hole)
        self._rest()
        self._fresh = True  # also a hole of no samples: something was lost there
        self._holes.append((hole.first / rate, hole.end / rate))
        for _, logic in self._logic.values():
            logic.cut()

    @property
    def seconds(self) -> float:
        return self._samples / self.header.sample_rate_hz

    def rises(self, name: str, begin: int) -> tuple[int, int] | None:
        """Rising edges of a line in what came from part ``begin`` on, and the part to go on from; None
        without that line.
        """
        if name not in self._edges:
            return None
        parts = self._edges[name]
        return sum(int(np.count_nonzero(p.rising)) for p in parts[begin:]), len(parts)

    @property
    def fed(self) -> bool:
        """Whether anything shows, or was told, that the feed is on."""
        return bool(self._feed())

    # --- the contact ---

    def _rest(self) -> None:
        for chunk, logic in self._logic.values():
            if (rest := chunk.rest()) is not None:
                self._edges[logic.name].append(logic.feed(*rest))
        for _, chunk, means in self._besides.values():
            if (rest := chunk.rest()) is not None:
                means.append(float(np.mean(rest[1], dtype=np.float64)))
        if (rest := self._chunk.rest()) is not None:
            self._add(*rest)

    def _add(self, first: int, x: NDArray[Any]) -> None:
        """Means of the whole groups of ``x``; groups lie at fixed places of the sample clock."""
        size = self._size * self._join
        skip = -first % size
        whole = (len(x) - skip) // size * size
        if whole <= 0:
            return
        means = x[skip : skip + whole].reshape(-1, size).mean(axis=1, dtype=np.float64)
        number = (first + skip) // size
        last = None if self._fresh else self._parts[-1]
        if last is not None and last[0] + sum(map(len, last[1])) == number:
            last[1].append(means.astype(np.float32))
        else:
            self._parts.append([number, [means.astype(np.float32)]])
        self._fresh = False
        self._kept += len(means)
        if self._kept > MOST_GROUPS and self._join < PIECE:
            self._halve()

    def _halve(self) -> None:
        self._join *= 2
        self._kept = 0
        for part in self._parts:
            x = np.concatenate(part[1])[part[0] % 2 :]
            part[0] = (part[0] + 1) // 2
            x = x[: len(x) // 2 * 2].reshape(-1, 2).mean(axis=1)
            part[1] = [x]
            self._kept += len(x)

    def finish(self) -> Turned:
        self._rest()
        self._parts = [[n, np.concatenate(x)] for n, x in self._parts]
        index, encoder = (self._edge(name) for name in ("index", "encoder"))
        if not self.header.encoder_pulses:
            encoder = None
        step_s = self._size * self._join / self.header.sample_rate_hz
        levels = self._levels()
        none = np.empty(0)
        seen: tuple[str | None, str, list[str], float]
        if levels is not None:
            closed, opened = levels
            travel = _travel(encoder)
            open_s, touch_s = self._changes(closed, opened, step_s, travel)
            seen = MOVES, "", list[str](), 1.0 if opened > closed else -1.0
        else:
            open_s = touch_s = none
            seen = self._still()
        state, why, notes, sign = seen
        polarity = None if not sign else ("negative ground" if sign > 0 else "positive ground")
        return Turned(
            state, why, open_s, touch_s, index, encoder, self._holes, step_s, polarity, notes
        )

    def _edge(self, name: str) -> tuple[Floats, Bools] | None:
        if name not in self._edges:
            return None
        parts = self._edges[name]
        if not parts:
            return np.empty(0), np.empty(0, bool)
        time_s = np.concatenate([p.time_s for p in parts])
        rising = np.concatenate([p.rising for p in parts])
        order = np.argsort(time_s, kind="stable")
        return time_s[order], rising[order]

    def _volts(self) -> Floats:
        assert self._row is not None
        channel = self.header.channels[self._row]
        x = np.concatenate([part[1] for part in self._parts] or [np.empty(0)]).astype(np.float64)
        return channel.zero + channel.scale * x

    def _levels(self) -> tuple[float, float] | None:
        """Volts of the closed and of the open contact; None where it keeps to one level."""
        if self._row is None:
            return None
        volts = self._volts()
        if len(volts) < 16:
            return None
        cut = split_two(volts)
        below, above = volts[volts <= cut], volts[volts > cut]
        if min(len(below), len(above)) < 8:
            return None
        a, b = float(np.median(below)), float(np.median(above))
        within = float(below.var()) * len(below) + float(above.var()) * len(above)
        if within > WITHIN * float(volts.var()) * len(volts):
            return None
        if b - a < max(APART_V, APART_SHARE * max(abs(a), abs(b))):
            return None
        return (a, b) if abs(a) <= abs(b) else (b, a)

    def _changes(
        self, closed: float, opened: float, step_s: float, travel: Callable[[Floats], Floats] | None
    ) -> tuple[Floats, Floats]:
        """Instants of the openings and of the closings."""
        assert self._row is not None
        channel = self.header.channels[self._row]
        shift_s = channel.offset_s - channel.delay_s
        opens, touches = [np.empty(0)], [np.empty(0)]
        for number, means in self._parts:
            share = (channel.zero + channel.scale * means.astype(np.float64) - closed) / (
                opened - closed
            )
            clear = np.flatnonzero((share > OPEN_SHARE) | (share < CLOSED_SHARE))
            if not len(clear):
                continue
            is_open = share[clear] > OPEN_SHARE
            change = np.flatnonzero(is_open[1:] != is_open[:-1]) + 1
            # It changed within the groups on both sides of the border.
            at = (number + clear[change]) * step_s + shift_s
            end = (number + len(means)) * step_s + shift_s
            at, now = _accepted(at, is_open[change], bool(is_open[0]), end)
            at, now = _without_brief(at, now, travel)
            opens.append(at[now])
            touches.append(at[~now])
        return np.concatenate(opens), np.concatenate(touches)

    def _still(self) -> tuple[str | None, str, list[str], float]:
        """State, reason, notes and sign of a contact that keeps to one level."""
        if self._row is None:
            return None, "no points_v channel", [], 0.0
        volts = self._volts()
        if not len(volts):
            return None, "no samples", [], 0.0
        level = float(np.median(volts))
        if abs(level) >= OPEN_V:
            return OPEN, "", [], float(np.sign(level))
        if abs(level) >= CLOSED_V:
            why = (
                f"the points stay at {level:.1f} V: neither open nor closed. A dirty contact, a bad "
                "ground or something else across the points"
            )
            return None, why, [], 0.0
        feed = self._feed()
        if feed:
            return CLOSED, "", [feed] if feed != "measured" else [], 0.0
        return None, NO_VOLTAGE, [], 0.0

    def _feed(self) -> str:
        """What shows that the feed is on: "measured", or a note; empty where nothing does."""
        for name, least in (("supply_v", FEED_V), ("current_a", FEED_A)):
            if name in self._besides:
                row, _, means = self._besides[name]
                channel = self.header.channels[row]
                if means and abs(channel.zero + channel.scale * float(np.median(means))) >= least:
                    return "measured"
        told = self.header.supply_v
        if told is not None and abs(told) >= FEED_V:
            return f"That the feed is on was told (--supply-v {told:g}), not measured."
        return ""


def _travel(encoder: tuple[Floats, Bools] | None) -> Callable[[Floats], Floats] | None:
    """Pulses of the encoder up to an instant, whichever way it turned; None without one."""
    if encoder is None or int(encoder[1].sum()) < 2:
        return None
    pulses = encoder[0][encoder[1]]
    return lambda at: np.interp(at, pulses, np.arange(len(pulses), dtype=float))


def _accepted(at: Floats, now: Bools, state: bool, end: float) -> tuple[Floats, Bools]:
    """Changes to states that last, each at the first change of its chatter.

    A state is believed once it has lasted CHATTER_S without a break.
    """
    lasted = np.diff(np.append(at, end)) >= CHATTER_S
    times, states = [], []
    pending: float | None = None
    for when, opened, lasts in zip(at.tolist(), now.tolist(), lasted.tolist(), strict=True):
        if opened == state:
            if lasts:
                pending = None
            continue
        if pending is None:
            pending = when
        if lasts:
            times.append(pending)
            states.append(opened)
            state, pending = opened, None
    return np.array(times), np.array(states, bool)


def _without_brief(
    at: Floats, now: Bools, travel: Callable[[Floats], Floats] | None
) -> tuple[Floats, Bools]:
    """Changes less the pairs around states that are brief beside those of their kind around them.

    A jerk back over an edge makes such; measured in travel of the shaft where there is an encoder.
    """
    for _ in range(100):
        if len(at) < 4:
            return at, now
        place = at if travel is None else travel(at)
        length = np.diff(place)  # state between change k and k + 1
        usual = np.empty(len(length))
        for kind in (0, 1):
            mine = length[kind::2]
            pad = np.concatenate([np.full(AROUND, np.nan), mine, np.full(AROUND, np.nan)])
            around = np.lib.stride_tricks.sliding_window_view(pad, 2 * AROUND + 1)
            usual[kind::2] = np.nanmedian(around, axis=1)
        brief = np.flatnonzero(length < BRIEF_SHARE * usual)
        if not len(brief):
            return at, now
        # The briefest of neighbours first: what is left of the others grows by it.
        order = brief[np.argsort(length[brief], kind="stable")]
        taken = np.zeros(len(at) + 1, bool)
        drop = []
        for k in order.tolist():
            if not taken[k] and not taken[k + 1]:
                taken[max(k - 1, 0) : k + 3] = True
                drop += [k, k + 1]
        keep = np.ones(len(at), bool)
        keep[drop] = False
        at, now = at[keep], now[keep]
    return at, now
