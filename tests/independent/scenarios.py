"""Named kinds of trace: each gives the words for ``case`` from a seed.

``even``: the errors are held against the figures to reach (encoder or even drive, to 2,500 rpm); where
it is "encoder" they are so with an encoder only; the stated uncertainty must cover in any case.
``numbered``: something says which lobe is lobe 1. ``covered``: the distributor's own figures are
what the run shows (not so where it keeps changing speed under a working advance).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

Words = dict[str, Any]
Generator = np.random.Generator


@dataclass(frozen=True)
class Scenario:
    name: str
    words: Callable[[Generator], Words]
    even: bool | str = True
    numbered: bool = True
    covered: bool = True

    def given(self, seed: int) -> Words:
        return self.words(np.random.default_rng([seed, sum(map(ord, self.name))]))


def _pick(rng: Generator, *of: Any) -> Any:
    return of[int(rng.integers(len(of)))]


def _log(rng: Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _ripple(rng: Generator) -> Words:
    return {
        "ripple_locked": (float(rng.uniform(0, 0.02)), int(rng.integers(1, 5)), rng.uniform(0, 6)),
        "ripple_free": (float(rng.uniform(0, 0.01)), _log(rng, 2, 40), rng.uniform(0, 6)),
    }


def _dry(_: Generator) -> Words:
    return {"feed": "dry", "condenser_tau_s": 0.0}


def _coil(_: Generator) -> Words:
    return {"feed": "coil"}


def _dry_encoder(_: Generator) -> Words:
    return {"feed": "dry", "reference": "encoder"}


def _coil_encoder(rng: Generator) -> Words:
    """A coil as on the bench: the whole of the ring is over, or nearly so, at the next closing."""
    return {
        "feed": "coil",
        "reference": "encoder",
        "ring_q": float(rng.uniform(3, 8)),
        "ring_hz": _log(rng, 3000, 8000),
        "rail_v": 50.0,
        "unipolar": False,
        "rpm": _log(rng, 200, 1500),
    }


def _condenser(rng: Generator) -> Words:
    tau = _log(rng, 2e-6, 2e-3)
    # Long time constants want a slow shaft, or the line hardly rises in the open angle.
    top = min(2500.0, 60 / (tau * 60))
    return {"feed": "dry", "condenser_tau_s": tau, "rpm": _log(rng, 100, max(120.0, top))}


def _encoder_ripple(rng: Generator) -> Words:
    return {"reference": "encoder", **_ripple(rng)}


def _index_ripple(rng: Generator) -> Words:
    return {"reference": "index", **_ripple(rng)}


def _clipped(rng: Generator) -> Words:
    unipolar = bool(rng.random() < 0.6)
    return {
        "feed": "coil",
        "rail_v": _pick(rng, 16.0, 25.0, 50.0),
        "unipolar": unipolar,
        "polarity": 1,
        "offset_v": float(rng.uniform(-0.3, 0.1)),
        "rails_known": bool(rng.random() < 0.5),
    }


def _low_ring(rng: Generator) -> Words:
    """Slow, lightly damped rings that swing far through zero: half waves like short closings."""
    return {
        "feed": "coil",
        "ring_hz": _log(rng, 1500, 3000),
        "ring_q": float(rng.uniform(12, 40)),
        "spark": bool(rng.random() < 0.5),
        "rpm": _log(rng, 300, 2500),
    }


def _bounce(rng: Generator) -> Words:
    return {
        "bounce": float(rng.uniform(0.1, 1.0)),
        "bounce_most": int(rng.integers(1, 5)),
        "feed": _pick(rng, "dry", "coil"),
        "rpm": _log(rng, 300, 2500),
    }


def _noise(rng: Generator) -> Words:
    return {"noise_counts": float(_pick(rng, 0.0, 1.0, 10.0, 20.0)), "rail_v": 25.0}


def _clean(rng: Generator) -> Words:
    """What a simple generator writes: no noise, no drift, no pick-up, ideal or filtered edges."""
    return {
        "noise_counts": 0.0,
        "drift_v": 0.0,
        "pickup_v": 0.0,
        "offset_v": 0.0,
        "bits": int(_pick(rng, 12, 16)),
        "rail_v": float(_pick(rng, 25.0, 400.0)),
        "unipolar": False,
        "front_hz": _pick(rng, None, 30e3),
        "supply_v": float(_pick(rng, 6.0, 12.0)),
        "drop_v": float(_pick(rng, 0.0, 0.1)),
        "ring_q": float(rng.uniform(4, 9)),
        "rpm": _log(rng, 200, 1500),
    }


def _slow_sampling(rng: Generator) -> Words:
    return {"rate_hz": float(_pick(rng, 20e3, 25e3, 44.1e3, 48e3, 50e3, 96e3))}


def _sharp(rng: Generator) -> Words:
    return {"front_hz": None, "rate_hz": float(_pick(rng, 250e3, 100e3, 50e3))}


def _commensurate(rng: Generator) -> Words:
    """Whole numbers of samples a revolution, and of the encoder's pulses too."""
    return {
        "rate_hz": _pick(rng, 250e3, 100e3),
        "rpm": float(_pick(rng, 600, 1000, 1500, 2000, 2500)),
        "front_hz": _pick(rng, None, 30e3),
        "scatter_deg": float(_pick(rng, 0.0, 0.01, 0.05)),
    }


def _extremes(rng: Generator) -> Words:
    return {"lobes": _pick(rng, 1, 12), "rpm": _pick(rng, 100.0, 150.0, 2400.0, 2500.0)}


def _uneven(rng: Generator) -> Words:
    return {"uneven": True, "lobes": int(rng.integers(2, 9))}


def _columns(rng: Generator) -> Words:
    high = float(_pick(rng, 1.0, 3.3, 5.0))
    return {
        "sampled": True,
        "index_high": high,
        "index_noise": high * float(_pick(rng, 0.0, 0.02, 0.06)),
        "index_width_deg": float(_pick(rng, 2.0, 10.0, 40.0, 180.0)),
    }


def _one_sample_index(_: Generator) -> Words:
    return {"sampled": True, "index_width_deg": 0.0, "reference": "index"}


def _index_faults(rng: Generator) -> Words:
    return {
        "index_missing": float(_pick(rng, 0.0, 0.03, 0.1)),
        "index_doubled": float(_pick(rng, 0.0, 0.05, 0.3, 1.0)),
        "index_spurious": float(_pick(rng, 0.0, 0.02, 0.1)),
        "index_inverted": bool(rng.random() < 0.4),
        "sampled": bool(rng.random() < 0.5),
        "rpm": _log(rng, 400, 2500),
    }


def _bursts(rng: Generator) -> Words:
    return {"reference": "encoder", "encoder_bursts": int(rng.integers(1, 8)), **_ripple(rng)}


def _encoder_alone(rng: Generator) -> Words:
    return {"reference": "encoder alone", **_ripple(rng)}


def _nothing(_: Generator) -> Words:
    return {"reference": "none"}


def _rolling(rng: Generator) -> Words:
    top = float(rng.uniform(400, 2500))
    return {
        "profile": ((0, 0), (0.4, 0), (1.4, top), (3.4, top), (4.4, 0), (4.8, 0)),
        "reference": _pick(rng, "index", "encoder"),
    }


def _steps(rng: Generator) -> Words:
    speeds = rng.uniform(250, 2500, 4)
    change = float(_pick(rng, 1.1, 1.45))
    at: list[tuple[float, float]] = []
    for k, rpm in enumerate(speeds):
        at += [(1.5 * k, float(rpm)), (1.5 * k + change, float(rpm))]
    return {"profile": tuple(at), "reference": _pick(rng, "index", "encoder")}


def _ramps(rng: Generator) -> Words:
    low, high = float(rng.uniform(150, 500)), float(rng.uniform(900, 2500))
    return {
        "profile": ((0, low), (3, high), (6, low)),
        "reference": _pick(rng, "index", "encoder"),
    }


def _at_rest(rng: Generator) -> Words:
    """The points stand open or closed for seconds before the drive starts."""
    rest, top = float(rng.uniform(3, 13)), float(rng.uniform(400, 2500))
    return {
        "profile": ((0, 0), (rest, 0), (rest + 0.7, top), (rest + 4, top)),
        "rate_hz": 100e3,
        "reference": "encoder",
    }


def _hum(rng: Generator) -> Words:
    """Supply that sags or recovers by volts, mains pick-up of up to a volt, an offset."""
    supply = float(_pick(rng, 6.0, 12.0)) * float(rng.uniform(0.98, 1.15))
    return {
        "supply_v": supply,
        "drift_v": supply * float(rng.uniform(-0.2, 0.2)),
        "pickup_v": supply * float(rng.uniform(0.02, 0.08)),
        "offset_v": float(rng.uniform(-0.8, 0.8)),
        "feed": "dry",
        "unipolar": False,
        "condenser_tau_s": 0.0,
    }


def _holes(rng: Generator) -> Words:
    """Lost frames: samples and edges are gone, the clock goes on."""
    rate = 200e3
    first = np.sort(rng.integers(1000, int(4 * rate) - 30_000, int(rng.integers(1, 6))))
    first = first[np.append(True, np.diff(first) > 30_000)]
    return {
        "rate_hz": rate,
        "rpm": _log(rng, 500, 2500),
        "reference": _pick(rng, "index", "encoder"),
        "holes": tuple((int(f), int(f + rng.integers(50, 25_000))) for f in first),
    }


def _advance(rng: Generator) -> Words:
    """Openings come earlier with speed, and for some lobes past angle 0."""
    lobes = int(_pick(rng, 4, 6, 8))
    pitch = 360 / lobes
    most = float(rng.uniform(6, 16))
    first = float(rng.uniform(0.05, 0.5)) * most
    low = float(rng.uniform(250, 400))
    error = rng.normal(0, 0.4, lobes)
    error[0] = 0.0
    return {
        "lobes": lobes,
        "opening_deg": tuple((first + np.arange(lobes) * pitch + error).tolist()),
        "advance": ((low + 150, 0.0), (low + 900, most)),
        "profile": tuple((2.0 * k + d, low + 400 * k) for k in range(5) for d in (0.0, 1.95)),
        "reference": _pick(rng, "index", "encoder"),
    }


def _near_index(rng: Generator) -> Words:
    """Lobe 1 opens just after angle 0, inside its own scatter of it."""
    lobes = int(_pick(rng, 4, 6))
    error = rng.normal(0, 0.3, lobes)
    error[0] = 0.0
    first = float(rng.uniform(0.0, 0.1))
    return {
        "lobes": lobes,
        "scatter_deg": 0.08,
        "opening_deg": tuple((first + np.arange(lobes) * 360 / lobes + error).tolist()),
    }


def _fast(rng: Generator) -> Words:
    return {"rpm": _log(rng, 2500, 3000), "lobes": _pick(rng, 4, 6, 8)}


def _wander(rng: Generator) -> Words:
    """Scatter that is common to the openings of one revolution (play of the shaft, say)."""
    return {"wander_deg": float(rng.uniform(0.05, 0.2)), "scatter_deg": 0.03}


def _disc_error(rng: Generator) -> Words:
    return {"reference": "encoder", "encoder_error_deg": float(rng.uniform(0.01, 0.05))}


ALL: tuple[Scenario, ...] = (
    Scenario("dry", _dry),
    Scenario("coil", _coil),
    Scenario("dry and encoder", _dry_encoder),
    Scenario("coil and encoder", _coil_encoder),
    Scenario("condenser", _condenser),
    Scenario("encoder and ripple", _encoder_ripple),
    Scenario("clipped coil", _clipped),
    Scenario("low ring", _low_ring),
    Scenario("bounce", _bounce),
    Scenario("noise", _noise),
    Scenario("clean", _clean, even=False),
    Scenario("slow sampling", _slow_sampling),
    Scenario("sharp sampling", _sharp, even=False),
    Scenario("commensurate", _commensurate, even=False),
    Scenario("extremes", _extremes),
    Scenario("uneven", _uneven),
    Scenario("columns", _columns),
    Scenario("index of one sample", _one_sample_index),
    Scenario("index faults", _index_faults),
    Scenario("encoder bursts", _bursts),
    Scenario("encoder alone", _encoder_alone, numbered=False),
    Scenario("no reference", _nothing, numbered=False),
    Scenario("index and ripple", _index_ripple, even=False),
    Scenario("rolling", _rolling, even="encoder"),
    Scenario("steps", _steps, even="encoder"),
    Scenario("ramps", _ramps, even="encoder"),
    Scenario("advance", _advance, even=False, covered=False),
    Scenario("at rest first", _at_rest),
    Scenario("hum", _hum),
    Scenario("holes", _holes),
    Scenario("near index", _near_index),
    Scenario("fast", _fast),
    Scenario("wander", _wander),
    Scenario("disc error", _disc_error, even=False),
)
BY_NAME = {s.name: s for s in ALL}
