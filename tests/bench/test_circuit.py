"""Dry feed and front end against numerical integration of the same circuit, and textbooks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from breakerbench.bench import Bench, simulate
from breakerbench.bench.cam import cam_for
from breakerbench.bench.contact import Contact
from breakerbench.bench.drive import steady
from breakerbench.bench.feed import Feed, feed_current, points_voltage
from breakerbench.bench.front_end import Converter, FrontEnd, filtered
from breakerbench.trace import Block


def _states(contact: Contact) -> np.ndarray:
    return np.concatenate(([contact.closed_at_start], contact.closed))


def _integrated(
    feed: Feed, front_end: FrontEnd, contact: Contact, times: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Voltage and current behind their front ends, by fine numerical integration."""
    tau = front_end.tau_s
    volts = feed.sign * feed.volts
    changes = np.concatenate(([0.0], contact.time_s, [times[-1] + 1e-9]))
    closed = _states(contact)
    start = volts * feed.contact_ohm / (feed.series_ohm + feed.contact_ohm) if closed[0] else volts
    state = np.array([start, start, (volts - start) / feed.series_ohm])
    found_v, found_a = np.empty_like(times), np.empty_like(times)
    for is_closed, begin, end in zip(closed, changes[:-1], changes[1:], strict=True):

        def still(v: float, is_closed: bool = bool(is_closed)) -> float:
            current = (volts - v) / feed.series_ohm
            if is_closed:
                current -= v / feed.contact_ohm
            return current

        if feed.condenser_f == 0.0:
            # without a condenser the points follow at once
            level = volts
            if is_closed:
                level *= feed.contact_ohm / (feed.series_ohm + feed.contact_ohm)
            state[0] = level

        def rates(_: float, y: np.ndarray, still=still) -> list[float]:  # type: ignore[no-untyped-def]
            rise = still(y[0]) / feed.condenser_f if feed.condenser_f else 0.0
            current = (volts - y[0]) / feed.series_ohm
            return [rise, (y[0] - y[1]) / tau, (current - y[2]) / tau]

        inside = (times >= begin) & (times < end)
        solved = solve_ivp(
            rates, (begin, end), state, method="LSODA", dense_output=True, rtol=1e-9, atol=1e-10
        )
        if np.any(inside):
            found_v[inside], found_a[inside] = solved.sol(times[inside])[1:]
        state = solved.y[:, -1].copy()
    return found_v, found_a


FEEDS = [
    Feed(12.0, 47.0, 0.05),
    Feed(6.0, 10.0, 0.02, positive_ground=True),
    Feed(12.0, 47.0, 0.5, condenser_f=0.22e-6),
    Feed(12.0, 300.0, 0.5, condenser_f=0.3e-6, positive_ground=True),
    # time constants of the feed and of the front end equal
    Feed(12.0, 50.0, 0.5, condenser_f=FrontEnd().tau_s / 50.0),
]


@pytest.mark.parametrize("feed", FEEDS)
@pytest.mark.parametrize("closed_at_start", [True, False])
def test_closed_form_against_integration(feed: Feed, closed_at_start: bool) -> None:
    chance = np.random.default_rng(3)
    # far apart and far too close together, as a bouncing contact will have them
    waits = np.concatenate((chance.uniform(2e-6, 60e-6, 12), chance.uniform(0.2e-3, 1e-3, 4)))
    changes = np.cumsum(chance.permutation(waits))
    states = np.arange(changes.size) % 2 == int(closed_at_start)
    contact = Contact(changes, states, closed_at_start)
    times = np.linspace(1e-6, changes[-1] + 0.3e-3, 2000)
    front_end = FrontEnd()
    closing = np.concatenate(([False], contact.closed))
    points = points_voltage(feed, contact)
    volts = filtered(points, front_end, closing, 1e-3).at(times)
    amps = filtered(feed_current(feed, points), front_end, closing, 1e-3).at(times)
    expected_v, expected_a = _integrated(feed, front_end, contact, times)
    np.testing.assert_allclose(volts, expected_v, atol=2e-5 * feed.volts)
    np.testing.assert_allclose(amps, expected_a, atol=2e-5 * feed.volts / feed.series_ohm)


@pytest.mark.parametrize("feed", FEEDS[:4])
@pytest.mark.parametrize("rate_hz", [20e3, 137_400.0, 250e3])
def test_samples_against_integration(feed: Feed, rate_hz: float) -> None:
    bench = Bench(
        cam=cam_for(12, 17.0, 0.4),
        drive=steady(2400.0, 0.02),
        feed=feed,
        current_range_a=2.0,
        converter=Converter(rate_hz, noise_counts=0.0),
    )
    simulated = simulate(bench, 5)
    blocks = [event for event in simulated if isinstance(event, Block)]
    number = np.arange(sum(len(block) for block in blocks))
    for row, channel in enumerate(simulated.header.channels):
        counts = np.concatenate([block.samples[row] for block in blocks])
        times = number / rate_hz + channel.offset_s
        expected = _integrated(feed, bench.points, simulated.contact, times)[row]
        expected_counts = (expected - channel.zero) / channel.scale
        assert counts.dtype == np.int16
        assert np.max(np.abs(counts - expected_counts)) < 0.51


def test_channels_take_turns() -> None:
    points, current = simulate(Bench(), 1).header.channels
    assert (points.name, points.offset_s) == ("points_v", 0.0)
    # two channels at 250 kS/s each are 2 us apart
    assert (current.name, current.offset_s) == ("current_a", pytest.approx(2e-6))


def test_delay_is_that_of_the_half_height() -> None:
    front_end = FrontEnd(dead_s=1e-6, closing_lag_s=0.3e-6)
    contact = Contact(np.array([0.0, 1e-3]), np.array([False, True]), True)
    feed = Feed(12.0, 47.0, 0.0)
    pieces = points_voltage(feed, contact)
    shown = filtered(pieces, front_end, np.array([False, False, True]), 1e-3)
    late = front_end.delay_s
    assert shown.at(np.array([late]))[0] == pytest.approx(6.0, abs=1e-6)
    assert shown.at(np.array([1e-3 + 0.3e-6 + late]))[0] == pytest.approx(6.0, abs=1e-6)


def test_charge_of_a_condenser_is_that_of_the_textbook() -> None:
    # OpenStax University Physics 2: 101 ohm, 50 mF: tau 5.05 s; to 80 of 100 V in 8.13 s
    feed = Feed(100.0, 101.0, 0.0, condenser_f=50e-3)
    assert feed.open_tau_s == pytest.approx(5.05)
    pieces = points_voltage(feed, Contact(np.array([0.0]), np.array([False]), True))
    volts = pieces.level[1] + pieces.excess[1] * np.exp(-8.13 / pieces.tau_s[1])
    assert volts == pytest.approx(80.0, abs=0.02)


def test_levels_follow_from_ohms_law() -> None:
    feed = Feed(12.0, 3.4, 0.05)
    assert feed.closed_a == pytest.approx(12.0 / 3.45)
    assert feed.closed_v == pytest.approx(0.05 * feed.closed_a)


def _volts(bench: Bench, seed: int = 1) -> np.ndarray:
    simulated = simulate(bench, seed)
    channel = simulated.header.channels[0]
    blocks = [event.samples[0] for event in simulated if isinstance(event, Block)]
    return np.asarray(channel.zero + channel.scale * np.concatenate(blocks))


def test_supply_drift_offset_and_pick_up_are_what_they_say() -> None:
    quiet = Converter(noise_counts=0.0)
    # always open: the points show the supply
    still = Bench(cam=replace(Bench().cam, gap_mm=2.0), converter=quiet)
    times = np.arange(len(_volts(still))) / 250e3
    half_count = 20.0 / 4096 * 1.02
    drifting = replace(still, feed=Feed(12.0, drift_share_per_s=-0.02))
    np.testing.assert_allclose(_volts(drifting), 12.0 * (1 - 0.02 * times), atol=half_count)
    shifted = replace(still, points=FrontEnd(offset=0.5))
    np.testing.assert_allclose(_volts(shifted), 12.5, atol=half_count)
    humming = _volts(replace(still, feed=Feed(12.0, pick_up_v=0.3, pick_up_hz=60.0))) - 12.0
    design = np.stack((np.sin(2 * np.pi * 60 * times), np.cos(2 * np.pi * 60 * times)), axis=-1)
    parts, left, _, _ = np.linalg.lstsq(design, humming, rcond=None)
    assert np.hypot(*parts) == pytest.approx(0.3, rel=1e-3)
    assert np.sqrt(left[0] / times.size) < half_count


def test_beyond_the_rails_the_converter_clips() -> None:
    bench = Bench(points_range_v=5.0, converter=Converter(noise_counts=0.0))
    simulated = simulate(bench, 1)
    counts = np.concatenate([e.samples[0] for e in simulated if isinstance(e, Block)])
    assert simulated.header.channels[0].rail_counts == (0.0, 4095.0)
    assert counts.max() == 4095


@pytest.mark.parametrize(
    "wrong", [lambda: Feed(volts=-12.0), lambda: Feed(series_ohm=0.0), lambda: Converter(10.0)]
)
def test_an_impossible_circuit_is_refused(wrong) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"volts|sample_rate_hz"):
        wrong()
