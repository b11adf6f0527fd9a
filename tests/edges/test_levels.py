"""Levels found from the trace itself, on closed-form waveforms (``waves``)."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.levels import learn_levels, quiet_noise

from .waves import Floats, Wave

PER_VOLT = 50.0


def volts(
    rng: np.random.Generator,
    supply: float,
    coil: bool,
    bounces: int = 0,
    cycles: int = 20,
    w: float = 0.08,
    steep: float = 2500.0,
) -> Floats:
    """Counts without converter: closed at zero, open at ``supply`` volts or ringing about it."""
    wave = Wave(1.33).level(0.0, 0.0)
    rest = supply * PER_VOLT
    t = 400.0
    for _ in range(cycles):
        if coil:
            wave.ring(t, rest, 0.0, steep, w, 9.0)
        else:
            wave.level(t, rest)
        now = t + 1500.0 + rng.uniform()
        for _ in range(bounces):
            wave.level(now, 0.0)
            up = now + rng.uniform(5.0, 40.0)
            wave.level(up, rest)
            now = up + rng.uniform(10.0, 90.0)
        wave.level(now, 0.0)
        t += 3500.0
    return wave.at(np.arange(float(int(t))))


@pytest.mark.parametrize("supply", [6.0, 12.0])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("coil", [False, True])
def test_feed_polarity_and_noise_are_told(supply: float, sign: int, coil: bool) -> None:
    rng = np.random.default_rng(1)
    v = volts(rng, supply, coil)
    x = np.rint(sign * v + 15.0 + rng.normal(0, 4.0, len(v))).clip(-2048, 2047)
    levels = learn_levels(x, 0.0, PER_VOLT)
    assert levels is not None
    assert levels.coil is coil
    assert levels.sign == sign
    assert levels.closed == pytest.approx(15.0, abs=4.0)
    assert levels.noise == pytest.approx(4.0, rel=0.2)


@pytest.mark.parametrize("bounces", [1, 4])
@pytest.mark.parametrize("supply", [6.0, 12.0])
def test_bounce_of_a_dry_feed_makes_no_coil(bounces: int, supply: float) -> None:
    rng = np.random.default_rng(2)
    v = volts(rng, supply, coil=False, bounces=bounces)
    levels = learn_levels(np.rint(v + rng.normal(0, 4.0, len(v))), 0.0, PER_VOLT)
    assert levels is not None
    assert not levels.coil
    assert levels.swing == pytest.approx(supply * PER_VOLT, rel=0.05)


@pytest.mark.parametrize("offset", [-0.3, -0.1, 0.0, 0.1, 0.3])
@pytest.mark.parametrize("supply", [6.0, 12.0])
def test_a_converter_from_zero_volts_up(offset: float, supply: float) -> None:
    """The ring below zero and, with an offset, the closed level itself are cut off."""
    rng = np.random.default_rng(3)
    v = volts(rng, supply, coil=True) + offset * PER_VOLT
    x = np.rint(v + rng.normal(0, 4.0, len(v))).clip(0, 4095)
    levels = learn_levels(x, 0.0, PER_VOLT)
    assert levels is not None
    assert levels.coil
    assert levels.sign == 1
    assert levels.closed == pytest.approx(max(offset, 0.0) * PER_VOLT, abs=6.0)
    assert 2.0 < levels.noise < 8.0
    assert 0.5 * supply * PER_VOLT <= levels.swing <= 6.0 * PER_VOLT


def test_values_of_an_import_without_a_converter() -> None:
    """float32 volts, free of noise: nothing may hang on counts or on a quantum."""
    rng = np.random.default_rng(4)
    for coil in (False, True):
        v = (volts(rng, 12.0, coil) / PER_VOLT).astype(np.float32)
        levels = learn_levels(v.astype(np.float64), 0.0, 1.0)
        assert levels is not None
        assert levels.coil is coil
        assert levels.closed == pytest.approx(0.0, abs=0.05)
        assert 0.0 < levels.noise < 0.05


def test_nothing_is_made_of_a_contact_at_rest() -> None:
    rng = np.random.default_rng(5)
    for level in (0.0, 600.0):
        assert learn_levels(np.rint(level + rng.normal(0, 4.0, 50_000)), 0.0, PER_VOLT) is None


@pytest.mark.parametrize("w", [0.05, 0.15])
def test_noise_is_found_in_the_quiet_parts_of_a_ring(w: float) -> None:
    rng = np.random.default_rng(6)
    x = 1500.0 * np.sin(w * np.arange(60_000)) + 300.0
    noisy = np.rint(x + rng.normal(0, 4.0, len(x))).clip(0, 1700)
    assert quiet_noise(noisy) == pytest.approx(4.0, rel=0.35)
    assert quiet_noise(np.where(np.arange(4000) % 2, 0.0, 4095.0)) == np.inf


@pytest.mark.parametrize("tau", [0.53, 0.7, 1.33])
@pytest.mark.parametrize("open_tau", [1.2, 2.0, 4.0, 7.0, 12.0, 60.0])
def test_short_bounce_at_every_closing_is_neither_a_coil_nor_no_contact(
    tau: float, open_tau: float
) -> None:
    """Every first touch holds for 20 microseconds (30 kHz front end) and is lost for a moment."""
    rng = np.random.default_rng(3)
    blow, lost = 3.77 * tau, open_tau * tau
    wave, t = Wave(tau).level(0.0, 0.0), 400.0
    for _ in range(60):
        wave.level(t, 12.0 * PER_VOLT)
        touch = t + 1500.0 + rng.uniform()
        wave.level(touch, 0.0)
        wave.level(touch + blow, 12.0 * PER_VOLT)
        wave.level(touch + blow + lost, 0.0)
        t += 3500.0
    x = np.rint(wave.at(np.arange(t)) + rng.normal(0.0, 2.0, int(t)))
    levels = learn_levels(x, 0.0, PER_VOLT)
    assert levels is not None
    assert not levels.coil
    assert levels.closed == pytest.approx(0.0, abs=1.0)
    assert levels.swing == pytest.approx(600.0, rel=0.02)
