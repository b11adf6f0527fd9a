"""The simulated condenser test: a condenser alone, charged through a resistor, discharged, held.

Three circuits take turns, each linear with one time constant, so that the voltage at the clamps is
exactly ``level + excess * exp(-(t - start) / tau)`` (`feed.Pieces`):

    charge     supply - resistor - clamps;  leakage and probe lie across the clamps and load it
    discharge  a resistor (or a plain short) across the clamps
    hold       neither: the condenser empties through its leakage and the probe

The condenser is a capacitance in series with a resistance; its leakage lies across both. What a
person would tell of the test (resistor, supply, probe) stands in the header as nominal values; what
it truly was is in the truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.feed import Pieces
from breakerbench.bench.front_end import Converter, FrontEnd, channel_of, filtered
from breakerbench.bench.randomness import NormalNoise, stream
from breakerbench.errors import BadInput
from breakerbench.trace import Block, Channel, Event, Header

#: Samples made in one go. Fixed, so that a trace does not depend on the size of its blocks.
PAGE = 1 << 15
#: What stands for no leakage at all, ohm.
NO_LEAK_OHM = 1e15
#: What is left of a condenser that is open: clip leads, F.
STRAY_F = 50e-12


class Parts(NamedTuple):
    """A condenser as a fault leaves it: share of its capacitance, its two resistances."""

    share: float
    series_ohm: float
    leakage_ohm: float


#: Faults of a condenser by level: slight, needs repair, dead. A share of 0 is an open one.
CONDENSER_LEVELS: dict[str, tuple[Parts, Parts, Parts]] = {
    "condenser-open": (
        Parts(1.0, 2.0, 200e6),
        Parts(0.0, 0.3, 200e6),
        Parts(0.0, 0.3, NO_LEAK_OHM),
    ),
    "condenser-shorted": (Parts(1.0, 0.3, 40e6), Parts(1.0, 0.3, 2.0), Parts(1.0, 0.3, 0.05)),
    "condenser-leaky": (Parts(1.0, 0.3, 20e6), Parts(1.0, 0.3, 500e3), Parts(1.0, 0.3, 10e3)),
    "condenser-small": (Parts(0.93, 0.3, 200e6), Parts(0.6, 0.3, 200e6), Parts(0.2, 0.3, 200e6)),
}
LEVEL_NAMES = ("slight", "needs repair", "dead")


@dataclass(frozen=True, slots=True)
class Charging:
    """A condenser on the bench and how it is tested; SI units.

    capacitance_f, series_ohm, leakage_ohm   the condenser
    supply_v, positive_ground                true supply, positive; the sign turns with the ground
    resistor_ohm    true one; told_resistor_ohm, told_supply_v, told_probe_ohm: what the header says
                    (None: nobody told)
    u_resistor_share  standard uncertainty stated of the told resistor
    probe_ohm       of the instrument across the clamps
    discharge_ohm   through which it is emptied
    charges         how often it is charged; charge_s: for so long; rest_s: emptied for so long before
    first_s         emptied before the first charge
    hold_s          after the last charge the feed is taken off for so long; 0: never
    gain, zero_v    of the channel condenser_v: reading = zero_v + gain * volts, nobody is told
    supply_gain     the same of supply_v; None: no such channel
    u_gain          standard uncertainty stated of both gains; None: not stated
    points          the channel is points_v and not condenser_v
    """

    capacitance_f: float = 0.22e-6
    series_ohm: float = 0.3
    leakage_ohm: float = 200e6
    supply_v: float = 12.0
    positive_ground: bool = False
    resistor_ohm: float = 10e3
    told_resistor_ohm: float | None = 10e3
    told_supply_v: float | None = 12.0
    told_probe_ohm: float | None = 10e6
    u_resistor_share: float | None = None
    probe_ohm: float = 10e6
    discharge_ohm: float = 1.0
    charges: int = 5
    charge_s: float = 0.025
    rest_s: float = 0.015
    first_s: float = 0.02
    hold_s: float = 3.0
    gain: float = 1.0
    zero_v: float = 0.0
    supply_gain: float | None = 1.0
    u_gain: float | None = None
    range_v: float = 20.0
    points: bool = False
    converter: Converter = field(default_factory=Converter)
    front_end: FrontEnd = field(default_factory=FrontEnd)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        positive = (
            self.capacitance_f, self.leakage_ohm, self.supply_v, self.resistor_ohm, self.probe_ohm,
            self.discharge_ohm, self.charge_s, self.rest_s, self.first_s, self.range_v, self.gain,
        )  # fmt: skip
        if min(positive) <= 0.0 or self.series_ohm < 0.0 or self.hold_s < 0.0 or self.charges < 0:
            raise ValueError(
                "capacitance, resistances, voltages and times are above 0; series resistance, hold "
                "and the number of charges not below"
            )

    @property
    def across_ohm(self) -> float:
        """Leakage and probe together."""
        return 1.0 / (1.0 / self.leakage_ohm + 1.0 / self.probe_ohm)

    @property
    def seconds(self) -> float:
        last = self.hold_s + self.rest_s if self.charges and self.hold_s else self.rest_s
        return self.first_s + self.charges * (self.charge_s + self.rest_s) - self.rest_s + last


def with_fault(test: Charging, name: str, level: str) -> Charging:
    """The test of a condenser with a fault. Raises BadInput for a name or level there is not."""
    where = f"fault {name}={level}"
    if name not in CONDENSER_LEVELS:
        known = ", ".join(CONDENSER_LEVELS)
        raise BadInput(where, "is no fault of a condenser by itself", f"use one of: {known}")
    spoken = level.replace("-", " ").replace("_", " ").strip()
    if spoken not in LEVEL_NAMES:
        raise BadInput(
            where, f"there is no level called {level!r}", f"use {', '.join(LEVEL_NAMES)}"
        )
    parts = CONDENSER_LEVELS[name][LEVEL_NAMES.index(spoken)]
    return replace(
        test,
        capacitance_f=max(parts.share * test.capacitance_f, STRAY_F),
        series_ohm=parts.series_ohm,
        leakage_ohm=parts.leakage_ohm,
        notes=(*test.notes, f"{name}: {spoken}"),
    )


def voltage(test: Charging) -> Pieces:
    """Voltage at the clamps, V, with the sign of the ground; the first piece is at rest at 0 V."""
    start, level, excess, tau = [-math.inf], [0.0], [0.0], [0.0]
    held, now = 0.0, test.first_s

    def phase(target: float, through_ohm: float, seconds: float) -> None:
        """One circuit: the condenser goes to ``target`` through a resistance seen at the clamps."""
        nonlocal held, now
        tau_s = test.capacitance_f * (through_ohm + test.series_ohm)
        start.append(now)
        level.append(target)
        excess.append((held - target) * through_ohm / (through_ohm + test.series_ohm))
        tau.append(tau_s)
        held = target + (held - target) * math.exp(-seconds / tau_s)
        now += seconds

    across = test.across_ohm
    fed = 1.0 / (1.0 / test.resistor_ohm + 1.0 / across)
    emptied = 1.0 / (1.0 / test.discharge_ohm + 1.0 / across)
    for number in range(test.charges):
        phase(test.supply_v * fed / test.resistor_ohm, fed, test.charge_s)
        if number == test.charges - 1 and test.hold_s:
            phase(0.0, across, test.hold_s)
        phase(0.0, emptied, test.rest_s)
    sign = -1.0 if test.positive_ground else 1.0
    return Pieces(
        np.array(start), sign * np.array(level), sign * np.array(excess), np.array(tau)
    )  # fmt: skip


class SimulatedCharging:
    """A trace of the condenser test: a Source, with its truth beside it.

    The same test and seed give the same bytes, in blocks of any size.
    """

    def __init__(self, test: Charging, seed: int, block_samples: int = 1 << 16) -> None:
        if seed < 0 or block_samples < 1:
            raise ValueError("seed must not be negative and block_samples must be positive")
        self.test, self.seed = test, seed
        self.header = _header(test, seed)
        self.truth = truth_of(test, seed)
        self._block_samples = block_samples
        self._rate_hz = test.converter.sample_rate_hz
        self._total = int(test.seconds * self._rate_hz + 1e-6)
        self._done = 0

    def __iter__(self) -> Iterator[Event]:
        self._done = 0
        held: list[tuple[NDArray[np.int16], ...]] = []
        many = 0
        for page in self._pages():
            held.append(page)
            many += len(page[0])
            while many >= self._block_samples or (held and self._done + many == self._total):
                whole = [np.concatenate(rows) for rows in zip(*held, strict=True)]
                size = min(self._block_samples, many)
                yield Block(self._done, tuple(row[:size] for row in whole))
                self._done += size
                many -= size
                held = [tuple(row[size:] for row in whole)] if many else []

    def progress(self) -> tuple[float, float]:
        """Seconds made and seconds in all."""
        return self._done / self._rate_hz, self._total / self._rate_hz

    def close(self) -> None:
        """Nothing is held open."""

    def _pages(self) -> Iterator[tuple[NDArray[np.int16], ...]]:
        test = self.test
        pieces = voltage(test)
        read = Pieces(
            pieces.start_s,
            test.zero_v + test.gain * pieces.level,
            test.gain * pieces.excess,
            pieces.tau_s,
        )
        makers = [_Maker(self.header.channels[0], read, test, self.seed)]
        if test.supply_gain is not None:
            level = test.supply_gain * (-test.supply_v if test.positive_ground else test.supply_v)
            still = Pieces(np.array([-np.inf]), np.array([level]), np.zeros(1), np.zeros(1))
            makers.append(_Maker(self.header.channels[1], still, test, self.seed))
        for first in range(0, self._total, PAGE):
            count = min(PAGE, self._total - first)
            yield tuple(maker.page(first, count) for maker in makers)


class _Maker:
    """Makes the samples of one channel, page after page."""

    def __init__(self, channel: Channel, pieces: Pieces, test: Charging, seed: int) -> None:
        self._channel, self._converter = channel, test.converter
        none = np.zeros(len(pieces.start_s), bool)
        self._signal = filtered(pieces, test.front_end, none, channel.scale)
        noise = test.converter.noise_counts
        chance = stream(seed, f"noise of {channel.name}")
        self._noise = NormalNoise(chance, noise) if noise else None

    def page(self, first: int, count: int) -> NDArray[np.int16]:
        converter = self._converter
        counts = self._signal.counts(first, count, self._channel, converter.sample_rate_hz)
        if self._noise:
            counts += self._noise.draw(count)
        np.rint(counts, out=counts)
        np.clip(counts, 0.0, converter.top, out=counts)
        return counts.astype(np.int16)


def _header(test: Charging, seed: int) -> Header:
    names = ["points_v" if test.points else "condenser_v"]
    names += ["supply_v"] if test.supply_gain is not None else []
    channels = tuple(
        replace(
            channel_of(name, "V", test.range_v, test.front_end, test.converter, k, len(names)),
            u_gain=test.u_gain,
        )
        for k, name in enumerate(names)
    )
    return Header(
        sample_rate_hz=test.converter.sample_rate_hz,
        channels=channels,
        kind="condenser",
        simulated=True,
        origin="simulated bench",
        supply_v=test.told_supply_v,
        series_ohm=test.told_resistor_ohm,
        probe_ohm=test.told_probe_ohm,
        u_series_share=test.u_resistor_share,
        notes={"seed": seed, "put in": list(test.notes)},
    )


def truth_of(test: Charging, seed: int) -> dict[str, Any]:
    """What is true of the condenser and of the test, in the keys of the result where it has them."""
    return {
        "simulated": True,
        "seed": seed,
        "put in": list(test.notes),
        "condenser": {
            "capacitance_f": test.capacitance_f,
            "series_ohm": test.series_ohm,
            "leakage_ohm": test.leakage_ohm,
        },
        "test": {
            "resistor_ohm": test.resistor_ohm,
            "probe_ohm": test.probe_ohm,
            "supply_v": test.supply_v,
            "charges": test.charges,
            "hold_s": test.hold_s,
        },
    }
