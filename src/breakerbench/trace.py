"""What every source yields and everything after it reads: channels, blocks, edge times, holes.

A *trace* is a header and a stream of events in time order. Time is counted in seconds from the
first sample of the trace on the sample clock; sample number ``n`` of a channel was taken at
``n / sample_rate_hz + channel.offset_s``. A hole keeps the count going: the sample numbers after it
are those of the clock, so no interval is ever shortened by what was lost.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

#: Sampled channels that the program knows, with their units.
SAMPLED_UNITS: Mapping[str, str] = {
    "points_v": "V",
    "contact_v": "V",
    "current_a": "A",
    "supply_v": "V",
    "condenser_v": "V",
    "spark": "V",
}
#: Channels that carry edges only; in a CSV or WAV they come sampled, with the unit "logic".
EDGE_NAMES: tuple[str, ...] = ("index", "encoder")

KINDS: tuple[str, ...] = ("run", "hand", "coil", "condenser")


@dataclass(frozen=True, slots=True)
class Channel:
    """One sampled channel.

    value = zero + scale * count, in ``unit``. Samples of imports without a converter are float32
    with scale 1 and zero 0.

    offset_s     how much later than the sample clock this channel is sampled (round robin), s
    delay_s      front-end delay: how late a step shows at half its height, s; taken out of edges
    u_delay_s    standard uncertainty of the *difference* of delay between an opening and a
                 closing, s (the common part cancels in every figure of one channel)
    rail_counts  lowest and highest count that the converter can give; a sample there is clipped.
                 None where not known
    u_gain       standard uncertainty of ``scale``, as a share; None where nobody stated one
    u_zero       standard uncertainty of ``zero``, in ``unit``; None where nobody stated one
    """

    name: str
    unit: str
    scale: float = 1.0
    zero: float = 0.0
    offset_s: float = 0.0
    delay_s: float = 0.0
    u_delay_s: float = 0.0
    rail_counts: tuple[float, float] | None = None
    u_gain: float | None = None
    u_zero: float | None = None


@dataclass(frozen=True, slots=True)
class EdgeChannel:
    """A channel that comes as edge times: ``index`` (one pulse a revolution) or ``encoder``.

    resolution_s   width of one tick of its time stamps, s (0: not stated)
    delay_s        delay of its front end, s, already the same for both directions
    u_position_deg standard uncertainty of the place of one encoder edge on its disc, deg, where a
                   maker or a calibration states it (0: not stated)
    """

    name: str
    resolution_s: float = 0.0
    delay_s: float = 0.0
    u_position_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Header:
    """All that is known of a trace before its first sample.

    encoder_pulses  pulses of the encoder channel a revolution, None where nobody told
    kind            what was being done: one of KINDS
    simulated       True for anything that a simulator made; shown on every screen, file and paper
    origin          where the trace comes from, for people: file format, board, simulated bench
    supply_v, series_ohm, temperature_c   what no channel does, as told by the person; None unknown
    probe_ohm       resistance of the instrument across the condenser, ohm; None unknown
    pickup_sense    +1, -1: the way the pulses of ``spark`` go with a coil connected right; None unknown
    u_supply_share, u_series_share   standard uncertainties of what was told, as shares; None unknown
    vacuum_steps    (seconds, kPa) pairs of the vacuum applied by hand; empty where none was
    notes           free text pairs carried along, never interpreted
    """

    sample_rate_hz: float
    channels: tuple[Channel, ...]
    edge_channels: tuple[EdgeChannel, ...] = ()
    encoder_pulses: int | None = None
    kind: str = "run"
    simulated: bool = False
    origin: str = ""
    supply_v: float | None = None
    series_ohm: float | None = None
    temperature_c: float | None = None
    probe_ohm: float | None = None
    pickup_sense: int | None = None
    u_supply_share: float | None = None
    u_series_share: float | None = None
    vacuum_steps: tuple[tuple[float, float], ...] = ()
    notes: Mapping[str, Any] = field(default_factory=dict)

    def position(self, name: str) -> int | None:
        """Row of the sampled channel ``name`` in every block, or None."""
        for row, channel in enumerate(self.channels):
            if channel.name == name:
                return row
        return None

    @property
    def points_row(self) -> int | None:
        """Row of the channel that the contact is seen in: ``points_v``, or else ``contact_v``."""
        row = self.position("points_v")
        return self.position("contact_v") if row is None else row

    @property
    def condenser_row(self) -> int | None:
        """Row of the channel that a condenser alone is seen in: ``condenser_v``, or else ``points_v``."""
        row = self.position("condenser_v")
        return self.position("points_v") if row is None else row


Samples = NDArray[np.int16] | NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Consecutive samples of all sampled channels.

    first    number of the first sample on the sample clock
    samples  one array a channel, in the order of ``Header.channels``, all of one length;
             int16 counts, or float32 values where the import has no converter
    """

    first: int
    samples: tuple[Samples, ...]

    def __len__(self) -> int:
        return len(self.samples[0]) if self.samples else 0


@dataclass(frozen=True, slots=True, eq=False)
class EdgeTimes:
    """Edges of one edge channel, in time order.

    time_s  float64 array, s on the clock of the trace (offsets of the stamp taken out; the
            channel's ``delay_s`` not yet)
    rising  bool array of the same length, True where the line went up

    Edges up to the end of a block come before that block or before the block after it begins.
    """

    name: str
    time_s: NDArray[np.float64]
    rising: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Hole:
    """Samples that were lost: the clock went from ``first`` to ``end`` without data.

    first, end  sample numbers: first one missing, first one present again
    frames      frames of the wire or blocks of the file that are known to be missing
    reason      for people: "frame refused", "board unplugged", "file cut short"
    """

    first: int
    end: int
    frames: int = 0
    reason: str = ""


Event = Block | EdgeTimes | Hole


class Source(Protocol):
    """Anything that yields a trace: a recording, an import, a port, the simulated bench."""

    @property
    def header(self) -> Header: ...

    def __iter__(self) -> Iterator[Event]: ...

    def progress(self) -> tuple[float, float]:
        """Done and total, in any one unit (bytes, seconds); total 0 where it is not known."""
        ...

    def close(self) -> None: ...
