"""The generator itself: against step-by-step integration, and against its own drawn times."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from . import spice, waveform
from .conditions import draw
from .generator import case, make
from .motion import Contact, Motion, contact


def _contact(times: list[float], closed: list[bool]) -> Contact:
    empty = np.zeros(0)
    return Contact(
        np.array(times),
        np.array(closed),
        np.zeros(len(times), bool),
        True,
        empty,
        np.zeros(0, np.int64),
        empty,
        empty,
        empty,
        0,
    )


@pytest.mark.parametrize("feed", ["dry", "coil"])
def test_waveform_against_stepwise_integration(feed: str) -> None:
    """Closed form against a leap of 20 ns steps through the circuit's own equations."""
    c = draw(1, feed=feed, rate_hz=250e3, spark=False, drift_v=0.0, condenser_tau_s=40e-6)
    events = _contact([1e-3, 4e-3, 6e-3], [False, True, False])
    t = np.arange(2000) / c.rate_hz
    ours = waveform.points_volts(c, events, t)

    h = 20e-9
    tau_front = 1 / (2 * np.pi * c.front_hz)
    omega = 2 * np.pi * c.ring_hz
    capacity = 1 / (omega**2 * c.coil_h)
    # The ring's decay is a loss beside the condenser and the winding: v'' + 2 a v' + w0^2 (v - V).
    decay = omega / (2 * c.ring_q)
    full = c.supply_v / c.coil_ohm
    rest = c.drop_v * 0.3 + c.contact_ohm * full
    amps, slope = full, 0.0
    volts = c.drop_v if feed == "dry" else rest
    out, got, closed = volts, [], True
    change = {round(a / h): b for a, b in zip(events.time_s, events.closed, strict=True)}
    every = round(1 / c.rate_hz / h)
    for k in range(2000 * every):
        if k in change:
            closed = bool(change[k])
            if closed:
                amps = 0.0
            else:
                slope = amps / capacity
        if k % every == 0:
            got.append(out)
        if feed == "dry":
            volts = c.drop_v if closed else volts + h * (c.supply_v - volts) / c.condenser_tau_s
        elif closed:
            amps += h * (c.supply_v - c.coil_ohm * amps) / c.coil_h
            volts = c.drop_v * 0.3 + c.contact_ohm * amps
        else:
            slope -= h * (2 * decay * slope + (omega**2 + decay**2) * (volts - c.supply_v))
            volts += h * slope
        out += h * (volts - out) / tau_front
    assert np.abs(ours - np.array(got)).max() < 2e-3 * max(30.0, np.abs(ours).max())


def test_times_are_where_the_angle_says() -> None:
    c = draw(
        5,
        profile=((0, 0), (0.1, 0), (0.5, 1500), (0.502, 900), (0.9, 300)),
        ripple_locked=(0.02, 3, 0.4),
        ripple_free=(0.01, 17.0, 1.0),
        scatter_deg=0.0,
        closing_scatter_deg=0.0,
    )
    motion = Motion(c)
    got = contact(c, motion, np.random.default_rng(0))
    moving = got.time_s > 0.11
    # Step by step: the differential equation of the shaft in 1 us steps, midpoint rule.
    share, k, phase = c.ripple_locked
    h = 1e-6
    t = np.arange(round(0.9 / h)) * h
    base = motion.speed(t + h / 2)
    angle = np.empty(t.size + 1)
    angle[0] = c.start_deg
    for n, rate in enumerate(base.tolist()):
        a = angle[n]
        mid = a + h / 2 * rate / (1 + share * np.sin(k * np.deg2rad(a) + phase))
        angle[n + 1] = a + h * rate / (1 + share * np.sin(k * np.deg2rad(mid) + phase))
    at = np.interp(got.time_s, np.append(t, 0.9), angle)
    cam = np.concatenate([c.opening_deg, np.array(c.opening_deg) - c.dwell_deg])
    off = np.mod(at[:, None] - cam[None, :] + 180, 360) - 180
    assert np.abs(off).min(axis=1)[moving].max() < 2e-4


def test_sharp_sampling_shows_every_change_at_its_sample() -> None:
    c = draw(
        9, feed="dry", front_hz=None, noise_counts=0.0, condenser_tau_s=0.0, pickup_v=0.0, rpm=900
    )
    made = make(replace(c, polarity=1))
    high = made.counts * waveform.scale_v(c) > c.supply_v / 2
    seen = np.flatnonzero(high[1:] != high[:-1]) + 1
    expected = np.ceil(made.truth["contact"].time_s * c.rate_hz)
    np.testing.assert_array_equal(seen, expected)


def test_csv_and_source_are_the_same_trace(tmp_path: Path) -> None:
    path, _, truth = case(4, csv=tmp_path / "a.csv", seconds=0.5, rpm=1200)
    source, _, again = case(4, seconds=0.5, rpm=1200, sampled=True, blocks=(1000, 7, 4096))
    assert truth["dwell_per_lobe_deg"] == again["dwell_per_lobe_deg"]
    rows = np.loadtxt(path, delimiter=",", skiprows=2)  # type: ignore[arg-type]
    blocks = [event for event in source if hasattr(event, "samples")]
    scale = waveform.scale_v(truth["conditions"])
    together = np.concatenate([b.samples[0] for b in blocks]) * scale
    np.testing.assert_allclose(rows[:, 1], together, atol=1e-5)
    for k in range(2, rows.shape[1]):
        line = np.concatenate([b.samples[k - 1] for b in blocks])
        np.testing.assert_array_equal(rows[:, k], line)


@pytest.mark.parametrize("seed", range(6))
def test_a_naive_reading_of_an_easy_trace_finds_the_truth(seed: int) -> None:
    """Half-height crossings against angle from the index: truth and trace belong together."""
    c = draw(
        seed,
        feed="dry",
        condenser_tau_s=0.0,
        pickup_v=0.0,
        drift_v=0.0,
        offset_v=0.0,
        polarity=1,
        noise_counts=1.0,
        reference="index",
        rpm=900.0,
        rate_hz=250e3,
    )
    made = make(c)
    truth = made.truth
    volts = made.counts * waveform.scale_v(c)
    level = (c.supply_v + c.drop_v) / 2
    at = np.flatnonzero((volts[1:] > level) != (volts[:-1] > level))
    t = (at + (level - volts[at]) / (volts[at + 1] - volts[at])) / c.rate_hz
    opens = volts[at + 1] > level
    stamps, rising = made.edges["index"]
    turns = stamps[rising]
    angle = np.interp(t, turns, 360.0 * np.arange(turns.size), left=np.nan, right=np.nan)
    opening, closing = angle[opens], angle[~opens]
    before = np.searchsorted(closing, opening) - 1
    dwell = np.where(before >= 0, opening - closing[before], np.nan)
    good = np.isfinite(opening) & np.isfinite(dwell)
    opening, dwell = opening[good], dwell[good]
    lobe = np.rint((opening - opening[0]) / (360 / c.lobes)).astype(int)
    lobe = (lobe + np.argmin(np.abs(lobe % c.lobes))) % c.lobes
    order = np.argsort([np.mod(opening[lobe == k], 360).min() for k in range(c.lobes)])
    real = truth["realized_all"]
    for k, own in enumerate(order):
        assert np.mean(dwell[lobe == own]) == pytest.approx(real["dwell_per_lobe_deg"][k], abs=0.02)
        # One opening more or less than the truth's: its scatter over their number.
        assert np.mod(opening[lobe == own], 360).mean() - truth[
            "first_opening_deg"
        ] == pytest.approx(
            c.nominal_deg[k] + truth["spacing_deg"][k] - truth["spacing_deg"][0],
            abs=0.06 + 4 * c.scatter_deg / np.sqrt(real["least_per_lobe"]),
        )


def test_closed_form_against_ngspice() -> None:
    """A condenser on a dry feed: another solver, the same voltages."""
    spice.ngspice()
    c, values = spice.spice_conditions(
        3,
        feed="dry",
        condenser_tau_s=60e-6,
        noise_counts=0.0,
        unipolar=False,
        bits=16,
        polarity=1,
        offset_v=0.0,
        bounce=0.0,
        rpm=900.0,
    )
    c = replace(c, drop_v=c.supply_v * c.contact_ohm / values["feed_ohm"])
    solved = spice.spice_made(c, values).counts * waveform.scale_v(c)
    motion = Motion(c)
    ours = waveform.points_volts(
        c,
        contact(c, motion, np.random.default_rng([c.seed, 0x5B1CE])),
        np.arange(c.samples) / c.rate_hz,
    )
    off = np.abs(solved - ours)
    assert np.quantile(off, 0.99) < 0.005 * c.supply_v
    assert off.max() < 0.02 * c.supply_v
