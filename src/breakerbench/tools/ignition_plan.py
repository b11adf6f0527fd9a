"""A coil's circuit worked out from what is told of it: at rest, and over speed.

What is not told is assumed as a band (`ignition_figures`), and every figure comes as a band: the
lowest and the highest that the bands and the warming of the winding allow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from breakerbench.tools import ignition_circuit as circuit
from breakerbench.tools import ignition_figures as figures
from breakerbench.tools.ignition import Known, Verdict, feed_by_current, feed_by_volts, judge_coil
from breakerbench.tools.ignition_figures import Band, exactly

#: Places within a band of temperatures and of inductances that are tried for the ends of a figure. A
#: largest value between two of them is missed by less than 0.2 %.
TEMPERATURES, INDUCTANCES = 5, 17
CURVE_SPEEDS, MOST_ROWS = 61, 9
#: Steps of the speed in a table, rpm.
STEPS_RPM = (10, 25, 50, 100, 250, 500, 1000, 2500)


@dataclass(frozen=True, slots=True)
class Told:
    """What a person told; None: not told. SI units, speeds of the distributor.

    coil_ohm     of the primary winding, measured at ``coil_c`` (None: cold)
    resistors    each resistor in the feed, ohm
    dwell_share  closed share of a lobe's pitch
    standing_a   measured current through closed points at rest
    feed_v       then: feed terminal of the coil to ground, magnitude
    points_v     then: points terminal of the coil to ground, magnitude
    ohm_within   largest error of the ohmmeter
    """

    supply_v: float
    coil_ohm: float
    coil_c: float | None = None
    resistors: tuple[float, ...] = ()
    inductance_h: float | None = None
    dwell_share: float | None = None
    lobes: int = 4
    min_rpm: float = 300.0
    max_rpm: float = 2500.0
    turns_ratio: float | None = None
    condenser_f: float | None = None
    secondary_f: float | None = None
    warm_c: float | None = None
    standing_a: float | None = None
    feed_v: float | None = None
    points_v: float | None = None
    marked: str | None = None
    ohm_within: float = figures.OHM_WITHIN


@dataclass(frozen=True, slots=True)
class Assumed:
    """Something that nobody told: what, between which values, in which unit, and where from."""

    what: str
    band: Band
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Circuit:
    """All that the figures follow from, SI units."""

    supply_v: float
    coil_20c_ohm: float
    feed_ohm: float
    winding_c: Band
    inductance_h: Band
    dwell_share: Band
    lobes: int
    turns_ratio: Band
    condenser_f: Band
    secondary_f: Band
    loss_share: Band

    @property
    def coil_ohm(self) -> Band:
        """The winding, cold and warm."""
        ends = [
            float(circuit.winding_ohm(self.coil_20c_ohm, c))
            for c in (self.winding_c.low, self.winding_c.high)
        ]
        return Band(*ends)


@dataclass(frozen=True, slots=True)
class AtRest:
    """Ignition on, points closed, engine stopped, the current settled."""

    current_a: Band
    coil_w: Band
    feed_w: Band
    feed_terminal_v: Band


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """At one speed of the distributor.

    current_a    when the points open;  mean_a  over the whole period;  energy_j  in the field then
    secondary_v  that is there to break down a gap;  primary_v  at the points with it
    coil_w, feed_w  heat in the winding and in the feed's resistance
    lost_w       what the coil's iron and the rest take of the energy besides
    """

    rpm: float
    sparks_per_s: float
    current_a: Band
    mean_a: Band
    energy_j: Band
    secondary_v: Band
    primary_v: Band
    coil_w: Band
    feed_w: Band
    lost_w: Band


@dataclass(frozen=True, slots=True)
class Plan:
    """What is told and assumed, what follows, and the verdict."""

    told: Told
    circuit: Circuit
    assumed: tuple[Assumed, ...]
    rest: AtRest
    rows: tuple[AtSpeed, ...]
    curve: tuple[AtSpeed, ...]
    verdict: Verdict
    notes: tuple[str, ...]


def plan(told: Told) -> Plan:
    """All of it. Raises ValueError for figures that no circuit can have (see `judge_coil`)."""
    cold = told.coil_c is None
    at_c = figures.COLD_C if told.coil_c is None else told.coil_c
    coil = float(circuit.winding_20c_ohm(told.coil_ohm, at_c))
    warm_c = figures.WARM_C if told.warm_c is None else told.warm_c
    winding_c = Band(min(figures.COLD_C, warm_c), max(figures.COLD_C, warm_c))
    then = [float(circuit.winding_ohm(coil, c)) for c in (winding_c.low, winding_c.high)]
    within_k = figures.COLD_WITHIN_K if cold else figures.TOLD_WITHIN_K
    u_cold = figures.OF_LIMITS * coil * figures.COPPER_PER_K * within_k
    u_coil = math.hypot(_u_ohm(told, coil), u_cold)
    # When the current was measured the winding was anything between cold and warm.
    u_then = figures.OF_LIMITS * 0.5 * (then[1] - then[0])
    coil_then = Known(0.5 * sum(then), math.hypot(u_then, _u_ohm(told, coil)))
    resistors = Known(
        sum(told.resistors), math.hypot(*(_u_ohm(told, ohm) for ohm in told.resistors if ohm))
    )
    supply = Known(told.supply_v, _u_share(told.supply_v, supply_within(told.supply_v)))
    standing, feed, notes = _measured(told, supply, coil_then)
    verdict = judge_coil(
        told.supply_v, Known(coil, u_coil), resistors, standing,
        feed_ohm=feed, coil_then_ohm=coil_then, marked=told.marked,
    )  # fmt: skip
    built = Circuit(
        supply_v=told.supply_v,
        coil_20c_ohm=coil,
        feed_ohm=max(verdict.feed_ohm.value, 0.0),
        winding_c=winding_c,
        inductance_h=_or(told.inductance_h, figures.INDUCTANCE_S, coil),
        dwell_share=_or(told.dwell_share, figures.DWELL_SHARE),
        lobes=told.lobes,
        turns_ratio=_or(told.turns_ratio, figures.TURNS_RATIO),
        condenser_f=_or(told.condenser_f, figures.CONDENSER_F),
        secondary_f=_or(told.secondary_f, figures.SECONDARY_F),
        loss_share=figures.LOSS_SHARE,
    )
    return Plan(
        told=told,
        circuit=built,
        assumed=tuple(_assumed(told, built)),
        rest=at_rest(built),
        rows=at_speeds(built, table_speeds(told.min_rpm, told.max_rpm)),
        curve=at_speeds(built, np.linspace(told.min_rpm, told.max_rpm, CURVE_SPEEDS).tolist()),
        verdict=verdict,
        notes=(*notes, *_notes(told, verdict)),
    )


def supply_within(supply_v: float) -> float:
    """Share that the supply may be off: a nominal figure is one that nobody measured."""
    nominal = supply_v in figures.SYSTEMS_V
    return figures.NOMINAL_WITHIN_SHARE if nominal else figures.VOLT_WITHIN_SHARE


def at_rest(of: Circuit) -> AtRest:
    """Figures with the points closed and the engine stopped."""
    coil = np.linspace(of.coil_ohm.low, of.coil_ohm.high, TEMPERATURES)
    current = of.supply_v / (coil + of.feed_ohm)
    return AtRest(
        _band(current),
        _band(coil * current**2),
        _band(of.feed_ohm * current**2),
        _band(coil * current),
    )


def at_speeds(of: Circuit, speeds_rpm: Sequence[float]) -> tuple[AtSpeed, ...]:
    """Figures at each speed of the distributor, rpm; all must be above 0."""
    return tuple(_at(of, rpm) for rpm in speeds_rpm)


def _at(of: Circuit, rpm: float) -> AtSpeed:
    temperatures = np.linspace(of.winding_c.low, of.winding_c.high, TEMPERATURES)
    coil = circuit.winding_ohm(of.coil_20c_ohm, temperatures)[:, None, None]
    inductance = np.geomspace(of.inductance_h.low, of.inductance_h.high, INDUCTANCES)[:, None]
    share = np.array([of.dwell_share.low, of.dwell_share.high])
    every = float(circuit.period_s(rpm, of.lobes))
    told = (of.supply_v, coil + of.feed_ohm, inductance, share * every)
    current = circuit.current_a(*told)
    rms = circuit.rms_a(*told, every)
    energy = _band(circuit.energy_j(inductance, current))
    # Each of these rises or falls all along its band, so that the ends lie at the bands' ends.
    low, high = (
        circuit.secondary_v(
            (energy.low, energy.high),
            (of.condenser_f.high, of.condenser_f.low),
            (of.secondary_f.high, of.secondary_f.low),
            (ratio_low, ratio_high),
            (of.loss_share.high, of.loss_share.low),
        )
        for ratio_low, ratio_high in (
            (of.turns_ratio.low, of.turns_ratio.high),  # the secondary gains by turns
            (of.turns_ratio.high, of.turns_ratio.low),  # the primary loses by them
        )
    )
    return AtSpeed(
        rpm=rpm,
        sparks_per_s=1.0 / every,
        current_a=_band(current),
        mean_a=_band(circuit.mean_a(*told, every)),
        energy_j=energy,
        secondary_v=_band(low),
        primary_v=_band(high / np.array([of.turns_ratio.high, of.turns_ratio.low])),
        coil_w=_band(coil * rms**2),
        feed_w=_band(of.feed_ohm * rms**2),
        lost_w=Band(
            of.loss_share.low * energy.low / every, of.loss_share.high * energy.high / every
        ),
    )


def table_speeds(low_rpm: float, high_rpm: float) -> list[float]:
    """Both ends and round speeds between them, few enough for a table."""
    step = next(
        (each for each in STEPS_RPM if (high_rpm - low_rpm) / each <= MOST_ROWS - 1), STEPS_RPM[-1]
    )
    first = math.floor(low_rpm / step) + 1
    between = [step * k for k in range(first, math.ceil(high_rpm / step))]
    # A round speed next to an end says nothing new.
    apart = [each for each in between if min(each - low_rpm, high_rpm - each) >= 0.3 * step]
    return list(dict.fromkeys([float(low_rpm), *map(float, apart), float(high_rpm)]))


# --- what was measured in the circuit ---------------------------------------------------------


def _measured(
    told: Told, supply: Known, coil_then: Known
) -> tuple[Known | None, Known | None, list[str]]:
    """The current, the feed's resistance, and notes, from what was measured with points closed."""
    points = Known(told.points_v or 0.0, _u_volt(told.points_v or 0.0))
    standing = None
    if told.standing_a is not None:
        standing = Known(told.standing_a, _u_share(told.standing_a, figures.AMPERE_WITHIN_SHARE))
    if told.feed_v is None:
        if standing is None:
            return None, None, []
        behind = Known(supply.value - points.value, supply.u)
        return standing, feed_by_current(behind, standing, coil_then), []
    terminal = Known(told.feed_v, _u_volt(told.feed_v))
    over_coil = terminal.value - points.value
    if standing is None:
        current = over_coil / coil_then.value
        share = math.hypot(terminal.u / over_coil, coil_then.u / coil_then.value)
        feed = feed_by_volts(supply, terminal, points, coil_then)
        return Known(current, current * share), feed, []
    # Current and volts: the coil's ohms are not needed, they are seen.
    seen = over_coil / standing.value
    share = math.hypot(standing.u / standing.value, terminal.u / over_coil)
    over_feed = supply.value - terminal.value
    feed = Known(
        over_feed / standing.value,
        math.hypot(supply.u, terminal.u, over_feed * standing.u / standing.value) / standing.value,
    )
    notes = []
    if abs(seen - coil_then.value) > math.hypot(seen * share, coil_then.u):
        low, high = coil_then.value - coil_then.u, coil_then.value + coil_then.u
        notes.append(
            f"With the current flowing the coil shows {seen:.2f} ohm, where {low:.2f} to {high:.2f} ohm "
            "were to be expected from its ohms: measure all of it again, or turns of it are shorted."
        )
    return standing, feed, notes


def _notes(told: Told, verdict: Verdict) -> Iterator[str]:
    nominal = figures.nominal_v(told.supply_v)
    if nominal not in figures.SYSTEMS_V:
        yield (
            f"For {nominal:g} V there are no figures of practice: those of 12 V were taken in proportion."
        )
    elif told.standing_a is not None and told.supply_v in figures.SYSTEMS_V:
        yield (
            f"The supply was told as {told.supply_v:g} V: measure it at the battery while the current "
            "flows, and what hides in the feed shows more sharply."
        )
    resistor = verdict.feed_ohm.value >= figures.RESISTOR_OHM * nominal / 12.0
    if told.feed_v is not None and nominal == 12.0 and resistor:
        expected = figures.FEED_WITH_BALLAST_V
        place = "within" if expected.holds(told.feed_v) else "outside"
        yield (
            f"{told.feed_v:.1f} V at the coil's feed terminal: {place} the {expected.low} to "
            f"{expected.high} V of a feed with a resistor (NAVEDTRA 14329, chapter 6)."
        )
    if told.points_v is not None and told.points_v > figures.POINTS_CLOSED_V:
        yield (
            f"{told.points_v:.2f} V at the coil's points terminal, points closed: at most "
            f"{figures.POINTS_CLOSED_V} V are right (NAVEDTRA 14329, chapter 6). Clean or replace the "
            "points, then look at their lead, the plate's ground and the ground of the body."
        )


def _assumed(told: Told, of: Circuit) -> Iterator[Assumed]:
    """What nobody told, in the order of its weight."""
    if told.supply_v in figures.SYSTEMS_V:
        share = figures.NOMINAL_WITHIN_SHARE
        ends = Band(told.supply_v * (1.0 - share), told.supply_v * (1.0 + share))
        if told.standing_a is not None or told.feed_v is not None:
            yield Assumed("supply while it was measured", ends, "V", "nominal, within 5 %")
    if told.coil_c is None:
        cold = Band(figures.COLD_C - figures.COLD_WITHIN_K, figures.COLD_C + figures.COLD_WITHIN_K)
        yield Assumed("coil when its ohms were measured", cold, "deg C", "cold, a workshop")
    if told.warm_c is None:
        source = "common practice: 3 ohm cold, 3.6 ohm warm"
        yield Assumed("winding, cold and warm from running", of.winding_c, "deg C", source)
    if told.inductance_h is None:
        source = "from memory: 1.5 to 3.5 ms times its ohms"
        yield Assumed("inductance of the primary", of.inductance_h, "H", source)
    if told.dwell_share is None:
        source = "common practice; NAVEDTRA 14273, chapter 2: 30 of 45 deg"
        ends = Band(100.0 * of.dwell_share.low, 100.0 * of.dwell_share.high)
        yield Assumed("dwell, share of the lobe pitch", ends, "%", source)
    if told.turns_ratio is None:
        source = "TM 9-8000, chapter 15: 100; the width from memory"
        yield Assumed("turns, secondary to primary", of.turns_ratio, "", source)
    if told.condenser_f is None:
        yield Assumed("condenser", of.condenser_f, "F", "common range, from memory")
    if told.secondary_f is None:
        what = "capacitance of secondary, cap, lead and plug"
        yield Assumed(what, of.secondary_f, "F", "from memory")
    ends = Band(100.0 * of.loss_share.low, 100.0 * of.loss_share.high)
    yield Assumed("energy lost before the secondary's peak", ends, "%", "from memory")


def _or(told: float | None, assumed: Band, times: float = 1.0) -> Band:
    return Band(assumed.low * times, assumed.high * times) if told is None else exactly(told)


def _u_ohm(told: Told, ohm: float) -> float:
    return figures.OF_LIMITS * math.hypot(told.ohm_within, ohm * figures.OHM_WITHIN_SHARE)


def _u_volt(volts: float) -> float:
    return _u_share(volts, figures.VOLT_WITHIN_SHARE)


def _u_share(value: float, share: float) -> float:
    return figures.OF_LIMITS * value * share


def _band(values: np.typing.NDArray[np.float64]) -> Band:
    return Band(float(np.min(values)), float(np.max(values)))
