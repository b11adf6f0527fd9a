"""Edges of a whole trace: from its events to contacts with their angles.

A hole ends a stretch: every stage begins anew, nothing reaches across. What was learned of the
channel (levels, shape of the edges, sense of the index) is kept.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.angle import Angle
from breakerbench.edges.average import Averages
from breakerbench.edges.brief import Brief, place_first
from breakerbench.edges.contact import ContactFinder, Contacts, join_contacts
from breakerbench.edges.crossings import (
    PRE,
    CrossingFinder,
    Crossings,
    Rechunk,
    working_block,
)
from breakerbench.edges.cycles import Cycles
from breakerbench.edges.events import Instrument, Openings, join_openings
from breakerbench.edges.index import IndexCleaner
from breakerbench.edges.levels import Levels
from breakerbench.edges.logic import LogicEdges
from breakerbench.edges.lost import Lost
from breakerbench.edges.place import learn_response, place_openings
from breakerbench.edges.reclosing import settled_at
from breakerbench.edges.remarks import remarks
from breakerbench.edges.shapes import LN2, Learned, Response
from breakerbench.edges.vague import without_vague
from breakerbench.trace import EDGE_NAMES, Block, EdgeTimes, Header, Hole

#: Contacts from which the shape of the edges is learned.
LEARN_CONTACTS = 64
#: Sampled more slowly, a touch of ten microseconds may lie between two samples.
COARSE_HZ = 200e3
#: Working blocks between two rounds of work on the few samples around crossings.
BLOCKS_A_ROUND = 6
NOTHING = Learned()

Floats = NDArray[np.float64]


class EdgeRun:
    """Turns the events of one trace into openings with angles.

    told_lobes  lobes by the specification, or None
    learned     what another run on the same channel has learned
    ``block``, ``hole`` and ``finish`` return the openings that have become certain.
    """

    def __init__(
        self,
        header: Header,
        told_lobes: int | None,
        blocks_a_round: int = BLOCKS_A_ROUND,
        learned: Learned = NOTHING,
    ) -> None:
        self.header = header
        self.averages: Averages | None = None  # for pictures; without, it costs nothing
        self.cycles: Cycles | None = None  # for the electrical figures; the same
        self.told_lobes = told_lobes
        self.response: Response | None = learned.response
        self.lost = Lost(header.sample_rate_hz)
        self.stretches = 0
        self._row = header.points_row
        self._channel = None if self._row is None else header.channels[self._row]
        delay_s = 0.0 if self._channel is None else self._channel.delay_s
        self._told_tau = delay_s * header.sample_rate_hz / LN2
        self._samples = 0
        self._round = blocks_a_round
        self._since = 0
        block = working_block(header.sample_rate_hz)
        self._chunk = Rechunk(block)
        self._logic = {
            row: (Rechunk(block), LogicEdges(c.name, header.sample_rate_hz, c.offset_s - c.delay_s))
            for row, c in enumerate(header.channels)
            if c.name in EDGE_NAMES
        }
        self._edge_delays = {c.name: c.delay_s for c in header.edge_channels}
        names = {c.name for c in header.channels} | set(self._edge_delays)
        self.has_index = "index" in names
        self.has_encoder = "encoder" in names and bool(header.encoder_pulses)
        cleaner = IndexCleaner(told_lobes) if self.has_index else None
        sampled = header.position("encoder") is not None
        self.angle = Angle(
            header.encoder_pulses if self.has_encoder else None,
            cleaner,
            1.0 / header.sample_rate_hz if sampled else 0.0,
        )
        self._crossings: list[Crossings] = []
        self._learning: list[Contacts] = []
        self._waiting: list[Openings] = []
        self._opened = 0
        self._touches = 0
        self._beyond = 0
        self._scanned = 0
        self.brief = Brief()
        self._finder = self._new_finder(learned.levels)
        self._contacts = ContactFinder(self._told_tau, learned.front)

    # --- input ---

    def block(self, block: Block) -> list[Openings]:
        self._samples += len(block)
        if self._row is None or not len(block):
            return []
        if self.cycles is not None:
            self.cycles.block(block)
        for row, (chunk, logic) in self._logic.items():
            for first, x in chunk.feed(block.first, block.samples[row]):
                self.edge_times(logic.feed(first, x), sampled=True)
        pieces = self._chunk.feed(block.first, block.samples[self._row])
        return [openings for first, x in pieces for openings in self._work(first, x)]

    def edge_times(self, edges: EdgeTimes, sampled: bool = False) -> None:
        """Edges of index or encoder, up to the end of the next block at least."""
        time_s = edges.time_s
        if not sampled and (delay_s := self._edge_delays.get(edges.name, 0.0)):
            time_s = time_s - delay_s
        if edges.name == "index":
            self.angle.add_index(time_s, edges.rising)
        elif edges.name == "encoder":
            self.angle.add_encoder(time_s, edges.rising)

    def hole(self, hole: Hole) -> list[Openings]:
        self.lost.add(hole)
        # Also a hole of no samples breaks the stretch: something was lost there.
        found = self.finish()
        self.angle.cut()
        for _, logic in self._logic.values():
            logic.cut()
        if self.averages is not None:
            self.averages.cut()
        self._finder = self._new_finder(self._finder.levels)
        self._contacts = ContactFinder(self._told_tau)
        self._opened = 0
        return found

    def finish(self) -> list[Openings]:
        """The end of a stretch: what can still be said."""
        for chunk, logic in self._logic.values():
            rest = chunk.rest()
            if rest is not None:
                self.edge_times(logic.feed(*rest), sampled=True)
        rest = self._chunk.rest()
        if rest is not None:
            self._scan(*rest)
        self._crossings += self._finder.finish()
        found = self._round_of_work(final=True)
        if self.cycles is not None:
            self.cycles.cut(self._scanned)
        self.stretches += 1
        return found

    # --- what was found ---

    @property
    def learned(self) -> Learned:
        return Learned(self._finder.levels, self.response, self._contacts.front)

    @property
    def lobes(self) -> int | None:
        if self.angle.cleaner is not None:
            return self.angle.cleaner.lobes if self._opened or self.stretches else None
        return self.told_lobes if self.told_lobes is not None else 1

    @property
    def reference(self) -> str:
        if self.has_encoder:
            return "encoder and index" if self.has_index else "encoder"
        return "index" if self.has_index else "none"

    @property
    def polarity(self) -> str | None:
        levels = self._finder.levels
        if levels is None or self.response is None:
            return None
        return "negative ground" if levels.sign > 0 else "positive ground"

    @property
    def seconds(self) -> float:
        return self._samples / self.header.sample_rate_hz

    @property
    def least_loss_s(self) -> float:
        """A loss of contact shorter than this may leave no sign: it must reach past the band, s."""
        r = self.response
        rise = 0.0 if r is None or r.coil else 0.7 * (r.rise + r.tau)
        return (2.0 + rise) / self.header.sample_rate_hz

    @property
    def why(self) -> str:
        """Why nothing could be timed, where that is so; else empty."""
        if self._row is None:
            return "no points_v channel"
        if self._finder.levels is None:
            return "the points neither open nor close in this trace"
        if self.response is None:
            return "no whole opening and closing in this trace"
        cleaner = self.angle.cleaner
        if cleaner is not None and cleaner.report.pulses == 0:
            return "the index channel shows no pulse"
        return ""

    def instrument(self) -> Instrument:
        """What is known of the instrument, for the type B part of the uncertainties."""
        assert self._channel is not None
        period_s = 1.0 / self.header.sample_rate_hz
        r = self.response
        shape = 0.0
        if r is not None:
            # A change of the rise's time constant moves its beginning by about 0.7 of that.
            shape = r.u_rise if r.coil else 0.7 * r.u_rise
            # Touches from beyond the converter's reach: the height they fell from is not known, and
            # is much the same all through the run.
            shape += 0.4 * r.tau * self._beyond / max(self._touches, 1)
            shape += self.brief.u_samples(self.lobes or 1)
        sampled = {channel.name for channel in self.header.channels}
        stated = {c.name: c for c in self.header.edge_channels}

        def u_time(name: str) -> float:
            if name in sampled:
                return period_s / float(np.sqrt(12.0))
            return stated[name].resolution_s / float(np.sqrt(12.0)) if name in stated else 0.0

        u_disc = 0.0
        if self.has_encoder:
            u_disc = stated["encoder"].u_position_deg if "encoder" in stated else 0.0
            if self.angle.irregular is not None:
                u_disc = max(u_disc, self.angle.irregular.u_position_deg())
        return Instrument(
            u_delay_s=self._channel.u_delay_s,
            u_shape_s=shape * period_s,
            u_index_s=u_time("index"),
            u_encoder_deg=u_disc * np.sqrt(self.angle.pulse_share),
            encoder_share=self.angle.pulse_share,
            u_pulse_s=u_time("encoder") if self.has_encoder else 0.0,
            sample_s=period_s,
            lock=0.0 if "index" in sampled else self.angle.lock(period_s),
            index_only=not self.has_encoder,
        )

    def notes(self) -> list[str]:
        """What was mended or left out, in sentences for people."""
        rise_s = self.response.rise / self.header.sample_rate_hz if self.response else 0.0
        return remarks(self.angle, self.has_encoder, self.has_index, rise_s)

    # --- work ---

    def _new_finder(self, known: Levels | None) -> CrossingFinder:
        if self._channel is None:
            return CrossingFinder(0.0, 1.0)
        scale = self._channel.scale
        coarse = self.header.sample_rate_hz < COARSE_HZ
        return CrossingFinder(-self._channel.zero / scale, 1 / abs(scale), known, coarse)

    def _scan(self, first: int, x: NDArray[np.int16] | NDArray[np.float32]) -> None:
        if self.averages is not None:
            self.averages.samples(first, x)
        self._crossings += self._finder.feed(first, x)
        self._scanned = first + len(x)

    def _work(self, first: int, x: NDArray[np.int16] | NDArray[np.float32]) -> list[Openings]:
        self._scan(first, x)
        self._since += 1
        if self._since < self._round:
            return []
        return self._round_of_work(final=False)

    def _round_of_work(self, final: bool) -> list[Openings]:
        self._since = 0
        contacts = self._grouped(final)
        if len(contacts) or (final and self._learning):
            self._place(contacts, final)
        elif final:
            self.angle.add_openings(np.empty(0), final=True)
        return self._with_angles(final)

    def _grouped(self, final: bool) -> Contacts:
        """Contacts among the crossings so far that no later one can change."""
        levels = self._finder.levels
        if levels is None:
            return join_contacts([])
        crossings, self._crossings = self._crossings, []
        parts = [self._contacts.feed(crossings, levels.coil)]
        if final:
            parts.append(self._contacts.finish(levels.coil))
        return join_contacts(parts)

    def _place(self, contacts: Contacts, final: bool) -> None:
        """Learn the shape of the edges from the first contacts, then place all."""
        if self.response is None:
            if len(contacts):
                self._learning.append(contacts)
            if sum(len(c) for c in self._learning) < LEARN_CONTACTS and not final:
                return
            contacts = join_contacts(self._learning)
            self._learning = []
            first = contacts.take(slice(0, LEARN_CONTACTS))
            levels = self._finder.levels
            assert levels is not None
            self.response = learn_response(
                first.touch, first.leave, levels.coil, self._top(first),
                1.0 / self.header.sample_rate_hz, first.back if first.bounces.any() else None,
                self._told_tau,
            )  # fmt: skip
        self._emit(contacts, final)

    def _emit(self, contacts: Contacts, final: bool) -> None:
        assert self.response is not None
        assert self._channel is not None
        rate = self.header.sample_rate_hz
        shift_s = self._channel.offset_s - self._channel.delay_s
        opened = place_openings(contacts.leave, self.response)
        edges = (contacts.touch, contacts.leave, contacts.bounces > 0)
        time_s = opened.at / rate + shift_s
        # First: they tell how many lobes there are. The last ones settle what waited for more of them.
        self.angle.add_openings(time_s, final)
        cleaner = self.angle.cleaner
        lobes = self.told_lobes if cleaner is None else cleaner.lobes
        touched = place_first(*edges, self.response, self.brief)
        if self.response.coil and lobes is not None:
            u = without_vague(touched.u, opened.at - touched.at, lobes)
            touched = touched._replace(u=u)
        valid = contacts.whole & np.isfinite(touched.u)
        settled = settled_at(contacts, touched.at, self.response)
        self.brief.settling += float(np.sum(settled - touched.at, where=contacts.bounces > 0))
        if self.averages is not None:
            self.averages.contacts(touched.at, opened.at, valid)
        if self.cycles is not None:
            edges_at = (touched.at, settled, opened.at)
            self.cycles.contacts(*edges_at, valid, self._scanned, self.response.coil)
        n = len(contacts)
        self._touches += n
        if self.response.coil:
            before = contacts.touch.columns(PRE - 5, PRE - 4)[:, 0]
            self._beyond += int((before >= 0.98 * self.response.top).sum())
        if self.angle.cleaner is None and not self.has_encoder:
            every = self.told_lobes or 1
            number = self._opened + np.arange(n)
            knots = number % every == 0
            self.angle.add_knots(time_s[knots], (number[knots] // every).astype(float))
        self._opened += n
        none = np.full(n, np.nan)
        touch_s = touched.at / rate + shift_s
        self._waiting.append(
            Openings(
                time_s=time_s,
                touch_s=touch_s,
                open_deg=none,
                touch_deg=none,
                u_open_s=opened.u / rate,
                u_touch_s=np.nan_to_num(touched.u) / rate,
                settled_s=settled / rate + shift_s,
                lost_s=contacts.open_in_bounce / rate,
                valid=valid,
            )
        )

    def _with_angles(self, final: bool) -> list[Openings]:
        if not self._waiting:
            return []
        waiting = join_openings(self._waiting)
        ready = int(np.searchsorted(waiting.time_s, self.angle.ready_until(final)))
        now, rest = waiting.take(slice(0, ready)), waiting.take(slice(ready, None))
        self._waiting = [rest] if len(rest) else []
        if not len(now):
            return []
        open_deg, open_ok = self.angle.at(now.time_s, openings=True)
        # Touches may lie before the first index, whole revolutions do not.
        open_ok &= now.time_s >= self.angle.began_s
        touch_deg, touch_ok = self.angle.at(now.touch_s)
        if len(rest):
            self.angle.forget_before(float(rest.touch_s[0]))
        return [
            replace(
                now,
                open_deg=np.where(open_ok, open_deg, np.nan),
                touch_deg=np.where(touch_ok, touch_deg, np.nan),
                valid=now.valid & open_ok & touch_ok,
            )
        ]

    def _top(self, contacts: Contacts) -> float:
        """Greatest reading above closed that the converter can give, counts; inf where not told."""
        levels = self._finder.levels
        if levels is None or self._channel is None or self._channel.rail_counts is None:
            return np.inf
        # The level at these contacts, not the one reached by now: how far the work has got when the
        # shape is learned must not matter.
        closed = float(np.median(contacts.touch.closed))
        low, high = self._channel.rail_counts
        return high - closed if levels.sign > 0 else closed - low
