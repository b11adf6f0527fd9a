"""The circuits solved by ngspice, against what is known of them in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from .generator import specification
from .ignition import (
    FIVE,
    NEVER_V,
    IgnitionSource,
    ignition_conditions,
    ignition_made,
    scale_of,
)

_QUIET = {
    "polarity": 1, "bounce": 0.0, "noise_counts": 0.0, "channels": FIVE,
    "gains": (1.0,) * 5, "zero_counts": (0.0,) * 5, "offsets_s": tuple(k * 1e-6 for k in range(5)),
}  # fmt: skip


def _made(seed: int, **given: object):  # type: ignore[no-untyped-def]
    return ignition_made(*ignition_conditions(seed, **{**_QUIET, **given}))


def test_current_builds_up_as_in_any_textbook() -> None:
    """i = E / R (1 - exp(-t R / L)): a coil on a battery, from no current on (textbook RL circuit)."""
    made = _made(3, rpm=600.0, film_v=0.0, contact_ohm=(0.02,), breakdown_v=(NEVER_V,))
    k, truth = made.circuit, made.truth
    ohm = k.total_ohm + 0.02
    first = truth["contact"].time_s[truth["contact"].closed]
    for at, amps in zip(
        truth["electrics"]["opening_s"], truth["electrics"]["current_a"], strict=True
    ):
        if at < first[0]:
            continue
        dwell = at - first[first < at][-1]
        expected = k.supply_v / ohm * (1 - np.exp(-dwell * ohm / k.primary_h))
        # What the secondary still swings as the points close moves it by some tenths of a per cent.
        assert amps == pytest.approx(expected, rel=0.01)


def test_drop_is_contact_plate_and_lead() -> None:
    made = _made(3, film_v=0.03, contact_ohm=(0.02,))
    e = made.truth["electrics"]
    expected = e["current_a"] * (0.02 + made.circuit.plate_ohm + 1e-4) + 0.03
    np.testing.assert_allclose(e["drop_v"], expected, rtol=2e-3)


def test_no_more_energy_rings_than_was_stored() -> None:
    """Lossless bound: C v^2 / 2 of condenser and secondary never exceeds L i^2 / 2 but for the feed."""
    made = _made(5, breakdown_v=(NEVER_V,))
    k, s = made.circuit, made.truth["solved"]
    most = float(made.truth["electrics"]["energy_j"].max())
    held = 0.5 * k.condenser_f * (s["pts"] - k.supply_v) ** 2 + 0.5 * k.secondary_f * s["s1"] ** 2
    assert 0.3 * most < held.max() < 1.05 * most


def test_a_gap_burns_at_its_voltage_one_way_and_goes_out_at_its_current() -> None:
    made = _made(
        8, breakdown_v=(9e3,), burn_v=1200.0, burn_slope_ohm=3e3, coupling=0.97, supply_v=13.0
    )
    s, e, k = made.truth["solved"], made.truth["electrics"], made.circuit
    assert not e["missed"].any()
    assert s["gap"].min() > -1e-6
    burning = s["gap"] > 2e-3
    expected = 1200.0 + 3e3 * s["gap"][burning]
    inside = np.abs(s["s1"][burning] - expected) < 0.03 * expected
    assert inside.mean() > 0.97
    # Just before the end the current is the holding one.
    last = np.interp(e["end_s"][~e["cut"]] - 3e-6, s["t"], s["gap"])
    assert np.median(np.abs(last - k.hold_a)) < 0.2 * k.hold_a
    # And the burn line on the primary is the gap's voltage over the turns, a little more for the slope.
    assert np.nanmedian(e["burn_v"]) == pytest.approx(1200.0 / k.turns, abs=0.35 * 1200.0 / k.turns)


def test_towers_that_never_fire_are_the_misses() -> None:
    gaps = tuple(NEVER_V if n % 4 == 1 else 8e3 for n in range(40))
    made = _made(8, lobes=4, breakdown_v=gaps, supply_v=13.5, rpm=700.0)
    missed = made.truth["electrics"]["missed"]
    expected = np.resize([g == NEVER_V for g in gaps], missed.size)
    np.testing.assert_array_equal(missed, expected)


def test_channels_show_the_nodes_at_their_own_instants() -> None:
    """Late in a dwell nothing is fast: every channel is its node, to a count and the front end's lag."""
    made = _made(11, rpm=500.0, film_v=0.0)
    c, k, e = made.c, made.circuit, made.truth["electrics"]
    s = made.truth["solved"]
    at = e["opening_s"][2] - 300e-6
    n = round(at * c.rate_hz)
    t = n / c.rate_hz
    for name, node in (("current_a", "current"), ("points_v", "pts")):
        shown = made.counts[name][n] * scale_of(k, c.bits, name)
        true = float(np.interp(t, s["t"], s[node]))
        assert shown == pytest.approx(true, abs=1.5 * scale_of(k, c.bits, name) + 0.01)
    feed = made.counts["supply_v"][n] * scale_of(k, c.bits, "supply_v")
    amps = float(np.interp(t, s["t"], s["current"]))
    lost = amps * (k.source_ohm + k.ballast_ohm)
    assert feed == pytest.approx(k.supply_v - lost, abs=0.03)
    assert np.abs(made.counts["contact_v"]).max() <= 2048


def test_polarity_turns_all_but_the_pickup() -> None:
    one, other = _made(6, rpm=800.0), _made(6, rpm=800.0, polarity=-1)
    for name in FIVE:
        sign = 1 if name == "spark" else -1
        off = np.abs(one.counts[name].astype(int) - sign * other.counts[name].astype(int))
        assert np.quantile(off, 0.999) <= 1, name


def test_the_source_yields_it_all_and_a_specification_belongs_to_it() -> None:
    made = _made(6, rpm=800.0)
    source = IgnitionSource(made, blocks=5000)
    names = [c.name for c in source.header.channels]
    assert names == list(FIVE)
    assert all(c.u_gain is not None and c.u_zero is not None for c in source.header.channels)
    events = list(source)
    blocks = [e for e in events if hasattr(e, "samples")]
    assert sum(len(b) for b in blocks) == made.c.samples
    assert sum(e.time_s.size for e in events if hasattr(e, "rising")) == made.edges["index"][0].size
    assert f"lobes = {made.c.lobes}" in specification(made.c)
