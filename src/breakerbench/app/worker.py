"""The one thread that owns source, analysis and recording; it publishes what it has come to.

The window gives it a `Task` and draws its ``snapshot``; nothing else passes between the two. No Qt here.
"""

from __future__ import annotations

import os
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from breakerbench.app.course import Course
from breakerbench.app.replay import played
from breakerbench.app.snapshot import Phase, Snapshot, Task
from breakerbench.errors import BadInput
from breakerbench.sources.line import BYTES, Line, LineEnded, is_simulated, open_line
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.port import PortSource

#: A port that cannot be opened is tried again after so long, s.
TRY_AGAIN_S = 1.5
#: A board has so long to send its rest when the program is closed, s.
GRACE_S = 1.0


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
        self._end = False  # the task is to end, and its recording to be worked out
        self._closing = False
        self._closing_s = 0.0  # since when
        self._source: PortSource | None = None
        self._thread = threading.Thread(target=self._work, name="bench", daemon=True)
        self._thread.start()

    # --- asked by the window ---

    @property
    def snapshot(self) -> Snapshot:
        """The newest look."""
        return self._snapshot

    def give(self, task: Task | None) -> None:
        """Ends what goes on, keeps what is recorded of it, and begins this; None: rests.

        A snapshot is of this task when it holds this very object: each time a new one.
        """
        with self._changed:
            self._task, self._new, self._end = task, True, False
            self._stop_source()

    def finish(self) -> None:
        """Ends the newest task, begun or not: the result of its recording follows; a file is played on
        at once.
        """
        with self._changed:
            self._end = True
            self._stop_source()

    def close(self, seconds: float = 10.0) -> bool:
        """Ends all of it; whether the thread has ended within so long. A recording is whole."""
        with self._changed:
            self._closing, self._closing_s = True, time.monotonic()
            self._task, self._new = None, True
            self._stop_source()
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _stop_source(self) -> None:
        if self._source is not None:
            self._source.stop()
        self._changed.notify_all()

    # --- the thread ---

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._new)
                if self._closing:
                    return
                task, self._new = self._task, False
            if task is None:
                self._publish(Snapshot(number=self._snapshot.number))
                continue
            self._publish(Snapshot(number=self._snapshot.number, task=task, phase=Phase.OPENING))
            try:
                self._from_port(task) if task.live else self._from_file(task)
            except BadInput as problem:
                self._look(phase=Phase.PROBLEM, problem=str(problem), there=False)
            except Exception as fault:  # the window must not freeze for it
                text = (
                    f"a fault of this program ({type(fault).__name__}: {fault}); what was recorded "
                    "is kept, begin this step again"
                )
                self._look(phase=Phase.PROBLEM, problem=text, there=False)
                if os.environ.get("BREAKERBENCH_TRACEBACK"):
                    traceback.print_exc()

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
            self._changed.wait_for(lambda: self._interrupted, seconds)

    # --- a board ---

    def _from_port(self, task: Task) -> None:
        try:
            source = self._opened(task)
            if source is None:
                self._look(phase=Phase.IDLE, problem="", there=False)
                return
            self._look(phase=Phase.WATCHING, problem="", header=source.header, there=True)
            self._follow(Course(task, source, self._look), source)
        finally:
            with self._changed:
                own, self._source = self._source, None
            if own is not None:
                own.close()

    def _opened(self, task: Task) -> PortSource | None:
        """The board, greeted and started; a real one is waited for. None: something else is asked."""
        while not self._interrupted:
            try:
                source = PortSource(
                    task.place, task.mode, opener=self._line, sleep=self._while_away,
                    kind=task.kind, **task.told,
                )  # fmt: skip
            except BadInput as problem:
                if self._interrupted:
                    break
                if is_simulated(task.place) or task.place.startswith(BYTES):
                    raise
                text = f"{problem}; it is tried again by itself"
                self._look(phase=Phase.PROBLEM, problem=text, there=False)
                self._pause(TRY_AGAIN_S)
                continue
            with self._changed:
                self._source = source
                return None if self._interrupted else source
        return None

    def _follow(self, course: Course, source: PortSource) -> None:
        try:
            for event in source:
                course.take(event)
                if course.over:
                    source.stop()
            asked = course.over or self._interrupted
            course.end("" if asked else source.ended or "", lambda: self._new)
        finally:
            course.close()

    def _line(self, port: str) -> Line:
        self._away()
        return _Leaving(self._opener(port), self._left)

    def _left(self) -> bool:
        """Whether the board is listened to no more, whatever it does."""
        if self._source is None:  # nothing of it is recorded yet
            return self._interrupted
        return self._closing and time.monotonic() - self._closing_s > GRACE_S

    def _while_away(self, seconds: float) -> None:
        self._away()
        self._pause(seconds)

    def _away(self) -> None:
        """The board is looked for; at the beginning it was not there yet."""
        source = self._source
        if source is not None:
            health = source.health
            self._look(there=False, away_why=health.why_lost, times_away=health.lost)

    # --- a file ---

    def _from_file(self, task: Task) -> None:
        source = open_trace(task.place, ImportOptions(kind=task.kind, **task.told))
        try:
            self._look(
                phase=Phase.WATCHING if task.pace else Phase.WORKING_OUT,
                header=source.header, there=True, path=task.place,
            )  # fmt: skip
            course = Course(task, source, self._look)
            for event in played(source, task.pace, self._pause):
                if self._new:
                    return
                course.take(event)
            course.end("", lambda: self._new)
        except OSError as error:
            what = f"cannot be read on ({error.strerror})"
            raise BadInput(task.place, what, "copy it first") from error
        finally:
            source.close()


class _Leaving:
    """A line that ends when it is left, whatever its other side does."""

    def __init__(self, line: Line, left: Callable[[], bool]) -> None:
        self._line, self._left = line, left

    def read(self) -> bytes:
        if self._left():
            raise LineEnded("something else was asked")
        return self._line.read()

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def close(self) -> None:
        self._line.close()
