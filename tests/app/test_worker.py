"""The worker with boards in this process: what it records is whole, and its result that of the file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import numpy as np
import pytest

from app.boards import (
    RATE_HZ,
    SPEED,
    Desk,
    events,
    hold,
    quick,
    run_of,
    task,
    threads,
    until,
    whole,
    working,
)  # fmt: skip
from breakerbench.app import course, specs
from breakerbench.app.snapshot import Phase, Recording, Snapshot, Task
from breakerbench.app.worker import Worker
from breakerbench.bench.drive import Drive
from breakerbench.bench.scenario import healthy
from breakerbench.bench.simulated import simulate
from breakerbench.measure.hand_zero import HandZero
from breakerbench.pipeline import analyze
from breakerbench.result.live import Live
from breakerbench.sources import line, port
from breakerbench.sources.line import open_line
from breakerbench.sources.recording import RecordingSource
from breakerbench.trace import Block, EdgeTimes, Event, Hole
from cli.command import breakerbench

ZERO = HandZero((31.0, 121.0, 211.0, 301.0), 0.02, 20.0)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    quick(monkeypatch)


# --- what it is for


def test_it_rests() -> None:
    desk = Desk()
    with working(desk) as worker:
        assert worker.snapshot.phase is Phase.IDLE
        worker.finish()
        worker.give(None)
        until(worker, lambda s: s.number >= 1 and s.task is None and s.phase is Phase.IDLE)
    assert desk.opened == 0


def test_it_watches_and_records_nothing(tmp_path: Path) -> None:
    with working(Desk()) as worker:
        worker.give(given := task(tmp_path, Recording.NO))
        look = until(worker, lambda s: s.live and s.live.rpm and s.live.dwell_deg)
        assert look.live is not None
        assert (look.task, look.phase, look.there, look.path) == (given, Phase.WATCHING, True, "")
        assert look.simulated
        assert look.live.dwell_deg == pytest.approx(52.4, abs=0.6)
        worker.finish()
        look = until(worker, lambda s: s.phase is Phase.IDLE)
        assert (look.there, look.away_why, look.result) == (False, "", None)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("judged", [False, True])
def test_at_once_until_it_is_ended(judged: bool, tmp_path: Path) -> None:
    with working(Desk()) as worker:
        given = task(tmp_path, Recording.AT_ONCE)
        if judged:
            given = replace(given, spec=specs.load("demo"), hand=ZERO)
        worker.give(given)
        look = until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 4.0)
        assert look.path == str(tmp_path / "run.bbr")
        worker.finish()
        look = until(worker, lambda s: s.phase is Phase.DONE)
        assert look.result is not None
        assert (look.there, look.share, look.away_why, look.problem) == (False, 1.0, "", "")
        assert look.result["trace"]["seconds"] == pytest.approx(look.seconds)
        assert look.result["dwell"]["mean_deg"] == pytest.approx(52.4, abs=0.2)
        assert bool(look.result["decisions"]) is judged
        assert look.collected.contact is not None
        hold(look.result, look.path, given)
        assert whole(look.path) == []


@pytest.mark.parametrize("kind", ["hand", "coil", "condenser"])
def test_of_another_kind(kind: str, tmp_path: Path) -> None:
    with working(Desk()) as worker:
        worker.give(given := task(tmp_path, Recording.AT_ONCE, kind=kind, spec=specs.load("demo")))
        look = until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 4.0)
        assert (look.hand is not None) is (kind == "hand")
        assert (look.condenser is not None) is (kind == "condenser")
        if look.hand is not None:
            assert look.hand.openings > 5
        worker.finish()
        done = until(worker, lambda s: s.phase is Phase.DONE)
        assert done.result is not None
        assert done.result["trace"]["kind"] == kind
        hold(done.result, done.path, given)


@pytest.mark.parametrize("judged", [False, True])
def test_from_when_the_shaft_turns_until_it_has_stood(judged: bool, tmp_path: Path) -> None:
    given = task(tmp_path, Recording.TURNING)
    if judged:
        given = replace(given, spec=specs.load("demo"), hand=ZERO)
    with working(Desk(), _Looks) as worker:
        worker.give(given)
        look = until(worker, lambda s: s.phase is Phase.DONE)
        assert isinstance(worker, _Looks)
        first = next(s for s in worker.looks if s.phase is Phase.RECORDING)
        # The path and the time of the recording, from its first look on; not those of the watching.
        assert first.path == look.path == str(tmp_path / "run.bbr")
        assert first.seconds == pytest.approx(course.BEFORE_S, abs=0.02)
        watched = max(s.seconds for s in worker.looks if s.phase is Phase.WATCHING)
        assert watched > 1.4
        assert look.result is not None
        hold(look.result, look.path, given)
    holes = whole(look.path)
    assert holes == []
    assert look.result["lost"] == {"frames": 0, "seconds": 0.0}
    assert look.result["speed"]["max_rpm"] == pytest.approx(1500.0, rel=0.05)
    assert look.result["dwell"]["mean_deg"] == pytest.approx(52.4, abs=0.2)
    # It stands at the end.
    edges = [e for e in events(look.path) if isinstance(e, EdgeTimes) and e.name == "encoder"]
    seconds = look.result["trace"]["seconds"]
    assert seconds - edges[-1].time_s[-1] > 1.0
    assert seconds == pytest.approx(look.seconds)


@pytest.mark.parametrize("look_s", [0.03, 0.45, 0.6, 0.9])
def test_it_has_stood_since_its_last_edge_however_seldom_one_looks(
    look_s: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Mock()  # of the trace itself
    clock.monotonic.return_value = clock.thread_time.return_value = 0.0
    monkeypatch.setattr(course, "time", clock)
    monkeypatch.setattr(course, "LOOK_S", look_s)
    looks: list[dict[str, Any]] = []
    speed = (*SPEED, (10.0, 0.0))
    source = simulate(replace(healthy(), drive=Drive(speed, healthy().drive.ripples)), 1)
    made = course.Course(
        task(tmp_path, Recording.TURNING), source, lambda **look: looks.append(look)
    )
    for event in source:
        if isinstance(event, Block):
            clock.monotonic.return_value = (event.first + len(event)) / source.header.sample_rate_hz
        made.take(event)
        if made.over:
            break
    made.close()
    assert made.over
    edges = [e for e in events(made.path) if isinstance(e, EdgeTimes) and e.name == "encoder"]
    assert looks[-1]["seconds"] - edges[-1].time_s[-1] >= course.STOOD_S


class _Looks(Worker):
    """Remembers all looks."""

    def _publish(self, snapshot: Snapshot) -> None:
        super()._publish(snapshot)
        self.__dict__.setdefault("looks", []).append(self.snapshot)

    looks: list[Snapshot]


def test_a_run_that_is_ended_before_the_shaft_turns_is_none(tmp_path: Path) -> None:
    with working(Desk(fast=1.0)) as worker:
        worker.give(task(tmp_path, Recording.TURNING))
        until(worker, lambda s: s.phase is Phase.WATCHING and s.seconds > 0.1)
        worker.finish()
        until(worker, lambda s: s.phase is Phase.IDLE)
    assert list(tmp_path.iterdir()) == []


def test_the_command_line_says_the_same(tmp_path: Path) -> None:
    spec = specs.keep("demo", str(tmp_path))
    with working(Desk()) as worker:
        worker.give(task(tmp_path, Recording.TURNING, spec=spec))
        look = until(worker, lambda s: s.phase is Phase.DONE)
    told = "analyze", look.path, "--spec", str(tmp_path / specs.COPY), "--json", "-"
    ran = breakerbench(*told)
    assert ran.status == 0, ran.err
    assert json.loads(ran.out) == json.loads(json.dumps(look.result))


def test_another_task_midway_keeps_what_was_recorded(tmp_path: Path) -> None:
    with working(Desk()) as worker:
        worker.give(first := task(tmp_path, Recording.AT_ONCE))
        look = until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 3.0)
        worker.give(second := replace(first, kind="run"))
        again = until(worker, lambda s: s.task is second and s.phase is Phase.RECORDING)
        assert again.path == str(tmp_path / "run-2.bbr")
        assert whole(look.path) == []
        with RecordingSource(look.path) as source:
            assert analyze(source)["trace"]["seconds"] >= look.seconds
        # Measured from its file, as it is when one comes back to it.
        worker.give(third := replace(first, place=look.path, live=False, told={}))
        done = until(worker, lambda s: s.task is third and s.phase is Phase.DONE)
        hold(done.result, look.path, third)
        assert done.share == 1.0
    assert whole(again.path) == []


def test_a_file_is_played_and_ended_at_once(tmp_path: Path) -> None:
    with working(Desk()) as worker:
        worker.give(task(tmp_path, Recording.TURNING))
        path = until(worker, lambda s: s.phase is Phase.DONE).path
        played = Task(path, live=False, pace=1.0)
        worker.give(played)
        look = until(worker, lambda s: s.task is played and s.live and s.live.rpm)
        assert look.phase is Phase.WATCHING
        assert 0.0 < look.share < 1.0
        worker.finish()  # the rest at once
        done = until(worker, lambda s: s.task is played and s.phase is Phase.DONE)
        hold(done.result, path, played)
        # Asked before it has begun, it is not forgotten.
        worker.give(again := replace(played, pace=0.01))
        worker.finish()
        done = until(worker, lambda s: s.task is again and s.phase is Phase.DONE)
        hold(done.result, path, again)
        worker.give(replace(played, pace=0.01))  # left in the middle


def test_what_is_no_trace_is_said(tmp_path: Path) -> None:
    wrong = tmp_path / "notes.pdf"
    wrong.write_bytes(b"%PDF-1.7")
    with working(Desk()) as worker:
        worker.give(Task(str(wrong), live=False))
        look = until(worker, lambda s: s.phase is Phase.PROBLEM)
        assert look.problem == f"{wrong}: seems to be a PDF document; export the numbers as CSV"
        worker.give(Task(str(tmp_path / "none.bbr"), live=False))
        until(worker, lambda s: s.phase is Phase.PROBLEM and "there is no such file" in s.problem)


# --- closing


@pytest.mark.parametrize("recording", list(Recording))
def test_closed_midway(recording: Recording, tmp_path: Path) -> None:
    desk = Desk()
    worker = Worker(desk.opener)
    worker.give(given := task(tmp_path, recording))
    phase = Phase.WATCHING if recording is Recording.NO else Phase.RECORDING
    look = until(worker, lambda s: s.phase is phase and s.seconds > 1.5)
    assert worker.close(2.0)
    assert threads() == []
    assert desk.open == 0
    assert worker.close(2.0)  # a second time does no harm
    if recording is not Recording.NO:
        assert whole(look.path) == []
        with RecordingSource(look.path) as source:
            assert analyze(source)["trace"]["seconds"] >= look.seconds
    worker.give(given)  # nobody is there to take it
    assert worker.snapshot.task is given


def test_closed_while_the_simulated_board_of_its_own_process_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started = []
    popen = line.subprocess.Popen
    monkeypatch.setattr(
        line.subprocess, "Popen", lambda *a, **k: started.append(popen(*a, **k)) or started[-1]
    )
    monkeypatch.setattr(port, "ANSWER_S", 10.0)
    worker = Worker(open_line)
    worker.give(replace(task(tmp_path, Recording.AT_ONCE), place="sim --speed 600"))
    look = until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 0.5)
    assert worker.close(2.0)
    assert threads() == []
    assert [process.poll() is None for process in started] == [False]
    assert whole(look.path) == []


def test_no_board_of_a_simulated_port_is_not_tried_again(tmp_path: Path) -> None:
    worker = Worker(open_line)
    worker.give(replace(task(tmp_path, Recording.NO), place="sim --fault nonsense=3"))
    look = until(worker, lambda s: s.phase is Phase.PROBLEM)
    assert "again by itself" not in look.problem
    assert worker.close()


def test_what_was_kept_of_the_time_before_is_bounded(tmp_path: Path) -> None:
    """However edges and blocks come: edges first, edges alone, holes between."""
    going = turning(tmp_path)
    rng = np.random.default_rng(3)
    size, row, most = 5000, 0, 0
    for n in range(2000):
        if n in (700, 1400):
            going.take(Hole(row, row + 12_345))
            row += 12_345
        time_s = np.sort(row + size * rng.random(8)) / RATE_HZ
        going.take(EdgeTimes("encoder", time_s, np.ones(8, bool)))
        going.take(Block(row, (np.zeros(size, np.int16),) * 2))
        row += size
        most = max(most, sum(len(e) for e in going._before if isinstance(e, Block)))
    assert most <= 2.2 * RATE_HZ
    assert len(going._before) <= 2.3 * 2 * RATE_HZ / size
    # And the edges of the first block that is kept are not lost, though they came before it.
    kept = list(going._before)
    going._begin()
    going.close()
    first = next(e.first for e in kept if isinstance(e, Block) and e.first + size > row - RATE_HZ)
    got = np.concatenate([e.time_s for e in events(going.path) if isinstance(e, EdgeTimes)])
    want = np.concatenate([e.time_s for e in kept if isinstance(e, EdgeTimes)]) - first / RATE_HZ
    assert np.array_equal(got, want[want >= 0.0])
    assert got[0] < size / RATE_HZ


class _Deaf:
    def feed(self, _: Event) -> None:
        pass

    def live(self) -> None:
        pass


class _Source:
    def __init__(self) -> None:
        self.header = run_of()[1].plan.header

    def progress(self) -> tuple[float, float]:
        return 0.0, 0.0


def turning(folder: Path) -> course.Course:
    """Waits for the shaft to turn, and measures nothing."""
    source: Any = _Source()
    going = course.Course(task(folder, Recording.TURNING), source, lambda **_: None)
    deaf: Any = _Deaf()
    going.measuring = deaf
    return going


def silence(row: int, seconds: float = 0.1) -> Block:
    return Block(row, (np.zeros(round(seconds * RATE_HZ), np.int16),) * 2)


def test_nothing_from_before_a_hole_comes_into_the_recording(tmp_path: Path) -> None:
    going = turning(tmp_path)
    going.take(silence(0))
    going.take(Hole(25_000, 40_000, 1, "away"))
    going.take(silence(40_000))
    going._begin()
    going.close()
    assert [(type(e), e.first) for e in events(going.path) if not isinstance(e, EdgeTimes)] == [
        (Block, 0)
    ]


@pytest.mark.parametrize("after_s", [0.0, 60.0])
def test_standing_is_not_counted_over_a_hole(after_s: float, tmp_path: Path) -> None:
    """It has stood when it was seen to stand, or when nothing was seen of it for three seconds."""
    going = turning(tmp_path)
    going.take(silence(0))
    going._begin()
    going.take(silence(RATE_HZ // 10, 4.0))
    going._follow(Live(rpm=600.0))
    row = going._row
    end = row + round(after_s * RATE_HZ)
    going.take(Hole(row, end, 1, "away"))
    going._follow(Live(rpm=None))
    assert not going.over
    going.take(silence(end, 2.9))
    going._follow(Live(rpm=None))
    assert not going.over
    going.take(silence(end + round(2.9 * RATE_HZ), 0.2))
    going._follow(Live(rpm=None))
    assert going.over
    going.close()


def test_an_end_that_was_asked_is_not_that_of_the_next_task(tmp_path: Path) -> None:
    with working(Desk()) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 0.5)
        worker.finish()
        until(worker, lambda s: s.phase is Phase.DONE)
        worker.give(second := task(tmp_path, Recording.NO))
        until(worker, lambda s: s.task is second and s.phase is Phase.WATCHING and s.seconds > 0.5)
