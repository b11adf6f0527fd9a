"""Live pictures made up for tests and benchmarks: moments of runs that never were."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.recent import Seen
from breakerbench.judge.specification import Specification, parse_specification
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import AdvancePoint, LivePictures

Floats = NDArray[np.float64]

NOTHING = LivePictures(None, None, None, None, np.empty((0, 0)), np.empty((0, 0)), ())


def seen(time_s: Floats, mean: Floats, spread: float, seed: int, n: int = 100) -> Seen:
    rng = np.random.default_rng(seed)
    return Seen(
        time_s, mean, mean - 3.0 * spread, mean + 3.0 * spread,
        mean + rng.normal(0.0, spread, len(mean)), n,
    )  # fmt: skip


def moment(lobes: int = 4, seed: int = 1, turns: int = 100, coil: bool = False) -> LivePictures:
    """A dry feed of 12 V that bounces after the touch, or a coil that sparks; a band run up and down."""
    rng = np.random.default_rng(seed)
    t = np.arange(-100, 501) * 4e-6
    opening = np.where(t < 0.0, 0.1, 12.0 * (1.0 - np.exp(-np.maximum(t, 0.0) / 5e-6)))
    touch = np.where(t < 0.0, 12.0, np.where((t > 4e-5) & (t < 1.2e-4), 4.0, 0.1))
    current = burn = None
    if coil:
        closed = np.arange(0, 400) * 2e-5
        current = seen(closed, 4.0 * (1.0 - np.exp(-closed / 2e-3)), 0.03, seed)
        after = np.arange(-50, 1000) * 4e-6
        swing = 12.0 + 300.0 * np.sin(after / 3e-5) * np.exp(-np.maximum(after, 0.0) / 4e-5)
        burning = np.where(after < 1.5e-3, 34.0, 12.0)
        burn = seen(
            after, np.where(after < 0, 0.1, np.where(after < 1.5e-4, swing, burning)), 1.0, seed
        )
        opening = np.where(t < 0.0, 0.1, 12.0 + 250.0 * np.sin(t / 1e-4) * np.exp(-t / 4e-4))
    dwell = 216.0 / lobes + rng.normal(0.0, 0.15, (turns, lobes)) + rng.normal(0.0, 0.4, lobes)
    late = rng.normal(0.0, 0.12, (turns, lobes)) + rng.normal(0.0, 0.3, lobes)
    return LivePictures(
        seen(t, opening, 0.05, seed), seen(t, touch, 0.05, seed + 1), current, burn, late, dwell,
        tuple(run_up_and_down()),
    )  # fmt: skip


def run_up_and_down() -> list[AdvancePoint]:
    speeds = np.arange(250.0, 1650.0, 50.0)
    curve = np.interp(speeds, [250, 450, 1350, 1700], [0.0, 0.2, 8.6, 11.0])
    up = [AdvancePoint(*row, True) for row in zip(speeds.tolist(), curve.tolist(), strict=True)]
    back = [
        AdvancePoint(*row, False)
        for row in zip(speeds[::-1].tolist(), (curve[::-1] + 0.35).tolist(), strict=True)
    ]
    return up + back[:12]


def now(**other: Any) -> Live:
    figures: dict[str, Any] = {
        "rpm": 1050.0, "dwell_deg": 53.9, "advance_deg": 6.4, "advance_from_rpm": 250.0,
        "opening": True, "stale_s": 0.01,
    }  # fmt: skip
    return Live(**(figures | other))


LIMITS = """
[spacing]
max_error_deg = 1.0
[scatter]
max_deg = 0.5
[advance]
points = [[250.0, 0.0, 0.4], [450.0, 0.0, 0.8], [700.0, 1.6, 3.6], [1000.0, 4.5, 6.5],
    [1700.0, 10.0, 12.0]]
falling = [[400.0, 0.0, 1.5], [1700.0, 10.0, 12.5]]
[coil]
current_a = [3.0, 4.5]
"""


def specification(lobes: int = 4, body: str = LIMITS) -> Specification:
    pitch = 360.0 / lobes
    dwell = (
        f"[dwell]\nmin_deg = {0.55 * pitch}\nmax_deg = {0.65 * pitch}\naim_deg = {0.58 * pitch}\n"
    )
    head = f'schema = 1\n[distributor]\nname = "made up"\nlobes = {lobes}\nsource = "for a test"'
    text = f"{head}\n{dwell}{body}"
    return parse_specification(text.encode(), "test.toml")
