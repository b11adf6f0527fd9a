"""Index and encoder: where their edges lie and what their errors do."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.bench.drive import Drive, Ripple, rolling_start, steady
from breakerbench.bench.sensors import TICK_S, Encoder, Index, disc, encoder_edges, index_edges
from breakerbench.trace import EdgeTimes

DRIVE = Drive(((0.0, 500.0), (4.0, 1500.0)), (Ripple(0.02, 2.0),), start_deg=30.0)


def _encoder(encoder: Encoder, drive: Drive, seed: int = 1) -> EdgeTimes:
    parts = list(encoder_edges(encoder, drive, seed))
    return EdgeTimes(
        "encoder",
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.rising for part in parts]),
    )


def _alternate(edges: EdgeTimes) -> bool:
    return bool(np.all(edges.rising[1:] != edges.rising[:-1]))


def test_index_rises_at_angle_0_and_falls_a_width_later() -> None:
    edges = index_edges(Index(width_deg=12.0), DRIVE, 1)
    angles = DRIVE.angle_deg(edges.time_s)
    turns = np.arange(1, edges.rising.sum() + 1)
    np.testing.assert_allclose(angles[edges.rising], 360.0 * turns, atol=2e-4)
    np.testing.assert_allclose(np.mod(angles[~edges.rising], 360.0), 12.0, atol=2e-4)
    assert _alternate(edges)
    assert np.all(np.diff(edges.time_s) > 0.0)


def test_stamps_are_whole_ticks_of_16_ns_and_carry_the_stated_delay() -> None:
    plain = index_edges(Index(), DRIVE, 1)
    late = index_edges(Index(delay_s=1e-4), DRIVE, 1)
    np.testing.assert_allclose(np.mod(plain.time_s / TICK_S + 0.5, 1.0), 0.5, atol=1e-4)
    np.testing.assert_allclose(late.time_s - plain.time_s, 1e-4, atol=TICK_S)


def test_a_run_that_begins_within_the_pulse_begins_with_its_fall() -> None:
    edges = index_edges(Index(width_deg=20.0), steady(600.0, 1.0, start_deg=10.0), 1)
    assert not edges.rising[0]
    assert edges.time_s[0] == pytest.approx(10.0 / 3600.0, abs=TICK_S)


def test_inverted_index_falls_at_angle_0() -> None:
    plain, inverted = (index_edges(Index(inverted=i), DRIVE, 1) for i in (False, True))
    np.testing.assert_array_equal(plain.time_s, inverted.time_s)
    np.testing.assert_array_equal(plain.rising, ~inverted.rising)


def test_faulty_index_loses_doubles_and_invents_pulses() -> None:
    drive = steady(1500.0, 60.0)
    whole = index_edges(Index(), drive, 1).rising.sum()
    missing = index_edges(Index(missing_share=0.1), drive, 1)
    assert missing.rising.sum() == pytest.approx(0.9 * whole, abs=4 * np.sqrt(0.09 * whole))
    doubled = index_edges(Index(doubled_share=0.1), drive, 1)
    assert doubled.rising.sum() == pytest.approx(1.1 * whole, abs=4 * np.sqrt(0.09 * whole))
    spurious = index_edges(Index(spurious_per_s=5.0), drive, 1)
    assert spurious.rising.sum() - whole == pytest.approx(300.0, abs=80.0)
    for edges in (missing, doubled, spurious):
        assert _alternate(edges)
        assert np.all(np.diff(edges.time_s) > 0.0)


def test_index_jitter_has_the_stated_deviation() -> None:
    drive = steady(2000.0, 60.0)
    edges = index_edges(Index(jitter_deg=0.05), drive, 1)
    angles = drive.angle_deg(edges.time_s[edges.rising])
    errors = angles - 360.0 * np.round(angles / 360.0)
    assert np.std(errors) == pytest.approx(0.05, rel=0.1)


@pytest.mark.parametrize("pulses", [60, 1024])
@pytest.mark.parametrize("both", [False, True])
def test_encoder_has_its_pulses_each_in_its_place(pulses: int, both: bool) -> None:
    encoder = Encoder(pulses, both, placement_deg=0.004, first_deg=0.05)
    edges = _encoder(encoder, DRIVE)
    angles = DRIVE.angle_deg(edges.time_s)
    place, rising = disc(encoder, 1)
    assert place.size == pulses * (2 if both else 1)
    number = np.searchsorted(place, np.mod(angles, 360.0) + 1e-3, side="right") - 1
    np.testing.assert_array_equal(np.diff(number) % place.size, 1)
    np.testing.assert_allclose(np.mod(angles - place[number] + 1.0, 360.0), 1.0, atol=2e-4)
    np.testing.assert_array_equal(edges.rising, rising[number])
    assert edges.rising.all() != both


def test_encoder_stays_in_its_place_for_a_whole_long_run() -> None:
    # many batches of revolutions: nothing is lost or doubled where they meet
    drive = steady(2000.0, 10.0)
    edges = _encoder(Encoder(100, placement_deg=0.0), drive)
    turned = np.diff(drive.angle_deg(edges.time_s))
    np.testing.assert_allclose(turned, 3.6, atol=1e-3)
    assert edges.time_s.size == pytest.approx(2000.0 / 6.0 * 100, abs=1)


def test_disc_errors_have_the_stated_deviation() -> None:
    encoder = Encoder(1024, placement_deg=0.01)
    place, _ = disc(encoder, 1)
    errors = place - encoder.first_deg - 360.0 / 1024 * np.arange(1024)
    assert np.std(errors) == pytest.approx(0.01, rel=0.1)
    assert encoder.stated_deg == pytest.approx(0.01)
    off_centre = Encoder(1024, placement_deg=0.0, eccentric_deg=0.1, eccentric_at_deg=90.0)
    place, _ = disc(off_centre, 1)
    errors = place - encoder.first_deg - 360.0 / 1024 * np.arange(1024)
    assert np.max(errors) == pytest.approx(0.1, rel=1e-3)
    assert np.argmax(errors) == pytest.approx(512, abs=3)
    assert np.std(errors) == pytest.approx(off_centre.stated_deg, rel=1e-3)
    assert not np.array_equal(disc(encoder, 1)[0], disc(encoder, 2)[0])


def test_lost_bursts_are_whole_stretches() -> None:
    drive = steady(1000.0, 20.0)
    whole = _encoder(Encoder(360), drive)
    edges = _encoder(Encoder(360, bursts_per_s=2.0, burst_edges=30), drive)
    missing = whole.time_s.size - edges.time_s.size
    assert missing == pytest.approx(40 * 30, rel=0.5)
    assert np.isin(edges.time_s, whole.time_s).all()
    gaps = np.diff(np.searchsorted(whole.time_s, edges.time_s)) - 1
    assert set(np.unique(gaps[gaps < 30])) <= {0}  # never less than a burst; two may meet


def test_jitter_never_swaps_edges() -> None:
    edges = _encoder(Encoder(1024, True, 0.001, jitter_deg=0.05), steady(2500.0, 1.0))
    assert np.all(np.diff(edges.time_s) >= 0.0)
    assert _alternate(edges)


def test_at_rest_there_are_no_edges() -> None:
    drive = rolling_start(600.0, 1.0, 1.0, 1.0)
    assert index_edges(Index(), drive, 1).time_s.min() > 1.0
    assert _encoder(Encoder(), drive).time_s.min() > 1.0


@pytest.mark.parametrize(
    "wrong",
    [lambda: Index(width_deg=0.0), lambda: Encoder(59), lambda: Encoder(1025)],
)
def test_an_impossible_sensor_is_refused(wrong) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"width_deg|pulses"):
        wrong()


def test_a_disc_whose_edges_would_swap_is_refused() -> None:
    with pytest.raises(ValueError, match="placement_deg"):
        disc(Encoder(1024, True, placement_deg=0.5), 1)
