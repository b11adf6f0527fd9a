"""The geometry of cam and contact against closed forms and against brute force."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from breakerbench.bench import Bench, simulate
from breakerbench.bench.cam import Cam, cam_for, shift_deg_per_mm
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.shaft import Shaft


@pytest.mark.parametrize("lobes", range(1, 13))
def test_pitch_is_360_over_lobes(lobes: int) -> None:
    # handbook relation (shared checks): pitch 360/N
    cam = cam_for(lobes, 0.6 * 360.0 / lobes, 0.4)
    assert cam.pitch_deg == pytest.approx(360.0 / lobes)
    assert cam.dwell_deg() == pytest.approx(0.6 * 360.0 / lobes)
    assert np.sum(cam.pitches_deg) == pytest.approx(360.0)


@pytest.mark.parametrize(
    ("lobes", "gap_inch", "dwell_deg"),
    # NAVEDTRA 14273 ch. 2: 0.015 in and 30 deg on eight cylinders, 0.025 in on six and four with
    # more dwell; the dwell of those two from memory
    [(8, 0.015, 30.0), (6, 0.025, 38.0), (4, 0.025, 52.0)],
)
def test_handbook_gaps_and_dwells_come_out_of_one_geometry(
    lobes: int, gap_inch: float, dwell_deg: float
) -> None:
    gap_mm = 25.4 * gap_inch
    cam = cam_for(lobes, dwell_deg, gap_mm)
    assert cam.dwell_deg(gap_mm) == pytest.approx(dwell_deg)
    assert cam.gap_for_dwell_mm(dwell_deg) == pytest.approx(gap_mm)
    assert cam.lift_mm < 1.5  # a lift that such a cam can have


def test_dwell_falls_with_the_gap_as_the_closed_form_says() -> None:
    cam = cam_for(4, 52.0, 0.635)
    step = 1e-5
    slope = (cam.dwell_deg(0.635 + step) - cam.dwell_deg(0.635 - step)) / (2 * step)
    assert cam.dwell_change_deg_per_mm() == pytest.approx(slope, rel=1e-6)
    assert -60.0 < slope < -40.0
    half = cam.half_open_deg(0.635)
    assert shift_deg_per_mm(cam, np.array(half)) == pytest.approx(-slope / 2)


def test_the_contact_works_where_the_lift_says() -> None:
    cam = cam_for(6, 38.0, 0.5)

    def lift(phi: float) -> float:
        return cam.lift_mm / 2 * (1 + math.cos(math.pi * phi / cam.half_width_deg))

    found = brentq(lambda phi: lift(phi) - (cam.lift_mm - cam.gap_mm), 0.0, cam.half_width_deg)
    assert cam.half_open_deg(cam.gap_mm) == pytest.approx(found)


@pytest.mark.parametrize(
    "wrong",
    [
        {"lobes": 0},
        {"lobes": 13},
        {"lift_mm": 0.0},
        {"half_width_deg": 46.0},
        {"nominal_deg": (0.0, 80.0)},
        {"nominal_deg": (10.0, 90.0, 180.0, 270.0)},
        {"angle_error_deg": (0.1,)},
    ],
)
def test_an_impossible_cam_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"lobe|lift|nominal|angle"):
        replace(cam_for(4, 52.0, 0.635), **wrong)  # type: ignore[arg-type]


def _brute_force_edges(bench: Bench, angles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shaft angles of openings and closings, from the height of the block step by step."""
    cam, shaft = bench.cam, bench.shaft
    towards = np.radians(angles - shaft.eccentricity_deg)
    seen = angles - np.degrees(shaft.eccentricity_mm * np.sin(towards) / cam.radius_mm)
    height = np.zeros_like(angles)
    for lobe in range(cam.lobes):
        lift = cam.lift_mm + (cam.lift_error_mm[lobe] if cam.lift_error_mm else 0.0)
        error = cam.angle_error_deg[lobe] if cam.angle_error_deg else 0.0
        nominal = cam.nominal_deg[lobe] if cam.nominal_deg else lobe * 360.0 / cam.lobes
        phi = np.mod(seen - cam.first_centre_deg - nominal - error + 180.0, 360.0) - 180.0
        bump = lift / 2 * (1 + np.cos(np.pi * phi / cam.half_width_deg))
        height = np.maximum(height, np.where(np.abs(phi) < cam.half_width_deg, bump, 0.0))
    height = height + shaft.eccentricity_mm * np.cos(towards)
    is_open = height > cam.lift_mm - cam.gap_mm
    step = np.diff(is_open.astype(int))
    middle = (angles[1:] + angles[:-1]) / 2
    return middle[step == 1], middle[step == -1]


@pytest.mark.parametrize(
    "cam",
    [
        replace(
            cam_for(4, 52.0, 0.635),
            angle_error_deg=(0.5, -0.3, 0.0, 1.0),
            lift_error_mm=(0.02, -0.03, 0.0, 0.01),
        ),
        cam_for(1, 200.0, 0.4, first_opening_deg=100.0),
        cam_for(12, 17.0, 0.35),
        cam_for(3, 70.0, 0.5, nominal_deg=(0.0, 115.0, 240.0)),
        # a lobe too low to open the contact
        replace(cam_for(4, 52.0, 0.635), lift_error_mm=(0.0, 0.0, -0.7, 0.0)),
    ],
    ids=["errors", "one lobe", "twelve lobes", "uneven", "low lobe"],
)
def test_openings_and_closings_against_brute_force(cam: Cam) -> None:
    shaft = Shaft(scatter_deg=0.0, eccentricity_mm=0.03, eccentricity_deg=130.0)
    bench = Bench(cam=cam, shaft=shaft, drive=steady(600.0, 0.35, start_deg=5.0))
    simulated = simulate(bench, 1)
    angles = bench.drive.angle_deg(simulated.contact.time_s)
    opens, closes = _brute_force_edges(bench, np.arange(5.0, 5.0 + 0.35 * 3600.0, 0.001))
    closed = simulated.contact.closed
    np.testing.assert_allclose(angles[~closed], opens, atol=0.0006)
    np.testing.assert_allclose(angles[closed], closes, atol=0.0006)
    assert opens.size > 2


def test_firings_a_second_are_those_of_the_handbook() -> None:
    # handbook relation (shared checks): n N / 120 at a crankshaft speed n; four cylinders at
    # 2,000 rpm, 1,000 of the distributor, make 4,000 sparks a minute
    simulated = simulate(Bench(drive=steady(1000.0, 3.0)), 1)
    openings = np.count_nonzero(~simulated.contact.closed)
    assert 60.0 * openings / 3.0 == pytest.approx(4000.0, abs=20.0)


@pytest.mark.parametrize("points", [((0.0, 800.0), (3.0, 800.0)), ((0.0, 300.0), (3.0, 1100.0))])
def test_lean_with_speed_changes_dwell_by_the_slope(
    points: tuple[tuple[float, float], ...],
) -> None:
    shaft = Shaft(scatter_deg=0.0, lean_mm_per_1000rpm=0.02)
    truth = simulate(Bench(shaft=shaft, drive=Drive(points)), 1).truth
    cam = Bench().cam
    for row in truth["dwell"]["by_speed"]:
        expected = cam.dwell_deg(cam.gap_mm + 0.02 * row["rpm"] / 1000.0)
        assert row["deg"] == pytest.approx(expected, abs=0.02)
