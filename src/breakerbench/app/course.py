"""One trace on its way through the worker: watched, recorded, measured, shown. No Qt here."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import Any

from breakerbench.app.replay import Anew
from breakerbench.app.snapshot import Phase, Recording, Task
from breakerbench.edges.average import Averages
from breakerbench.edges.shown import CycleTraces
from breakerbench.errors import BadInput
from breakerbench.papers.subject import Collected
from breakerbench.pipeline import Analyzer, analyzer
from breakerbench.result.condenser import CondenserCheck
from breakerbench.result.hand import HandCheck
from breakerbench.result.live import STILL_S, Live
from breakerbench.sources.port import PortSource
from breakerbench.sources.recording_writer import RecordingWriter
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole, Source

#: A look is published so often, s; less often where working it out would take more than this share.
LOOK_S, MOST_SHARE = 1.0 / 35.0, 0.3
#: The recording goes to the disk so often, s.
FLUSH_S = 1.0
#: What is kept of the time before the shaft was seen to turn, s.
BEFORE_S = 1.0
#: A run is over when the shaft has stood for so long, s, after it has turned for so long.
STOOD_S, TURNED_S = 1.0, 3.0

Measuring = Analyzer | HandCheck | CondenserCheck


class Course:
    """Takes the events of one trace in order.

    look  publishes changes of the snapshot
    """

    def __init__(self, task: Task, source: Source, look: Callable[..., None]) -> None:
        self.task, self.source, self._look = task, source, look
        self.header = source.header
        #: The shaft has turned and stands again: the recording may end.
        self.over = False
        #: Of the recording, or of the file that is measured; "" while nothing is recorded.
        self.path = "" if task.live else task.place
        self._rate_hz = self.header.sample_rate_hz
        self._row = 0  # the next one, of what is measured
        self._writer: RecordingWriter | None = None
        self._anew: Anew | None = None
        self._before: list[Event] = []  # of the time before the recording
        self._trimmed = 0  # row at which that was done last
        # When it began to turn, and when it was last seen to, on the clock of the recording.
        self._turned_s = self._turning_s = 0.0
        self._flushed_s = self._next_look_s = 0.0
        self._averages: Averages | None = None
        self._traces: CycleTraces | None = None
        if task.live and task.recording is Recording.AT_ONCE:
            self._record()
        self.measuring = self._measuring()

    def _measuring(self) -> Measuring:
        watched = self.task.live or self.task.pace > 0.0
        if self.path:  # there will be a result, and pictures of it
            self._averages, self._traces = Averages(self.header), CycleTraces(self.header)
        return analyzer(
            self.header, self.task.spec, self.task.hand, self._averages, traces=self._traces,
            watched=watched, pictured=watched,
        )  # fmt: skip

    @property
    def _seconds(self) -> float:
        return self._row / self._rate_hz

    # --- events ---

    def take(self, event: Event) -> None:
        """Records and measures it; publishes a look when one is due. Raises BadInput."""
        if self._writer is None and self.task.recording is Recording.TURNING and self.task.live:
            self._keep(event)
        self._measure(event)
        now_s = time.monotonic()
        if self._writer is not None and now_s - self._flushed_s >= FLUSH_S:
            self._writer.flush()
            self._flushed_s = now_s
        if now_s >= self._next_look_s:
            begun_s = time.thread_time()  # work alone: waiting for a busy machine costs nothing
            self._publish()
            took_s = time.thread_time() - begun_s
            self._next_look_s = now_s + max(LOOK_S, took_s / MOST_SHARE)

    def _measure(self, event: Event) -> None:
        """Into the recording, if there is one, and the result."""
        placed = event if self._anew is None else self._anew(event)
        if placed is None:
            return
        if self._writer is not None:
            self._writer.write(placed)
        self.measuring.feed(placed)
        self._row = _end_row(placed, self._row)
        if isinstance(placed, Hole):  # nobody saw whether it stood
            self._turning_s = self._seconds

    def _keep(self, event: Event) -> None:
        """The last second or two, should the shaft begin to turn; a hole begins it anew."""
        if isinstance(event, Hole):
            self._before = []
            return
        self._before.append(event)
        end = _end_row(event, self._row)
        if end - self._trimmed > BEFORE_S * self._rate_hz:
            self._trim(end)

    def _trim(self, end: int) -> None:
        """Of what is kept, what reaches into the last second before row ``end``."""
        first, self._trimmed = end - BEFORE_S * self._rate_hz, end
        self._before = [
            event
            for event in self._before
            if (
                event.time_s[-1] * self._rate_hz >= first
                if isinstance(event, EdgeTimes)
                else _end_row(event, 0) > first
            )
        ]

    # --- the recording ---

    def _record(self) -> None:
        self._writer = new_recording(self.task.stem, self.header)
        self.path = os.fspath(self._writer.path)
        self._flushed_s = time.monotonic()

    def _begin(self) -> None:
        """The recording begins, with what was kept of the time before."""
        self._trim(self._row)
        before, self._before = self._before, []
        first = next((event.first for event in before if isinstance(event, Block)), self._row)
        self._record()
        self._anew, self._row = Anew(self._rate_hz, first), 0
        self.measuring = self._measuring()
        for event in before:
            self._measure(event)
        self._turned_s = self._turning_s = self._seconds

    def _follow(self, live: Live) -> None:
        """Begins and ends a recording by what the shaft does."""
        turning = bool(live.rpm or live.opening)
        if self._writer is None:
            if turning and self.task.live:
                self._begin()
        elif turning:
            self._turning_s = self._seconds
        else:
            if live.standing and live.stale_s is not None:  # it may have turned on since that look
                self._turning_s = max(self._turning_s, self._seconds - live.stale_s)
            # Where no edge has come since a hole, or none ever does, standing is not said.
            wanted_s = STOOD_S if live.standing else STOOD_S + STILL_S
            stood_s = self._seconds - self._turning_s
            self.over = stood_s >= wanted_s and self._turning_s - self._turned_s >= TURNED_S

    # --- looks ---

    def _publish(self) -> None:
        changes: dict[str, Any] = {}
        measuring = self.measuring
        if isinstance(measuring, Analyzer):
            if measuring.watch is not None:
                live = measuring.live()
                if self.task.recording is Recording.TURNING and not self.over:
                    self._follow(live)
                changes = {"live": live, "pictures": measuring.live_pictures()}
        elif isinstance(measuring, HandCheck):
            changes["hand"] = measuring.live()
        else:
            changes["condenser"] = measuring.live()
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
        self._look(seconds=self._seconds, path=self.path, **changes)

    # --- the end ---

    def end(self, why: str, unwanted: Callable[[], bool]) -> None:
        """What was recorded, or read from a file, becomes a result; what was watched only does not.

        why       of an end that nobody asked for
        unwanted  whether nobody waits for the result; what is recorded is kept
        """
        if not self.path:
            self._look(phase=Phase.IDLE, there=False, away_why=why)
            return
        self._look(phase=Phase.WORKING_OUT, there=False, path=self.path, seconds=self._seconds)
        self.close()
        if unwanted():
            return
        result = self.measuring.finish()
        if not result["trace"]["seconds"]:
            raise BadInput(self.path, "holds no samples that can be read", "record it again")
        self._look(
            phase=Phase.DONE, result=result, collected=self._collected(), share=1.0, away_why=why
        )

    def _collected(self) -> Collected:
        if self._averages is None or self._traces is None:
            return Collected()
        charge = self.measuring.charged if isinstance(self.measuring, CondenserCheck) else None
        return Collected(self._averages.averaged(), charge, self._traces.slowest())

    def close(self) -> None:
        """The recording is whole, with its end. Raises BadInput where the disk is full."""
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.close()


def new_recording(stem: str, header: Header) -> RecordingWriter:
    """A recording of its own: nothing recorded is replaced. Raises BadInput."""
    while True:
        path = free_path(stem)
        try:
            return RecordingWriter(path, header)
        except BadInput:
            if not os.path.lexists(path):
                raise
            # Another program made one of that name meanwhile.


def free_path(stem: str) -> str:
    """Path of a recording that does not exist yet."""
    path, number = f"{stem}.bbr", 1
    while os.path.lexists(path):
        number += 1
        path = f"{stem}-{number}.bbr"
    return path


def _end_row(event: Event, before: int) -> int:
    if isinstance(event, Block):
        return event.first + len(event)
    return event.end if isinstance(event, Hole) else before
