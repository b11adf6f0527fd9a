"""Makes the sample traces with what is known of them: python -m samples.make (from tests/).

Every one is simulated: by our own bench, by the independent generator of the tests, or by ngspice.
The figures beside it are those of what happened in the trace.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from breakerbench.bench import scenario
from breakerbench.bench.cam import cam_for
from breakerbench.bench.charging import Charging, SimulatedCharging, with_fault
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.faults import apply, set_condition
from breakerbench.bench.hand import by_hand
from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import simulate
from breakerbench.bench.vacuum import VacuumUnit
from breakerbench.sources.recording import write_recording
from breakerbench.trace import Source
from samples import circuits

SAMPLES = Path(__file__).resolve().parents[2] / "sample_traces"
COMMAND = Path(sys.executable).with_name("breakerbench")
OURS = "Breakerbench's own simulated bench"

#: (s, rpm): at rest of the weights, up through the range, down again.
SWEEP = ((0.0, 250.0), (3.0, 250.0), (14.0, 1900.0), (15.0, 1900.0), (26.0, 250.0), (29.0, 250.0))


@dataclass(frozen=True)
class Sample:
    """One sample.

    name, kind  of its file; what it shows, in words
    made        gives the trace and what is known of it, in the keys of the result
    spec        specification it is held against
    decisions   what the decisions must be; says: what must be said
    """

    name: str
    kind: str
    what: str
    made: Callable[[], tuple[Source, dict[str, Any]]]
    provenance: str
    spec: str = "four-lobes.toml"
    decisions: Mapping[str, str] | None = None
    says: tuple[str, ...] = ()


def bench(drive: Drive, rate_hz: float, **changed: Any) -> Bench:
    """A distributor as good as an old one gets, points channel alone."""
    healthy = scenario.healthy()
    converter = replace(healthy.converter, sample_rate_hz=rate_hz)
    drive = replace(drive, ripples=healthy.drive.ripples)
    return replace(healthy, drive=drive, converter=converter, current_range_a=None, **changed)


def own(made: Bench, seed: int, *keys: str) -> tuple[Source, dict[str, Any]]:
    """A trace of our bench, and what is known of it under ``keys`` (table or table.key)."""
    source = simulate(made, seed)
    truth: dict[str, Any] = {}
    for place in keys:
        table, _, key = place.partition(".")
        # What happened, where that is known, else the distributor's own figures.
        known = {**source.truth[table], **(source.truth["realized"].get(table) or {})}
        found = {key: known[key]} if key else known
        truth.setdefault(table, {}).update(found)
    return source, truth


TIMING = ("dwell.mean_deg", "dwell.per_lobe_deg", "spacing.error_deg", "scatter.deg", "missed.openings",
          "missed.closings", "supply.polarity")  # fmt: skip
ADVANCE = ("advance.start_rpm", "advance.max_deg", "advance.hysteresis_deg", "advance.rising",
           "advance.falling")  # fmt: skip


def _healthy() -> tuple[Source, dict[str, Any]]:
    return own(bench(Drive(SWEEP), 40e3), 301, *TIMING, *ADVANCE)


def _hand() -> tuple[Source, dict[str, Any]]:
    made = bench(by_hand(302, 20.0), 5e3, chatter_s=0.004)
    for seed in range(302, 402):
        made = replace(made, drive=by_hand(seed, 20.0))
        changes_s = np.diff(simulate(made, seed).contact.time_s)
        # A jerk back over an edge is an opening to one who counts and none to another: without.
        if not np.any((changes_s > 0.004) & (changes_s < 0.15)):
            return own(made, seed, "hand.openings", "hand.state")
    raise ValueError("no such run among these seeds")


def _bushing() -> tuple[Source, dict[str, Any]]:
    made = apply(bench(steady(800.0, 4.0), 100e3), "bushing-worn", "needs repair")
    return own(made, 303, *TIMING)


def _bounce() -> tuple[Source, dict[str, Any]]:
    made = bench(Drive(((0.0, 800.0), (2.0, 800.0), (10.0, 2200.0), (11.0, 2200.0))), 100e3)
    made = apply(made, "points-spring-weak", "needs repair")
    return own(made, 304, "bounce.onset_rpm", "missed.openings", "missed.closings")


def _sticking() -> tuple[Source, dict[str, Any]]:
    made = apply(bench(Drive(SWEEP), 40e3), "weights-sticking", "needs repair")
    return own(made, 305, "advance.max_deg", "advance.hysteresis_deg", "dwell.mean_deg")


def _uneven() -> tuple[Source, dict[str, Any]]:
    made = bench(steady(700.0, 4.0), 100e3, cam=cam_for(6, 37.3, 0.4))
    return own(apply(made, "cam-uneven", "needs repair"), 306, *TIMING)


def _gap() -> tuple[Source, dict[str, Any]]:
    made = apply(bench(steady(600.0, 2.0), 25e3), "points-gap-narrow", "needs repair")
    return own(made, 307, "dwell.mean_deg", "supply.polarity")


def _no_index() -> tuple[Source, dict[str, Any]]:
    made = set_condition(bench(steady(900.0, 4.0), 100e3), "no-index-no-encoder")
    return own(made, 308, "dwell.percent", "supply.polarity")


def _vacuum() -> tuple[Source, dict[str, Any]]:
    steps = ((0.0, 0.0), (4.0, 15.0), (8.0, 25.0), (12.0, 40.0))
    made = bench(steady(700.0, 16.0), 40e3, vacuum=VacuumUnit(), vacuum_steps=steps)
    return own(made, 309, "vacuum.points", "dwell.mean_deg")


COIL = ("coil.resistance_ohm", "coil.inductance_h", "coil.current_a", "spark.misses", "spark.duration_s",
        "supply.polarity", "contact.drop_v")  # fmt: skip


def on_coil(
    fault: str, seed: int, channels: tuple[str, ...], *keys: str, level: str = "needs repair"
) -> tuple[Source, dict[str, Any]]:
    """Half a second or more on the coil, with a fault."""
    made = scenario.on_coil(scenario.after())
    seconds = 2.0 / len(channels)
    made = replace(made, drive=Drive(((0.0, 600.0), (seconds, 600.0))), channels=channels)
    made = replace(made, converter=replace(made.converter, sample_rate_hz=100e3))
    return own(apply(made, fault, level), seed, *keys)


def _burnt() -> tuple[Source, dict[str, Any]]:
    return on_coil("points-burnt", 310, scenario.COIL_CHANNELS, *COIL)


def _ballast() -> tuple[Source, dict[str, Any]]:
    return on_coil("ballast-extra", 311, scenario.COIL_CHANNELS[:3], *COIL[:-1])


def _tower() -> tuple[Source, dict[str, Any]]:
    keys = [key for key in COIL[:-1] if key != "spark.misses"]
    return on_coil("tower-dead", 312, scenario.COIL_CHANNELS[:3], *keys, level="dead")


def _leaky() -> tuple[Source, dict[str, Any]]:
    test = with_fault(Charging(hold_s=0.5), "condenser-leaky", "needs repair")
    test = replace(test, converter=replace(test.converter, sample_rate_hz=20e3))
    condenser = {"capacitance_f": test.capacitance_f, "leakage_ohm": test.leakage_ohm}
    return SimulatedCharging(test, 313), {"condenser": condenser}


SAMPLES_MADE = (
    Sample(
        "healthy-12v", "bbr", "A healthy 12 V distributor, swept from 250 to 1,900 rpm and back.",
        _healthy, OURS,
        decisions={"dwell.mean_deg": "pass", "scatter.deg": "pass", "advance.hysteresis_deg": "pass"},
    ),
    Sample(
        "healthy-6v-positive-ground", "csv",
        "A healthy 6 V distributor of six lobes, positive ground, steady.",
        circuits.six_volt_positive_ground, "the independent generator of the tests",
        spec="six-lobes.toml", decisions={"dwell.mean_deg": "pass"},
    ),
    Sample(
        "hand-turned", "bbr",
        "Turned by hand: jerks, rests, going back; the contact chatters as it opens.", _hand, OURS,
    ),
    Sample(
        "worn-bushing", "wav", "Worn bushings: the openings scatter.", _bushing, OURS,
        decisions={"scatter.deg": "fail", "dwell.mean_deg": "pass"},
    ),
    Sample(
        "bounce", "bbr", "A weak spring of the breaker arm: the contact bounces from some speed on.",
        _bounce, OURS, decisions={"bounce.onset_rpm": "fail"},
    ),
    Sample(
        "sticking-weights", "bbr", "Weights that stick: late up, late down.", _sticking, OURS,
        decisions={"advance.hysteresis_deg": "fail", "dwell.mean_deg": "pass"},
    ),
    Sample(
        "uneven-lobes", "bbr", "Six lobes, unevenly ground.", _uneven, OURS, spec="six-lobes.toml",
        decisions={"spacing.error_deg": "fail", "dwell.mean_deg": "pass"},
    ),
    Sample(
        "gap-too-narrow", "vcd", "A contact gap far too narrow: too much dwell.", _gap, OURS,
        decisions={"dwell.mean_deg": "fail"},
    ),
    Sample(
        "no-index", "wav", "Neither index nor encoder: percent and relative spacing only.", _no_index,
        OURS, decisions={"dwell.percent": "pass"},
    ),
    Sample(
        "condenser-across-feed", "bbr", "The condenser left across a dry feed: slow rises.",
        circuits.condenser_across_feed, "a circuit solved by ngspice (tests/independent/netlists)",
        decisions={"dwell.mean_deg": "pass"}, says=("A condenser lies across the points",),
    ),
    Sample(
        "ringing-coil", "bbr", "With the coil: after each opening the voltage rings through zero.",
        circuits.ringing_coil, "a circuit solved by ngspice (tests/independent/netlists)",
        decisions={"dwell.mean_deg": "pass"},
    ),
    Sample(
        "vacuum-steps", "bbr", "Vacuum of 0, 15, 25 and 40 kPa on the unit, four seconds each.",
        _vacuum, OURS,
    ),
    Sample(
        "burnt-points-on-coil", "bbr", "On the coil: burnt points, too much contact drop.", _burnt, OURS,
        spec="circuit.toml",
        decisions={"contact.drop_v": "fail", "spark.duration_s": "pass"},
    ),
    Sample(
        "hidden-resistor-on-coil", "bbr", "On the coil: a resistor hidden in the loom.", _ballast, OURS,
        spec="circuit.toml",
        decisions={"coil.ballast_ohm": "fail"},
    ),
    Sample(
        "dead-tower-on-coil", "bbr", "On the coil: one tower never sparks.", _tower, OURS,
        spec="circuit.toml",
        decisions={"coil.resistance_20c_ohm": "pass"},
    ),
    Sample(
        "leaky-condenser", "bbr", "A condenser by itself, charged through a resistor: it leaks.", _leaky,
        OURS, spec="circuit.toml",
        decisions={"condenser.capacitance_f": "pass", "condenser.leakage_ohm": "fail"},
    ),
)  # fmt: skip


def written(sample: Sample, folder: Path) -> dict[str, Any]:
    """Write the trace of a sample to ``folder``; what is to be known of it."""
    source, truth = sample.made()
    recording = folder / f"{sample.name}.bbr"
    write_recording(recording, source)
    options: list[str] = []
    name = f"{sample.name}.{sample.kind}"
    if sample.kind != "bbr":
        command = [COMMAND, "export", recording.name, "--out", name]
        told = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, check=True
        ).stdout
        options = read_back(told, name)
        recording.unlink()
    options += ["--spec", sample.spec]
    return {
        "file": name,
        "what": sample.what,
        "provenance": f"Simulated, by {sample.provenance}. No real distributor was measured.",
        "options": options,
        "truth": truth,
        "decisions": dict(sample.decisions or {}),
        "says": list(sample.says),
    }


def read_back(told: str, name: str) -> list[str]:
    """The options of the command that the export printed for reading it back."""
    words = " ".join(told.replace("\\\n", " ").split()).split(" ")
    place = words.index("analyze")
    assert words[place + 1] == name, words
    return words[place + 2 :]


def main() -> None:
    """All of them, or those that are named; the guide of the folder tells of all."""
    named = sys.argv[1:]
    guide = ["# Sample traces", "", INTRODUCTION]
    for sample in SAMPLES_MADE:
        path = SAMPLES / f"{sample.name}.truth.json"
        if not named or sample.name in named:
            with TemporaryDirectory() as text:
                folder = Path(text)
                described = written(sample, folder)
                content = (folder / described["file"]).read_bytes()
            (SAMPLES / described["file"]).write_bytes(content)
            path.write_text(json.dumps(described, indent=1) + "\n", encoding="utf-8")
            print(described["file"], len(content))
        described = json.loads(path.read_text(encoding="utf-8"))
        line = " ".join(("breakerbench analyze", described["file"], *described["options"]))
        guide += ["", f"**{described['file']}**: {sample.what} {described['provenance']}", ""]
        guide += [f"    {line}"]
    (SAMPLES / "README.md").write_text("\n".join(guide) + "\n", encoding="utf-8")


INTRODUCTION = """Small traces to try the program on, and for its tests. All of them are simulated: none
is of a real distributor, and the distributors are invented. Beside each stands what is known of it
(`NAME.truth.json`: the figures of what happened in it, and the decisions that must come out). Run the
commands in this folder. `python -m samples.make` (in tests/) makes them anew."""


if __name__ == "__main__":
    main()
