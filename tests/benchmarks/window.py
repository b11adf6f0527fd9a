"""The window at full rate: frames, memory, processor, and how soon an opening is on the screen.

    python tests/benchmarks/window.py --seconds 600            the run step, recording, a dry feed
    python tests/benchmarks/window.py --seconds 60 --feed coil

The simulated board runs in a process of its own, in real time. What is printed:

    first picture   from the start of a process of its own to the first painted picture, s (goal 2)
    frames          painted a second (goal 30), and the longest gap between two, ms
    late            from an opening of the contact to the first painted picture that holds it, or a later
                    one, ms: 95 % and most (goal 100). The board's clock is laid on this computer's by
                    the block that came soonest; what that block took itself is not in it: below 3 ms
    memory          of this process at 60 s, or at half time of a shorter run, and at the end, MB
    core            share of one core of this process, all threads
    lost            frames missing and refused on the wire, seconds of the recording
"""

# ruff: noqa: E402  # the platform and the threads must be set before Qt and numpy are imported

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
from PySide6.QtCore import QEvent, QObject
from PySide6.QtWidgets import QApplication

from breakerbench.app import course as courses
from breakerbench.app.run import SWITCH_S, application, make_window
from breakerbench.app.snapshot import Phase, Snapshot
from breakerbench.app.steps import electrics, up_and_down
from breakerbench.app.steps.step import Said
from breakerbench.trace import Block, Event

FIRST = """
import sys, time
begun_s = time.time() - float(sys.argv[1])
from PySide6.QtCore import QEvent, QObject
from breakerbench.app.run import application, make_window
app = application()
class Seen(QObject):
    def eventFilter(self, watched, event):
        if event.type() == QEvent.Type.Paint:
            print(f"{time.time() - float(sys.argv[1]):.2f}", flush=True)
            app.removeEventFilter(self)
            app.quit()
        return False
seen = Seen()
window = make_window(sys.argv[2], port="sim")
window.resize(1280, 800)
window.show()
app.installEventFilter(seen)
app.exec()
window.close()
"""


def first_picture_s() -> float:
    """From the start of the process to the first paint event, s."""
    with tempfile.TemporaryDirectory() as folder:
        ran = subprocess.run(
            [sys.executable, "-c", FIRST, str(time.time()), folder],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    return float(ran.stdout)


class Clock:
    """Where the time of the trace lies on this computer's clock, by the block that came soonest."""

    def __init__(self) -> None:
        self.offset_s = float("inf")
        #: Of the trace that is shown: it begins anew when it is recorded.
        self.first: int | None = None

    def came(self, block: Block, rate_hz: float) -> None:
        end_s = (block.first + len(block)) / rate_hz
        self.offset_s = min(self.offset_s, time.monotonic() - end_s)


def watch_blocks(clock: Clock) -> None:
    """Each event on its way into the measuring is looked at."""
    take = courses.Course.take

    def looked_at(self: Any, event: Event) -> None:
        if isinstance(event, Block):
            clock.came(event, self.header.sample_rate_hz)
        take(self, event)

    def begin(self: Any) -> None:
        self._trim(self._row)
        kept = (event.first for event in self._before if isinstance(event, Block))
        clock.first = next(kept, self._row)
        begun(self)

    begun = courses.Course._begin
    courses.Course.take = looked_at  # type: ignore[method-assign]
    courses.Course._begin = begin  # type: ignore[method-assign]


class Painted(QObject):
    """Counts frames by what is painted, after a tick, of the great figure's window."""

    def __init__(self, window: QObject) -> None:
        super().__init__()
        self.window = window
        self.at_s: list[float] = []
        QApplication.instance().installEventFilter(self)  # type: ignore[union-attr]
        self.new = False

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802  Qt's name
        if event.type() == QEvent.Type.UpdateRequest and watched is self.window:
            self.new = True
        return False


def memory_mb() -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return float(line.split()[1]) / 1e3
    return float("nan")


def live(seconds: float, feed: str, view: int, switch_s: float) -> None:
    """The step with its recording for so long, then its figures."""
    sys.setswitchinterval(switch_s)
    app = application()
    clock = Clock()
    watch_blocks(clock)
    top = max(seconds - 10.0, 10.0)
    plan = f"0:0,1:0,2:300,{0.5 * top:g}:2500,{top:g}:300,{seconds + 60:g}:300"
    up_and_down.SIMULATED_RUN = f"--speed {plan}"
    electrics.SIMULATED_COIL = f"--feed coil --speed 0:0,1:0,2:600,{seconds:g}:2000"
    electrics.HELD_S = 1e9
    key = "coil" if feed == "coil" else "run"
    with tempfile.TemporaryDirectory() as folder:
        window = make_window(folder, port="sim")
        window.resize(1280, 800)
        window.show()
        guide = window.guide
        guide.job = replace(guide.job, port="sim")
        guide.new_job("bench", "demo", "sim")
        guide.go_to(next(step for step in guide.steps if step.key == key))
        guide.current.gallery.show_view(view)  # type: ignore[union-attr]
        painted, drawn = Painted(window), [Snapshot()]
        tick = guide.tick

        def noted(now_s: float) -> tuple[Snapshot, Said]:
            drawn[-1], said = tick(now_s)
            return drawn[-1], said

        guide.tick = noted  # type: ignore[method-assign]
        frames, late, shown_s = [], [], -1.0
        memory: list[float] = []
        begun_s = cpu_s = 0.0
        while True:
            app.processEvents()
            now_s = time.monotonic()
            snapshot = guide.worker.snapshot
            if painted.new:
                painted.new = False
                if snapshot.phase is Phase.RECORDING:
                    if not frames:
                        begun_s, cpu_s = now_s, time.process_time()
                    frames.append(now_s)
            live_now = drawn[-1].live
            if (
                frames and frames[-1] == now_s and live_now is not None
                and live_now.opened_s is not None and clock.first is not None
                and snapshot.header is not None and live_now.opened_s > shown_s
            ):  # fmt: skip
                shown_s = live_now.opened_s
                base_s = clock.first / snapshot.header.sample_rate_hz
                late.append(1e3 * (now_s - (shown_s + base_s + clock.offset_s)))
            if frames and now_s - begun_s >= min(60.0, 0.5 * seconds) and not memory:
                memory.append(memory_mb())
            if frames and now_s - begun_s >= seconds:
                break
            if snapshot.phase is Phase.PROBLEM:
                raise RuntimeError(snapshot.problem)
            time.sleep(0.0005)
        spent_s = time.process_time() - cpu_s
        memory.append(memory_mb())
        guide.worker.finish()
        while guide.worker.snapshot.phase is not Phase.DONE:
            app.processEvents()
            time.sleep(0.01)
        last = guide.worker.snapshot
        window.close()
        shutil.rmtree(folder, ignore_errors=True)
    gaps = 1e3 * np.diff(frames)
    result = last.result or {}
    print(
        f"{feed}, {seconds:g} s, {guide.current.gallery.view.key}: "  # type: ignore[union-attr]
        f"{len(gaps) / (frames[-1] - frames[0]):.1f} frames a second (goal 30), longest gap "
        f"{gaps.max():.0f} ms, 99 % {np.quantile(gaps, 0.99):.0f} ms; an opening is on the screen after "
        f"{np.median(late):.0f} ms in half, {np.quantile(late, 0.95):.0f} ms in 95 %, {max(late):.0f} ms "
        f"at most (goal 100), {len(late)} looked at; memory {memory[0]:.0f} MB, at the end "
        f"{memory[-1]:.0f} MB; {100 * spent_s / (frames[-1] - begun_s):.0f} % of one core; lost "
        f"{last.frames_missing} frames, refused {last.frames_refused}, {result['lost']['seconds']:g} s "
        "of the recording",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--feed", choices=("dry", "coil"), default="dry")
    parser.add_argument("--view", type=int, default=0, help="which picture of the step is up")
    parser.add_argument(
        "--switch-ms", type=float, default=1e3 * SWITCH_S,
        help="how often the interpreter goes from thread to thread (%(default)s)",
    )  # fmt: skip
    asked = parser.parse_args()
    print(f"first picture after {first_picture_s():.2f} s (goal 2)", flush=True)
    live(asked.seconds, asked.feed, asked.view, asked.switch_ms * 1e-3)


if __name__ == "__main__":
    main()
