"""The job and the settings on the disk: written whole or not at all, read with nothing believed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.runs import SAMPLES
from breakerbench.app import job as jobs
from breakerbench.app.job import Job, Settings, StepState
from breakerbench.pipeline import analyze
from breakerbench.sources.open import open_trace

ANYWHERE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])

TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
STEP = st.builds(
    StepState,
    state=st.sampled_from([jobs.OPEN, jobs.DONE, jobs.SKIPPED]),
    reason=TEXT,
    recording=TEXT,
)
JOB = st.builds(
    Job, tag=TEXT, spec=TEXT, port=TEXT, faults=st.lists(TEXT, max_size=3).map(tuple),
    sim_gap_mm=st.none() | st.floats(-1.0, 2.0), folder=TEXT, at=TEXT,
    steps=st.dictionaries(TEXT, STEP, max_size=4),
)  # fmt: skip
SHAFT = st.sampled_from(["distributor", "crankshaft"])
SETTINGS = st.builds(
    Settings, theme=st.sampled_from(["", "light", "dark"]), degrees=SHAFT, speed=SHAFT,
    gap=st.sampled_from(["mm", "inch"]), encoder_pulses=st.integers(0, 1_000_000),
    probe_megohm=st.floats(0.0, 1e6),
    coil_c=st.floats(-300.0, 1e6), foot_key=TEXT,
    folder=TEXT, last=st.none() | JOB, current=TEXT,
)  # fmt: skip
NUMBER = st.integers() | st.floats()
HOSTILE = st.recursive(
    st.none() | st.booleans() | NUMBER | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@ANYWHERE
@given(JOB)
def test_a_job_is_read_as_it_was_written(tmp_path: Path, job: Job) -> None:
    jobs.save(job, str(tmp_path / jobs.STATE_FILE))
    assert jobs.load_job(str(tmp_path)) == job
    assert [path.name for path in tmp_path.iterdir()] == [jobs.STATE_FILE]


@ANYWHERE
@given(SETTINGS)
def test_settings_are_read_as_they_were_written(tmp_path: Path, value: Settings) -> None:
    path = str(tmp_path / jobs.SETTINGS_FILE)
    jobs.save(value, path)
    assert jobs.load_settings(path) == value


@pytest.mark.skipif(os.name == "nt", reason="such names are of Unix")
def test_a_folder_whose_name_is_no_utf_8(tmp_path: Path) -> None:
    folder = os.path.join(str(tmp_path), os.fsdecode(b"d\xe9pot"))
    os.mkdir(folder)
    job = Job("A1", folder=folder)
    jobs.save(job, os.path.join(folder, jobs.STATE_FILE))
    assert jobs.load_job(folder) == job


def test_cut_anywhere_it_is_as_if_nothing_were_there(tmp_path: Path) -> None:
    path = tmp_path / jobs.STATE_FILE
    jobs.save(Job("A1", steps={"run": StepState(jobs.DONE, "", "run.bbr")}), str(path))
    whole = path.read_bytes()
    for size in range(len(whole) - 1):  # the last is the end of the line
        path.write_bytes(whole[:size])
        assert jobs.load_job(str(tmp_path)) is None
    path.write_bytes(whole)
    assert jobs.load_job(str(tmp_path)) is not None


@pytest.mark.parametrize(
    "content",
    [
        b"", b"\0" * 100, b"\xff\xfe\x00", b"[1]", b"7", b"null", b'{"schema": 2}', b"{}",
        b"[" * 100_000, b'{"schema": 1, "tag": ' + b"9" * 5000 + b"}", b'{"schema": NaN}',
        b'{"schema": 1, "sim_gap_mm": Infinity}',
    ],
)  # fmt: skip
def test_what_is_not_ours_is_as_if_nothing_were_there(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / jobs.STATE_FILE
    path.write_bytes(content)
    assert jobs.load_job(str(tmp_path)) is None
    assert jobs.load_settings(str(path)) == Settings()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes of that kind")
def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / jobs.STATE_FILE)
    (tmp_path / jobs.SETTINGS_FILE).mkdir()
    assert jobs.load_job(str(tmp_path)) is None
    assert jobs.load_settings(str(tmp_path / jobs.SETTINGS_FILE)) == Settings()
    assert jobs.load_job(str(tmp_path / "none")) is None
    assert jobs.load_job("a\0b") is None


def test_an_enormous_file_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / jobs.STATE_FILE).open("wb") as file:
        file.truncate(1 << 40)  # of nothing: it takes no room on the disk
    assert jobs.load_job(str(tmp_path)) is None


@ANYWHERE
@given(st.data())
def test_hostile_values_leave_what_each_field_may_hold(tmp_path: Path, data: st.DataObject) -> None:
    """One field or several; those of the others are kept."""
    job = data.draw(JOB)
    value = replace(data.draw(SETTINGS), last=job)
    raw = {"schema": 1, **asdict(value)}
    own: dict[str, Any] = raw["last"]
    own["steps"] = {"run": {"state": "open", "reason": "", "recording": ""}}
    spoiled = data.draw(st.sets(st.sampled_from(sorted(raw.keys() - {"schema", "last"}))))
    in_job = data.draw(st.sets(st.sampled_from(sorted(own))))
    in_step = data.draw(st.sets(st.sampled_from(["state", "reason", "recording"])))
    for key in spoiled:
        raw[key] = data.draw(HOSTILE)
    for key in in_step:
        own["steps"]["run"][key] = data.draw(HOSTILE)
    for key in in_job:
        own[key] = data.draw(HOSTILE)
    path = tmp_path / jobs.SETTINGS_FILE
    path.write_text(json.dumps(raw))
    read = jobs.load_settings(str(path))
    if "NaN" in path.read_text() or "Infinity" in path.read_text():
        return  # of a text that is no JSON nothing is taken
    for each in fields(Settings):
        if each.name not in spoiled and each.name != "last":
            assert getattr(read, each.name) == getattr(value, each.name)
    assert read.last is not None
    for name in {"tag", "spec", "port", "folder", "at", "faults", "sim_gap_mm"} - in_job:
        assert getattr(read.last, name) == getattr(job, name)
    # Whatever it was: it can be drawn, told, and written again.
    assert read.theme in ("", "light", "dark")
    assert {read.degrees, read.speed} <= {"distributor", "crankshaft"}
    assert read.gap in ("mm", "inch")
    assert 0 <= read.encoder_pulses <= 1_000_000
    assert max(abs(read.probe_megohm), abs(read.coil_c)) <= 1e6
    assert all(isinstance(each, str) for each in read.last.faults)
    assert all(s.state in (jobs.OPEN, jobs.DONE, jobs.SKIPPED) for s in read.last.steps.values())
    jobs.save(read, str(path))
    assert jobs.load_settings(str(path)) == read


# --- results


def test_a_result_is_kept_beside_its_recording(tmp_path: Path) -> None:
    source = open_trace(next(iter(sorted(SAMPLES.glob("*.bbr")))))
    try:
        result = analyze(source)
    finally:
        source.close()
    recording = str(tmp_path / "run-2.bbr")
    assert jobs.load_result(recording) is None
    jobs.save_result(recording, result)
    assert [path.name for path in tmp_path.iterdir()] == ["run-2.json"]
    assert jobs.load_result(recording) == json.loads(json.dumps(result))
    for name in (*jobs.TABLES, *jobs.LISTS):
        other = dict(result)
        del other[name]
        jobs.save_result(recording, other)
        assert jobs.load_result(recording) is None
    jobs.save_result(recording, {**result, "hand": [1]})
    assert jobs.load_result(recording) is None


# --- written whole or not at all

KILLED = """
import os, signal, sys
from breakerbench.app import job as jobs
{spoil}
jobs.save(jobs.Job("new"), sys.argv[1])
"""


@pytest.mark.skipif(os.name == "nt", reason="kill -9 is of Unix")
@pytest.mark.parametrize("when", ["fsync", "replace"])
def test_killed_between_write_and_rename_the_old_one_is_left(when: str, tmp_path: Path) -> None:
    path = tmp_path / jobs.STATE_FILE
    jobs.save(Job("old"), str(path))
    code = KILLED.format(spoil=f"os.{when} = lambda *_: os.kill(os.getpid(), signal.SIGKILL)")
    ran = subprocess.run([sys.executable, "-c", code, path], check=False)
    assert ran.returncode == -signal.SIGKILL
    assert jobs.load_job(str(tmp_path)) == Job("old")
    assert len(list(tmp_path.iterdir())) == 2  # what was begun lies beside it, and harms nobody
    jobs.save(Job("newer"), str(path))
    assert jobs.load_job(str(tmp_path)) == Job("newer")


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_what_cannot_be_written_leaves_the_old_one_and_nothing_beside(
    step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / jobs.STATE_FILE
    jobs.save(Job("old"), str(path))

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(jobs.os, step, full)
    with pytest.raises(OSError, match="No space left"):
        jobs.save(Job("new"), str(path))
    monkeypatch.undo()
    assert jobs.load_job(str(tmp_path)) == Job("old")
    assert [each.name for each in tmp_path.iterdir()] == [jobs.STATE_FILE]


def test_two_programs_write_the_same_settings(tmp_path: Path) -> None:
    path = str(tmp_path / jobs.SETTINGS_FILE)
    code = (
        "import sys; from breakerbench.app import job as jobs\n"
        "for n in range(150): jobs.save(jobs.Settings(current=sys.argv[2] * 500), sys.argv[1])"
    )
    both = [subprocess.Popen([sys.executable, "-c", code, path, name]) for name in "ab"]
    seen = set()
    while any(each.poll() is None for each in both):
        seen.add(jobs.load_settings(path).current[:1])
    assert [each.wait() for each in both] == [0, 0]
    assert seen <= {"", "a", "b"}
    assert jobs.load_settings(path).current in ("a" * 500, "b" * 500)
    assert os.listdir(tmp_path) == [jobs.SETTINGS_FILE]


# --- folders


def test_two_of_the_same_name_have_folders_of_their_own(tmp_path: Path) -> None:
    root = tmp_path / "not there yet" / "jobs"
    made = [jobs.new_folder(str(root), "Red one / 7") for _ in range(3)]
    names = [Path(path).name for path in made]
    assert names[0].endswith("-Red-one-7")
    assert names[1:] == [f"{names[0]}-2", f"{names[0]}-3"]
    assert all(Path(path).is_dir() for path in made)


def test_made_at_the_same_moment(tmp_path: Path) -> None:
    made: list[str] = []
    threads = [
        threading.Thread(target=lambda: made.append(jobs.new_folder(str(tmp_path / "jobs"), "x")))
        for _ in range(12)
    ]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(set(made)) == 12


@ANYWHERE
@given(st.text(max_size=80))
def test_any_tag_makes_a_name_that_every_system_takes(tmp_path: Path, tag: str) -> None:
    folder = Path(jobs.new_folder(str(tmp_path), tag))
    assert folder.parent == tmp_path
    assert folder.name.isascii()
    assert len(folder.name) < 64


@pytest.mark.parametrize("what", ["a file", "a link to nowhere"])
def test_where_no_folder_can_be_made(what: str, tmp_path: Path) -> None:
    root = tmp_path / "jobs"
    if what == "a file":
        root.write_text("")
    else:
        root.symlink_to(tmp_path / "nowhere")
    with pytest.raises(OSError, match="exists"):
        jobs.new_folder(str(root), "A1")
