"""The one thread that owns source, analysis and recording; it publishes what it has come to.

The window gives it a `Task` and draws its ``snapshot``; nothing else passes between the two. No Qt here.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from breakerbench.app.replay import Anew, played
from breakerbench.app.snapshot import Phase, Recording, Snapshot, Task
from breakerbench.edges.average import Averages
from breakerbench.edges.shown import CycleTraces
from breakerbench.errors import BadInput
from breakerbench.papers.subject import Collected
from breakerbench.pipeline import Analyzer, analyzer
from breakerbench.result.condenser import CondenserCheck
from breakerbench.result.hand import HandCheck
from breakerbench.sources.line import Line, LineEnded, open_line
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.port import PortSource
from breakerbench.sources.recording_writer import RecordingWriter
from breakerbench.trace import Block, Event, Hole, Source

#: A look is published so often, s; less often where working it out would take more than this share.
LOOK_S, MOST_SHARE = 1.0 / 35.0, 0.3
#: The recording goes to the disk so often, s.
FLUSH_S = 1.0
#: What is kept of the time before the shaft was seen to turn, s.
BEFORE_S = 1.0
#: A run is over when the shaft has stood for so long, s, after it has turned for so long.
STOOD_S, TURNED_S = 1.0, 3.0

Measuring = Analyzer | HandCheck | CondenserCheck


class Worker:
    """Runs the newest task until it is given another; ``close`` ends it.

    opener  opens the line to a board; for tests
    """

    def __init__(self, opener: Callable[[str], Line] = open_line) -> None:
        self._opener = opener
        self._snapshot = Snapshot()
        self._changed = threading.Condition()
        self._task: Task | None = None
        self._new = False  # a task waits
        self._end = False  # the recording is to be ended and worked out
        self._closing = False
        self._leave = threading.Event()  # without a word to the board
        self._source: PortSource | None = None
        self._next_look_s = 0.0
        self._thread = threading.Thread(target=self._work, name="bench", daemon=True)
        self._thread.start()

    # --- asked by the window ---

    @property
    def snapshot(self) -> Snapshot:
        """The newest look."""
        return self._snapshot

    def give(self, task: Task | None) -> None:
        """Ends what goes on, keeps what is recorded of it, and begins this; None: rests."""
        with self._changed:
            self._task, self._new, self._end = task, True, False
            self._stop_source()
            self._changed.notify_all()

    def finish(self) -> None:
        """Ends the recording that goes on; its result follows."""
        with self._changed:
            self._end = True
            self._stop_source()
            self._changed.notify_all()

    def close(self, seconds: float = 1.5) -> bool:
        """Ends all of it; whether the thread has ended. A recording is whole."""
        with self._changed:
            self._closing = self._new = True
            self._task = None
            self._stop_source()
            self._changed.notify_all()
        self._thread.join(seconds)
        self._leave.set()  # a board that does not answer is not waited for
        self._thread.join(10.0)
        return not self._thread.is_alive()

    def _stop_source(self) -> None:
        if self._source is not None:
            self._source.stop()

    # --- the thread ---

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._new:
                    self._changed.wait()
                if self._closing:
                    return
                task, self._new, self._end = self._task, False, False
            if task is None:
                self._publish(Snapshot(number=self._snapshot.number))
                continue
            self._publish(Snapshot(number=self._snapshot.number, task=task, phase=Phase.OPENING))
            try:
                self._from_port(task) if task.live else self._from_file(task)
            except BadInput as problem:
                self._look(phase=Phase.PROBLEM, problem=str(problem), there=False)
            except Exception as fault:  # the window must not freeze for it
                text = f"a fault of this program ({type(fault).__name__}: {fault})"
                self._look(phase=Phase.PROBLEM, problem=text, there=False)
                if os.environ.get("BREAKERBENCH_TRACEBACK"):
                    raise
            finally:
                with self._changed:
                    source, self._source = self._source, None
                if source is not None:
                    source.close()

    @property
    def _interrupted(self) -> bool:
        return self._new or self._end

    def _publish(self, snapshot: Snapshot) -> None:
        self._snapshot = replace(snapshot, number=snapshot.number + 1, at_s=time.monotonic())

    def _look(self, **changes: Any) -> None:
        self._publish(replace(self._snapshot, **changes))

    def _pause(self, seconds: float) -> None:
        """Lets time pass, unless something is asked."""
        with self._changed:
            if not self._interrupted:
                self._changed.wait(seconds)

    def _until_due(self, seconds: float) -> None:
        """Until the next piece of a file is due; asked for the result, it is due at once."""
        end_s = time.monotonic() + seconds
        while not self._interrupted and (left_s := end_s - time.monotonic()) > 0.0:
            self._pause(left_s)

    # --- a board ---

    def _from_port(self, task: Task) -> None:
        source = PortSource(
            task.place, task.mode, opener=self._line, sleep=self._while_away, kind=task.kind,
            **task.told,
        )  # fmt: skip
        with self._changed:
            self._source = source
            if self._new:  # asked for something else meanwhile
                return
        self._look(phase=Phase.WATCHING, header=source.header, there=True)
        run = _Run(task, source, self)
        try:
            for event in source:
                run.take(event)
                if run.over:
                    source.stop()
            run.end(source.ended or "")
        finally:
            run.close()

    def _line(self, port: str) -> Line:
        return _Leaving(self._opener(port), self._leave)

    def _while_away(self, seconds: float) -> None:
        """The board is waited for."""
        source = self._source
        if source is not None:
            self._look(there=False, away_why=source.health.why_lost, times_away=source.health.lost)
        self._pause(seconds)

    # --- a file ---

    def _from_file(self, task: Task) -> None:
        source = open_trace(task.place, _options(task))
        try:
            self._look(
                phase=Phase.WATCHING if task.pace else Phase.WORKING_OUT,
                header=source.header, there=True, path=task.place,
            )  # fmt: skip
            run = _Run(task, source, self)
            for event in played(source, task.pace, self._until_due):
                if self._new:
                    return
                run.take(event)
            run.end("")
        except OSError as error:
            what = f"cannot be read on ({error.strerror})"
            raise BadInput(task.place, what, "copy it first") from error
        finally:
            source.close()


class _Run:
    """One trace on its way: watched, recorded, measured."""

    def __init__(self, task: Task, source: Source, worker: Worker) -> None:
        self.task, self.source, self.worker = task, source, worker
        self.header = source.header
        self.over = False
        self._recorded = False
        self._writer: RecordingWriter | None = None
        self._flushed_s = 0.0
        self._before: deque[Event] = deque()
        self._anew = Anew(self.header.sample_rate_hz)
        # When it began to turn, and when it was last seen to, on the clock of the trace.
        self._turned_s: float | None = None
        self._stood_from = 0.0
        self._seconds = 0.0
        self._averages: Averages | None = None
        self._traces: CycleTraces | None = None
        self.measuring = self._measuring()
        if task.recording is Recording.AT_ONCE and task.live:
            self._begin()

    def _measuring(self) -> Measuring:
        if self.task.live and not self._recorded:
            return analyzer(
                self.header, self.task.spec, self.task.hand, watched=True, pictured=True
            )
        self._averages = Averages(self.header)
        self._traces = CycleTraces(self.header)
        watched = self.task.live or self.task.pace > 0.0
        return analyzer(
            self.header, self.task.spec, self.task.hand, self._averages, traces=self._traces,
            watched=watched, pictured=watched,
        )  # fmt: skip

    # --- events ---

    def take(self, event: Event) -> None:
        if self._writer is not None or not self.task.live:
            self._measure(event)
        else:
            self._keep(event)
            self.measuring.feed(event)
            self._seconds = _end_s(event, self.header.sample_rate_hz, self._seconds)
        now_s = time.monotonic()
        if self._writer is not None and now_s - self._flushed_s >= FLUSH_S:
            self._writer.flush()
            self._flushed_s = now_s
        if now_s >= self.worker._next_look_s:
            self._publish(now_s)

    def _measure(self, event: Event) -> None:
        """Into the recording and the result."""
        if self._writer is not None:
            placed = self._anew(event)
            if placed is None:
                return
            self._writer.write(placed)
            event = placed
        self.measuring.feed(event)
        self._seconds = _end_s(event, self.header.sample_rate_hz, self._seconds)

    def _keep(self, event: Event) -> None:
        """The last second, should the shaft begin to turn."""
        if isinstance(event, Hole):
            self._before.clear()
            return
        self._before.append(event)
        if isinstance(event, Block):
            oldest = event.first - BEFORE_S * self.header.sample_rate_hz
            while isinstance(self._before[0], Block) and self._before[0].first < oldest:
                self._before.popleft()
                while self._before and not isinstance(self._before[0], Block):
                    self._before.popleft()

    def _publish(self, now_s: float) -> None:
        changes: dict[str, Any] = {"seconds": self._seconds, "path": self._snapshot_path()}
        if isinstance(self.measuring, Analyzer) and self.measuring.watch is not None:
            changes["live"] = live = self.measuring.live()
            changes["pictures"] = self.measuring.live_pictures()
            self._turning(bool(live.rpm or live.opening), live.standing)
        elif isinstance(self.measuring, HandCheck):
            changes["hand"] = self.measuring.live()
        else:
            changes["condenser"] = self.measuring.live()
        source = self.source
        if isinstance(source, PortSource):
            counts = source.counts
            changes |= {
                "there": source.there, "times_away": source.health.lost,
                "frames_missing": counts.missing, "frames_refused": counts.refused,
            }  # fmt: skip
        else:
            done, total = source.progress()
            changes["share"] = done / total if total else 0.0
        if self._writer is not None:
            changes["phase"] = Phase.RECORDING
        self.worker._look(**changes)
        took_s = time.monotonic() - now_s
        self.worker._next_look_s = now_s + max(LOOK_S, took_s / MOST_SHARE)

    def _snapshot_path(self) -> str:
        return str(self._writer.path) if self._writer is not None else self.worker.snapshot.path

    def _turning(self, turning: bool, standing: bool) -> None:
        """Begins and ends a recording by what the shaft does."""
        if self.task.recording is not Recording.TURNING or self.over:
            return
        if self._writer is None:
            if turning and self.task.live:
                self._begin()
                self._turned_s = self._seconds
        elif turning:
            self._stood_from = self._seconds
        elif standing and self._turned_s is not None:
            stood_s = self._seconds - self._stood_from
            turned_s = self._stood_from - self._turned_s
            self.over = stood_s >= STOOD_S and turned_s >= TURNED_S

    def _begin(self) -> None:
        """The recording begins, with what was kept of the time before."""
        self._recorded = True
        self.measuring = self._measuring()
        self._seconds = self._stood_from = 0.0
        path = free_path(self.task.stem)
        self._writer = RecordingWriter(path, self.header)
        self._flushed_s = time.monotonic()
        before, self._before = self._before, deque()
        for event in before:
            self._measure(event)

    # --- the end ---

    def end(self, why: str) -> None:
        """What was recorded, or read from a file, becomes a result; what was watched only does not."""
        asked = self.over or self.worker._end or not self.task.live
        if self.worker._new and self._writer is None:
            return
        if self._writer is None and self.task.live:
            self.worker._look(phase=Phase.IDLE, there=False, away_why=why)
            return
        path = self._snapshot_path()
        self.worker._look(phase=Phase.WORKING_OUT, there=asked, path=path, seconds=self._seconds)
        self.close()
        if self.worker._new:  # the recording is kept, nobody waits for its result
            return
        result = self.measuring.finish()
        if not result["trace"]["seconds"]:
            raise BadInput(path, "holds no samples that can be read", "record it again")
        self.worker._look(
            phase=Phase.DONE, result=result, collected=self._collected(), share=1.0, path=path,
            away_why="" if asked else why,
        )  # fmt: skip

    def _collected(self) -> Collected:
        if self._averages is None or self._traces is None:
            return Collected()
        charge = self.measuring.charged if isinstance(self.measuring, CondenserCheck) else None
        return Collected(self._averages.averaged(), charge, self._traces.slowest())

    def close(self) -> None:
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.close()


class _Leaving:
    """A line that ends when the program is left, whatever its other side does."""

    def __init__(self, line: Line, leave: threading.Event) -> None:
        self._line, self._leave = line, leave

    def read(self) -> bytes:
        if self._leave.is_set():
            raise LineEnded("the program is being closed")
        return self._line.read()

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def close(self) -> None:
        self._line.close()


def free_path(stem: str) -> str:
    """Path of a recording that does not exist yet: nothing recorded is replaced."""
    path, number = f"{stem}.bbr", 1
    while os.path.lexists(path):
        number += 1
        path = f"{stem}-{number}.bbr"
    return path


def _options(task: Task) -> ImportOptions | None:
    """What is told of an import; a recording of ours says it itself, but for what is told here."""
    told = dict(task.told)
    return ImportOptions(kind=task.kind, **told)


def _end_s(event: Event, rate_hz: float, before_s: float) -> float:
    if isinstance(event, Block):
        return (event.first + len(event)) / rate_hz
    if isinstance(event, Hole):
        return event.end / rate_hz
    return before_s
