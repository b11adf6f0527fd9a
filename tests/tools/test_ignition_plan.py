"""What is worked out of a coil's circuit: bands that hold every circuit within them, and no more."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.tools import ignition_figures as figures
from breakerbench.tools.ignition import RIGHT, TOO_MANY, UNDECIDED
from breakerbench.tools.ignition_figures import Band, exactly
from breakerbench.tools.ignition_plan import (
    AtSpeed,
    Circuit,
    Told,
    at_rest,
    at_speeds,
    plan,
    table_speeds,
)

#: The places tried within a band miss a largest value between them by less than this.
WITHIN = 2e-3
BANDS = [each.name for each in fields(AtSpeed) if each.type == "Band"]


def bands(low: float, high: float) -> st.SearchStrategy[Band]:
    return st.tuples(st.floats(low, high), st.floats(low, high)).map(
        lambda ends: Band(min(ends), max(ends))
    )


CIRCUITS = st.builds(
    Circuit,
    supply_v=st.floats(5, 15),
    coil_20c_ohm=st.floats(0.8, 5.0),
    feed_ohm=st.sampled_from([0.0, 0.7, 1.5, 3.0]),
    winding_c=bands(0, 110),
    inductance_h=bands(2e-3, 15e-3),
    dwell_share=bands(0.3, 0.8),
    lobes=st.integers(1, 12),
    turns_ratio=bands(60, 120),
    condenser_f=bands(0.15e-6, 0.3e-6),
    secondary_f=bands(30e-12, 120e-12),
    loss_share=bands(0.0, 0.7),
)


def within(band: Band, share: float) -> Band:
    return exactly(band.low + share * (band.high - band.low))


@given(CIRCUITS, st.lists(st.floats(0, 1), min_size=7, max_size=7), st.floats(100, 3000))
def test_every_circuit_within_the_bands_lies_within_the_figures(
    of: Circuit, shares: list[float], rpm: float
) -> None:
    names = [each.name for each in fields(Circuit) if each.type == "Band"]
    one = replace(
        of,
        **{
            name: within(getattr(of, name), share)
            for name, share in zip(names, shares, strict=True)
        },
    )
    both = [(at_rest(each), at_speeds(each, [rpm])[0]) for each in (of, one)]
    for whole, part in zip(*both, strict=True):
        for each in fields(whole):
            outer, inner = getattr(whole, each.name), getattr(part, each.name)
            if not isinstance(outer, Band):
                assert outer == inner
                continue
            assert inner.high - inner.low <= 1e-9 * abs(inner.high)
            slack = WITHIN * abs(inner.high) + 1e-15
            assert outer.low - slack <= inner.low, each.name
            assert inner.high <= outer.high + slack, each.name


@given(CIRCUITS, st.floats(100, 2500), st.floats(1.01, 2.0))
def test_more_speed_never_gives_more(of: Circuit, rpm: float, more: float) -> None:
    slow, fast = at_speeds(of, [rpm, rpm * more])
    for name in ("current_a", "mean_a", "energy_j", "secondary_v", "primary_v", "coil_w", "feed_w"):
        for end in ("low", "high"):
            before, after = (getattr(getattr(row, name), end) for row in (slow, fast))
            assert after <= before * (1.0 + 1e-9) + 1e-15, name


@given(CIRCUITS, st.floats(100, 2500), st.floats(0.1, 3.0))
def test_more_ohms_in_the_feed_give_less(of: Circuit, rpm: float, more: float) -> None:
    (now,), (then,) = (
        at_speeds(each, [rpm]) for each in (of, replace(of, feed_ohm=of.feed_ohm + more))
    )
    for name in ("current_a", "mean_a", "energy_j", "secondary_v", "coil_w"):
        for end in ("low", "high"):
            assert getattr(getattr(then, name), end) < getattr(getattr(now, name), end), name


@given(CIRCUITS)
def test_slow_turning_comes_to_the_figures_at_rest(of: Circuit) -> None:
    (slow,), rest = at_speeds(of, [0.05]), at_rest(of)
    for end in ("low", "high"):
        assert getattr(slow.current_a, end) == pytest.approx(getattr(rest.current_a, end))
    # heat: the closed share of that at rest
    assert slow.feed_w.high == pytest.approx(of.dwell_share.high * rest.feed_w.high, rel=1e-3)


def test_the_balance_of_power() -> None:
    """What the supply gives is heat and the energy of the field: V i_mean = W + E f, exact bands."""
    told = Told(
        12.0, 1.5, coil_c=20.0, resistors=(1.5,), inductance_h=4e-3, dwell_share=0.6, warm_c=20.0,
        turns_ratio=100.0, condenser_f=0.2e-6, secondary_f=60e-12,
    )  # fmt: skip
    made = plan(told)
    for row in made.rows:
        for name in ("current_a", "mean_a", "energy_j", "coil_w", "feed_w"):
            band = getattr(row, name)
            assert band.low == pytest.approx(band.high)
        given = 12.0 * row.mean_a.low
        taken = row.coil_w.low + row.feed_w.low + row.energy_j.low * row.sparks_per_s
        assert given == pytest.approx(taken, rel=1e-9)
    assert [each.what for each in made.assumed] == ["energy lost before the secondary's peak"]


def test_nothing_told_twice_or_forgotten() -> None:
    """What is not told is assumed and said, each with its source."""
    made = plan(Told(12.0, 3.0))
    assert len({each.what for each in made.assumed}) == len(made.assumed) == 8
    assert all(each.source for each in made.assumed)
    assert made.circuit.inductance_h.low == pytest.approx(4.5e-3)
    assert made.circuit.inductance_h.high == pytest.approx(10.5e-3)
    assert made.circuit.coil_ohm.high == pytest.approx(3.0 * (1 + 0.00393 * 50))


def test_a_warm_coil_is_brought_to_20_degrees() -> None:
    """3.6 ohm at 71 deg C are the 3 ohm of a cold one: both are right."""
    warm, cold = plan(Told(12.0, 3.6, coil_c=70.9)), plan(Told(12.0, 3.0))
    assert warm.circuit.coil_20c_ohm == pytest.approx(3.0, abs=0.001)
    assert (warm.verdict.key, cold.verdict.key) == (RIGHT, RIGHT)


# --- what was measured in the circuit ------------------------------------------------------------


@pytest.mark.parametrize("hidden", [0.0, 1.5, 3.0])
@pytest.mark.parametrize("what", ["current", "volts", "both"])
def test_a_hidden_resistor_is_found_by_current_or_volts(hidden: float, what: str) -> None:
    supply, coil = 12.4, 1.5 * (1 + 0.00393 * 25)  # half warm
    current = supply / (coil + hidden)
    told = Told(
        supply, 1.5,
        standing_a=None if what == "volts" else current,
        feed_v=None if what == "current" else current * coil,
    )  # fmt: skip
    verdict = plan(told).verdict
    assert verdict.hidden_ohm is not None
    assert verdict.hidden_ohm.value == pytest.approx(hidden, abs=0.02)
    assert verdict.hidden_ohm.u < 0.45
    assert verdict.key == {0.0: UNDECIDED, 1.5: RIGHT, 3.0: TOO_MANY}[hidden]
    assert verdict.current_a.value == pytest.approx(current, rel=0.02)


def test_the_points_own_drop_is_not_taken_for_the_feeds() -> None:
    current = 12.4 / (3.0 + 0.5)  # 0.5 ohm in dirty points
    made = plan(Told(12.4, 3.0, warm_c=20.0, standing_a=current, points_v=current * 0.5))
    assert made.verdict.feed_ohm.value == pytest.approx(0.0, abs=1e-9)
    assert any("Clean or replace the points" in note for note in made.notes)
    made = plan(Told(12.4, 3.0, warm_c=20.0, feed_v=12.4, points_v=12.4 - 3.0 * current))
    assert made.verdict.feed_ohm.value == pytest.approx(0.0, abs=1e-9)


def test_volts_and_current_that_speak_against_the_coils_ohms() -> None:
    made = plan(Told(12.4, 3.0, standing_a=4.0, feed_v=6.0))
    assert any("shows 1.50 ohm" in note for note in made.notes)
    made = plan(Told(12.4, 1.5, standing_a=4.0, feed_v=6.4))
    assert not any("With the current flowing" in note for note in made.notes)


def test_other_voltages_are_said_to_be_in_proportion() -> None:
    assert any("in proportion" in note for note in plan(Told(24.0, 6.0)).notes)
    assert not plan(Told(12.0, 3.0)).notes
    (note,) = plan(Told(12.0, 3.0, standing_a=3.8)).notes
    assert "measure it at the battery" in note


# --- speeds of the table -------------------------------------------------------------------------


@given(st.floats(10, 20000), st.floats(1.0001, 500))
def test_speeds_of_a_table(low: float, ratio: float) -> None:
    high = low * ratio
    speeds = table_speeds(low, high)
    assert (speeds[0], speeds[-1]) == (low, high)
    assert speeds == sorted(set(speeds))
    assert len(speeds) <= 11 or high - low > 2e4
    assert all(math.isclose(rpm % 10, 0) or rpm in (low, high) or rpm % 25 == 0 for rpm in speeds)


def test_round_speeds() -> None:
    assert table_speeds(300, 2500) == [300, 500, 1000, 1500, 2000, 2500]
    assert table_speeds(250, 1000) == [250, 300, 400, 500, 600, 700, 800, 900, 1000]
    assert table_speeds(490, 2010) == [490, 750, 1000, 1250, 1500, 1750, 2010]


@pytest.mark.parametrize("ends", [(2.0, 1.0), (float("nan"), 1.0), (0.0, float("inf"))])
def test_no_band(ends: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="no band"):
        figures.Band(*ends)
