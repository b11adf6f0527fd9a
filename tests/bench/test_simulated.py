"""The simulated bench as a source, and its truth against a plain reading of what happened."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from breakerbench.bench import Bench, Simulated, simulate
from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import Drive, Ripple, plateaus, rolling_start, steady
from breakerbench.bench.front_end import Converter
from breakerbench.bench.random_bench import random_bench
from breakerbench.bench.randomness import NormalNoise, stream
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.weights import Weights
from breakerbench.trace import Block, EdgeTimes, Source

RICH = Bench(
    drive=Drive(((0.0, 400.0), (0.5, 900.0)), (Ripple(0.02, 2.0), Ripple(0.01, 0.4))),
    index=Index(spurious_per_s=5.0, jitter_deg=0.01),
    encoder=Encoder(100, True, 0.01, jitter_deg=0.001, bursts_per_s=3.0),
    feed=replace(Bench().feed, condenser_f=0.2e-6, drift_share_per_s=0.01, pick_up_v=0.1),
)


def _digest(simulated: Simulated) -> dict[str, str]:
    """Digest of all that a source yields, channel by channel, joined over blocks."""
    sums: dict[str, hashlib._Hash] = defaultdict(hashlib.sha256)
    for event in simulated:
        if isinstance(event, Block):
            for row, samples in enumerate(event.samples):
                sums[f"samples {row}"].update(samples.tobytes())
        elif isinstance(event, EdgeTimes):
            sums[f"{event.name} times"].update(event.time_s.tobytes())
            sums[f"{event.name} rising"].update(event.rising.tobytes())
    return {name: value.hexdigest() for name, value in sums.items()}


WHOLE = _digest(simulate(RICH, 7))


@settings(max_examples=12)
@given(block=st.integers(100, 200_000))
def test_the_bytes_do_not_depend_on_the_size_of_blocks(block: int) -> None:
    assert _digest(simulate(RICH, 7, block)) == WHOLE


def test_once_more_through_gives_the_same_bytes() -> None:
    simulated = simulate(RICH, 7)
    assert _digest(simulated) == _digest(simulated) == WHOLE


def test_another_seed_gives_another_trace() -> None:
    other = _digest(simulate(RICH, 8))
    assert other.keys() == WHOLE.keys()
    differing = {name for name in WHOLE if other[name] != WHOLE[name]}
    assert differing >= {"samples 0", "samples 1", "index times", "encoder times"}


def test_one_cause_of_chance_does_not_disturb_another() -> None:
    without = _digest(simulate(replace(RICH, index=None), 7))
    assert {name: WHOLE[name] for name in without} == without


@pytest.mark.parametrize("block", [777, 1 << 16])
def test_it_keeps_the_promises_of_a_source(block: int) -> None:
    simulated = simulate(RICH, 3, block)
    source: Source = simulated
    header = source.header
    assert header.simulated
    assert header.origin == "simulated bench"
    assert header.encoder_pulses == 100
    assert [channel.unit for channel in header.channels] == ["V", "A"]
    assert [channel.name for channel in header.edge_channels] == ["index", "encoder"]
    following = 0
    latest: dict[str, float] = defaultdict(float)
    for event in source:
        if isinstance(event, Block):
            assert event.first == following
            following += len(event)
            assert len(event) <= block
            done, total = source.progress()
            assert done == pytest.approx(following / header.sample_rate_hz)
            assert total == pytest.approx(0.5)
        else:
            assert isinstance(event, EdgeTimes)
            assert event.time_s.size == event.rising.size > 0
            assert np.all(np.diff(event.time_s) >= 0.0)
            # after all earlier blocks began, before the next begins
            assert event.time_s[0] >= following / header.sample_rate_hz
            assert event.time_s[0] >= latest[event.name]
            assert event.time_s[-1] <= min((following + block) / header.sample_rate_hz, 0.5)
            latest[event.name] = float(event.time_s[-1])
    assert following == 0.5 * 250e3
    source.close()


def test_a_bench_without_current_index_or_encoder() -> None:
    bench = replace(RICH, current_range_a=None, index=None, encoder=None)
    simulated = simulate(bench, 1)
    assert [channel.name for channel in simulated.header.channels] == ["points_v"]
    assert simulated.header.edge_channels == ()
    assert simulated.header.encoder_pulses is None
    assert all(isinstance(event, Block) for event in simulated)


def test_noise_is_white_normal_and_of_the_stated_size() -> None:
    noise = NormalNoise(stream(1, "noise"), 4.0).draw(1_000_000).astype(float)
    assert np.mean(noise) == pytest.approx(0.0, abs=4 * 4.0 / 1e3)
    assert np.std(noise) == pytest.approx(4.0, rel=4 / np.sqrt(2e6))
    assert stats.skew(noise) == pytest.approx(0.0, abs=4 * np.sqrt(6 / 1e6))
    assert stats.kurtosis(noise) == pytest.approx(0.0, abs=4 * np.sqrt(24 / 1e6))
    for lag in (1, 2, 3, 500_000):
        like = np.mean(noise[lag:] * noise[:-lag]) / 16.0
        assert like == pytest.approx(0.0, abs=4.5 / np.sqrt(noise.size - lag))
    for deviations in (1.0, 2.0, 3.0, 4.0):
        expected = 2e6 * stats.norm.sf(deviations)
        found = np.count_nonzero(np.abs(noise) > 4.0 * deviations)
        assert found == pytest.approx(expected, abs=4.5 * np.sqrt(expected))
    assert stats.kstest(noise[:100_000] / 4.0, "norm").pvalue > 1e-3


def test_noise_of_the_channels_is_independent() -> None:
    # always open: nothing but the level and its noise
    still = Bench(cam=replace(Bench().cam, gap_mm=2.0), drive=steady(100.0, 2.0))
    blocks = [event for event in simulate(still, 1) if isinstance(event, Block)]
    points, current = (np.concatenate([b.samples[row] for b in blocks]) for row in (0, 1))
    # rounding to whole counts adds its twelfth
    assert np.std(points) == pytest.approx(np.sqrt(16 + 1 / 12), rel=0.01)
    assert np.corrcoef(points, current)[0, 1] == pytest.approx(0.0, abs=4.5 / np.sqrt(points.size))
    assert np.corrcoef(points[1:], points[:-1])[0, 1] == pytest.approx(0.0, abs=0.0065)


def _read(simulated: Simulated) -> tuple[dict[int, list[float]], dict[int, list[float]]]:
    """Dwell and opening angle by lobe, from nothing but changes of state and the drive."""
    bench = simulated.bench
    angles = bench.drive.angle_deg(simulated.contact.time_s)
    last_mark = 360.0 * np.floor(bench.drive.angle_deg(np.array([bench.drive.seconds]))[0] / 360)
    first_mark = 360.0 * np.ceil(bench.drive.angle_deg(np.array([0.0]))[0] / 360)
    lobe_openings = simulated.truth["first_opening_deg"] + np.array(simulated.truth["nominal_deg"])
    dwells: dict[int, list[float]] = defaultdict(list)
    openings: dict[int, list[float]] = defaultdict(list)
    touched = None
    for angle, closed in zip(angles, simulated.contact.closed, strict=True):
        if closed:
            touched = angle
            continue
        # A dwell belongs to the revolution that its opening is in.
        if not first_mark <= angle <= last_mark:
            continue
        away = np.mod(angle - lobe_openings + 180.0, 360.0) - 180.0
        lobe = int(np.argmin(np.abs(away)))
        openings[lobe].append(float(away[lobe]))
        if touched is not None:
            dwells[lobe].append(float(angle - touched))
    return dwells, openings


@pytest.mark.parametrize("seed", range(12))
def test_realized_truth_is_what_a_plain_reading_finds(seed: int) -> None:
    simulated = simulate(random_bench(seed, speed_rpm=900.0), seed)
    dwells, openings = _read(simulated)
    realized = simulated.truth["realized"]
    lobes = range(simulated.bench.cam.lobes)
    per_lobe = [np.mean(dwells[lobe]) for lobe in lobes]
    assert realized["dwell"]["per_lobe_deg"] == pytest.approx(per_lobe, abs=1e-6)
    assert realized["dwell"]["mean_deg"] == pytest.approx(np.mean(per_lobe), abs=1e-6)
    percent = 100 * np.mean(per_lobe) * len(lobes) / 360
    assert realized["dwell"]["percent"] == pytest.approx(percent)
    late = np.array([np.mean(openings[lobe]) for lobe in lobes])
    error = late - np.mean(late)
    assert realized["spacing"]["error_deg"] == pytest.approx(error.tolist(), abs=1e-6)
    intervals = [error[(lobe + 1) % len(lobes)] - error[lobe] for lobe in lobes]
    assert realized["spacing"]["interval_error_deg"] == pytest.approx(intervals, abs=1e-6)
    squares = sum(np.var(openings[lobe]) * len(openings[lobe]) for lobe in lobes)
    freedom = sum(len(openings[lobe]) - 1 for lobe in lobes)
    assert realized["scatter"]["deg"] == pytest.approx(np.sqrt(squares / freedom), rel=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_what_happens_tends_to_the_parameters(seed: int) -> None:
    bench = random_bench(seed, seconds=600.0, speed_rpm=600.0)
    truth = simulate(bench, seed).truth
    realized = truth["realized"]
    deviation = truth["scatter"]["deg"]
    allowed = 5.0 * deviation * np.sqrt(2.0 / 6000)
    assert realized["dwell"]["per_lobe_deg"] == pytest.approx(
        truth["dwell"]["per_lobe_deg"], abs=allowed
    )
    assert realized["spacing"]["error_deg"] == pytest.approx(
        truth["spacing"]["error_deg"], abs=allowed
    )
    assert realized["scatter"]["deg"] == pytest.approx(deviation, rel=5 / np.sqrt(2 * 6000))


def test_closings_scatter_by_their_share() -> None:
    shaft = Shaft(scatter_deg=0.2, closing_share=0.5)
    turning = simulate(Bench(shaft=shaft, drive=steady(1200.0, 100.0)), 1).turning
    opens = np.nanstd(turning.open_deg - turning.cam_open_deg)
    closes = np.nanstd(turning.close_deg - turning.cam_close_deg)
    assert opens == pytest.approx(0.2, rel=0.05)
    assert closes == pytest.approx(0.1, rel=0.05)


def test_bushing_play_scatters_by_the_slope_of_the_flank() -> None:
    shaft = Shaft(scatter_deg=0.1, play_mm=0.08)
    bench = Bench(shaft=shaft)
    slope = -bench.cam.dwell_change_deg_per_mm() / 2
    expected = np.hypot(0.1, 0.02 * slope)
    assert simulate(bench, 1).truth["scatter"]["deg"] == pytest.approx(expected)


def test_lobe_1_is_the_first_to_open_after_angle_0_at_the_lowest_speed() -> None:
    # the advance carries lobe 1 back past angle 0; at the lowest speed it opens at 12 deg
    cam = cam_for(4, 52.0, 0.6, first_opening_deg=12.0, nominal_deg=(0.0, 80.0, 180.0, 260.0))
    weights = Weights(((400.0, 0.0), (1400.0, 15.0)))
    for speeds in ((300.0, 1500.0), (1500.0, 300.0)):
        bench = Bench(cam=cam, weights=weights, drive=plateaus(speeds, 1.0, 1.0))
        truth = simulate(bench, 1).truth
        assert truth["nominal_deg"] == [0.0, 80.0, 180.0, 260.0]
        assert truth["first_opening_deg"] == pytest.approx(12.0)
        assert truth["spacing"]["error_deg"] == pytest.approx([0.0] * 4, abs=1e-9)
    # with the weights out all the time it opens at -3 deg: lobe 2 of the cam is the first
    bench = Bench(cam=cam, weights=weights, drive=steady(2000.0, 1.0))
    truth = simulate(bench, 1).truth
    assert truth["nominal_deg"] == pytest.approx([0.0, 100.0, 180.0, 280.0])
    assert truth["first_opening_deg"] == pytest.approx(77.0)
    assert truth["realized"]["spacing"]["error_deg"] == pytest.approx([0.0] * 4, abs=0.1)


def test_advance_opens_earlier_by_its_degrees() -> None:
    weights = Weights(((400.0, 0.0), (1400.0, 10.0)))
    shaft = Shaft(scatter_deg=0.0)
    bench = Bench(weights=weights, shaft=shaft, drive=steady(900.0, 1.0))
    turning = simulate(bench, 1).turning
    np.testing.assert_allclose(turning.open_deg, turning.cam_open_deg - 5.0, atol=1e-9)
    ramp = replace(bench, drive=Drive(((0.0, 300.0), (5.0, 1500.0))))
    turning = simulate(ramp, 1).turning
    speed = ramp.drive.speed_rpm(turning.open_s)
    np.testing.assert_allclose(
        turning.cam_open_deg - turning.open_deg, weights.advance_deg(speed), atol=1e-9
    )


def test_scatter_larger_than_the_dwell_leaves_no_edge_out_of_order() -> None:
    bench = Bench(cam=cam_for(12, 24.0, 0.4), shaft=Shaft(scatter_deg=4.0), encoder=None)
    simulated = simulate(bench, 1)
    contact = simulated.contact
    assert np.all(np.diff(contact.time_s) > 0.0)
    assert np.all(contact.closed[1:] != contact.closed[:-1])
    sum(1 for _ in simulated)


def test_at_rest_the_contact_keeps_its_state() -> None:
    drive = rolling_start(600.0, 0.5, 1.0, 1.0)
    simulated = simulate(Bench(drive=drive), 1)
    assert simulated.contact.time_s.min() > 0.5
    standing = simulate(Bench(drive=steady(0.0, 0.5)), 1)
    assert standing.contact.time_s.size == 0
    assert standing.truth["speed"] == {"min_rpm": None, "max_rpm": None, "revolutions": 0}
    assert sum(len(event) for event in standing if isinstance(event, Block)) == 125_000


def test_truth_is_json_and_says_what_it_is() -> None:
    truth = json.loads(json.dumps(simulate(RICH, 7).truth, allow_nan=False))
    assert truth["simulated"] is True
    assert truth["seed"] == 7
    assert truth["bench"]["cam"]["lobes"] == 4
    assert truth["speed"]["revolutions"] > 0
    assert truth["supply"] == {"volts": 12.0, "polarity": "negative ground"}


def test_speeds_are_those_of_whole_revolutions() -> None:
    truth = simulate(Bench(drive=steady(600.0, 4.0, start_deg=90.0)), 1).truth
    assert truth["speed"]["min_rpm"] == pytest.approx(600.0)
    assert truth["speed"]["max_rpm"] == pytest.approx(600.0)
    assert truth["speed"]["revolutions"] == 39


@pytest.mark.parametrize("wrong", [{"seed": -1}, {"seed": 1, "block_samples": 0}])
def test_an_impossible_run_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="seed"):
        simulate(Bench(), **wrong)


def test_converter_of_another_rate_makes_that_many_samples() -> None:
    bench = Bench(drive=steady(600.0, 1.7), converter=Converter(33_333.0))
    blocks = [event for event in simulate(bench, 1, 1000) if isinstance(event, Block)]
    assert sum(len(block) for block in blocks) == int(1.7 * 33_333.0)
