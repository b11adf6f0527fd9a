"""What an export keeps: what its file says of itself, what is lost, how it is read back.

The files of other programs have no place for much that a recording states. What an import can be
told is told again on the command line; what it cannot be told is named.
"""

from __future__ import annotations

import json
import math
import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass

from breakerbench.sources.files import printable
from breakerbench.sources.options import CHANNEL_NAMES, MAX_DELAY_S, TOLD_ACCURACY
from breakerbench.sources.write_vcd import timescale
from breakerbench.trace import Header

#: Format -> what it is called.
FORMS = {"csv": "CSV", "wav": "WAV", "vcd": "VCD", "bbr": "a recording"}
_MAX_NOTES = 50
#: What a person tells of a trace, each by an option of its own name.
TOLD_ONCE = ("supply_v", "series_ohm", "temperature_c", "probe_ohm")
_MAX_FACT = 180  # an import keeps 200 characters of a line


@dataclass(frozen=True, slots=True)
class Kept:
    """facts  lines that the file says of itself; the first where the data is simulated
    lost   what reading it back cannot recover, sentences for people
    words  the command that reads it back, word by word
    """

    facts: tuple[str, ...]
    lost: tuple[str, ...]
    words: tuple[str, ...]


def kept(
    header: Header, form: str, out: str, origin: str, scales: Sequence[float] | None = None
) -> Kept:
    """What is said of an export of ``header``, beside the data.

    form    one of FORMS but "bbr", which loses nothing
    out     name of the file
    origin  name of the file that was exported
    scales  WAV: what full scale of each sampled channel stands for (None: float in its unit)
    """
    words = ("breakerbench", "analyze", out, *_told(header, form, scales))
    lost = tuple(_lost(header, form))
    facts = ["simulated: true"] if header.simulated else []
    facts += [
        f"exported from: {os.path.basename(origin)}",
        f"origin: {header.origin}",
        f"kind: {header.kind}",
        f"sample_rate_hz: {header.sample_rate_hz!r}",
    ]
    for key in (*TOLD_ONCE, "encoder_pulses", "pickup_sense"):
        if (value := getattr(header, key)) is not None:
            facts.append(f"{key}: {value!r}")
    if header.vacuum_steps:
        facts.append(f"vacuum_steps (s, kPa): {_steps(header)}")
    for c in header.channels:
        text = f"unit {c.unit}, offset_s {c.offset_s!r}, delay_s {c.delay_s!r}, u_delay_s {c.u_delay_s!r}"
        if c.rail_counts is not None:
            ends = (c.zero + c.scale * count for count in c.rail_counts)
            text += ", range {:.9g} to {:.9g}".format(*ends)
        facts.append(f"channel {c.name}: {text}")
    for e in header.edge_channels:
        facts.append(
            f"channel {e.name}: edges, resolution_s {e.resolution_s!r}, delay_s {e.delay_s!r}, "
            f"u_position_deg {e.u_position_deg!r}"
        )
    facts += [f"not kept: {text}" for text in lost]
    here = (*words[:2], os.path.basename(out), *words[3:])
    facts.append(f"read with: {shlex.join(here)}")
    for key, value in list(header.notes.items())[:_MAX_NOTES]:
        facts.append(f"note {key}: {json.dumps(value, ensure_ascii=False, default=str)}")
    return Kept(tuple(_fact(fact) for fact in facts), lost, words)


def _fact(text: str) -> str:
    limit = None if text.startswith("read with") else _MAX_FACT
    return printable(" ".join(text.split()), limit or 4 * _MAX_FACT)


def _told(header: Header, form: str, scales: Sequence[float] | None) -> list[str]:
    """The options that tell an import what its file cannot say."""
    words: list[str] = []
    names = [c.name for c in header.channels] + [e.name for e in header.edge_channels]
    if form == "wav":
        for number, name in enumerate(names):
            if name in CHANNEL_NAMES:
                words += ["--column", f"{name}={number}"]
        for channel, scale in zip(header.channels, scales or (), strict=False):
            if channel.name in CHANNEL_NAMES and scale != 1:
                words += ["--scale", f"{channel.name}={scale:.12g}"]
    for name, delay_s in _delays(header).items():
        if delay_s and abs(delay_s) <= MAX_DELAY_S and name in CHANNEL_NAMES:
            words += ["--delay", f"{name}={delay_s:.9g}"]
    if header.encoder_pulses is not None:
        words += ["--encoder-pulses", str(header.encoder_pulses)]
    if header.kind != "run":
        words += ["--kind", header.kind]
    for key in TOLD_ONCE:
        if (value := getattr(header, key)) is not None:
            option, text = "--" + key.replace("_", "-"), f"{value:.9g}"
            # A figure that begins with a minus and ends in an exponent is taken for an option.
            words += [f"{option}={text}"] if value < 0.0 else [option, text]
    if header.pickup_sense is not None:
        words += ["--right-pulse", "positive" if header.pickup_sense > 0 else "negative"]
    for name, u in _accuracies(header).items():
        words += ["--accuracy", f"{name}={100 * math.sqrt(3) * u:.9g}"]
    if header.vacuum_steps and _steps_can_be_told(header):
        words += ["--vacuum", _steps(header)]
    return words


def _delays(header: Header) -> dict[str, float]:
    """Delay that an import is told: it knows no time offset, so that is in it."""
    sampled = {c.name: c.delay_s - c.offset_s for c in header.channels}
    return sampled | {e.name: e.delay_s for e in header.edge_channels}


def _accuracies(header: Header) -> dict[str, float]:
    """Standard uncertainties, as shares, of what has one that is stated."""
    stated = {c.name: c.u_gain for c in header.channels if c.name in CHANNEL_NAMES}
    stated |= {name: getattr(header, key) for name, key in TOLD_ACCURACY.items()}
    return {name: u for name, u in stated.items() if u is not None}


def _steps(header: Header) -> str:
    return ",".join(f"{time_s:.9g}:{kpa:.9g}" for time_s, kpa in header.vacuum_steps)


def _steps_can_be_told(header: Header) -> bool:
    times = [time_s for time_s, _ in header.vacuum_steps]
    return (
        times[0] >= 0
        and times == sorted(set(times))
        and all(kpa >= 0 for _, kpa in header.vacuum_steps)
    )


def _lost(header: Header, form: str) -> list[str]:
    """What no option can tell an import again."""
    lost = []
    sampled = [c.name for c in header.channels]
    edges = [e.name for e in header.edge_channels]
    if edges and form != "vcd":
        period_us = 1e6 / header.sample_rate_hz
        lost.append(
            f"times of the edges of {' and '.join(edges)}: rounded to a sample, {period_us:.4g} us"
        )
    elif edges:
        unit, unit_s = timescale(header)
        finer = [e.name for e in header.edge_channels if not e.resolution_s]
        if finer:
            lost.append(f"times of the edges of {' and '.join(finer)}: rounded to {unit}")
        coarse = [e for e in header.edge_channels if e.resolution_s > 1.5 * unit_s]
        lost += [
            f"resolution of {e.name}, {e.resolution_s * 1e9:.4g} ns: it is read as {unit}"
            for e in coarse
        ]
    offset = [c.name for c in header.channels if c.offset_s]
    if offset:
        lost.append(f"time offset of {' and '.join(offset)} by itself: it is in the delay told")
    uncertain = [c for c in header.channels if c.u_delay_s]
    lost += [
        f"uncertainty of the delay of {c.name}, {c.u_delay_s:.3g} s: figures get too small a one"
        for c in uncertain
    ]
    lost += [
        f"uncertainty of the zero of {c.name}, {c.u_zero:.3g} {c.unit}"
        for c in header.channels
        if c.u_zero is not None
    ]
    lost += [
        f"uncertainty of the places of the pulses of {e.name}, {e.u_position_deg:.3g} deg"
        for e in header.edge_channels
        if e.u_position_deg
    ]
    railed = [c.name for c in header.channels if c.rail_counts is not None]
    if railed and form == "wav":
        lost.append(
            f"range of the converter of {' and '.join(railed)}: the file's own stands for it"
        )
    elif railed:
        lost.append(
            f"range of the converter of {' and '.join(railed)}: what it cut off is not known"
        )
    late = [n for n, d in _delays(header).items() if abs(d) > MAX_DELAY_S and n in CHANNEL_NAMES]
    if late:
        lost.append(f"delay of {' and '.join(late)}: longer than an import takes")
    unknown = [name for name in (*sampled, *edges) if name not in CHANNEL_NAMES]
    if unknown:
        lost.append(
            f"{' and '.join(map(printable, unknown))}: in the file, but no channel of imports"
        )
    if header.vacuum_steps and not _steps_can_be_told(header):
        lost.append("steps of the vacuum: they cannot be told as they are")
    rate = round(header.sample_rate_hz)
    if form == "wav" and rate != header.sample_rate_hz:
        lost.append(f"sample rate {header.sample_rate_hz:.10g} Hz: {rate} in the file")
    if header.kind in ("run", "hand") and "points_v" not in sampled:
        lost.append("as it has no points_v, analyze does not read it back")
    return lost
