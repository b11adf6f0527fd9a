"""The fit of a condenser's charge against certified values and textbook examples.

Status of the figures: V read in a public text, C recomputed, M from memory, as in each docstring.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from breakerbench.bench.charging import Charging, SimulatedCharging
from breakerbench.bench.front_end import Converter
from breakerbench.judge.specification import find_specification
from breakerbench.measure.condenser_fit import charge, decay, rate_fit, rates_for, rise
from breakerbench.measure.condenser_words import SERVICE_V
from breakerbench.result.condenser import CondenserCheck
from outside.nist import certified


@pytest.mark.parametrize("name", ["misra1a", "boxbod"])
def test_nist_b1_times_1_less_exp(name: str) -> None:
    """NIST StRD Misra1a and BoxBOD (V): b1 (1 - exp(-b2 x)), from no start but our own."""
    file = certified(name)
    y, x = file.observations.T
    fit = rate_fit(rise(x), y, rates_for(x))
    assert fit.parameters == pytest.approx(file.parameters, rel=1e-8)
    assert np.sqrt(fit.chi_squared / fit.dof) == pytest.approx(file.residual_sd, rel=1e-8)
    # theirs is the covariance for residuals without a rhythm; ours is wider where they have one
    left = fit.residuals
    r = float(left[1:] @ left[:-1] / (left @ left)) if len(left) >= 8 else 0.0
    wider = math.sqrt((1.0 + r) / (1.0 - r)) if r > 2.0 / math.sqrt(len(left)) else 1.0
    assert fit.u / wider == pytest.approx(file.sd, rel=1e-6)


def test_openstax_discharge_to_a_share() -> None:
    """OpenStax University Physics 2, RC (V): 101 ohm, 50 mF: tau 5.05 s; 80 of 100 V at 8.13 s."""
    ohm, farad = 101.0, 50e-3
    assert ohm * farad == pytest.approx(5.05)
    assert -ohm * farad * math.log(1.0 - 0.8) == pytest.approx(8.13, abs=0.005)
    # and read back from the curve by the fits of charge and hold
    t = np.linspace(0.0, 12.0, 200)
    volts = 100.0 * (1.0 - np.exp(-t / 5.05))
    for columns, y in ((charge(t), volts), (decay(t), 100.0 - volts), (rise(t), volts)):
        assert 1.0 / rate_fit(columns, y, rates_for(t)).parameters[-1] == pytest.approx(
            5.05, rel=1e-9
        )


def test_openstax_through_the_whole_measurement() -> None:
    """The same circuit as a trace: a tenth of a second a sample, its capacitance to its U."""
    test = Charging(
        capacitance_f=50e-3, series_ohm=0.0, leakage_ohm=1e12, supply_v=100.0, range_v=130.0,
        resistor_ohm=101.0, told_resistor_ohm=101.0, told_supply_v=100.0, u_resistor_share=1e-6,
        probe_ohm=1e12, told_probe_ohm=None, charges=1, charge_s=50.0, rest_s=5.0, hold_s=0.0,
        u_gain=1e-4, supply_gain=None, converter=Converter(sample_rate_hz=1e3, noise_counts=1.0),
    )  # fmt: skip
    source = SimulatedCharging(test, 1)
    check = CondenserCheck(source.header)
    for event in source:
        check.feed(event)
    found = check.finish()["condenser"]
    assert found["tau_s"] == pytest.approx(5.05, rel=2e-3)
    assert abs(found["capacitance_f"] - 50e-3) < found["u_capacitance_f"]


def test_usual_condensers() -> None:
    """Common range 0.18 to 0.25 uF (M): the library's limits, and the bench's own condenser within."""
    for name in ("four-lobe", "six-lobe", "eight-lobe"):
        spec = find_specification(name)
        assert spec.condenser is not None
        assert spec.condenser.capacitance_uf == (0.18, 0.25)
    assert 0.18e-6 < Charging().capacitance_f < 0.25e-6


def test_volts_in_service() -> None:
    """TM 9-8000, chapter 15 (V): 200 V or more in the primary."""
    assert SERVICE_V == 200.0
