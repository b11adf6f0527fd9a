"""Speed and memory as ratios, and the coverage of the stated uncertainties.

    python tests/benchmarks/run.py            start, recordings and WAV of 60 s and 600 s, CSV, exports
    python tests/benchmarks/run.py --quick    the same, shorter, in half a minute
    python tests/benchmarks/run.py --sweep    errors and coverage over 1,000 random distributors

Everything runs on one core. Each length is analysed in a process of its own, so that its peak of
memory is its own. Printed as they come; the goals stand beside the figures.
"""

# ruff: noqa: E402  # the number of threads must be set before numpy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ARROW_NUM_THREADS"):
    os.environ[_name] = "1"  # one core, whatever the machine has

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from benchmarks import coverage
from breakerbench.bench.drive import Drive
from breakerbench.bench.model import Bench
from breakerbench.bench.sensors import Encoder
from breakerbench.bench.simulated import simulate
from breakerbench.pipeline import analyze
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.recording import write_recording
from breakerbench.sources.write_csv import write_csv
from breakerbench.sources.write_vcd import write_vcd
from breakerbench.sources.write_wav import write_wav
from breakerbench.trace import Block, EdgeTimes, Event, Source

RATE_HZ = 250e3
#: Samples that a plain numpy pass compares at a time: the size of our blocks.
PASS_SAMPLES = 1 << 16
#: A run through the speed range, up and down, whatever its length.
SPEEDS_RPM = (300.0, 2500.0, 300.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--quick", action="store_true", help="short traces")
    parser.add_argument("--sweep", action="store_true", help="coverage over many seeds")
    parser.add_argument("--seeds", type=int, default=1000, help="seeds of the sweep")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        _child(*args.child)
        return
    _where()
    if args.sweep:
        coverage.print_tables(args.seeds)
        return
    start_of_help(10 if args.quick else 40)
    with tempfile.TemporaryDirectory() as folder:
        recordings(Path(folder), (10.0, 60.0) if args.quick else (60.0, 600.0))
        wav(Path(folder), (10.0, 60.0) if args.quick else (60.0, 600.0))
        csv(Path(folder), (2.0, 6.0) if args.quick else (10.0, 40.0))
        exports(Path(folder), 4.0 if args.quick else 20.0)


def _where() -> None:
    model = "unknown processor"
    if Path("/proc/cpuinfo").exists():
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
        model = names[0] if names else model
    print(f"{model}, Python {sys.version.split()[0]}, numpy {np.__version__}, one core")


# --- the start ----------------------------------------------------------------------------------


def start_of_help(times: int) -> None:
    """``breakerbench --help`` against the interpreter alone, taken turn and turn about."""
    command = Path(sys.executable).with_name("breakerbench")
    runs = {
        "the interpreter alone": [sys.executable, "-c", "pass"],
        "import argparse": [sys.executable, "-c", "import argparse"],
        "breakerbench --help": [str(command), "--help"],
        "breakerbench analyze --help": [str(command), "analyze", "--help"],
    }
    took: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(times):
        for name, words in runs.items():
            took[name].append(_seconds(lambda words=words: _run_quietly(words)))
    bare = float(np.median(took["the interpreter alone"]))
    print("\nStart, median ms and times the interpreter alone (goal for --help: 3)")
    for name, seconds in took.items():
        middle = float(np.median(seconds))
        print(f"  {name:30}{1e3 * middle:8.1f}{middle / bare:8.2f}")


def _run_quietly(words: list[str]) -> None:
    subprocess.run(words, stdout=subprocess.DEVNULL, check=True)


def _seconds(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


# --- recordings and CSV -------------------------------------------------------------------------


def _bench(seconds: float, encoder: bool = True) -> Bench:
    times = np.linspace(0.0, seconds, len(SPEEDS_RPM)).tolist()
    drive = Drive(tuple(zip(times, SPEEDS_RPM, strict=True)))
    return Bench(drive=drive, encoder=Encoder() if encoder else None)


def recordings(folder: Path, lengths: tuple[float, ...]) -> None:
    """Two channels at 250 kS/s with the index, then with an encoder too: made, written, analysed."""
    print("\nRecording, 2 channels at 250 kS/s and the index (goal: 1,000 times real time here)")
    print(
        f"  {'length s':>9}{'encoder':>9}{'MB':>8}{'simulate x':>12}{'read x':>9}{'analyze x':>11}"
        f"{'numpy pass x':>14}{'analyze/pass':>14}{'peak MB':>9}"
    )
    for length, encoder in product(lengths, (False, True)):
        path = folder / f"{length:g}.bbr"
        bench = _bench(length, encoder)
        made = _seconds(lambda p=path, b=bench: write_recording(p, simulate(b, 1)))
        report = _in_a_child("analyze", path)
        one_pass = _numpy_pass(path, length)
        print(
            f"  {length:9g}{'360' if encoder else '-':>9}{path.stat().st_size / 1e6:8.0f}"
            f"{length / made:12,.0f}"
            f"{length / report['read_s']:9,.0f}{length / report['analyze_s']:11,.0f}"
            f"{length / one_pass:14,.0f}{report['analyze_s'] / one_pass:14.1f}"
            f"{report['peak_mb']:9.0f}"
        )
        path.unlink()


def _numpy_pass(path: Path, length: float) -> float:
    """Seconds of one plain comparison over the same int16 samples, both channels, in memory."""
    source = open_trace(path)
    some: list[np.ndarray] = []
    samples = 0
    for event in source:
        if isinstance(event, Block) and samples < 20 * PASS_SAMPLES:
            some += event.samples
            samples += sum(len(channel) for channel in event.samples)
    source.close()
    data = np.concatenate(some)
    pieces = np.split(data[: len(data) // PASS_SAMPLES * PASS_SAMPLES], len(data) // PASS_SAMPLES)
    level = int(np.mean(data))

    def compare() -> None:
        for piece in pieces:
            np.count_nonzero(piece > level)

    compare()
    best = min(_seconds(compare) for _ in range(5))
    return best / (len(pieces) * PASS_SAMPLES) * 2 * length * RATE_HZ


class _PointsAlone:
    """The points and the index of a source, without the current: two channels of a WAV."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.header = replace(source.header, channels=source.header.channels[:1])

    def __iter__(self) -> Iterator[Event]:
        for event in self.source:
            yield Block(event.first, event.samples[:1]) if isinstance(event, Block) else event

    def progress(self) -> tuple[float, float]:
        return self.source.progress()

    def close(self) -> None:
        self.source.close()


def wav(folder: Path, lengths: tuple[float, ...]) -> None:
    """The points and the index as WAV of 16 bits: the analysis, and reading alone."""
    print("\nWAV, points and index at 250 kS/s, 16 bits (goal: 1,000 times real time here)")
    print(f"  {'length s':>9}{'MB':>8}{'write x':>12}{'read x':>9}{'analyze x':>11}{'peak MB':>9}")
    for length in lengths:
        path = folder / f"{length:g}.wav"
        made = folder / "made.bbr"
        write_recording(made, simulate(_bench(length, encoder=False), 1))
        source = _PointsAlone(open_trace(made))
        wrote = _seconds(lambda p=path, s=source: write_wav(p, s, "made", ["simulated: true"]))
        source.close()
        report = _in_a_child("analyze", path)
        print(
            f"  {length:9g}{path.stat().st_size / 1e6:8.0f}{length / wrote:12,.0f}"
            f"{length / report['read_s']:9,.0f}{length / report['analyze_s']:11,.0f}"
            f"{report['peak_mb']:9.0f}"
        )
        path.unlink()
        made.unlink()


def exports(folder: Path, length: float) -> None:
    """A recording of two channels with index and encoder, written in each format."""
    made = folder / "made.bbr"
    write_recording(made, simulate(_bench(length), 1))
    print(f"\nExport of {length:g} s, 2 channels at 250 kS/s, index and encoder")
    print(f"  {'format':>9}{'MB':>8}{'MB/s':>8}{'times real time':>18}")
    for form, write in (("csv", write_csv), ("wav", write_wav), ("vcd", write_vcd)):
        path = folder / f"out.{form}"
        source = open_trace(made)
        took = _seconds(lambda p=path, s=source, w=write: w(p, s, "made", ["simulated: true"]))
        source.close()
        size = path.stat().st_size / 1e6
        print(f"  {form:>9}{size:8.0f}{size / took:8,.0f}{length / took:18,.1f}")
        path.unlink()
    made.unlink()


def csv(folder: Path, lengths: tuple[float, ...]) -> None:
    """The points and the index as CSV: the analysis against reading the same file alone."""
    print("\nCSV, points and index at 250 kS/s (goal: the parser's own speed, bounded memory)")
    print(
        f"  {'length s':>9}{'MB':>8}{'parse MB/s':>12}{'analyze MB/s':>14}"
        f"{'analyze/parse':>15}{'peak MB':>9}"
    )
    for length in lengths:
        path = folder / f"{length:g}.csv"
        _write_csv(path, simulate(_bench(length), 1))
        size = path.stat().st_size / 1e6
        report = _in_a_child("analyze", path)
        print(
            f"  {length:9g}{size:8.0f}{size / report['read_s']:12,.0f}"
            f"{size / report['analyze_s']:14,.0f}{report['analyze_s'] / report['read_s']:15.2f}"
            f"{report['peak_mb']:9.0f}"
        )
        path.unlink()


def _write_csv(path: Path, source: Source) -> None:
    """Simulated points in volts, the index as 0 and 1: what an oscilloscope would save."""
    points = source.header.channels[0]
    rate = source.header.sample_rate_hz
    index = np.zeros(0)
    with path.open("w", encoding="ascii") as file:
        file.write("time_s,points_v,index\n")
        for event in source:
            if isinstance(event, EdgeTimes) and event.name == "index":
                index = np.concatenate((index, event.time_s))
            elif isinstance(event, Block):
                time_s = (event.first + np.arange(len(event))) / rate
                volts = points.zero + points.scale * event.samples[0]
                high = np.searchsorted(index, time_s, side="right") % 2
                lines = map("%.6f,%.4f,%d".__mod__, zip(time_s, volts, high, strict=True))
                file.write("\n".join(lines) + "\n")


def _in_a_child(what: str, path: Path) -> dict[str, float]:
    ran = subprocess.run(
        [sys.executable, __file__, "--child", what, str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    report: dict[str, float] = json.loads(ran.stdout)
    return report


def _child(_: str, path: str) -> None:
    """Analyse a file, then read it alone; times and the peak of memory after the analysis."""
    told = None
    if path.endswith(".wav"):
        told = ImportOptions({"points_v": "0", "index": "1"}, {"points_v": 20.0})
    source = open_trace(path, told)
    analyze_s = _seconds(lambda: analyze(source))
    source.close()
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    source = open_trace(path, told)
    read_s = _seconds(lambda: [None for _ in source])
    source.close()
    print(json.dumps({"analyze_s": analyze_s, "read_s": read_s, "peak_mb": peak_kb / 1024}))


if __name__ == "__main__":
    main()
