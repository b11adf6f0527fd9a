"""``record`` at full rate from a board behind a pseudo-terminal: processor time, memory, losses.

    python tests/benchmarks/live.py --seconds 60 300 600

Several lengths show whether memory is flat in the length: one line each, then the longest against the
shortest. The simulated board runs in a process of its own and takes its own share of the machine; what is
printed is that of ``record`` alone.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path


def live(seconds: float, feed: str = "dry") -> float:
    """Prints shares of one core, peak memory and losses of so many seconds; returns the memory, MB."""
    board = [sys.executable, "-m", "breakerbench.bench.board_process", "--pty", "--feed", feed]
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            board, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as process,
    ):
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        out = Path(folder) / "run.json"
        command = [
            sys.executable, "-m", "breakerbench", "record", "--port", port, "--seconds", str(seconds),
            "--out", str(Path(folder) / "run.bbr"), "--json", str(out), "--encoder-pulses", "360",
        ]  # fmt: skip
        record = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        _, status, used = os.wait4(record.pid, 0)
        process.kill()
        if status:
            raise RuntimeError("record failed")
        result = json.loads(out.read_text())
    spent = used.ru_utime + used.ru_stime
    print(
        f"record, {feed} feed, {seconds:g} s through a pseudo-terminal, 2 x 250 kS/s and encoder: "
        f"{100.0 * spent / seconds:.0f} % of one core (goal 25), peak {_megabytes(used):.0f} MB, lost "
        f"{result['lost']['seconds']:g} s, {result['lost']['frames']} frames",
        flush=True,
    )
    return _megabytes(used)


def flat(lengths_s: list[float], feed: str = "dry") -> None:
    """Prints a line for each length, then how the peak of the longest stands to the shortest's."""
    peak_mb = {seconds: live(seconds, feed) for seconds in lengths_s}
    short, long = min(peak_mb), max(peak_mb)
    if short == long:
        return
    hourly_mb = (peak_mb[long] - peak_mb[short]) / (long - short) * 3600.0
    print(
        f"peak memory, {long:g} s against {short:g} s: ratio {peak_mb[long] / peak_mb[short]:.3f}, "
        f"{hourly_mb:+.1f} MB an hour"
    )


def _megabytes(used: resource.struct_rusage) -> float:
    return used.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--seconds", type=float, nargs="+", default=[600.0], metavar="S", help="lengths, each > 0"
    )
    parser.add_argument("--feed", choices=("dry", "coil"), default="dry")
    asked = parser.parse_args()
    flat(asked.seconds, asked.feed)
