"""What a condenser trace shows: its charges, its hold, and the levels beside it.

Takes the blocks and holes of a trace; ``finish`` looks for the phases once all is there. Of more than
``MOST_CHARGES`` charges that many are used, evenly spread over the trace.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.condenser_charge import CLIPPED, FAST, Charge, charge_of, top_of
from breakerbench.measure.condenser_hold import Hold, hold_of
from breakerbench.measure.condenser_series import Step, step_of
from breakerbench.measure.condenser_trace import (
    KEEP,
    BesideLevel,
    Kept,
    Levels,
    Run,
    Stretch,
    runs_of,
    stretches_of,
)
from breakerbench.trace import Block, Header, Hole

Floats = NDArray[np.float64]

MOST_CHARGES = 64
#: A level is one where it is so many times its noise, or this share of the supply, or so many volts.
LEAST_NOISE, LEAST_SHARE, LEAST_V = 6.0, 0.02, 0.05
#: Where nothing shows the level of the empty condenser: its standard uncertainty, share of the top.
U_ZERO_SHARE = 0.005
#: Time constants of which a picture shows what was before the charge; points of a curve.
SHOWN_BEFORE, SHOWN_POINTS = 0.4, 600


@dataclass(frozen=True, slots=True, eq=False)
class Charged:
    """For the picture: one charge with its fit, what the fits leave, and the hold.

    time_s, volts      means of one charge, s from its onset, V as the condenser is charged (positive)
    fit_s, fit_v       its fitted curve
    left               (s from the onset, V) of the means of each of a few charges
    hold               None: there is none
    hold_fit_s, hold_fit_v   fitted curve of the hold, V above the empty condenser
    """

    time_s: Floats
    volts: Floats
    fit_s: Floats
    fit_v: Floats
    left: tuple[tuple[Floats, Floats], ...]
    hold: Hold | None
    hold_fit_s: Floats
    hold_fit_v: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What is in the trace.

    channel     name of the channel that was measured; None: there is none
    rises       times that the voltage rises;  refused: why some were not used, and how many
    zero        level of the empty condenser and its standard uncertainty, V
    supply_v, current_a   levels of these channels while they stand high; None without
    size        samples that were joined into one value
    least_tau_s shortest time constant that could be told
    """

    channel: str | None
    levels: Levels
    charges: list[Charge] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)
    rises: int = 0
    rails: bool = False
    step: Step | None = None
    zero: tuple[float, float] = (0.0, 0.0)
    supply_v: float | None = None
    current_a: float | None = None
    size: int = 1
    least_tau_s: float = 0.0
    charged: Charged | None = None


class CondenserTrace:
    """Takes the blocks of a trace in order; ``finish`` tells what they show."""

    def __init__(self, header: Header, keep: int = KEEP) -> None:
        self.header = header
        self._row = header.condenser_row
        self._kept = None if self._row is None else Kept(header.channels[self._row], keep)
        self._beside = {
            name: (place, BesideLevel(header.channels[place]))
            for name in ("supply_v", "current_a")
            if (place := header.position(name)) is not None
        }
        self.samples = 0

    def block(self, block: Block) -> None:
        self.samples += len(block)
        if self._kept is not None and self._row is not None:
            self._kept.feed(block.first, block.samples[self._row])
        for row, level in self._beside.values():
            level.feed(block.first, block.samples[row])

    def hole(self, _: Hole) -> None:
        if self._kept is not None:
            self._kept.cut()

    def finish(self) -> Found:
        if self._kept is None or self._row is None:
            return Found(None, Levels(0.0, 0.0, 0.0, 1.0, False))
        channel, rate = self.header.channels[self._row], self.header.sample_rate_hz
        stretches, levels = stretches_of(self._kept, channel, rate)
        beside = {name: level.level() for name, (_, level) in self._beside.items()}
        lag_s = max(channel.delay_s, 0.0) / math.log(2.0)
        found = Found(
            channel.name,
            levels,
            supply_v=beside.get("supply_v"),
            current_a=beside.get("current_a"),
            size=self._kept.size,
            least_tau_s=max(3.0 * self._kept.size / rate, 2.5 * lag_s),
        )
        told = found.supply_v or abs(self.header.supply_v or 0.0)
        least = max(LEAST_NOISE * levels.noise, LEAST_SHARE * told, 0.0 if told else LEAST_V)
        both = levels.both_signs and -levels.bottom > least
        found = replace(found, levels=replace(levels, both_signs=both))
        if both or levels.top - max(levels.bottom, 0.0) < least:
            return found
        return _phases(found, stretches, lag_s)


def _phases(found: Found, stretches: list[Stretch], lag_s: float) -> Found:
    levels, runs = found.levels, runs_of(stretches, found.levels)
    rising = [run for run in runs if run.risen is not None]
    many = min(len(rising), MOST_CHARGES)
    some = {round(k) for k in np.linspace(0, len(rising) - 1, many)} if many else set()
    refused: Counter[str] = Counter()
    charges, tops = [], dict[int, tuple[int, float]]()
    for k in sorted(some):
        run = rising[k]
        each = charge_of(stretches[run.stretch], run, levels, lag_s)
        if isinstance(each, str):
            refused[each] += 1
        else:
            charges.append(each)
            top = top_of(stretches[run.stretch], run, levels)
            if top is not None:
                tops[id(run)] = (top, each.tau_s / stretches[run.stretch].step_s)
    zero = _zero(charges, levels)
    tau_s = float(np.median([c.tau_s for c in charges])) if charges else 0.0
    holds = []
    for run in runs:
        if run.risen is not None and id(run) not in tops and charges:
            continue
        stretch = stretches[run.stretch]
        begin, tau = tops.get(id(run), (_begin(stretch, run, levels), tau_s / stretch.step_s))
        hold = hold_of(stretch, run, levels, begin, tau, zero)
        if hold is not None:
            holds.append(hold)
            if id(run) in tops:
                each = charge_of(stretch, run, levels, lag_s, math.floor(hold.begin))
                place = next(k for k, c in enumerate(charges) if c.run is run)
                charges[place] = each if isinstance(each, Charge) else charges[place]
    return Found(
        found.channel,
        levels,
        charges,
        holds,
        refused,
        len(rising),
        rails=refused[CLIPPED] > 0,
        # values that are joined blur the first instants
        step=step_of(stretches, charges, levels, lag_s) if found.size == 1 else None,
        zero=zero,
        supply_v=found.supply_v,
        current_a=found.current_a,
        size=found.size,
        least_tau_s=found.least_tau_s,
        charged=_charged(charges, holds, stretches),
    )


def _begin(s: Stretch, run: Run, levels: Levels) -> int:
    """Value from which a condenser is charged whose charge was not fitted."""
    if run.risen is None:
        return 0
    top = top_of(s, run, levels)
    return run.risen[1] if top is None else top


def _zero(charges: list[Charge], levels: Levels) -> tuple[float, float]:
    """Level of the empty condenser: the lowest base, the others telling how sure that is."""
    based = [(c.base_v, c.u_base_v) for c in charges if c.base_v is not None]
    if not based:
        return 0.0, U_ZERO_SHARE * levels.top
    values = np.array([v for v, _ in based])
    u = np.array([each for _, each in based])
    near = np.abs(values - values.min()) <= 4.0 * np.hypot(u, u[np.argmin(values)])
    weight = 1.0 / u[near] ** 2
    return float(weight @ values[near] / weight.sum()), float(weight.sum() ** -0.5)


def _charged(charges: list[Charge], holds: list[Hold], stretches: list[Stretch]) -> Charged | None:
    if not charges:
        return None
    c = charges[len(charges) // 2]
    s = stretches[c.stretch]
    tau = c.tau_s / s.step_s
    begin = max(math.floor(c.onset - SHOWN_BEFORE * tau - 4.0), 0)
    end = math.ceil(c.onset + (c.time_s[-1] / c.tau_s) * tau)
    at, volts = s.means(begin, end, max(1, (end - begin) // SHOWN_POINTS))
    fit_s = np.linspace(0.0, float(c.time_s[-1]), SHOWN_POINTS)
    hold = max(holds, key=lambda h: float(h.time_s[-1]), default=None)
    hold_s = np.empty(0)
    if hold is not None:
        hold_s = np.linspace(0.0, float(hold.time_s[-1]), SHOWN_POINTS)
    return Charged(
        time_s=(at - c.onset) * s.step_s,
        volts=volts,
        fit_s=fit_s,
        fit_v=c.asymptote_v + c.amplitude_v * np.exp(-fit_s / c.tau_s),
        left=tuple((each.time_s, each.left_v) for each in charges[:5]),
        hold=hold,
        hold_fit_s=hold_s,
        hold_fit_v=hold.volts * np.exp(-hold_s / hold.tau_s) if hold is not None else hold_s,
    )


__all__ = ["CLIPPED", "FAST", "Charged", "CondenserTrace", "Found"]
