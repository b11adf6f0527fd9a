"""The simulated bench as a source of a trace, like a recording or a port."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.cam import Cam, mirrored
from breakerbench.bench.circuit import Signal, coil_signals, dry_signals, run_of
from breakerbench.bench.contact import Turning, contact_of, turn
from breakerbench.bench.feed import supply_share
from breakerbench.bench.front_end import channel_of
from breakerbench.bench.hand import chattering, contact_both_ways
from breakerbench.bench.ignition_run import Run
from breakerbench.bench.ignition_truth import electrical_truth
from breakerbench.bench.model import UNITS, Bench
from breakerbench.bench.motion import Motion, motion
from breakerbench.bench.randomness import NormalNoise, stream
from breakerbench.bench.second import OTHER_CHANCE, alternates, both, both_cam, second_cam
from breakerbench.bench.sensors import TICK_S, encoder_edges, index_edges
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.truth import layout, truth_of
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header

#: Samples made in one go. Fixed, so that a trace does not depend on the size of its blocks.
PAGE = 1 << 15


class Simulated:
    """A trace of the simulated bench: a Source, with its truth beside it.

    Going through it again gives the same bytes. Samples are made as they are asked for; held in
    memory are one page of them and the edges of the contact, some 100 bytes each.
    """

    def __init__(self, bench: Bench, seed: int, block_samples: int = 1 << 16) -> None:
        if seed < 0 or block_samples < 1:
            raise ValueError("seed must not be negative and block_samples must be positive")
        self.bench = bench
        self.seed = seed
        self.motion = motion(
            bench.drive, bench.weights, bench.vacuum, bench.vacuum_steps, bench.on_rotor
        )
        cam, shaft = bench.cam, bench.shaft
        if bench.drive.backwards:
            cam = mirrored(cam)
            shaft = replace(shaft, eccentricity_deg=-shaft.eccentricity_deg)
        self.turning, cam = _turning(bench, cam, shaft, self.motion, seed)
        if bench.drive.by_hand or self.motion.goes_back:
            contact = contact_both_ways(self.turning, self.motion, cam)
        else:
            contact = contact_of(self.turning, cam)
        self.contact = chattering(contact, bench.chatter_s, seed) if bench.chatter_s else contact
        self.header = _header(bench, seed)
        self.truth: dict[str, Any] = truth_of(bench, cam, self.motion, self.turning, contact, seed)
        self.run: Run | None = None
        if bench.ignition is not None:
            order = layout(cam, self.motion, self.turning).order
            openings = contact.time_s[~contact.closed]
            by_lobe = openings[~np.isin(openings, self.turning.trains.lost_s)]
            self.run = run_of(bench, cam, self.motion, order, self.contact, by_lobe, seed)
            self.truth |= electrical_truth(bench, self.run, self.motion, cam.lobes)
        self._block_samples = block_samples
        self._rate_hz = bench.converter.sample_rate_hz
        self._total = int(np.floor(bench.drive.seconds * self._rate_hz + 1e-6))
        self._done = 0

    def __iter__(self) -> Iterator[Event]:
        edges = [
            _Edges(stamped)
            for stamped in (
                self._index_edges() if self.bench.index else None,
                encoder_edges(self.bench.encoder, self.motion.rotor, self.seed)
                if self.bench.encoder
                else None,
            )
            if stamped is not None
        ]
        pages = self._pages()
        page: tuple[NDArray[np.int16], ...] = ()
        page_first, page_end = 0, 0
        self._done = 0
        for first in range(0, self._total, self._block_samples):
            count = min(self._block_samples, self._total - first)
            samples = tuple(np.empty(count, np.int16) for _ in self.header.channels)
            filled = 0
            while filled < count:
                if first + filled == page_end:
                    page_first, page = page_end, next(pages)
                    page_end = page_first + len(page[0])
                much = min(count - filled, page_end - first - filled)
                at = first + filled - page_first
                for whole, part in zip(samples, page, strict=True):
                    whole[filled : filled + much] = part[at : at + much]
                filled += much
            last = first + count == self._total
            for channel in edges:
                yield from channel.before(np.inf if last else (first + count) / self._rate_hz)
            self._done = first + count
            yield Block(first, samples)

    def progress(self) -> tuple[float, float]:
        """Seconds made and seconds in all."""
        return self._done / self._rate_hz, self._total / self._rate_hz

    def close(self) -> None:
        """Nothing is held open."""

    def _index_edges(self) -> Iterator[EdgeTimes]:
        assert self.bench.index is not None
        yield index_edges(self.bench.index, self.motion.rotor, self.seed)

    def _pages(self) -> Iterator[tuple[NDArray[np.int16], ...]]:
        """All samples, a page at a time, one array a channel."""
        channels = self.header.channels
        if self.run is None:
            signals = dry_signals(self.bench, self.contact, channels)
        else:
            signals = coil_signals(self.bench, self.run, channels)
        makers = [
            _Maker(channel, signals[channel.name], self.bench, self.seed) for channel in channels
        ]
        for first in range(0, self._total, PAGE):
            count = min(PAGE, self._total - first)
            yield tuple(maker.page(first, count) for maker in makers)


def simulate(bench: Bench, seed: int, block_samples: int = 1 << 16) -> Simulated:
    """A trace of a bench; the same bench and seed give the same bytes in blocks of any size."""
    return Simulated(bench, seed, block_samples)


def _turning(
    bench: Bench, cam: Cam, shaft: Shaft, motion: Motion, seed: int
) -> tuple[Turning, Cam]:
    """Openings and closings of the points that are connected, and the cam that these show."""

    def one(cam: Cam, seed: int) -> Turning:
        return turn(cam, shaft, motion, seed, bench.vacuum, bench.arm, bench.dirt)

    if bench.second is None or bench.points_set == "first":
        return one(cam, seed), cam
    second = bench.second
    if bench.drive.backwards:
        second = replace(second, offset_deg=-second.offset_deg)
    other = one(second_cam(cam, second), seed + OTHER_CHANCE)
    if bench.points_set == "second":
        return other, second_cam(cam, second)
    return both(one(cam, seed), other, alternates(cam, second)), both_cam(cam, second)


def _header(bench: Bench, seed: int) -> Header:
    wanted = bench.sampled
    channels = tuple(
        channel_of(
            name,
            UNITS[name],
            bench.full_scale(name),
            bench.front_end(name),
            bench.converter,
            position,
            len(wanted),
        )
        for position, name in enumerate(wanted)
    )
    edge_channels = []
    if bench.index:
        edge_channels.append(EdgeChannel("index", TICK_S, bench.index.delay_s))
    if bench.encoder:
        encoder = bench.encoder
        edge_channels.append(EdgeChannel("encoder", TICK_S, encoder.delay_s, encoder.stated_deg))
    return Header(
        sample_rate_hz=bench.converter.sample_rate_hz,
        channels=channels,
        edge_channels=tuple(edge_channels),
        encoder_pulses=bench.encoder.pulses if bench.encoder else None,
        kind="hand" if bench.drive.by_hand else bench.kind,
        simulated=True,
        origin="simulated bench",
        temperature_c=bench.temperature_c,
        pickup_sense=int(np.sign(bench.pickup_sense)) if "spark" in wanted else None,
        vacuum_steps=bench.vacuum_steps,
        notes={"seed": seed, "put in": list(bench.notes)},
    )


class _Edges:
    """Hands out the edges of one channel up to a time, holding back the rest."""

    def __init__(self, stamped: Iterator[EdgeTimes]) -> None:
        self._stamped = stamped
        self._held: EdgeTimes | None = None

    def before(self, time_s: float) -> Iterator[EdgeTimes]:
        """Edges earlier than ``time_s`` that were not yet handed out, in order."""
        while True:
            held = self._held or next(self._stamped, None)
            if held is None:
                return
            split = int(np.searchsorted(held.time_s, time_s))
            if split:
                yield EdgeTimes(held.name, held.time_s[:split], held.rising[:split])
            rest = EdgeTimes(held.name, held.time_s[split:], held.rising[split:])
            self._held = rest if rest.time_s.size else None
            if self._held:
                return


class _Maker:
    """Makes the samples of one channel, page after page."""

    def __init__(self, channel: Channel, signal: Signal, bench: Bench, seed: int) -> None:
        self._channel = channel
        self._signal = signal
        front_end = bench.front_end(channel.name)
        self._offset = front_end.offset / channel.scale
        self._gain = 1.0 + front_end.gain_error
        self._pick_up = {"points_v": bench.feed.pick_up_v, "current_a": bench.feed.pick_up_a}.get(
            channel.name, 0.0
        ) / channel.scale
        self._drifts = bench.ignition is None and bench.feed.drift_share_per_s != 0.0
        self._bench = bench
        self._zero = np.float32(-channel.zero / channel.scale)
        chance = stream(seed, "pick-up")
        self._phase = 2.0 * np.pi * chance.random()
        noise = bench.converter.noise_counts
        self._noise = (
            NormalNoise(stream(seed, f"noise of {channel.name}"), noise) if noise else None
        )

    def page(self, first: int, count: int) -> NDArray[np.int16]:
        converter, feed = self._bench.converter, self._bench.feed
        rate_hz = converter.sample_rate_hz
        counts: NDArray[np.float32] = self._signal(first, count)
        if self._drifts:
            ends = np.array([first, first + count]) / rate_hz + self._channel.offset_s
            begin, end = supply_share(feed, ends)
            counts -= self._zero
            counts *= np.linspace(begin, end, count, endpoint=False, dtype=np.float32)
            counts += self._zero
        if self._gain != 1.0:
            counts -= self._zero
            counts *= np.float32(self._gain)
            counts += self._zero
        if self._offset:
            counts += np.float32(self._offset)
        if self._pick_up:
            counts += self._hum(first, count)
        if self._noise:
            counts += self._noise.draw(count)
        np.rint(counts, out=counts)
        np.clip(counts, 0.0, converter.top, out=counts)
        return counts.astype(np.int16)

    def _hum(self, first: int, count: int) -> NDArray[np.float32]:
        """What the mains adds: a sine, as the product of a coarse and a fine rotation."""
        fine = 256
        turn = 2.0 * np.pi * self._bench.feed.pick_up_hz
        rate_hz = self._bench.converter.sample_rate_hz
        coarse = np.arange(-(-count // fine)) * fine + first
        start = turn * (coarse / rate_hz + self._channel.offset_s) + self._phase
        within = turn * np.arange(fine) / rate_hz
        left = np.stack((np.sin(start), np.cos(start)), axis=-1).astype(np.float32)
        right = np.stack((np.cos(within), np.sin(within))).astype(np.float32)
        hum = (np.float32(self._pick_up) * left) @ right
        return hum.ravel()[:count].astype(np.float32, copy=False)
