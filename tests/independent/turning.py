"""A distributor turned by hand: a path of the shaft with jerks, rests and reversals, and its trace.

Shares nothing with the bench of ours: the path is drawn as a whole and everything follows from its
angle on a grid of 50 microseconds. All is simulated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header

Array = NDArray[np.float64]
STEP_S = 50e-6


@dataclass(frozen=True)
class Turning:
    """What is turned, and how.

    opening_deg, dwell_deg  of the cam, from the index; scatter_deg of each passing
    rests, jerks, reversals how many of each; a jerk goes back by some degrees at once, a reversal by
                            tens of degrees in a second
    chatter_s               the contact is lost and found again for so long at each separation
    contact                 "works", "open" or "closed": never moves
    reference               "encoder" (and index), "index", "encoder alone", "none"
    """

    seed: int
    turns: float = 8.0
    rpm: tuple[float, float] = (8.0, 28.0)
    lobes: int = 4
    opening_deg: tuple[float, ...] = (35.0, 125.3, 214.8, 305.0)
    dwell_deg: float = 52.0
    scatter_deg: float = 0.05
    rests: int = 2
    jerks: int = 3
    reversals: int = 1
    chatter_s: float = 0.002
    contact: str = "works"
    supply_v: float = 12.0
    feed: bool = True
    polarity: int = 1
    rate_hz: float = 20e3
    noise_v: float = 0.05
    reference: str = "encoder"
    pulses: int = 360
    index_width_deg: float = 6.0
    inverted: bool = False
    told_supply_v: float | None = None
    supply_channel: bool = False


def path(c: Turning, rng: np.random.Generator) -> Array:
    """Angle of the shaft on the grid, deg, from 200 degrees before an index."""
    pieces: list[tuple[float, float]] = []  # seconds, mean deg/s
    todo = c.turns * 360.0
    while todo > 0:
        speed = float(rng.uniform(*c.rpm)) * 6.0
        seconds = float(rng.uniform(0.3, 1.2))
        pieces.append((seconds, speed))
        todo -= seconds * speed
    extra = [(float(rng.uniform(0.3, 1.5)), 0.0) for _ in range(c.rests)]
    extra += [(0.03, -float(rng.uniform(60, 150))) for _ in range(c.jerks)]
    extra += [(0.8, -float(rng.uniform(30, 80))) for _ in range(c.reversals)]
    for piece in extra:
        pieces.insert(int(rng.integers(2, len(pieces) - 1)), piece)
    speed = np.concatenate([np.full(round(s / STEP_S), v) for s, v in pieces])
    # A hand has mass: changes take some 20 ms.
    kernel = np.hanning(round(0.02 / STEP_S))
    speed = np.convolve(speed, kernel / kernel.sum(), mode="same")
    return -200.0 + np.cumsum(speed) * STEP_S


def crossings(
    angle: Array, marks_deg: Array, period: float = 360.0
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Time, mark and direction of every passing of marks that repeat each ``period`` degrees."""
    found_t, found_m, found_up = [], [], []
    for mark in marks_deg:
        turn = np.floor((angle - mark) / period)
        at = np.flatnonzero(np.diff(turn))
        up = turn[at + 1] > turn[at]
        level = mark + period * np.where(up, turn[at + 1], turn[at])
        share = (level - angle[at]) / (angle[at + 1] - angle[at])
        found_t.append((at + share) * STEP_S)
        found_m.append(np.full(len(at), mark))
        found_up.append(up)
    t, m, up = (np.concatenate(x) for x in (found_t, found_m, found_up))
    order = np.argsort(t, kind="stable")
    return t[order], m[order], up[order].astype(bool)


@dataclass
class HandSource:
    """A ``Source`` over a turning, with its truth."""

    c: Turning
    blocks: tuple[int, ...] = (65536,)
    done: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        c = self.c
        rng = np.random.default_rng([c.seed, 0xA11D])
        self.angle = path(c, rng)
        n = int(len(self.angle) * STEP_S * c.rate_hz)
        openings = np.array(c.opening_deg)
        changes: list[tuple[float, bool]] = []
        self.forward = 0
        for marks, opens in ((openings, True), (openings - c.dwell_deg, False)):
            t, _, up = crossings(self.angle, marks)
            # Scatter as a shift of the instant by the speed of that moment.
            speed = np.interp(
                t, np.arange(len(self.angle)) * STEP_S, np.gradient(self.angle, STEP_S)
            )
            shift = rng.normal(0.0, c.scatter_deg, len(t)) / np.where(
                np.abs(speed) > 20, speed, np.inf
            )
            t = np.sort(t + np.clip(shift, -2e-3, 2e-3))
            self.forward += int(up.sum()) if opens else 0
            changes += [(a, bool(opens == b)) for a, b in zip(t, up, strict=True)]
        changes.sort()
        more = []
        for at, opens in changes:
            if opens and c.chatter_s:
                for _ in range(int(rng.integers(1, 4))):
                    a = at + rng.uniform(0.0, c.chatter_s)
                    more += [(a, False), (a + rng.uniform(1e-4, 4e-4), True)]
        changes = sorted(changes + more)
        state = np.zeros(n, bool)  # open
        first = self.angle[0] % 360.0
        spans = [((o - c.dwell_deg) % 360.0, o % 360.0) for o in openings]
        now = not any((first - a) % 360.0 < (b - a) % 360.0 for a, b in spans)
        at = 0
        for t, opens in changes:
            k = min(int(np.ceil(t * c.rate_hz)), n)
            if k > at:
                state[at:k] = now
                at = k
            now = opens
        state[at:] = now
        if c.contact != "works":
            state[:] = c.contact == "open"
        volts = np.where(state, c.supply_v, 0.03) * (1.0 if c.feed else 0.0)
        volts = c.polarity * volts + rng.normal(0.0, c.noise_v, n)
        self.samples = volts.astype(np.float32)
        self.edges: dict[str, tuple[Array, NDArray[np.bool_]]] = {}
        if c.reference in ("encoder", "index"):
            self.edges["index"] = self._line(np.array([0.0]), c.index_width_deg, c.inverted)
        if c.reference in ("encoder", "encoder alone"):
            period = 360.0 / c.pulses
            self.edges["encoder"] = self._line(np.array([0.37]), 0.5 * period, False, period)

    @property
    def lobes_passed(self) -> int:
        """Lobes that the shaft came past in all, each once however often it went back."""
        marks = np.array(self.c.opening_deg)
        turns = np.floor((self.angle.max() - marks) / 360.0) - np.floor(
            (self.angle[0] - marks) / 360.0
        )
        return int(turns.sum())

    def _line(
        self, begin_deg: Array, width_deg: float, inverted: bool, period: float = 360.0
    ) -> tuple[Array, NDArray[np.bool_]]:
        """Edges of a track that is high from each mark for a width: forward up, then down."""
        t1, _, up1 = crossings(self.angle, begin_deg, period)
        t2, _, up2 = crossings(self.angle, begin_deg + width_deg, period)
        t, rising = np.concatenate([t1, t2]), np.concatenate([up1, ~up2])
        order = np.argsort(t, kind="stable")
        return t[order], (rising != inverted)[order]

    @property
    def header(self) -> Header:
        c = self.c
        channels = [Channel("points_v", "V")]
        if c.supply_channel:
            channels.append(Channel("supply_v", "V"))
        return Header(
            sample_rate_hz=c.rate_hz,
            channels=tuple(channels),
            edge_channels=tuple(EdgeChannel(name) for name in self.edges),
            encoder_pulses=c.pulses if "encoder" in self.edges else None,
            kind="hand",
            simulated=True,
            origin="independent generator, turned by hand",
            supply_v=c.told_supply_v,
        )

    def __iter__(self) -> Iterator[Event]:
        at = k = 0
        n, rate = len(self.samples), self.c.rate_hz
        while at < n:
            end = min(n, at + self.blocks[k % len(self.blocks)])
            for name, (t, rising) in self.edges.items():
                upto = np.inf if end == n else end / rate
                part = (t >= (at / rate if at else -1.0)) & (t < upto)
                if part.any():
                    yield EdgeTimes(name, t[part], rising[part])
            x: tuple[NDArray[np.float32], ...] = (self.samples[at:end],)
            if self.c.supply_channel:
                x += (np.full(end - at, self.c.supply_v, np.float32),)
            yield Block(at, x)
            at, k = end, k + 1
            self.done = at

    def progress(self) -> tuple[float, float]:
        return float(self.done), float(len(self.samples))

    def close(self) -> None:
        return
