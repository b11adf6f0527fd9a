"""What the channels of a bench show: of the dry feed, or of a coil."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.cam import Cam
from breakerbench.bench.contact import Contact
from breakerbench.bench.feed import Pieces, feed_current, points_voltage
from breakerbench.bench.front_end import filtered
from breakerbench.bench.ignition import Ignition
from breakerbench.bench.ignition_modes import CURRENT_A, POINTS_V, SUPPLY_V
from breakerbench.bench.ignition_run import Run, Turns, run_ignition
from breakerbench.bench.ignition_signals import Ringing
from breakerbench.bench.ignition_truth import PROBE_SIGNALS
from breakerbench.bench.model import Bench
from breakerbench.bench.motion import Motion
from breakerbench.trace import Channel

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Samples of a channel, not rounded or clipped: first sample and how many -> counts.
Signal = Callable[[int, int], NDArray[np.float32]]

#: What the pick-up makes of a breakdown: it dies away with this time constant, s, is as high as
#: ``Bench.pickup_v`` at this voltage, V, and shows the other towers' sparks by this share.
PULSE_S, PULSE_AT_V, CROSSTALK = 20e-6, 10e3, 0.05


def dry_signals(
    bench: Bench, contact: Contact, channels: tuple[Channel, ...]
) -> Mapping[str, Signal]:
    """Signals of the dry feed by the name of their channel."""
    points = points_voltage(bench.feed, contact)
    pieces = {"points_v": points, "current_a": feed_current(bench.feed, points)}
    closing = np.concatenate(([False], contact.closed))
    return {
        channel.name: _sampled(pieces[channel.name], closing, bench, channel)
        for channel in channels
    }


def coil_signals(bench: Bench, run: Run, channels: tuple[Channel, ...]) -> Mapping[str, Signal]:
    """Signals of an ignition circuit by the name of their channel."""
    circuit = bench.ignition
    assert circuit is not None
    rate_hz = bench.converter.sample_rate_hz
    probe = PROBE_SIGNALS[bench.probe_at]
    shown = {
        "points_v": POINTS_V if "contact_v" in bench.channels else probe,
        "contact_v": probe,
        "current_a": CURRENT_A,
        "supply_v": SUPPLY_V,
    }
    signals: dict[str, Signal] = {}
    for channel in channels:
        if channel.name == "spark":
            pulses = _pulses(bench, circuit, run)
            still = np.zeros(pulses.start_s.size, bool)
            signals[channel.name] = _sampled(pulses, still, bench, channel)
        else:
            front_end = bench.front_end(channel.name)
            ringing = Ringing(run, shown[channel.name], circuit.sign, front_end, channel, rate_hz)
            signals[channel.name] = ringing.counts
    return signals


def run_of(
    bench: Bench,
    cam: Cam,
    motion: Motion,
    order: NDArray[np.intp],
    contact: Contact,
    by_lobe_s: Floats,
    seed: int,
) -> Run:
    """What the ignition circuit of a bench does under a contact.

    order      lobes of the cam in the order in which they are numbered
    by_lobe_s  openings by a lobe; the others are bounce and chatter
    """
    circuit = bench.ignition
    assert circuit is not None
    proper = np.concatenate(([False], ~contact.closed & np.isin(contact.time_s, by_lobe_s)))
    first_s = float(contact.time_s[0]) if contact.time_s.size else 0.0
    times = np.concatenate(([min(first_s, 0.0)], contact.time_s))
    # the lobe whose middle stands nearest to the block; afterwards it stays that of the opening
    away = motion.cam.angle_deg(times)[:, None] - cam.centres_deg
    nearest = np.argmin(np.abs(np.mod(away + 180.0, 360.0) - 180.0), axis=1)
    numbers = np.empty(cam.lobes, np.int64)
    numbers[order] = np.arange(cam.lobes)
    latest = np.maximum.accumulate(np.where(proper, np.arange(times.size), 0))
    lobe = numbers[nearest][latest]
    tower = np.mod(lobe - (circuit.number_one_lobe - 1), cam.lobes)
    turns = Turns(lobe, tower, proper)
    return run_ignition(circuit, contact, turns, bench.feed.drift_share_per_s, seed)


def _pulses(bench: Bench, circuit: Ignition, run: Run) -> Pieces:
    """What a pick-up clipped to a high-tension lead shows: a pulse at every breakdown."""
    sense = bench.pickup_sense * (-1.0 if circuit.reversed else 1.0)
    share = np.ones(run.breakdown_s.size)
    if bench.pickup_tower is not None:
        share[run.tower[run.breakdown_phase] != bench.pickup_tower] = CROSSTALK
    height = sense * bench.pickup_v * share * run.breakdown_v / PULSE_AT_V
    start = np.concatenate(([-np.inf], run.breakdown_s))
    none = np.zeros(start.size)
    return Pieces(start, none, np.concatenate(([0.0], height)), np.full(start.size, PULSE_S))


def _sampled(pieces: Pieces, closing: Bools, bench: Bench, channel: Channel) -> Signal:
    front_end = bench.front_end(channel.name)
    signal = filtered(pieces, front_end, closing, channel.scale)
    rate_hz = bench.converter.sample_rate_hz
    return lambda first, count: signal.counts(first, count, channel, rate_hz)
