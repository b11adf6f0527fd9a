"""The worker's bad days: boards that go, hang and babble, full disks, and hundreds of mixtures of it."""

from __future__ import annotations

import errno
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from io import FileIO
from pathlib import Path

import numpy as np
import pytest

from app.boards import (
    Desk,
    StandingBoard,
    events,
    hold,
    quick,
    task,
    threads,
    until,
    whole,
    working,
)  # fmt: skip
from breakerbench.app import worker as worker_module
from breakerbench.app.snapshot import Phase, Recording, Snapshot
from breakerbench.app.worker import Worker
from breakerbench.bench.board_faults import BoardFaults
from breakerbench.pipeline import Analyzer
from breakerbench.sources import port, recording_writer
from breakerbench.trace import Block, Event

GOING = (Phase.WATCHING, Phase.RECORDING)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    quick(monkeypatch)
    monkeypatch.setattr(worker_module, "TRY_AGAIN_S", 0.1)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A silent board is given up in a fraction of the time."""
    monkeypatch.setattr(port, "SILENCE_S", 0.4)
    monkeypatch.setattr(port, "ANSWER_S", 0.8)


def ended(worker: Worker) -> Snapshot:
    worker.finish()
    return until(worker, lambda s: s.phase in (Phase.DONE, Phase.PROBLEM))


# --- boards that go away


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    desk = Desk()
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 3.0)
        desk.plugged = False
        away = until(worker, lambda s: not s.there)
        assert (away.phase, away.times_away) == (Phase.RECORDING, 1)
        assert away.away_why == "device disconnected"
        desk.power()
        desk.plugged = True
        until(worker, lambda s: s.there and s.seconds > away.seconds + 5.0)
        done = ended(worker)
        assert (done.phase, done.times_away) == (Phase.DONE, 1)
        hold(done.result, done.path, given)
    holes = whole(done.path)
    assert [hole.reason for hole in holes] == ["the board was away (device disconnected)"]
    assert done.result is not None
    assert done.result["dwell"]["mean_deg"] == pytest.approx(52.4, abs=0.2)


@pytest.mark.parametrize("turns_on", [False, True])
def test_a_run_ends_by_itself_though_the_board_was_away(turns_on: bool, tmp_path: Path) -> None:
    """Also where the shaft had come to rest before it was back, and no edge is ever seen again."""
    desk = Desk()
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.TURNING))
        until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 5.0)
        if turns_on:
            desk.power()
        else:
            desk.power(StandingBoard)
        done = until(worker, lambda s: s.phase is Phase.DONE)
        assert done.times_away == 1
        hold(done.result, done.path, given)
    assert done.result is not None
    seconds = done.result["trace"]["seconds"] - done.result["lost"]["seconds"]
    assert (seconds > 9.0) is turns_on
    assert len(whole(done.path)) == 1


def test_away_before_the_recording_begins(tmp_path: Path) -> None:
    """Nothing of the time before the hole comes into the recording."""
    desk = Desk(fast=3.0)
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.TURNING))
        until(worker, lambda s: s.phase is Phase.WATCHING and s.seconds > 0.5)
        desk.power()
        desk.fast = 10.0
        done = until(worker, lambda s: s.phase is Phase.DONE)
        hold(done.result, done.path, given)
        assert done.times_away == 1
    assert whole(done.path) == []


def test_a_board_that_begins_anew(tmp_path: Path) -> None:
    desk = Desk(BoardFaults(resets_s=(2.5,)))
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.times_away == 1 and s.there and s.seconds > 8.0)
        done = ended(worker)
        hold(done.result, done.path, given)
    assert ["began anew" in hole.reason for hole in whole(done.path)] == [True]


def test_a_babbling_wire(tmp_path: Path) -> None:
    desk = Desk(BoardFaults(bytes_flipped=4e-6, bytes_dropped=2e-6, seed=5))
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.TURNING))
        done = until(worker, lambda s: s.phase is Phase.DONE)
        hold(done.result, done.path, given)
    assert done.frames_refused > 5
    assert done.frames_missing > 0
    assert len(whole(done.path)) > 5
    assert done.result is not None
    assert done.result["lost"]["frames"] > 5
    assert done.result["dwell"]["mean_deg"] == pytest.approx(52.4, abs=0.2)


def test_a_board_that_falls_silent(tmp_path: Path, impatient: None) -> None:
    del impatient
    desk = Desk()
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 2.0)
        desk.silent = True
        away = until(worker, lambda s: not s.there)
        assert away.away_why == "the board has fallen silent"
        desk.silent = False
        until(worker, lambda s: s.there and s.seconds > away.seconds + 1.0)
        done = ended(worker)
        hold(done.result, done.path, given)
    assert len(whole(done.path)) == 1


def test_a_recording_is_ended_while_the_board_is_away(tmp_path: Path) -> None:
    desk = Desk()
    with working(desk) as worker:
        worker.give(given := task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 4.0)
        desk.plugged = False
        until(worker, lambda s: not s.there)
        done = ended(worker)
        assert (done.phase, done.there, done.away_why) == (Phase.DONE, False, "")
        hold(done.result, done.path, given)
    assert whole(done.path) == []


# --- ports that cannot be opened


@pytest.mark.parametrize("how", ["plugged", "silent"])
def test_a_port_that_cannot_be_opened_is_tried_again(
    how: str, tmp_path: Path, impatient: None
) -> None:
    del impatient
    desk = Desk()
    setattr(desk, how, how == "silent")
    with working(desk) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        look = until(worker, lambda s: s.phase is Phase.PROBLEM)
        what = "there is no such port" if how == "plugged" else "nobody answers there"
        assert look.problem.startswith(f"a port: {what}; ")
        assert look.problem.endswith("; it is tried again by itself")
        tried = desk.opened
        until(worker, lambda s: s.phase is Phase.PROBLEM and desk.opened >= tried + 2)
        setattr(desk, how, how != "silent")
        look = until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 1.0)
        assert (look.problem, look.times_away) == ("", 0)
        done = ended(worker)
        assert done.phase is Phase.DONE


@pytest.mark.parametrize("asked", ["finish", "rest", "another task"])
def test_it_is_tried_no_more_when_something_else_is_asked(asked: str, tmp_path: Path) -> None:
    desk = Desk()
    desk.plugged = False
    with working(desk) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.PROBLEM)
        if asked == "another task":
            desk.plugged = True
            worker.give(second := task(tmp_path, Recording.NO))
            until(worker, lambda s: s.task is second and s.phase is Phase.WATCHING)
            return
        worker.finish() if asked == "finish" else worker.give(None)
        look = until(worker, lambda s: s.phase is Phase.IDLE)
        assert look.problem == ""
        opened = desk.opened
        time.sleep(0.3)
        assert desk.opened == opened
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("asked", ["close", "finish", "another task"])
def test_a_greeting_that_hangs_is_not_waited_for(
    asked: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(port, "ANSWER_S", 1e6)
    desk = Desk()
    desk.silent = True
    with working(desk) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.OPENING and desk.opened)
        if asked == "finish":
            worker.finish()
            until(worker, lambda s: s.phase is Phase.IDLE)
        elif asked == "another task":
            desk.silent = False
            worker.give(second := task(tmp_path, Recording.NO))
            until(worker, lambda s: s.task is second and s.phase is Phase.WATCHING)
        assert worker.close(2.0)
    assert list(tmp_path.iterdir()) == []


def test_closed_while_a_board_hangs_in_mid_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(port, "ANSWER_S", 1e6)
    monkeypatch.setattr(port, "SILENCE_S", 1e6)
    desk = Desk()
    with working(desk) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        look = until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 1.0)
        desk.silent = True
        time.sleep(0.05)
        assert worker.close(2.0)
    assert whole(look.path) == []


# --- disks and faults of our own


class Full(FileIO):
    """Takes so many bytes in all, half of a write too."""

    room = 0

    def write(self, data: object) -> int:
        view = memoryview(data)  # type: ignore[arg-type]
        if Full.room <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = super().write(view[: Full.room])
        Full.room -= taken
        return taken


@pytest.mark.parametrize("seed", range(5))
def test_a_disk_that_is_full(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    room = Full.room = (
        int(rng.integers(0, 4000)) if seed < 2 else int(rng.integers(10**5, 4 * 10**6))
    )
    monkeypatch.setattr(recording_writer, "FileIO", Full)
    recording = Recording.AT_ONCE if seed % 2 else Recording.TURNING
    with working(Desk()) as worker:
        worker.give(first := task(tmp_path, recording))
        look = until(worker, lambda s: s.phase is Phase.PROBLEM)
        assert look.problem.endswith(".bbr: the disk is full; make room or choose another disk")
        assert not look.there
        if room > 4000:
            assert look.path == str(tmp_path / "run.bbr")
            rows = sum(len(e) for e in events(look.path) if isinstance(e, Block))
            # Two int16 a row: all but the block that did not fit.
            assert 4 * rows > room - 4 * 0.7 * 250_000 - 60_000
        else:
            kept = [event for path in tmp_path.glob("*.bbr") for event in events(path)]
            assert not any(isinstance(event, Block) for event in kept)
        Full.room = 10**9
        worker.give(second := task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.task is second and s.seconds > 1.0)
        assert ended(worker).phase is Phase.DONE
        # What was written is measured, as after a crash.
        if room > 10**6:
            worker.give(third := replace(first, place=look.path, live=False, told={}))
            done = until(worker, lambda s: s.task is third and s.phase is Phase.DONE)
            assert done.result is not None
            assert done.result["trace"]["seconds"] > 0.5


def test_the_folder_of_the_recording_is_gone(tmp_path: Path) -> None:
    with working(Desk()) as worker:
        worker.give(task(tmp_path / "gone", Recording.AT_ONCE))
        look = until(worker, lambda s: s.phase is Phase.PROBLEM)
        assert (
            "cannot be written (no such file or directory); make the folder first" in look.problem
        )
        (tmp_path / "gone").mkdir()
        worker.give(given := task(tmp_path / "gone", Recording.AT_ONCE))
        until(worker, lambda s: s.task is given and s.seconds > 1.0)
        shutil.rmtree(tmp_path / "gone")
        assert ended(worker).phase is Phase.DONE  # what was measured is still true


def test_another_program_takes_the_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the look whether it is free and the making."""
    (tmp_path / "run.bbr").write_text("of another program")
    free = iter([tmp_path / "run.bbr", tmp_path / "run-2.bbr"])
    monkeypatch.setattr("breakerbench.app.course.free_path", lambda _: str(next(free)))
    with working(Desk()) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.phase is Phase.RECORDING and s.seconds > 0.5)
        assert ended(worker).path == str(tmp_path / "run-2.bbr")
    assert (tmp_path / "run.bbr").read_text() == "of another program"


@pytest.mark.parametrize("shown", [False, True])
def test_a_fault_of_the_analysis(
    shown: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BREAKERBENCH_TRACEBACK", "1" if shown else "")
    feed, fed = Analyzer.feed, [0]

    def faulty(self: Analyzer, event: Event) -> None:
        fed[0] += 1
        if fed[0] == 200:
            raise ZeroDivisionError("just so")
        feed(self, event)

    monkeypatch.setattr(Analyzer, "feed", faulty)
    with working(Desk()) as worker:
        worker.give(task(tmp_path, Recording.AT_ONCE))
        look = until(worker, lambda s: s.phase is Phase.PROBLEM)
        assert look.problem.startswith(
            "a fault of this program (ZeroDivisionError: just so); what was"
        )
        assert whole(tmp_path / "run.bbr") == []
        worker.give(second := task(tmp_path, Recording.AT_ONCE))
        until(worker, lambda s: s.task is second and s.seconds > 1.0)
        assert ended(worker).phase is Phase.DONE
    assert ("Traceback" in capsys.readouterr().err) is shown


# --- all of it at once


class Watched(Worker):
    """Looks at each look that is published."""

    def __init__(self, desk: Desk) -> None:
        self.wrong: list[str] = []
        self.done: list[Snapshot] = []
        super().__init__(desk.opener)

    def _publish(self, snapshot: Snapshot) -> None:
        before = self.snapshot
        super()._publish(snapshot)
        s = self.snapshot
        if s.number != before.number + 1 or s.at_s < before.at_s:
            self.wrong.append(f"number {s.number} after {before.number}")
        if (
            s.phase in (Phase.RECORDING, Phase.WORKING_OUT, Phase.DONE)
            and not Path(s.path).is_file()
        ):
            self.wrong.append(f"{s.phase} without a file: {s.path!r}")
        if (s.phase is Phase.DONE) is (s.result is None):
            self.wrong.append(f"{s.phase} with result {s.result is not None}")
        if bool(s.problem) is (s.phase is not Phase.PROBLEM):
            self.wrong.append(f"{s.phase} with problem {s.problem!r}")
        if "fault of this program" in s.problem:
            self.wrong.append(s.problem)
        if s.there and s.phase not in (*GOING, Phase.WORKING_OUT):
            self.wrong.append(f"there in {s.phase}")
        if s.phase is Phase.DONE and s.task is not None:
            self.done.append(s)


@contextmanager
def hammered(seed: int, folder: Path) -> Iterator[Watched]:
    rng = np.random.default_rng(seed)
    faults = None
    if rng.random() < 0.5:
        faults = BoardFaults(
            bytes_flipped=float(rng.choice([0.0, 1e-5])), frames_dropped=float(rng.choice([0.0, 1e-2])),
            resets_s=(float(rng.uniform(0.0, 3.0)),) if rng.random() < 0.4 else (), seed=seed,
        )  # fmt: skip
    desk = Desk(faults, float(rng.choice([3.0, 10.0, 30.0])))
    worker = Watched(desk)
    for step in range(int(rng.integers(3, 14))):
        kinds = ["give", "rest", "file", "finish", "unplug", "power", "reset", "silence"]
        kind = rng.choice(kinds, p=[0.3, 0.05, 0.1, 0.35, 0.05, 0.05, 0.05, 0.05])
        if step == 0:
            kind = "give"
        if kind == "give":
            desk.silent, desk.plugged = False, True
            kinds = np.array([Recording.AT_ONCE] * 3 + [Recording.TURNING, Recording.NO])
            worker.give(task(folder, rng.choice(kinds)))
        elif kind == "rest":
            worker.give(None)
        elif kind == "file":
            there = sorted(folder.glob("*.bbr"))
            if there:
                place = str(there[int(rng.integers(len(there)))])
                pace = float(rng.choice([0.0, 1.0, 30.0]))
                given = task(folder, Recording.NO, live=False, pace=pace)
                worker.give(replace(given, place=place, told={}))
        elif kind == "finish":
            worker.finish()
        elif kind == "unplug":
            desk.plugged = not desk.plugged
        elif kind == "power":
            desk.power()
        elif kind == "reset":
            desk.reset()
        else:
            desk.silent = not desk.silent
        if rng.random() < 0.75:
            wait_s = rng.choice([0.001, 0.01, 0.1, 0.4], p=[0.1, 0.2, 0.5, 0.2])
            time.sleep(float(wait_s * rng.uniform(0.3, 1.7)))
    assert worker.close()
    assert desk.open == 0
    yield worker


def hammer(seeds: range, tmp_path: Path) -> None:
    done = recordings = 0
    for seed in seeds:
        folder = tmp_path / str(seed)
        folder.mkdir()
        with hammered(seed, folder) as worker:
            assert worker.wrong == [], seed
        assert threads() == [], seed
        for path in folder.glob("*.bbr"):
            recordings += 1
            whole(path)
        for look in worker.done:
            done += 1
            assert look.task is not None
            hold(look.result, look.path, look.task)
        shutil.rmtree(folder)
    print(f"{len(seeds)} sequences, {recordings} recordings, {done} results")
    assert recordings > len(seeds) // 2
    assert done > len(seeds) // 4


def test_whatever_is_asked_in_whatever_order(tmp_path: Path, impatient: None) -> None:
    del impatient
    hammer(range(9), tmp_path)


@pytest.mark.sweep
def test_whatever_is_asked_in_whatever_order_at_length(tmp_path: Path, impatient: None) -> None:
    del impatient
    hammer(range(1000, 1400), tmp_path)
