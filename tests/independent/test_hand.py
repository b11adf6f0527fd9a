"""Turned by hand, end to end, on paths of the shaft drawn independently: all of it is simulated."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from breakerbench.measure.hand_zero import hand_zero
from breakerbench.pipeline import analyze
from breakerbench.sources.recording import write_recording

from .generator import TraceSource, case
from .turning import HandSource, Turning


def hand_of(c: Turning) -> tuple[dict[str, Any], dict[str, Any], HandSource]:
    source = HandSource(c)
    result = analyze(source)
    return result["hand"], result, source


@pytest.mark.parametrize("reference", ["none", "index", "encoder"])
def test_chatter_and_jerks_are_no_openings(reference: str) -> None:
    """Rests and jerks, no reversal: each lobe passed opens once, with or without a reference."""
    for seed in range(8):
        c = Turning(seed, reference=reference, reversals=0, jerks=3, chatter_s=0.003)
        hand, _, source = hand_of(c)
        assert hand["state"] == "opening and closing"
        # A jerk that goes back right over a closing opens the points once more.
        assert source.lobes_passed - 1 <= hand["openings"] <= source.lobes_passed + 2, seed


def test_angles_and_dwell_of_each_lobe_lie_inside_their_uncertainty() -> None:
    off, away, inside = [], [], []
    for seed in range(24):
        rng = np.random.default_rng([seed, 9])
        lobes = int(rng.choice([1, 4, 6, 8]))
        pitch = 360.0 / lobes
        angles = 0.4 * pitch + np.arange(lobes) * pitch + rng.normal(0.0, 0.3, lobes)
        dwell = 0.55 * pitch if lobes > 1 else 150.0
        c = Turning(
            seed, turns=14, lobes=lobes, opening_deg=tuple(angles.tolist()), dwell_deg=dwell,
            pulses=int(rng.choice([100, 360, 720])), inverted=bool(rng.random() < 0.3),
        )  # fmt: skip
        hand, result, _ = hand_of(c)
        assert len(hand["per_lobe_deg"]) == lobes, result["why"]
        off += (np.array(hand["per_lobe_deg"]) - angles).tolist()
        away += hand["u_per_lobe_deg"]
        for value, u in zip(hand["dwell_per_lobe_deg"], hand["u_dwell_per_lobe_deg"], strict=True):
            if value is not None:
                assert value == pytest.approx(dwell, abs=0.4)
                inside.append(abs(value - dwell) <= u)
        zero = float(np.mean(np.array(hand["per_lobe_deg"]) - angles))
        assert abs(zero) <= 1.5 * hand["u_zero_deg"]
    assert np.abs(off).max() < 0.4
    assert np.mean(np.abs(off) <= np.array(away)) > 0.93
    assert np.mean(inside) > 0.93


def test_a_reversal_leaves_its_revolution_out() -> None:
    hand, result, _ = hand_of(Turning(3, reversals=2, jerks=0))
    assert hand["left_out"] >= 2
    assert any("turned back" in note for note in result["notes"])
    assert hand["per_lobe_deg"] == pytest.approx([35.0, 125.3, 214.8, 305.0], abs=0.2)


@pytest.mark.parametrize(
    ("reference", "reason"),
    [
        ("index", "speed is not even"),
        ("none", "no index and no encoder"),
        ("encoder alone", "no index"),
    ],
)
def test_without_index_and_encoder_no_angles_are_made_up(reference: str, reason: str) -> None:
    hand, result, _ = hand_of(Turning(4, reference=reference))
    assert hand["per_lobe_deg"] == []
    assert reason in result["why"]["hand.per_lobe_deg"]
    assert hand["state"] == "opening and closing"


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_contact_that_never_moves(polarity: int) -> None:
    base = Turning(5, polarity=polarity, turns=3)
    hand, result, _ = hand_of(replace(base, contact="open"))
    assert (hand["state"], hand["openings"]) == ("always open", 0)
    assert result["supply"]["polarity"] == (
        "negative ground" if polarity > 0 else "positive ground"
    )
    closed = replace(base, contact="closed")
    hand, result, _ = hand_of(closed)
    assert hand["state"] is None
    assert "no voltage on the points: is the feed on?" in result["why"]["hand"]
    hand, result, _ = hand_of(replace(closed, supply_channel=True))
    assert (hand["state"], hand["openings"]) == ("always closed", 0)
    hand, result, _ = hand_of(replace(closed, told_supply_v=12.0))
    assert hand["state"] == "always closed"
    assert any("was told" in note for note in result["notes"])


def test_no_feed_is_neither_open_nor_closed() -> None:
    hand, result, _ = hand_of(Turning(6, feed=False, turns=3))
    assert hand["state"] is None
    assert hand["openings"] is None
    assert "is the feed on?" in result["why"]["hand"]


@pytest.mark.parametrize("blocks", [(4096, 1, 777, 30011), (16384,)])
def test_no_split_of_the_trace_changes_a_digit(blocks: tuple[int, ...]) -> None:
    whole, parts = (
        json.dumps(analyze(HandSource(Turning(7), size)), sort_keys=True)
        for size in ((1 << 30,), blocks)
    )
    assert whole == parts


# --- the zero of the advance ------------------------------------------------------------------

CURVE = ((200.0, 0.0), (800.0, 9.0), (1300.0, 12.0))
RUN: dict[str, Any] = {
    "lobes": 4,
    "advance": CURVE,
    "rate_hz": 100e3,
    "opening_deg": (35.0, 125.3, 214.8, 305.0),
    "dwell_deg": (52.0, 52.0, 52.0, 52.0),
    "profile": ((0.0, 400.0), (2.0, 400.0), (9.0, 1200.0), (10.0, 1200.0)),
}


@pytest.mark.parametrize(("reference", "allowed"), [("encoder", 0.15), ("index", 0.2)])
def test_a_run_that_begins_on_the_curve_takes_its_zero_by_hand(
    reference: str, allowed: float
) -> None:
    outside = total = 0
    for seed in range(6):
        source, _, _ = case(seed, **{**RUN, "reference": reference})
        assert isinstance(source, TraceSource)
        assert analyze(source)["advance"]["reference"] is None
        hand, _, _ = hand_of(Turning(seed, turns=12))
        a = analyze(source, hand=hand_zero(hand))["advance"]
        assert a["reference"] == "hand"
        assert a["max_deg"] == pytest.approx(11.4, abs=allowed)
        outside += abs(a["max_deg"] - 11.4) > a["u_max_deg"]
        assert a["start_rpm"] is None
        for point in a["rising"]:
            truth = float(np.interp(point["rpm"], *zip(*CURVE, strict=True)))
            outside += abs(point["deg"] - truth) > point["u_deg"]
            total += 1
    assert outside <= 0.15 * total


def test_one_speed_and_a_hand_turned_zero_make_one_point() -> None:
    source, _, _ = case(
        1, **{**RUN, "profile": ((0.0, 800.0), (5.0, 800.0)), "reference": "encoder"}
    )
    hand, _, _ = hand_of(Turning(1, turns=12))
    a = analyze(source, hand=hand_zero(hand))["advance"]
    (point,) = a["rising"]
    assert point["deg"] == pytest.approx(9.0, abs=0.15)
    assert a["reference"] == "hand"


def test_a_rest_plateau_goes_before_a_hand_turned_zero() -> None:
    curve = ((600.0, 0.0), (1200.0, 9.0))
    source, _, _ = case(2, **{**RUN, "advance": curve, "reference": "encoder"})
    hand, _, _ = hand_of(Turning(2, turns=12))
    a = analyze(source, hand=hand_zero(hand))["advance"]
    assert a["reference"] == "rest plateau"


def test_another_number_of_lobes_is_another_distributor() -> None:
    source, _, _ = case(3, **{**RUN, "reference": "encoder"})
    hand, _, _ = hand_of(
        Turning(3, turns=12, opening_deg=(10.0, 70.0, 130.0, 190.0, 250.0, 310.0), dwell_deg=30.0)
    )
    result = analyze(source, hand=hand_zero(hand))
    assert result["advance"]["reference"] is None
    assert any("another distributor" in text for text in result["warnings"])


# --- through the command ----------------------------------------------------------------------


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "breakerbench.cli.main", "analyze", *words],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


def write_csv(path: Path, source: HandSource) -> None:
    """Points, index and encoder as columns, 20 kS/s."""
    n, rate = len(source.samples), source.c.rate_hz
    columns = [np.arange(n) / rate, source.samples]
    for name in ("index", "encoder"):
        t, rising = source.edges[name]
        level = np.zeros(n)
        ends = np.append(t[1:], np.inf)
        for begin, end in zip(t[rising], ends[rising], strict=True):
            level[int(np.ceil(begin * rate)) : min(int(np.ceil(min(end, n) * rate)), n)] = 1.0
        columns.append(level)
    header = "# simulated: true\ntime_s,points_v,index,encoder"
    np.savetxt(path, np.stack(columns, axis=1), "%.6f", ",", header=header, comments="")


@pytest.fixture(scope="module")
def turned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("hand") / "hand.csv"
    write_csv(path, HandSource(Turning(11, pulses=180)))
    return path


def test_csv_by_hand_through_the_command(turned: Path) -> None:
    done = command(str(turned), "--kind", "hand", "--encoder-pulses", "180", "--json", "-")
    assert (done.returncode, done.stderr) == (0, "")
    result = json.loads(done.stdout)
    assert result["trace"]["kind"] == "hand"
    assert result["hand"]["state"] == "opening and closing"
    assert result["hand"]["per_lobe_deg"] == pytest.approx([35.0, 125.3, 214.8, 305.0], abs=0.3)
    shown = command(str(turned), "--kind", "hand", "--encoder-pulses", "180")
    assert "SIMULATED" in shown.stdout
    assert "The points open and close. Next:" in " ".join(shown.stdout.split())


def test_wav_and_recording_by_hand(tmp_path: Path) -> None:
    source = HandSource(Turning(12, turns=3, contact="open", reference="none"))
    wav, bbr = tmp_path / "hand.wav", tmp_path / "hand.bbr"
    soundfile.write(wav, source.samples / 20.0, 20_000, subtype="PCM_16")
    done = command(str(wav), "--kind", "hand", "--scale", "points_v=20", "--json", "-")
    assert json.loads(done.stdout)["hand"]["state"] == "always open"
    write_recording(bbr, source)
    done = command(str(bbr), "--json", "-")  # a recording knows that it was turned by hand
    assert json.loads(done.stdout)["hand"]["state"] == "always open"
    shown = " ".join(command(str(bbr)).stdout.split())
    assert "The points never close" in shown


def test_no_voltage_is_asked_about(tmp_path: Path) -> None:
    wav = tmp_path / "dead.wav"
    source = HandSource(Turning(13, turns=3, feed=False, reference="none"))
    soundfile.write(wav, source.samples / 20.0, 20_000, subtype="PCM_16")
    shown = command(str(wav), "--kind", "hand", "--scale", "points_v=20")
    assert shown.returncode == 0
    text = " ".join(shown.stdout.split())
    assert "no voltage on the points: is the feed on?" in text
    assert "switch the feed on" in text


def test_a_hand_file_that_gives_no_angles_is_bad_input(tmp_path: Path) -> None:
    wav = tmp_path / "hand.wav"
    source = HandSource(Turning(14, turns=3, reference="none"))
    soundfile.write(wav, source.samples / 20.0, 20_000, subtype="PCM_16")
    done = command(str(wav), "--hand", str(wav))
    assert done.returncode == 2
    assert "no opening angles" in done.stderr
    assert len(done.stderr.splitlines()) == 1
