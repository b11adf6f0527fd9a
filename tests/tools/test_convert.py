"""Each conversion against a published or exact value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from breakerbench.tools.convert import (
    KPA,
    MM,
    alone,
    dwell_change_deg_per_mm,
    dwell_of_percent,
    of_distributor,
    tidy,
    to_kpa,
    to_mm,
)


def test_vacuum() -> None:
    """NIST SP 811 (2008), appendix B.8: inch of mercury, conventional, 3.386389 kPa."""
    assert to_kpa(1.0, "inHg") == 3.386389
    # the same from its definition: conventional mercury 13 595.1 kg/m3, standard gravity, 25.4 mm
    assert KPA["inHg"] == pytest.approx(13.5951 * constants.g * constants.inch, rel=2e-7)
    # NIST SP 811: millimetre of mercury, conventional, 133.3224 Pa; SciPy has the same
    assert KPA["mmHg"] == pytest.approx(constants.mmHg / 1000.0, rel=3e-7)
    # one bar is 100 kPa by definition
    assert to_kpa(1000.0, "mbar") == 100.0
    assert to_kpa(20.0, "kPa") == 20.0
    # the standard atmosphere, 101.325 kPa, is 29.9213 inHg (U.S. Standard Atmosphere; from memory)
    assert to_kpa(29.9213, "inHg") == pytest.approx(101.325, rel=2e-6)


def test_length() -> None:
    """The inch is 25.4 mm exactly (1959 agreement); NAVEDTRA 14273, chapter 2: gap 0.015 inch."""
    assert to_mm(1.0, "in") == 25.4 == constants.inch * 1000.0
    assert to_mm(0.015, "in") == to_mm(15.0, "thou") == 0.381
    assert to_mm(0.4, "mm") == 0.4


def test_shafts() -> None:
    """TM 10-3930-644-14&P: the distributor turns at half crankshaft speed.

    TM 10-3930-623-12, para 4-22: 15 to 19 crankshaft degrees at 2,000 rpm of the engine.
    """
    assert of_distributor(2000.0, "engine") == 1000.0
    assert [of_distributor(deg, "crankshaft") for deg in (15.0, 19.0)] == [7.5, 9.5]
    assert of_distributor(600.0, "distributor") == 600.0


def test_dwell() -> None:
    """NAVEDTRA 14273, chapter 2: 30 degrees with eight lobes, of 360 / 8: two thirds of 45."""
    assert dwell_of_percent(200.0 / 3.0, 8) == pytest.approx(30.0, rel=1e-9)
    assert dwell_of_percent(55.0, 4) == 49.5
    assert dwell_of_percent(100.0, 6) == 60.0


def test_dwell_change() -> None:
    assert dwell_change_deg_per_mm(5.0, 0.1) == -50.0
    assert dwell_change_deg_per_mm(0.508, MM["thou"]) == -20.0


def test_what_is_already_in_is_taken_off() -> None:
    assert alone(28.0, 10.0, 8.0, shaft="crankshaft") == 5.0
    assert alone(5.0) == 5.0
    assert alone(10.4, 10.1) == 0.3  # and not 0.3000000000000007


@pytest.mark.parametrize("convert", [to_kpa, to_mm, of_distributor])
def test_an_unknown_unit_is_refused(convert: object) -> None:
    with pytest.raises(KeyError):
        convert(1.0, "furlong")  # type: ignore[operator]


@given(st.floats(-1e6, 1e6))
def test_tidy_changes_nothing_that_counts(value: float) -> None:
    assert tidy(value) == pytest.approx(value, rel=1e-9, abs=0.0)
    assert tidy(round(value, 3)) == round(value, 3)
