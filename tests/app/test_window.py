"""The window's manners: what it keeps, says, shows at once, and never does by itself."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import QMimeData, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import (
    QApplication,
    QComboBox,
    QLineEdit,
    QListWidget,
    QPushButton,
    QTextBrowser,
    QWidget,
)

from app.driving import CTRL, KEY, Driven, Still, opened
from app.figures import analyzed, rows_show, same_digits
from app.finished import STEPS, finished, results
from app.moments import moment, now
from app.runs import SAMPLES
from app.screens import enter, header_of, screens, waiting
from breakerbench.app import guide as guides
from breakerbench.app.job import DONE, OPEN, SKIPPED, load_job, load_settings
from breakerbench.app.parts import Figure
from breakerbench.app.snapshot import Phase
from breakerbench.app.theme import DARK
from breakerbench.cautions import CAUTIONS

pytestmark = pytest.mark.usefixtures("quiet", "answers")
Open = Callable[..., Driven]


@pytest.fixture
def start(tmp_path: Path, windows: list[Driven]) -> Open:
    """Starts the program on the test's folder, by itself with nothing behind it."""

    def made(still: bool = True, port: str | None = None) -> Driven:
        windows.append(opened(tmp_path, port, still))
        return windows[-1]

    return made


def worker(driven: Driven) -> Still:
    found = driven.window.guide.worker
    assert isinstance(found, Still)
    return found


def combo(driven: Driven, name: str) -> QComboBox:
    found: QComboBox = next(x for x in driven.seen(QComboBox) if x.accessibleName() == name)
    return found


# --- what is kept ---


def test_a_killed_program_comes_back_to_where_the_job_was(tmp_path: Path, start: Open) -> None:
    code = f"""
from app.driving import Driven, KEY, opened, shorten
from breakerbench.app.run import application
from breakerbench.app.snapshot import Phase
shorten(setattr)
application()
driven = opened({str(tmp_path)!r}, "sim")
driven.type("77")
driven.key(KEY.Key_Return)
driven.key(KEY.Key_Return)
driven.until(lambda: driven.window.guide.worker.snapshot.seconds > 4.0)
print("there", flush=True)
driven.spin(60.0)
"""
    paths = os.pathsep.join([str(Path(__file__).parents[1]), *sys.path])
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": paths},
    ) as program:  # fmt: skip
        assert program.stdout is not None
        assert program.stderr is not None
        assert program.stdout.readline() == "there\n", program.stderr.read()
        program.send_signal(signal.SIGKILL)
    folder = load_settings(str(tmp_path / "settings.json")).current
    job = load_job(folder)
    assert job is not None
    assert (job.tag, job.at, job.step("hand").state) == ("77", "hand", OPEN)

    driven = start(still=False)
    guide = driven.window.guide
    assert driven.question == "Do the points open and close?"
    assert "77 · " in driven.said
    # The recording has no result: it is measured, to the last second before the kill.
    driven.until(lambda: "hand" in guide.results)
    assert guide.results["hand"]["trace"]["seconds"] > 2.5
    told = analyzed(Path(folder) / "hand.bbr", Path(folder) / "specification.toml")
    assert guide.results["hand"]["hand"] == told["hand"]
    assert Path(folder, "hand.json").is_file()


def test_a_finished_job_comes_back_with_its_figures(tmp_path: Path, start: Open) -> None:
    folder = finished(tmp_path)
    driven = start()
    assert driven.question.startswith("Is it as it should be? No: ")
    before = list(driven.rows)
    assert rows_show(before, results()) > 5
    assert json.loads((folder / "run.json").read_text()) == results()["run"]
    assert worker(driven).given == []  # looked at, not measured again


def test_a_recording_without_a_result_is_measured(tmp_path: Path, start: Open) -> None:
    folder = finished(tmp_path, at="run", without=("run",))
    driven = start(still=False)
    guide = driven.window.guide
    driven.until(lambda: "run" in guide.results)
    told = analyzed(folder / "run.bbr", folder / "specification.toml")
    assert guide.results["run"]["decisions"] == told["decisions"]
    assert guide.job.step("run").state == DONE


def test_what_cannot_be_read_of_a_job_is_as_if_it_had_never_been(
    tmp_path: Path, start: Open
) -> None:
    folder = finished(tmp_path)
    (folder / "job.json").write_text('{"schema": 1, "steps": [')
    driven = start()
    assert driven.question == "Which distributor is on the bench?"


def test_each_picture_of_the_result_is_of_the_recording_that_answers_it(
    tmp_path: Path, start: Open
) -> None:
    finished(tmp_path)
    driven = start()
    verdict = driven.window._stack.currentWidget().verdict  # type: ignore[attr-defined]
    kinds = {view.key: view.subject.get("trace.kind") for view in verdict.gallery.views}
    assert kinds == {
        "advance": "run", "lobes": "run", "spacing": "run", "contact": "run", "current": "coil",
        "burn": "coil",
    }  # fmt: skip


@pytest.mark.parametrize("at", ["run", "outcome", "gap"])
def test_after_a_trace_the_job_stands_where_it_was(tmp_path: Path, start: Open, at: str) -> None:
    """What was measured is looked at, not measured again, and nothing of the trace goes on."""
    finished(tmp_path, at)
    driven = start()
    driven.spin(0.1)
    said, given = driven.said, worker(driven).given
    driven.window.show_trace(str(SAMPLES / "sticking-weights.bbr"))
    assert given[-1] is not None
    assert given[-1].place.endswith("sticking-weights.bbr")
    driven.key(KEY.Key_Escape)
    if at == "gap":
        assert given[-1] is not None
        assert (given[-1].place.split()[0], given[-1].live) == ("sim", True)
    else:
        assert given[-1] is None
    assert driven.said == said


def test_what_cannot_be_read_of_a_job_is_said_when_it_comes_back(
    tmp_path: Path, start: Open
) -> None:
    folder = finished(tmp_path, "outcome")
    (folder / "specification.toml").write_text("schema = 2\n")
    driven = start()
    driven.spin(0.1)
    assert "schema" in driven.said
    driven.key(KEY.Key_Backspace)
    assert "schema" not in driven.said


def test_what_is_wrong_with_a_trace_is_not_said_of_the_job(tmp_path: Path, start: Open) -> None:
    finished(tmp_path, "run")
    driven = start()
    driven.window.show_trace(str(SAMPLES / "sticking-weights.bbr"))
    driven.window.page._told.setText("colum points_v=CH1")  # type: ignore[union-attr]
    driven.window.page.play()  # type: ignore[union-attr]
    driven.spin(0.1)
    assert "colum" in driven.said
    driven.key(KEY.Key_Escape)
    assert "colum" not in driven.said


def test_what_was_typed_stays_while_a_trace_is_looked_at(start: Open) -> None:
    driven = start(port="sim")
    driven.type("42-C")
    driven.window.show_trace(str(SAMPLES / "hand-turned.bbr"))
    driven.key(KEY.Key_Escape)
    driven.key(KEY.Key_Return)
    assert driven.window.guide.job.tag == "42-C"


# --- the steps ---


def test_a_step_is_left_out_for_a_reason_that_is_kept(start: Open) -> None:
    driven = start(port="sim")
    driven.key(KEY.Key_Return)
    assert "Leave it out" not in driven.said  # the cautions are never left out
    driven.key(KEY.Key_Return)
    driven.key(KEY.Key_S)
    assert "Why is this step left out?" in driven.said
    driven.key(KEY.Key_Escape)
    assert driven.question == "Do the points open and close?"
    driven.click("Leave it out")
    driven.click("done elsewhere")
    assert driven.question == "Is the gap right?"
    driven.key(KEY.Key_S)
    driven.type("the  plate is  riveted")
    driven.key(KEY.Key_Return)
    assert driven.question == "Does it hold through all speeds, up and down?"
    guide = driven.window.guide
    job = load_job(guide.job.folder)
    assert job is not None
    assert job.steps["hand"].state == SKIPPED
    assert job.steps["hand"].reason == "done elsewhere"
    assert job.steps["gap"].reason == "the plate is riveted"
    assert driven.said.count("left out") == 2


def test_without_a_reason_nothing_is_left_out(start: Open) -> None:
    driven = start(port="sim")
    driven.key(KEY.Key_Return, times=2)
    driven.key(KEY.Key_S)
    driven.type("   ")
    driven.key(KEY.Key_Return)
    assert "Why is this step left out?" in driven.said
    assert driven.window.guide.job.step("hand").state == OPEN


def test_f5_repeats_the_last(tmp_path: Path, start: Open) -> None:
    driven = start(port="sim")
    assert "Repeat the last" not in driven.said
    driven.type("first")
    box = combo(driven, "what it is to be like")
    box.setCurrentIndex(box.findData("demo"))
    box = combo(driven, "the simulated distributor")
    box.setCurrentIndex(1)
    driven.key(KEY.Key_Return)
    first = driven.window.guide.job
    driven.window.close()
    # Told by the settings: also after another start, and after the result of the last.
    settings = load_settings(str(tmp_path / "settings.json"))
    assert settings.last is not None
    (Path(first.folder) / "job.json").unlink()
    again = start()
    assert "Repeat the last: the distributor of the demo (invented)" in again.said
    again.key(KEY.Key_F5)
    second = again.window.guide.job
    assert (second.spec, second.port, second.faults) == (first.spec, first.port, first.faults)
    assert second.tag == ""
    assert second.folder != first.folder
    assert again.question == "Is the bench safe to start?"


def test_the_foot_switch_is_one_key(start: Open) -> None:
    driven = start(port="sim")
    driven.key(KEY.Key_F8)
    assert driven.question == "Is the bench safe to start?"
    driven.key(KEY.Key_F2)
    assert "Settings" in driven.said
    driven.click(next(x for x in driven.seen(QPushButton) if x.text() == "F8"))
    assert "press the foot-switch now" in driven.said
    driven.key(KEY.Key_Pause)
    assert load_settings(driven.window.guide._settings_path).foot_key == "Pause"
    driven.key(KEY.Key_Escape)
    driven.key(KEY.Key_F8)
    assert driven.question == "Is the bench safe to start?"
    # It presses the great button wherever the focus is.
    driven.window._again.setFocus()
    driven.key(KEY.Key_Pause)
    assert driven.question == "Do the points open and close?"


def test_a_foot_switch_that_bounces_presses_once(start: Open) -> None:
    driven = start(port="sim")
    for _ in range(3):
        QTest.keyClick(driven.focus, KEY.Key_F8)
    driven.spin(0.1)
    assert driven.question == "Is the bench safe to start?"


def test_cautions_come_once_for_each_start(start: Open) -> None:
    driven = start(port="sim")
    driven.key(KEY.Key_Return)
    for caution in CAUTIONS:
        assert caution in driven.said
    driven.key(KEY.Key_Return)
    driven.window.guide.next_distributor()
    driven.spin(0.05)
    driven.key(KEY.Key_Return)
    assert driven.question == "Do the points open and close?"
    driven.key(KEY.Key_2)  # they can be read again
    assert driven.question == "Is the bench safe to start?"
    driven.window.close()
    again = start()
    again.window.guide.next_distributor()
    again.spin(0.05)
    again.key(KEY.Key_Return)
    assert again.question == "Is the bench safe to start?"


STEP = """
from PySide6.QtWidgets import QLabel, QVBoxLayout
from breakerbench.app.steps.step import Said, Step


class WickStep(Step):
    key, title, place = "wick", "Oil the wick", 45
    question = "Is the wick oiled?"

    def __init__(self, guide):
        super().__init__(guide)
        box = QVBoxLayout(self)
        box.addWidget(QLabel("a drop, no more"))

    def draw(self, snapshot):
        return Said("Oil it, then go on.", "It is oiled")


STEP = WickStep
"""


def test_a_step_is_added_by_one_file(
    tmp_path: Path, start: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    from breakerbench.app import steps  # noqa: PLC0415  its path is changed

    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "wick.py").write_text(STEP)
    monkeypatch.setattr(steps, "__path__", [*steps.__path__, str(tmp_path / "more")])
    try:
        driven = start(port="sim")
        driven.key(KEY.Key_Return, times=2)
        driven.key(KEY.Key_4)
        assert driven.question == "Is the gap right?"
        worker(driven).look(phase=Phase.WATCHING, there=True, header=header_of("healthy-12v.bbr"))
        driven.spin(0.1)
        driven.key(KEY.Key_Return)
        assert driven.question == "Is the wick oiled?"
        assert "a drop, no more" in driven.said
        assert "5  Oil the wick" in driven.said
        driven.key(KEY.Key_Return)
        assert driven.question == "Does it hold through all speeds, up and down?"
        assert driven.window.guide.job.step("wick").state == DONE
    finally:
        sys.modules.pop("breakerbench.app.steps.wick", None)


# --- settings hold at once ---


def test_a_theme_holds_at_once(start: Open) -> None:
    driven = start(port="sim")
    driven.key(KEY.Key_F2)
    box = combo(driven, "Light or dark")
    for theme in ("dark", "light"):
        assert driven.focus is box
        for _ in range(3):
            if box.currentData() != theme:
                driven.key(KEY.Key_Down if theme == "dark" else KEY.Key_Up)
        ground = driven.window.grab().toImage().pixelColor(5, 300).name()
        assert ground == driven.window.inks.paper
        assert driven.window.inks.dark == (theme == "dark")
        assert load_settings(driven.window.guide._settings_path).theme == theme
    assert DARK.paper != driven.window.inks.paper


def test_crankshaft_units_are_doubled_and_named_on_every_screen(
    tmp_path: Path, start: Open
) -> None:
    finished(tmp_path)
    driven = start()
    shown: dict[str, dict[str, str]] = {}
    for basis in ("distributor", "crankshaft"):
        driven.window.guide.set(degrees=basis, speed=basis)
        driven.window.set_look()
        found = {}
        for name in screens(driven):
            rows = "\n".join(
                rows.item(k).text()
                for rows in driven.seen(QListWidget)
                for k in range(rows.count())
            )
            found[name] = f"{driven.said}\n{rows}"
        shown[basis] = found
        finished_again(driven)
    wanted = {
        "gap, watching": ("53.9", "107.8"), "run, recording": ("1,050", "2,100"),
        "coil, recording": ("1,050", "2,100"),
    }  # fmt: skip
    for name, (one, two) in wanted.items():
        assert one in shown["distributor"][name], name
        assert two in shown["crankshaft"][name], name
        assert "crank" in shown["crankshaft"][name], name
    mean = results()["run"]["dwell"]["mean_deg"]
    for name in ("outcome, done", "trace, done", "run, done"):
        assert f"{mean:.1f}"[:4] in shown["distributor"][name], name
        assert f"{2 * mean:.1f}"[:5] in shown["crankshaft"][name], name
        assert "crank deg" in shown["crankshaft"][name], name
    for name, text in shown["distributor"].items():
        if not name.startswith("settings"):
            assert "crank " not in text, name


def finished_again(driven: Driven) -> None:
    """The results that the screens have taken away are there again."""
    driven.window.guide.results = dict(results())


def test_gaps_in_thousandths(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    driven.window.guide.set(gap="inch")
    driven.window.set_look()
    live = now(dwell_deg=48.0, rpm=400.0)
    waiting(driven, "gap", Phase.WATCHING, live=live)
    for _ in range(40):
        worker(driven).look(live=live)
        driven.spin(0.06)
    assert "Set the gap about 3 thousandths of an inch (0.08 mm) closer" in driven.said


# --- what must not be overlooked ---


def test_simulated_is_said_on_every_screen(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    without = [name for name in screens(driven) if "SIMULATED" not in driven.said]
    # Help and settings show no figures of a distributor.
    assert [name for name in without if not name.startswith(("help", "settings"))] == []


def test_a_real_board_is_not_called_simulated(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    guide = driven.window.guide
    guide.job = replace(guide.job, port="/dev/ttyACM0")
    real = replace(header_of("healthy-12v.bbr"), simulated=False)
    waiting(driven, "run", Phase.RECORDING, live=now(), pictures=moment())
    worker(driven).look(header=real)
    driven.spin(0.1)
    assert "SIMULATED" not in driven.said


def test_away_and_old_are_said(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    waiting(driven, "run", Phase.RECORDING, live=now(), pictures=moment())
    driven.spin(0.1)
    assert "OLD" not in driven.said
    assert "away" not in driven.said
    worker(driven).look(age_s=3.0)
    driven.spin(0.1)
    assert "OLD: nothing has come from the board for 3 s." in driven.said
    worker(driven).look(there=False, away_why="it does not answer")
    driven.spin(0.1)
    assert "The board is away (it does not answer). Plug it in again" in driven.said
    great = driven.seen(Figure)[0]
    assert great.faded
    worker(driven).look(there=True, times_away=1)
    driven.spin(0.1)
    assert "The board was away once and is back." in driven.said
    assert not great.faded


def test_a_problem_is_said_with_its_mend(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    problem = "--port auto: no board of ours is plugged in; plug it in"
    waiting(driven, "run", Phase.PROBLEM, problem=problem)
    driven.spin(0.1)
    assert problem in driven.said
    assert "Do what the red line above says." in driven.said
    driven.key(KEY.Key_R)
    assert worker(driven).given[-1] is not None
    driven.spin(0.1)
    assert problem not in driven.said


# --- it moves on by itself, or not ---


def done_by_hand(driven: Driven) -> None:
    """The hand-turned trace has just been worked out."""
    waiting(driven, "hand", Phase.WORKING_OUT)
    path = driven.window.guide.job.folder + "/hand.bbr"
    worker(driven).look(phase=Phase.DONE, result=results()["hand"], path=path)
    driven.spin(0.1)
    assert driven.great == "Go on"


def test_it_moves_on_by_itself(
    tmp_path: Path, start: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guides, "MOVES_ON_S", 0.3)
    finished(tmp_path)
    driven = start()
    job = driven.window.guide.job
    for key in ("hand", "gap"):
        job = job.with_step(key, state=OPEN)
    driven.window.guide.job = job
    done_by_hand(driven)
    driven.until(lambda: driven.question == "Is the gap right?", 3.0)


@pytest.mark.parametrize("touch", ["key", "mouse"])
def test_nothing_moves_on_by_itself_once_somebody_touched_it(
    tmp_path: Path, start: Open, monkeypatch: pytest.MonkeyPatch, touch: str
) -> None:
    monkeypatch.setattr(guides, "MOVES_ON_S", 0.3)
    finished(tmp_path)
    driven = start()
    done_by_hand(driven)
    if touch == "key":
        driven.key(KEY.Key_Shift)
    else:
        driven.click(driven.window._question)
    driven.spin(1.0)
    assert driven.question == "Do the points open and close?"
    driven.key(KEY.Key_Return)
    assert driven.question != "Do the points open and close?"


# --- a trace from a file ---


def drop(driven: Driven, *paths: Path) -> bool:
    """Files are dragged over the window and let go; whether they were taken."""
    held = QMimeData()
    held.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    at, action = QPointF(300, 300), Qt.DropAction.CopyAction
    button, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    over = QDragEnterEvent(at.toPoint(), action, held, button, none)
    over.ignore()
    QApplication.sendEvent(driven.window, over)
    if not over.isAccepted():
        return False
    QApplication.sendEvent(driven.window, QDropEvent(at, action, held, button, none))
    driven.spin(0.05)
    return True


def test_a_dropped_recording_is_measured(start: Open) -> None:
    driven = start(still=False)
    assert drop(driven, SAMPLES / "healthy-12v.bbr")
    driven.until(lambda: "healthy-12v.bbr: " in driven.said and driven.seen(QListWidget))
    assert combo(driven, "specification").currentText() == "none: measure, judge nothing"
    told = analyzed(SAMPLES / "healthy-12v.bbr")
    mean = [row for row in driven.rows if row.strip().startswith("dwell")]
    same_digits(mean[0].split("\n")[1].strip(), told["dwell"]["mean_deg"], told["dwell"]["u_deg"])
    assert "SIMULATED" in driven.said


def test_what_is_no_one_file_is_not_taken(tmp_path: Path, start: Open) -> None:
    driven = start()
    assert not drop(driven)
    assert not drop(driven, tmp_path)
    assert not drop(driven, SAMPLES / "healthy-12v.bbr", SAMPLES / "bounce.bbr")
    assert not drop(driven, tmp_path / "nothing.bbr")


def test_an_import_with_columns_that_are_told(tmp_path: Path, start: Open) -> None:
    text = (SAMPLES / "healthy-6v-positive-ground.csv").read_text()
    assert "points_v" in text
    path = tmp_path / "as the scope has it.csv"
    path.write_text(text.replace("points_v", "CH 1", 1) if "# " not in text else _renamed(text))
    driven = start(still=False)
    assert drop(driven, path)
    driven.until(lambda: driven.window._trouble.isVisible())
    assert "cannot be measured. See the red line above." in driven.said
    edit = next(
        x for x in driven.seen(QLineEdit) if x.accessibleName() == "what the file does not say"
    )
    driven.click(edit)
    driven.type("column 'points_v=CH 1'")
    driven.key(KEY.Key_Tab)
    driven.until(lambda: driven.window.guide.worker.snapshot.phase is Phase.DONE)
    driven.spin(0.1)
    whole = driven.window.guide.worker.snapshot.result
    assert whole is not None
    assert whole["dwell"]["percent"] is not None
    assert not driven.window._trouble.isVisible()


def _renamed(text: str) -> str:
    lines = text.splitlines(keepends=True)
    k = next(n for n, line in enumerate(lines) if not line.startswith("#"))
    lines[k] = lines[k].replace("points_v", "CH 1")
    return "".join(lines)


@pytest.mark.parametrize(
    "content", [b"", b"not a trace at all\n", b"BBR\x00\xff" * 50, b"time_s,x\n1,"]
)
def test_a_broken_file_is_said_in_plain_words(tmp_path: Path, start: Open, content: bytes) -> None:
    for name in ("broken.bbr", "broken.csv", "broken.wav", "broken.vcd"):
        (tmp_path / name).write_bytes(content)
    driven = start(still=False)
    for name in ("broken.bbr", "broken.csv", "broken.wav", "broken.vcd"):
        assert drop(driven, tmp_path / name)
        driven.until(lambda: driven.window.guide.worker.snapshot.phase is Phase.PROBLEM)
        driven.spin(0.1)
        assert driven.window._trouble.isVisible()
        problem = driven.window.guide.worker.snapshot.problem
        assert problem in driven.said
        assert name in problem
        assert ";" in problem or ":" in problem
        assert "Traceback" not in problem
        assert "fault of this program" not in problem
        assert not driven.seen(QListWidget)  # nothing stands there that was of another file
        driven.key(KEY.Key_Escape)
        assert not driven.window._trouble.isVisible()


def test_a_wrong_word_about_a_file_is_said(start: Open) -> None:
    driven = start()
    drop(driven, SAMPLES / "healthy-12v.bbr")
    edit = next(
        x for x in driven.seen(QLineEdit) if x.accessibleName() == "what the file does not say"
    )
    driven.click(edit)
    driven.type("colum points_v=CH1")
    driven.key(KEY.Key_Tab)
    assert "colum: a word that says nothing of a file" in driven.said


def test_what_lies_over_a_trace_leads_back_to_it(start: Open, tmp_path: Path) -> None:
    """Once the help was closed, the step under it took the trace's result for its own."""
    file = shutil.copy(SAMPLES / "healthy-12v.bbr", tmp_path / "own.bbr")
    finished(tmp_path, at="outcome")
    driven = start(still=False)
    guide = driven.window.guide
    job, kept = guide.job, dict(guide.results)
    drop(driven, Path(file))
    trace = driven.window.page
    driven.key(KEY.Key_F1)
    assert driven.window.page is not trace
    driven.until(lambda: guide.worker.snapshot.phase is Phase.DONE)
    driven.key(KEY.Key_Escape)
    driven.spin(0.2)
    assert driven.window.page is trace
    assert driven.rows
    driven.key(KEY.Key_F1)
    drop(driven, Path(file))  # it comes up from under the help
    assert driven.window.page is trace
    driven.until(lambda: guide.worker.snapshot.phase is Phase.DONE)
    driven.key(KEY.Key_Escape)
    driven.key(KEY.Key_Escape)
    assert driven.window.page is None
    driven.spin(0.2)
    assert (guide.job, guide.results) == (job, kept)
    assert [each.name for each in tmp_path.glob("own*")] == ["own.bbr"]


def test_a_replay_at_twenty_times(start: Open) -> None:
    driven = start(still=False)
    drop(driven, SAMPLES / "sticking-weights.bbr")
    guide = driven.window.guide
    driven.until(lambda: guide.worker.snapshot.phase is Phase.DONE)
    at_once = guide.worker.snapshot.result
    assert at_once is not None
    driven.click("20 x")
    begun_s = time.monotonic()
    speeds = set()

    def played() -> bool:
        snapshot = guide.worker.snapshot
        if snapshot.live is not None and snapshot.live.rpm:
            speeds.add(round(snapshot.live.rpm))
        return (
            snapshot.phase is Phase.DONE
            and snapshot.task is not None
            and snapshot.task.pace == 20.0
        )

    driven.until(played)
    took_s = time.monotonic() - begun_s
    seconds = at_once["trace"]["seconds"]
    assert took_s >= seconds / 20.0 - 0.1  # never faster than asked for
    assert len(speeds) > 10
    assert guide.worker.snapshot.result == at_once
    driven.spin(0.1)
    assert driven.rows


def test_two_runs_over_each_other(start: Open, answers: dict[str, str]) -> None:
    driven = start(still=False)
    drop(driven, SAMPLES / "healthy-12v.bbr")
    guide = driven.window.guide
    driven.until(lambda: guide.worker.snapshot.phase is Phase.DONE)
    driven.spin(0.1)
    answers["open"] = str(SAMPLES / "sticking-weights.bbr")
    driven.click("Lay another over it")
    driven.until(lambda: "sticking-weights.bbr lies over it" in driven.said)
    page = driven.window.page
    assert page is not None
    views = page.verdict.gallery.views  # type: ignore[attr-defined]
    view = next(each for each in views if each.key == "advance")
    assert view.subject.title == "healthy-12v.bbr"
    assert view.other.title == "sticking-weights.bbr"
    columns, rows = view.table()
    assert {row[columns.index("run")] for row in rows} == {1, 2}


# --- for those who hear it, and for keys alone ---


def test_every_part_has_a_name_for_a_screen_reader(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    for name in screens(driven):
        for kind in (QPushButton, QComboBox, QLineEdit, QListWidget, QTextBrowser, Figure):
            for part in driven.seen(kind):
                if isinstance(part.parentWidget(), QComboBox) or "spin" in str(part.objectName()):
                    continue
                if isinstance(part, Figure) and not part.text:
                    continue
                assert part.accessibleName(), (name, part)
        for part in driven.seen(Figure):
            assert part.text in part.accessibleName(), name


def test_tab_reaches_every_button(tmp_path: Path, start: Open) -> None:
    finished(tmp_path)
    driven = start()
    for key in STEPS:
        enter(driven, key)
        driven.spin(0.05)
        _reached(driven, key)
    for show in ("show_help", "show_settings"):
        getattr(driven.window, show)()
        driven.spin(0.05)
        _reached(driven, show)
        driven.key(KEY.Key_Escape)
    enter(driven, "run")
    driven.window.show_skip()
    driven.spin(0.05)
    _reached(driven, "skip")
    driven.key(KEY.Key_Escape)
    driven.window.show_trace(str(SAMPLES / "healthy-12v.bbr"))
    driven.spin(0.05)
    _reached(driven, "trace")


def _reached(driven: Driven, name: str) -> None:
    wanted: set[QWidget] = {each for each in driven.seen(QPushButton) if each.isEnabled()}
    # Of a group of which one is chosen, Tab goes to that one and the arrows to the others.
    groups = {each.group() for each in wanted if isinstance(each, QPushButton) and each.group()}
    reached: set[QWidget] = set()
    for _ in range(120):
        driven.window.focusNextChild()
        focus = QApplication.focusWidget()
        if focus is None or focus in reached:
            break
        reached.add(focus)
    left = {
        each for each in wanted - reached
        if not (isinstance(each, QPushButton) and each.group() in groups
                and any(other in reached for other in each.group().buttons()))
    }  # fmt: skip
    assert not left, (name, [each.text() for each in left if isinstance(each, QPushButton)])


def test_escape_leads_back_from_every_page(tmp_path: Path, start: Open) -> None:
    finished(tmp_path, at="run")
    driven = start()
    for show in ("show_help", "show_settings", "show_skip"):
        getattr(driven.window, show)()
        driven.spin(0.05)
        assert driven.window.page is not None
        driven.key(KEY.Key_Escape)
        assert driven.window.page is None
    driven.key(KEY.Key_O, CTRL)  # nothing was chosen in the dialog
    assert driven.window.page is None


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="threads are counted in /proc")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_polite_kill_closes_the_window(tmp_path: Path, number: signal.Signals) -> None:
    """The real command, ended from outside: no traceback, no process left."""
    command = [
        sys.executable,
        "-m",
        "breakerbench",
        "app",
        "--port",
        "sim",
        "--folder",
        str(tmp_path),
    ]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True) as program:
        end_s = time.monotonic() + 30.0
        # The worker's thread is there just before the window.
        while len(os.listdir(f"/proc/{program.pid}/task")) < 2 and time.monotonic() < end_s:
            time.sleep(0.1)
        time.sleep(4.0)
        program.send_signal(number)
        out, error = program.communicate(timeout=10.0)
    assert (program.returncode, out, error) == (0, "", "")
