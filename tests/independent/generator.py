"""Cases: a trace, its specification and its truth.

    source, spec_toml, truth = case(7)                          # drawn at random
    source, spec_toml, truth = case(7, lobes=6, rpm=1500, rate_hz=250e3, reference="index")
    path, spec_toml, truth = case(7, feed="coil", csv=tmp_path / "a.csv")

Every field of ``Conditions`` may be given; ``draw`` names the few words more. All is simulated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header, Hole

from . import motion as motion_
from . import reference, waveform
from .conditions import Conditions, draw

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Made:
    """One trace in memory: counts of the points, edges or columns of index and encoder."""

    c: Conditions
    counts: NDArray[np.int16]
    lines: dict[str, NDArray[np.float32]]
    edges: dict[str, tuple[Array, NDArray[np.bool_]]]
    truth: dict[str, Any]


def make(c: Conditions) -> Made:
    rng = np.random.default_rng([c.seed, 0xBEEF])
    motion = motion_.Motion(c)
    contact = motion_.contact(c, motion, rng)
    t = np.arange(c.samples) / c.rate_hz
    counts = waveform.counts(c, waveform.points_volts(c, contact, t), t, rng)
    lines: dict[str, NDArray[np.float32]] = {}
    edges: dict[str, tuple[Array, NDArray[np.bool_]]] = {}
    index = (np.zeros(0), np.zeros(0))
    for name, how, pulses, inverted in (
        ("index", c.index, reference.index_pulses, c.index_inverted),
        ("encoder", c.encoder, reference.encoder_pulses, False),
    ):
        if how == "none":
            continue
        start, end = pulses(c, motion, rng)
        if name == "index":
            index = (start, end)
        if how == "times":
            edges[name] = reference.edges(c, start, end, inverted=inverted)
        else:
            lines[name] = reference.column(c, start, end, t.size, rng, inverted=inverted)
    return Made(c, counts, lines, edges, _truth(c, motion, contact, index[0]))


def _truth(
    c: Conditions, motion: motion_.Motion, contact: motion_.Contact, index_s: Array
) -> dict[str, Any]:
    """Population figures of the distributor, and the same over the openings that happened."""
    nominal = np.array(c.nominal_deg)
    error = np.array(c.opening_deg) - nominal
    error = error - error.mean()
    # Lobe 1 is the first to open after angle 0, weights at rest.
    first = int(np.argmin(np.mod(np.array(c.opening_deg) - _rest_advance(c), 360.0)))
    shift = -first

    def ordered(x: Array) -> list[float]:
        return [float(v) for v in np.roll(x, shift)]

    dwell = np.array(c.dwell_deg)
    speeds = motion.mean_rpm(np.linspace(0, c.seconds, 2001))
    lobe = contact.opening_lobe
    # Whole revolutions of the shaft, from its first to its last passing of angle 0.
    turn = contact.opening_at_deg / 360
    whole = (turn >= np.ceil(c.start_deg / 360)) & (turn < np.floor(motion.end_deg / 360))
    # Before the first opening none was seen: nothing tells whether its dwell began with that touch.
    whole[:1] = False

    def realized(pick: NDArray[np.bool_]) -> dict[str, Any]:
        dw, of, at = contact.dwell_true_deg[pick], lobe[pick], contact.opening_true_deg[pick]
        n = np.bincount(of, minlength=c.lobes)
        if n.min() < 1:
            return {"openings": int(pick.sum())}
        mean = np.bincount(of, at, c.lobes) / n
        per = np.array([np.nanmean(dw[of == k]) if n[k] else np.nan for k in range(c.lobes)])
        err = error + mean
        ss = float(((at - mean[of]) ** 2).sum())
        return {
            "openings": int(pick.sum()),
            "least_per_lobe": int(n.min()),
            "dwell_per_lobe_deg": ordered(per),
            "dwell_mean_deg": float(per.mean()),
            "spacing_deg": ordered(err - err.mean()),
            "interval_deg": ordered(_intervals(err)),
            "scatter_deg": float(np.sqrt(ss / max(1, at.size - c.lobes))),
        }

    return {
        "lobes": c.lobes,
        "dwell_per_lobe_deg": ordered(dwell),
        "dwell_mean_deg": float(dwell.mean()),
        "dwell_percent": float(100 * dwell.mean() * c.lobes / 360),
        "spacing_deg": ordered(error),
        "interval_deg": ordered(_intervals(error)),
        "scatter_deg": float(np.hypot(c.scatter_deg, c.wander_deg)),
        "first_opening_deg": float(np.mod(np.array(c.opening_deg) - _rest_advance(c), 360.0).min()),
        "speed_rpm": (float(speeds.min()), float(speeds.max())),
        "revolutions": (motion.end_deg - c.start_deg) / 360,
        "realized": realized(whole),
        "realized_all": realized(np.ones(lobe.size, bool)),
        "bounced_closings": contact.closings_bounced,
        "clipped_closings": _clipped_closings(c, contact),
        "openings": int(lobe.size),
        "index_pulses": int(index_s.size),
        "conditions": c,
        "contact": contact,
        "motion": motion,
    }


def _clipped_closings(c: Conditions, contact: motion_.Contact) -> float:
    """Share of the closings before which the voltage is beyond a rail.

    Such an edge comes late by the front end's time constant times ln(voltage / rail), and nothing
    in the trace tells that voltage.
    """
    first = contact.time_s[contact.closed & ~contact.bounced]
    if c.feed != "coil" or first.size == 0:
        return 0.0
    volts = waveform.points_volts(c, contact, first - 1e-7) * c.polarity + c.offset_v
    low, high = (r * waveform.scale_v(c) for r in waveform.rails(c))
    return float(((volts >= high) | (volts <= low)).mean())


def _rest_advance(c: Conditions) -> float:
    """Advance at the lowest speed of the run while it turns."""
    low = min(rpm for _, rpm in c.profile)
    return float(motion_.advance_deg(c, np.array([low]))[0])


def _intervals(error: Array) -> Array:
    """Interval error from each lobe to the next: actual less nominal."""
    return np.roll(error, -1) - error


@dataclass
class TraceSource:
    """A ``Source`` over a made trace.

    blocks  samples a block (or sizes, repeated in turn)
    holes   (first, end) sample numbers that were lost, with the edges that fell into them
    """

    made: Made
    blocks: int | tuple[int, ...] = 65536
    as_float: bool = False
    offset_s: float = 0.0
    holes: tuple[tuple[int, int], ...] = ()
    done: int = field(default=0, init=False)

    @property
    def header(self) -> Header:
        c = self.made.c
        scale = waveform.scale_v(c)
        low, high = waveform.rails(c)
        known = c.rails_known
        points = Channel(
            "points_v",
            "V",
            scale=1.0 if self.as_float else scale,
            offset_s=self.offset_s,
            delay_s=0.0 if c.front_hz is None else float(np.log(2) / (2 * np.pi * c.front_hz)),
            rail_counts=((low * scale, high * scale) if self.as_float else (low, high))
            if known
            else None,
        )
        return Header(
            sample_rate_hz=c.rate_hz,
            channels=(points, *(Channel(name, "logic") for name in self.made.lines)),
            edge_channels=tuple(EdgeChannel(n, resolution_s=c.tick_s) for n in self.made.edges),
            encoder_pulses=c.encoder_pulses if c.encoder != "none" else None,
            simulated=True,
            origin="independent generator",
            vacuum_steps=c.vacuum_told,
        )

    def __iter__(self) -> Iterator[Event]:
        c, made = self.made.c, self.made
        n = made.counts.size
        sizes = (self.blocks,) if isinstance(self.blocks, int) else self.blocks
        k = 0
        at = 0
        for lost, back in (*self.holes, (n, n)):
            sent = {name: np.searchsorted(t, at / c.rate_hz) for name, (t, _) in made.edges.items()}
            while at < lost:
                end = min(lost, at + sizes[k % len(sizes)])
                for name, (t, rising) in made.edges.items():
                    upto = t.size if end == n else int(np.searchsorted(t, end / c.rate_hz))
                    if upto > sent[name]:
                        part = slice(sent[name], upto)
                        yield EdgeTimes(name, t[part], rising[part])
                        sent[name] = upto
                yield self._block(at, end)
                at, k = end, k + 1
                self.done = at
            if back > lost:
                yield Hole(lost, back, frames=1, reason="frame refused")
                at = back

    def _block(self, at: int, end: int) -> Block:
        made = self.made
        lines = [line[at:end] for line in made.lines.values()]
        if self.as_float:
            points = (made.counts[at:end] * waveform.scale_v(made.c)).astype(np.float32)
            return Block(at, (points, *lines))
        return Block(at, (made.counts[at:end], *lines))

    def progress(self) -> tuple[float, float]:
        return float(self.done), float(self.made.counts.size)

    def close(self) -> None:
        return


def specification(c: Conditions) -> str:
    """A specification (TOML), limits near this distributor's figures on either side of them."""
    rng = np.random.default_rng([c.seed, 0x11317])
    error = np.array(c.opening_deg) - np.array(c.nominal_deg)
    error = error - error.mean()
    intervals = _intervals(error)
    wide = rng.uniform(1.5, 4)
    scatter = float(np.hypot(c.scatter_deg, c.wander_deg))

    def near(value: float) -> float:
        """A limit a little or far above or below the true value."""
        return max(0.001, value * float(rng.choice([1 - d for d in (0.5, 0.1, -0.1, -0.5, -2)])))

    uneven = np.abs(np.array(c.nominal_deg) - np.arange(c.lobes) * 360 / c.lobes).max() > 1e-9
    mean = float(np.mean(c.dwell_deg))
    middle = mean + wide * float(rng.choice([0.0, 0.0, -0.97, 0.97, -1.03, 1.03, 2.0]))
    order = ", ".join(str(k + 1) for k in range(c.lobes))
    lines = [
        "schema = 1",
        "[distributor]",
        'name = "independent case"',
        f"lobes = {c.lobes}",
        'rotation = "cw"',
        f"firing_order = [{order}]",
        'source = "drawn by the independent generator"',
    ]
    if uneven:
        lines.append(f"nominal_deg = [{', '.join(f'{v:.9f}' for v in c.nominal_deg)}]")
    lines += [
        "[dwell]",
        f"min_deg = {middle - wide:.3f}",
        f"max_deg = {min(middle + wide, 359.0 / c.lobes):.3f}",
        "max_variation_deg = 2.0",
        "[spacing]",
        f"max_error_deg = {near(float(np.abs(error).max()) + 0.1):.3f}",
        f"max_interval_error_deg = {near(float(np.abs(intervals).max()) + 0.1):.3f}",
        "[scatter]",
        f"max_deg = {near(scatter + 0.01):.3f}",
    ]
    return "\n".join(lines) + "\n"


def case(
    seed: int, *, csv: Path | None = None, **given: Any
) -> tuple[TraceSource | Path, str, dict[str, Any]]:
    """One case: (a Source, or the CSV written to ``csv``), specification TOML, truth.

    ``given``: fields of ``Conditions`` and the words of ``draw``; besides those ``blocks``,
    ``as_float``, ``offset_s``, ``holes`` for the source and ``dialect`` for the CSV. A CSV has
    index and encoder as columns, so ``sampled=True`` is set for it; its command line needs
    ``truth["conditions"].encoder_pulses`` for ``--encoder-pulses``.
    """
    source_words = {
        k: given.pop(k) for k in ("blocks", "as_float", "offset_s", "holes") if k in given
    }
    dialect = given.pop("dialect", "plain")
    c = draw(seed, **({"sampled": True} if csv else {}), **given)
    made = make(c)
    if csv is not None:
        write_csv(csv, made, dialect)
        return csv, specification(c), made.truth
    return TraceSource(made, **source_words), specification(c), made.truth


def _text_table(values: Array, decimals: int) -> NDArray[np.uint8]:
    """Each value as text of one width (leading zeros), rows of bytes."""
    width = max(len(f"{v:.{decimals}f}") for v in values)
    text = "".join(f"{v:0{width}.{decimals}f}" for v in values)
    return np.frombuffer(text.encode(), np.uint8).reshape(values.size, width)


def _digits(x: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    out = np.empty((x.size, width), np.uint8)
    for k in range(width - 1, -1, -1):
        x, last = np.divmod(x, 10)
        out[:, k] = last + 48
    return out


def write_csv(path: Path, made: Made, dialect: str = "plain") -> None:
    """The contract's CSV. Dialects: plain, bom, semicolon (with decimal comma), crlf."""
    c = made.c
    separator, point = (b";", b",") if dialect == "semicolon" else (b",", b".")
    newline = b"\r\n" if dialect == "crlf" else b"\n"
    names = ["time_s", "points_v", *made.lines]
    head = b"\xef\xbb\xbf" if dialect == "bom" else b""
    head += b"# simulated: independent generator" + newline
    head += separator.join(n.encode() for n in names) + newline
    low, high = waveform.rails(c)
    volts = _text_table(np.arange(low, high + 1) * waveform.scale_v(c), 5)
    tables = []
    for line in made.lines.values():
        values, which = np.unique(line, return_inverse=True)
        tables.append((_text_table(values.astype(float), 4 if c.index_noise else 0), which))
    with path.open("wb") as file:
        file.write(head)
        for at in range(0, made.counts.size, 1 << 17):
            part = slice(at, min(at + (1 << 17), made.counts.size))
            number = np.arange(part.start, part.stop)
            ns = np.rint(number / c.rate_hz * 1e9).astype(np.int64)
            whole, fraction = np.divmod(ns, 10**9)
            columns = [_digits(whole, 4), b".", _digits(fraction, 9), separator]
            columns.append(volts[made.counts[part].astype(int) - low])
            for table, which in tables:
                columns += [separator, table[which[part]]]
            columns.append(newline)
            wide = [
                np.broadcast_to(np.frombuffer(x, np.uint8), (number.size, len(x)))
                if isinstance(x, bytes)
                else x
                for x in columns
            ]
            text = np.concatenate(wide, axis=1)
            if point == b",":
                text[text == ord(".")] = ord(",")
            file.write(text.tobytes())
