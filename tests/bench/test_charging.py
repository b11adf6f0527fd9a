"""The simulated condenser test: its circuit against its differential equation, its bytes, its faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from breakerbench.bench.charging import (
    CONDENSER_LEVELS,
    LEVEL_NAMES,
    Charging,
    SimulatedCharging,
    voltage,
    with_fault,
)
from breakerbench.errors import BadInput
from breakerbench.trace import Block, Source

SHORT = replace(Charging(), hold_s=0.05, charges=3, leakage_ohm=1e6, series_ohm=200.0)


def samples(source: SimulatedCharging) -> tuple[np.ndarray, ...]:
    blocks = [e for e in source if isinstance(e, Block)]
    ends = np.cumsum([len(b) for b in blocks])
    assert [b.first for b in blocks] == [0, *ends[:-1].tolist()]
    return tuple(np.concatenate(rows) for rows in zip(*(b.samples for b in blocks), strict=True))


WHOLE = samples(SimulatedCharging(SHORT, 5))


@settings(max_examples=15)
@given(st.integers(1, 60_000))
def test_the_bytes_do_not_depend_on_the_size_of_blocks(block: int) -> None:
    for one, other in zip(samples(SimulatedCharging(SHORT, 5, max(block, 50))), WHOLE, strict=True):
        np.testing.assert_array_equal(one, other)


def test_it_is_a_source_that_can_be_gone_through_again() -> None:
    source: Source = SimulatedCharging(SHORT, 5)
    assert isinstance(source, SimulatedCharging)
    for _ in range(2):
        np.testing.assert_array_equal(samples(source)[0], WHOLE[0])
    done, total = source.progress()
    assert done == total == pytest.approx(SHORT.seconds, abs=1e-5)
    assert source.header.simulated
    assert not np.array_equal(samples(SimulatedCharging(SHORT, 6))[0], WHOLE[0])


def test_the_pieces_solve_the_circuit() -> None:
    """dq/dt from Kirchhoff's laws, solved step by step: charge, hold and discharge in turn."""
    test = SHORT
    pieces = voltage(test)
    r, c = test.series_ohm, test.capacitance_f
    across = 1.0 / test.leakage_ohm + 1.0 / test.probe_ohm
    phases = [(1.0 / test.resistor_ohm, test.supply_v, test.charge_s), (1.0, 0.0, test.rest_s)] * 2
    phases += [
        (1.0 / test.resistor_ohm, test.supply_v, test.charge_s),
        (0.0, 0.0, test.hold_s),
        (1.0 / test.discharge_ohm, 0.0, test.rest_s),
    ]
    inner, now = 0.0, test.first_s
    for row, (siemens, source, lasts) in enumerate(phases, start=1):

        def clamps(
            inside: np.ndarray | float, g: float = siemens, e: float = source
        ) -> np.ndarray | float:
            return (g * e + inside / r) / (g + across + 1.0 / r)

        t = np.linspace(0.0, lasts, 40)
        solved = solve_ivp(
            lambda _, q, clamps=clamps: (clamps(q) - q) / (r * c), (0.0, lasts), [inner],
            t_eval=t, method="LSODA", rtol=1e-9, atol=1e-11,
        )  # fmt: skip
        assert pieces.start_s[row] == pytest.approx(now)
        ours = pieces.level[row] + pieces.excess[row] * np.exp(-t / pieces.tau_s[row])
        np.testing.assert_allclose(ours, clamps(solved.y[0]), atol=2e-6)
        inner, now = float(solved.y[0][-1]), now + lasts
    turned = voltage(replace(test, positive_ground=True))
    np.testing.assert_array_equal(turned.level, -pieces.level)


def test_gain_zero_and_what_the_header_says() -> None:
    test = replace(SHORT, gain=1.1, zero_v=0.5, told_probe_ohm=None, u_gain=0.002, charges=1)
    source = SimulatedCharging(test, 2)
    header = source.header
    assert (header.kind, header.series_ohm, header.probe_ohm) == ("condenser", 10e3, None)
    assert [c.name for c in header.channels] == ["condenser_v", "supply_v"]
    assert header.channels[0].u_gain == 0.002
    volts, supply = (
        c.zero + c.scale * x for c, x in zip(header.channels, samples(source), strict=True)
    )
    assert volts[:4000].mean() == pytest.approx(0.5, abs=0.01)
    full = 12.0 / (1.0 + 10e3 / test.across_ohm)
    charged = int((test.first_s + 0.9 * test.charge_s) * 250e3)
    assert volts[charged - 200 : charged].mean() == pytest.approx(0.5 + 1.1 * full, abs=0.02)
    assert supply.mean() == pytest.approx(12.0, abs=0.01)
    assert source.truth["condenser"]["capacitance_f"] == test.capacitance_f


def test_faults_by_level_and_what_there_is_not() -> None:
    for name, levels in CONDENSER_LEVELS.items():
        assert len(levels) == len(LEVEL_NAMES)
        for level, parts in zip(LEVEL_NAMES, levels, strict=True):
            bad = with_fault(Charging(), name, level.replace(" ", "-"))
            assert bad.leakage_ohm == parts.leakage_ohm
            assert bad.notes == (f"{name}: {level}",)
    with pytest.raises(BadInput, match="bushing-worn"):
        with_fault(Charging(), "bushing-worn", "dead")
    with pytest.raises(BadInput, match="awful"):
        with_fault(Charging(), "condenser-open", "awful")
    with pytest.raises(ValueError, match="above 0"):
        replace(Charging(), capacitance_f=0.0)
