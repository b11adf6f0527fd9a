"""The ignition circuit against numerical integration of Kirchhoff's laws, energy and textbooks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from breakerbench.bench.front_end import Converter, FrontEnd, channel_of
from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.bench.ignition_modes import (
    CLAMP_V,
    CLOSED,
    CONTACT_A,
    CONTACT_V,
    CURRENT_A,
    GAP_A,
    OPEN,
    PLATE_V,
    POINTS_V,
    SECONDARY_V,
    SUPPLY_V,
    modes,
)
from breakerbench.bench.ignition_run import Run
from breakerbench.bench.ignition_signals import Ringing
from breakerbench.bench.random_bench import random_ignition_bench

from .kirchhoff import Array, contact_at, hold, laws_of, run_alone, states

#: Openings and closings, s: a dwell, a bounce while it rings, one while a spark burns, a short one.
CHANGES = (0.5e-3, 3.5e-3, 3.55e-3, 3.8e-3, 7e-3, 7.4e-3, 9e-3, 9.01e-3)
END_S = 9.5e-3
SURE = Gap(breakdown_spread=0.0, burn_spread=0.0)

CIRCUITS = {
    "as it is": Ignition(gaps=(SURE,)),
    "hardly any series resistance": Ignition(condenser_ohm=1e-3, contact_ohm=1e-3, gaps=(SURE,)),
    "condenser open": Ignition(condenser_f=0.0, gaps=(SURE,)),
    "condenser's joint bad": Ignition(condenser_ohm=40.0, gaps=(SURE,)),
    "condenser small": Ignition(condenser_f=0.01e-6, gaps=(SURE,)),
    "condenser shorted": Ignition(leakage_ohm=0.05, gaps=(SURE,)),
    "contact burnt": Ignition(contact_ohm=0.2, film_v=0.4, gaps=(SURE,)),
    "contact all but insulating": Ignition(contact_ohm=15.0, gaps=(SURE,)),
    "turns shorted": Ignition(loss_ohm=30e3, gaps=(SURE,)),
    "secondary open": Ignition(secondary_ohm=1e9, gaps=(SURE,)),
    "lead off": Ignition(gaps=(Gap(breakdown_v=None),)),
    "cap tracks": Ignition(gaps=(replace(SURE, leak_ohm=0.3e6),)),
    "gap steep": Ignition(gaps=(replace(SURE, slope_ohm=100.0),)),
    "coupling tight": Ignition(coupling=0.999, gaps=(SURE,)),
    "coupling loose": Ignition(coupling=0.5, gaps=(SURE,)),
}


def _drawn(seed: int) -> Ignition:
    circuit = random_ignition_bench(seed, breakdown_spread=0.0, burn_spread=0.0).ignition
    assert circuit is not None
    return replace(circuit, gaps=circuit.gaps[:1])


def _check_radau(circuit: Ignition) -> None:
    run = run_alone(circuit, contact_at(*CHANGES))
    worst = hold(run, circuit, END_S)
    # of some 300 V, 4 A, 10 kV and 5 A
    assert worst["points_v"] < 1e-5
    assert worst["current_a"] < 1e-7
    assert worst["supply_v"] < 1e-7
    assert worst["secondary_v"] < 1e-3
    assert worst["gap_a"] < 1e-6


@pytest.mark.parametrize("name", ["as it is", "condenser open", "contact burnt", "cap tracks"])
def test_closed_form_against_radau(name: str) -> None:
    _check_radau(CIRCUITS[name])


@pytest.mark.sweep
@pytest.mark.parametrize("name", CIRCUITS)
def test_bad_circuits_against_radau(name: str) -> None:
    _check_radau(CIRCUITS[name])


@pytest.mark.sweep
@pytest.mark.parametrize("seed", range(20))
def test_random_circuits_against_radau(seed: int) -> None:
    _check_radau(_drawn(seed))


@pytest.mark.parametrize("seed", range(40))
def test_the_gap_breaks_down_and_goes_out_at_the_first_moment(seed: int) -> None:
    """Looked at every 20 ns at most: nothing goes past its limit, and each event is at its limit."""
    circuit = _drawn(seed)
    gap = circuit.gaps[0] if circuit.gaps[0].breakdown_v else SURE
    assert gap.breakdown_v is not None
    circuit = replace(circuit, gaps=(gap,))
    run = run_alone(circuit, contact_at(*CHANGES))
    out_s = -1.0
    starts = np.append(run.start_s, END_S)
    for row in range(run.start_s.size):
        begin, lasts = starts[row], starts[row + 1] - starts[row]
        begin, lasts = max(begin, 0.0), min(lasts, starts[row + 1])
        since = np.linspace(0.0, lasts, max(int(lasts / 20e-9), 200), endpoint=False)[1:]
        burn_v = run.inputs[row, 2]
        if burn_v:
            amps = np.sign(burn_v) * run.at(GAP_A, begin + since)
            assert np.all(amps > gap.hold_a * (1.0 - 1e-9))
            end = starts[row + 1]
            next_burns = row + 1 < run.start_s.size and run.inputs[row + 1, 2] != 0.0
            if not next_burns and row + 1 < run.start_s.size:
                last = np.sign(burn_v) * run.at(GAP_A, np.array([end]), before=True)[0]
                assert last == pytest.approx(gap.hold_a, rel=1e-4)
                out_s = end
        else:
            volts = np.abs(run.at(SECONDARY_V, begin + since))
            ionised = begin + since < out_s + gap.ionised_s
            limit = np.where(ionised, gap.restrike * gap.burn_v, gap.breakdown_v)
            assert np.all(volts < limit * (1.0 + 1e-9))
    for time, volts in zip(run.breakdown_s, run.breakdown_v, strict=True):
        least = min(abs(abs(volts) / x - 1.0) for x in (gap.breakdown_v, gap.restrike * gap.burn_v))
        assert least < 1e-6
        assert run.at(SECONDARY_V, np.array([time]))[0] == pytest.approx(volts, rel=1e-9)


@pytest.mark.parametrize("name", CIRCUITS)
def test_energy_is_kept(name: str) -> None:
    """What the supply gives is in coils and condensers or was lost, to a millionth."""
    circuit = CIRCUITS[name]
    run = run_alone(circuit, contact_at(*CHANGES))
    nodes, weights = np.polynomial.legendre.leggauss(16)
    starts = np.append(run.start_s, END_S)
    starts[0] = 0.0
    given = lost = 0.0
    for row in range(run.start_s.size):
        lasts = starts[row + 1] - starts[row]
        if lasts <= 0.0:
            continue
        first = min(1e-10, 0.5 * lasts)
        parts = np.concatenate(([0.0], np.geomspace(first, min(1e-5, lasts), 40)))
        if lasts > 1e-5:
            parts = np.concatenate((parts, np.linspace(1e-5, lasts, int(lasts / 2e-6) + 2)[1:]))
        middle, half = 0.5 * (parts[1:] + parts[:-1]), 0.5 * np.diff(parts)
        since = (middle[:, None] + half[:, None] * nodes).ravel()
        share = (half[:, None] * weights).ravel()
        before = 0.0 if row else run.start_s[0]
        laws = laws_of(run, circuit, row)
        y = states(run, circuit, row, since - before)
        given += float(share @ (circuit.volts * y[0]))
        lost += float(share @ laws.lost_w(y))
    first_laws, last_laws = laws_of(run, circuit, 0), laws_of(run, circuit, run.start_s.size - 1)
    began = first_laws.stored_j(states(run, circuit, 0, np.array([-run.start_s[0]])))[0]
    last = run.start_s.size - 1
    ended = last_laws.stored_j(states(run, circuit, last, np.array([END_S - starts[last]])))[0]
    assert given == pytest.approx(lost + ended - began, rel=1e-6, abs=1e-9)


def test_no_mode_grows_and_none_is_lost() -> None:
    for seed in range(60):
        circuit = _drawn(seed)
        for contact in (OPEN, CLOSED):
            for burning in (False, True):
                kind = modes(circuit, contact, burning, SURE)
                assert np.all(kind.rates.real <= 0.0)
                whole = (kind.vectors @ kind.inverse).real
                np.testing.assert_allclose(whole, np.eye(4), atol=1e-6)


def test_parts_of_the_contact_add_up() -> None:
    circuit = replace(CIRCUITS["contact burnt"], film_spread_v=0.0)
    run = run_alone(circuit, contact_at(*CHANGES))
    times = np.linspace(0.0, 0.45e-3, 50)
    amps = run.at(CURRENT_A, times)
    lead = circuit.lead_ohm * run.at(CONTACT_A, times)
    parts = sum(run.at(signal, times) for signal in (CONTACT_V, PLATE_V, CLAMP_V))
    np.testing.assert_allclose(run.at(POINTS_V, times), parts + lead, rtol=1e-9)
    expected = circuit.film_v + circuit.points_ohm * amps
    np.testing.assert_allclose(run.at(POINTS_V, times), expected, rtol=1e-6)
    np.testing.assert_allclose(run.at(PLATE_V, times), circuit.plate_ohm * amps, rtol=1e-6)
    np.testing.assert_allclose(
        run.at(SUPPLY_V, times), circuit.volts - circuit.source_ohm * amps, rtol=1e-12
    )


@pytest.mark.parametrize("name", ["contact burnt", "condenser open", "condenser small"])
def test_film_and_arc_only_ever_take_energy(name: str) -> None:
    """They drop their voltage in the direction of the current, closings amid a ring included."""
    circuit = CIRCUITS[name]
    senses = set()
    for wait in np.linspace(5e-6, 120e-6, 24):
        run = run_alone(circuit, contact_at(3e-3, 3e-3 + wait, 3.6e-3, 3.6e-3 + wait))
        starts = np.append(run.start_s, 5e-3)
        for row in range(1, run.start_s.size):
            times = np.linspace(starts[row], starts[row + 1], 200, endpoint=False)
            amps = run.at(CONTACT_A, times)
            assert np.all(amps * run.inputs[row, 1] >= -1e-3)
            senses.add(float(np.sign(run.inputs[row, 1])))
            if run.closed[run.phase[row]] and circuit.film_v and run.inputs[row, 1] == 0.0:
                # nothing flows, and nothing drives it through the film
                assert np.all(np.abs(run.at(CONTACT_V, times)) <= circuit.film_v * (1.0 + 1e-6))
    assert senses >= ({-1.0, 0.0, 1.0} if circuit.film_v else {0.0, 1.0})


def test_the_condenser_discharges_through_the_closing_contact() -> None:
    """By the resistance in the loop, in fractions of a microsecond, from the voltage it had."""
    circuit = Ignition(condenser_ohm=0.5, contact_ohm=0.1, gaps=(Gap(breakdown_v=None),))
    opened, closing = 1e-3, 1.05e-3
    run = run_alone(circuit, contact_at(opened, closing))
    volts = run.at(POINTS_V, np.array([closing]), before=True)[0]
    loop = 0.5 + circuit.lead_ohm + 0.1 + circuit.plate_ohm
    tau = loop * circuit.condenser_f
    since = np.linspace(0.0, 3.0, 40) * tau
    amps = run.at(CONTACT_A, closing + since)
    primary = run.at(CURRENT_A, closing + since)
    charge_v = volts - 0.5 * primary[0]
    # the rest is the share of the primary's current, which hardly changes meanwhile
    expected = charge_v / loop * np.exp(-since / tau) + primary * 0.5 / loop
    expected += primary * (1.0 - 0.5 / loop) * (1.0 - np.exp(-since / tau))
    np.testing.assert_allclose(amps, expected, rtol=2e-2)
    assert np.max(np.abs(amps)) > 100.0


def _filtered(run: Run, signal: int, tau: float, times: Array) -> Array:
    """A first-order front end over a run, by integration of its signal."""
    shown, level = np.empty(times.size), run.at(signal, np.array([0.0]))[0]
    starts = np.append(run.start_s, END_S)
    for row in range(run.start_s.size):
        begin, end = max(starts[row], 0.0), starts[row + 1]
        if end <= begin:
            continue
        inside = (times >= begin) & (times < end)
        kind, weights = run.kinds[run.kind[row]], run.weights[row] * 1.0
        rest = float(kind.levels[signal] @ run.inputs[row])

        def rate(t: float, y: Array, row=row, kind=kind, weights=weights, rest=rest) -> Array:  # type: ignore[no-untyped-def]
            since = t - run.start_s[row]
            value = rest + (kind.shown[signal] @ (weights * np.exp(kind.rates * since))).real
            return np.array([(value - y[0]) / tau])

        ask = np.unique(np.concatenate(([begin], times[inside], [end])))
        solved = solve_ivp(
            rate, (begin, end), [level], method="Radau", t_eval=ask, rtol=1e-9, atol=1e-9
        )
        shown[inside] = np.interp(times[inside], solved.t, solved.y[0])
        level = solved.y[0, -1]
    return shown


@pytest.mark.parametrize("cutoff_hz", [30e3, 200e3])
@pytest.mark.parametrize("signal", [POINTS_V, CURRENT_A, SUPPLY_V])
def test_front_end_against_integration(signal: int, cutoff_hz: float) -> None:
    circuit = CIRCUITS["as it is"]
    run = run_alone(circuit, contact_at(*CHANGES))
    front_end = FrontEnd(cutoff_hz)
    channel = channel_of("points_v", "V", 400.0, front_end, Converter(), 0, 1)
    ringing = Ringing(run, signal, 1.0, front_end, channel, 250e3)
    times = np.linspace(0.2e-3, 9.4e-3, 900)
    expected = _filtered(run, signal, front_end.tau_s, times)
    np.testing.assert_allclose(ringing.at(times), expected, atol=2e-6)
    # and as samples, followed down to a thousandth of a count
    counts = ringing.counts(0, 2300).astype(float)
    at = np.arange(2300) / 250e3
    wanted = (ringing.at(at) - channel.zero) / channel.scale
    np.testing.assert_allclose(counts, wanted, atol=6e-3)


@pytest.mark.parametrize(
    "wrong",
    [
        {"volts": 0.0},
        {"coil_ohm_20c": -1.0},
        {"coil_h": float("nan")},
        {"coupling": 1.0},
        {"condenser_f": -1e-9},
        {"gaps": ()},
        {"coil_c": 900.0},
    ],
)
def test_an_impossible_circuit_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"ignition|coil|gap"):
        Ignition(**wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("wrong", [{"burn_v": 0.0}, {"breakdown_v": 1000.0}, {"leak_ohm": 0.0}])
def test_an_impossible_gap_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"gap|burn_v"):
        Gap(**wrong)
