"""Faults of contact, coil, condenser, feed and cap: each changes a parameter of the ignition circuit.

A distributor without a coil is put on one first: ``coil_for`` the volts of its feed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from breakerbench.bench.front_end import FrontEnd
from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.bench.model import Bench
from breakerbench.errors import BadInput

#: A supply below this is one of 6 V.
_SIX_BELOW_V = 9.0


def coil_for(system_v: float, positive_ground: bool = False) -> Ignition:
    """A sound ignition for 6 or 12 V: the coil for use without a ballast (from memory, no source)."""
    if system_v < _SIX_BELOW_V:
        return Ignition(volts=6.4, coil_ohm_20c=1.4, coil_h=5e-3, positive_ground=positive_ground)
    return Ignition(positive_ground=positive_ground)


#: Standard uncertainty of every scale of a calibrated board, as a share.
U_GAIN = 0.002


def on_a_coil(bench: Bench, ignition: Ignition | None = None) -> Bench:
    """The bench with its distributor on a coil, ranges to suit; as it is where it has one already."""
    if bench.ignition is not None and ignition is None:
        return bench
    made = ignition or coil_for(bench.feed.volts, bench.feed.positive_ground)
    range_a = None if bench.current_range_a is None else 0.0
    return replace(
        bench,
        ignition=made,
        points_range_v=None,
        current_range_a=range_a,
        points=_calibrated(bench.points, 0.2),
        current=_calibrated(bench.current, 0.005),
        supply=_calibrated(bench.supply, 0.02),
        contact=_calibrated(bench.contact, 1e-3),
    )


def _calibrated(end: FrontEnd, u_zero: float) -> FrontEnd:
    """With what a calibrated board states of it, in its unit, where nothing is stated yet."""
    return end if end.u_gain is not None else replace(end, u_gain=U_GAIN, u_zero=u_zero)


def _changed(bench: Bench, level: int, *levels: Mapping[str, object]) -> Bench:
    """The circuit with the changes of a level."""
    bench = on_a_coil(bench)
    assert bench.ignition is not None
    return replace(bench, ignition=replace(bench.ignition, **levels[level]))  # type: ignore[arg-type]


def _circuit(bench: Bench) -> Ignition:
    return bench.ignition or coil_for(bench.feed.volts, bench.feed.positive_ground)


def _points_burnt(bench: Bench, level: int) -> Bench:
    return _changed(
        bench,
        level,
        {"contact_ohm": 0.012},
        {"contact_ohm": 0.06, "film_v": 0.2, "film_spread_v": 0.05},
        {"contact_ohm": 15.0, "film_v": 0.6, "film_spread_v": 0.1},
    )


def _plate_ground_bad(bench: Bench, level: int) -> Bench:
    return _changed(bench, level, {"plate_ohm": 0.007}, {"plate_ohm": 0.15}, {"plate_ohm": 15.0})


def _condenser_open(bench: Bench, level: int) -> Bench:
    # a joint of its lead that has gone bad, then come off
    return _changed(
        bench, level, {"condenser_ohm": 1.2}, {"condenser_ohm": 40.0}, {"condenser_f": 0.0}
    )


def _condenser_shorted(bench: Bench, level: int) -> Bench:
    return _changed(
        bench, level, {"leakage_ohm": 20e6}, {"leakage_ohm": 1500.0}, {"leakage_ohm": 0.05}
    )


def _condenser_leaky(bench: Bench, level: int) -> Bench:
    return _changed(
        bench, level, {"leakage_ohm": 8e6}, {"leakage_ohm": 0.3e6}, {"leakage_ohm": 12.0}
    )


def _condenser_small(bench: Bench, level: int) -> Bench:
    return _changed(
        bench, level, {"condenser_f": 0.19e-6}, {"condenser_f": 0.1e-6}, {"condenser_f": 0.01e-6}
    )


def _cooked(circuit: Ignition) -> Ignition:
    """A coil whose turns have shorted from heat: it makes no spark any more."""
    return replace(circuit, loss_ohm=30e3, coil_c=110.0)


def _coil_wrong(bench: Bench, level: int) -> Bench:
    """12 V: a coil of another make, one for 6 V, and that after an hour. 6 V: one for 12 V, 24 V."""
    bench = on_a_coil(bench)
    circuit = _circuit(bench)
    if circuit.volts < _SIX_BELOW_V:
        return _changed(
            bench,
            level,
            {"coil_ohm_20c": 1.04 * circuit.coil_ohm_20c},
            {"coil_ohm_20c": 3.2, "coil_h": 8e-3},
            {"coil_ohm_20c": 12.0, "coil_h": 12e-3},
        )
    six = coil_for(6.0)
    other = {"coil_ohm_20c": six.coil_ohm_20c, "coil_h": six.coil_h}
    return _changed(
        bench,
        level,
        {"coil_ohm_20c": 0.97 * circuit.coil_ohm_20c, "coil_h": 0.95 * circuit.coil_h},
        other,
        {**other, "loss_ohm": 30e3, "coil_c": 110.0},
    )


def _coil_shorted_turns(bench: Bench, level: int) -> Bench:
    """Turns of the primary that are shorted: less resistance, less inductance, and a loss beside it."""
    bench = on_a_coil(bench)
    circuit = _circuit(bench)
    share = (0.0, 0.15, 0.35)[level]
    less = {
        "coil_ohm_20c": circuit.coil_ohm_20c * (1.0 - share),
        "coil_h": circuit.coil_h * (1.0 - share) ** 2,
        "turns": circuit.turns / (1.0 - share),
    }
    losses = (0.7 * circuit.loss_ohm, 200e3, 25e3)
    return _changed(bench, level, *({**less, "loss_ohm": loss} for loss in losses))


def _ballast_missing(bench: Bench, level: int) -> Bench:
    """A coil made for a ballast, and the ballast low, bridged, and bridged until the coil gave up."""
    bench = on_a_coil(bench)
    circuit = _circuit(bench)
    if circuit.volts < _SIX_BELOW_V:
        raise BadInput(
            "fault ballast-missing", "a 6 V ignition has no ballast", "put it on a 12 V one"
        )
    made = replace(circuit, coil_ohm_20c=1.5, coil_h=5e-3)
    proper = circuit.ballast_ohm or 1.5
    if circuit.ballast_ohm:
        made = circuit
    made = replace(made, ballast_ohm=(0.93 * proper, 0.0, 0.0)[level])
    return replace(bench, ignition=_cooked(made) if level == 2 else made)


def _ballast_extra(bench: Bench, level: int) -> Bench:
    bench = on_a_coil(bench)
    circuit = _circuit(bench)
    more = (0.05, 0.6, 5.0)[level] * circuit.coil_ohm_20c
    return replace(bench, ignition=replace(circuit, ballast_ohm=circuit.ballast_ohm + more))


def _towers(bench: Bench, circuit: Ignition) -> list[Gap]:
    """A gap for every tower of the distributor."""
    count = max(bench.cam.lobes, len(circuit.gaps))
    return [circuit.gap(tower) for tower in range(count)]


def _secondary_open(bench: Bench, level: int) -> Bench:
    """A break in the secondary: a bad joint, one that the spark has to jump, one that it cannot."""
    bench = on_a_coil(bench)
    circuit = _circuit(bench)
    if level == 1:
        gaps = tuple(
            replace(
                gap,
                breakdown_v=None if gap.breakdown_v is None else gap.breakdown_v + 6000.0,
                burn_v=gap.burn_v + 1500.0,
            )
            for gap in circuit.gaps
        )
        circuit = replace(circuit, gaps=gaps)
    ohm = (1.2 * circuit.secondary_ohm, circuit.secondary_ohm + 20e3, 1e9)[level]
    return replace(bench, ignition=replace(circuit, secondary_ohm=ohm))


def _one_tower(bench: Bench, change: Callable[[Gap], Gap]) -> Bench:
    """The circuit with another gap at the second tower (or the only one)."""
    bench = on_a_coil(bench)
    circuit = _circuit(bench)
    gaps = _towers(bench, circuit)
    which = min(1, len(gaps) - 1)
    gaps[which] = change(gaps[which])
    return replace(bench, ignition=replace(circuit, gaps=tuple(gaps)))


def _tower_dead(bench: Bench, level: int) -> Bench:
    """Its lead's end eaten away, then a gap in it that the coil can only just jump, then off."""
    most_v = _circuit(on_a_coil(bench)).most_secondary_v

    def change(gap: Gap) -> Gap:
        high = gap.breakdown_v or 10.0 * gap.burn_v
        if level == 0:
            return replace(gap, breakdown_v=1.08 * high, burn_v=1.03 * gap.burn_v)
        if level == 1:
            wide = max(0.8 * most_v, 4.0 * gap.burn_v)
            return replace(gap, breakdown_v=wide, breakdown_spread=0.15, burn_v=1.3 * gap.burn_v)
        return replace(gap, breakdown_v=None)

    return _one_tower(bench, change)


def _tower_leaking(bench: Bench, level: int) -> Bench:
    """A cap that has begun to track, tracks, and tracks to ground before the plug ever fires."""
    return _one_tower(bench, lambda gap: replace(gap, leak_ohm=(30e6, 160e3, 20e3)[level]))


ELECTRIC_FAULTS: Mapping[str, Callable[[Bench, int], Bench]] = {
    "points-burnt": _points_burnt,
    "plate-ground-bad": _plate_ground_bad,
    "condenser-open": _condenser_open,
    "condenser-shorted": _condenser_shorted,
    "condenser-leaky": _condenser_leaky,
    "condenser-small": _condenser_small,
    "coil-wrong": _coil_wrong,
    "coil-shorted-turns": _coil_shorted_turns,
    "ballast-missing": _ballast_missing,
    "ballast-extra": _ballast_extra,
    "secondary-open": _secondary_open,
    "tower-dead": _tower_dead,
    "tower-leaking": _tower_leaking,
}
