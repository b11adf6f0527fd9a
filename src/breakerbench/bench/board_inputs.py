"""What a simulated board tells of itself: inputs, capture modes, and the bench in each of these."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from breakerbench.bench.board_faults import BoardFaults
from breakerbench.bench.front_end import channel_of
from breakerbench.bench.model import UNITS, Bench
from breakerbench.bench.sensors import TICK_S
from breakerbench.wire.messages import (
    LEAST_LEVEL,
    LEVEL,
    Calibrate,
    Edge,
    Identity,
    Input,
    Message,
    Mode,
    Sampled,
)

#: Ticks of the board clock a second, and from one conversion to the next (500,000 a second).
CLOCK_HZ = 62_500_000
STEP_TICKS = 125
#: The converter of the wire gives so many bits at most.
MOST_BITS = 12
BOARD, SERIAL, BUILD = "simulated", "SIMULATED", "simulated bench"


@dataclass(frozen=True, slots=True)
class Inputs:
    """What is connected to a board, by the numbers of the wire; benches by the number of their mode."""

    sampled: Mapping[int, Sampled]
    edges: Mapping[int, Edge]
    modes: Mapping[int, Mode]
    benches: Mapping[int, Bench]
    calibrated: bool


def inputs_of(bench: Bench) -> Inputs:
    """Mode 1 samples ``points_v`` and ``current_a``; mode 2, with a coil, a third channel too.

    That one is the first of ``bench.channels`` which is neither, else ``supply_v``. Raises ValueError for
    a bench that samples no current, or whose converter has more bits than the wire carries.
    """
    if bench.converter.bits > MOST_BITS:
        raise ValueError(f"the wire carries samples of {MOST_BITS} bits, no more")
    if bench.current_range_a is None:
        raise ValueError("a board samples the current in every mode")
    assert round(1.0 / TICK_S) == CLOCK_HZ
    sets: dict[int, tuple[str, ...]] = {1: ("points_v", "current_a")}
    if bench.ignition is not None:
        others = [name for name in bench.channels if name not in sets[1]]
        sets[2] = (*sets[1], others[0] if others else "supply_v")
    modes, benches = {}, {}
    for number, names in sets.items():
        row_ticks = STEP_TICKS * len(names)
        first, second, third = (*(_input(name) for name in names), 0)[:3]
        modes[number] = Mode(
            number, len(names), first, second, third, row_ticks, 1, float(STEP_TICKS)
        )
        rate = replace(bench.converter, sample_rate_hz=CLOCK_HZ / row_ticks)
        benches[number] = replace(bench, channels=names, converter=rate)
    edges = {}
    for name, sensor in (("index", bench.index), ("encoder", bench.encoder)):
        if sensor is not None:
            edges[_input(name)] = Edge(_input(name), 1, sensor.delay_s)
    names = sets[max(sets)]
    return Inputs(
        {_input(name): _sampled(bench, name) for name in names}, edges, modes, benches,
        any(bench.front_end(name).u_gain is not None for name in names),
    )  # fmt: skip


def _input(name: str) -> int:
    return int(Input[name.upper()])


def _sampled(bench: Bench, name: str) -> Sampled:
    c = channel_of(
        name, UNITS[name], bench.full_scale(name), bench.front_end(name), bench.converter, 0, 1
    )
    return Sampled(
        _input(name), bench.converter.bits, c.scale, c.zero, c.delay_s, c.u_delay_s,
        -1.0 if c.u_gain is None else c.u_gain, -1.0 if c.u_zero is None else c.u_zero,
    )  # fmt: skip


def calibrated(bits: int, told: Calibrate) -> Sampled:
    """An input with new figures."""
    return Sampled(
        told.input, bits, told.scale, told.zero, told.delay_s, told.u_delay_s, told.u_gain,
        told.u_zero,
    )  # fmt: skip


def told(
    inputs: Inputs, sampled: Mapping[int, Sampled], own: bool, serial: str, faults: BoardFaults
) -> list[Message]:
    """Answer to Hello. sampled: figures in use; own: True where they come from a calibration."""
    level, least = faults.levels or (LEVEL, LEAST_LEVEL)
    wrong = faults.contradiction
    parts: list[Message] = [*sampled.values(), *inputs.edges.values()]
    for mode in inputs.modes.values():
        if wrong == "no such input":
            mode = replace(mode, second=int(Input.CONDENSER_V))  # noqa: PLW2901
        elif wrong == "no rows":
            mode = replace(mode, row_ticks=0)  # noqa: PLW2901
        parts.append(mode)
    identity = Identity(
        level, least, 0 if wrong == "no clock" else CLOCK_HZ, int(own),
        len(sampled) + (1 if wrong == "too few inputs" else 0), len(inputs.edges),
        len(inputs.modes), BOARD, serial, BUILD,
    )  # fmt: skip
    return [identity, *parts]
