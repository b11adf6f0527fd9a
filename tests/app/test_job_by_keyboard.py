"""From a new distributor to its result on the simulated board, by keys alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.driving import KEY, Driven, begun
from app.job_checks import check_job
from breakerbench.app.snapshot import Phase

pytestmark = pytest.mark.usefixtures("quiet")


def test_a_whole_job_by_keys(
    tmp_path: Path,
    windows: list[Driven],
    answers: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    driven = begun(tmp_path, windows, answers, monkeypatch)
    guide = driven.window.guide

    driven.type("42-B")
    driven.key(KEY.Key_Tab)
    driven.key(KEY.Key_End)  # a specification file...
    assert "four lobes, up to 650 rpm (invented)" in driven.said
    driven.key(KEY.Key_Tab)
    driven.key(KEY.Key_End)  # the simulated bench
    assert driven.great == "Begin"
    driven.key(KEY.Key_Return)
    assert driven.question == "Is the bench safe to start?"
    driven.key(KEY.Key_Return)
    assert driven.question == "Do the points open and close?"
    # The trace tells that it has been turned enough: no key.
    driven.until(lambda: "hand" in guide.results)
    assert "opening and closing" in driven.said
    driven.until(lambda: driven.question == "Is the gap right?", 10.0)

    driven.until(lambda: "The gap is right." in driven.said)
    driven.key(KEY.Key_Plus)
    driven.until(lambda: "Set the gap about 0.0" in driven.said and "closer" in driven.said)
    driven.key(KEY.Key_Minus)
    driven.until(lambda: "The gap is right." in driven.said)
    driven.key(KEY.Key_Space)
    assert driven.question == "Does it hold through all speeds, up and down?"
    # It begins and ends by itself as the drive turns and stops.
    driven.until(lambda: guide.worker.snapshot.phase is Phase.RECORDING)
    driven.key(KEY.Key_P)  # the next picture
    driven.until(lambda: "run" in guide.results)
    driven.spin(0.1)
    run_texts = driven.texts
    driven.until(lambda: driven.question.startswith("Is the spark strong"), 10.0)

    driven.until(lambda: "coil" in guide.results)
    driven.spin(0.1)
    coil_texts = driven.texts
    # What is to be switched off is to be read: it waits for a key.
    driven.spin(3.0)
    assert "Stop the drive, feed off." in driven.said
    driven.key(KEY.Key_Return)
    assert driven.question == "Is the condenser by itself in order?"
    driven.until(lambda: "condenser" in guide.results)
    driven.spin(0.1)
    condenser_texts = driven.texts
    driven.key(KEY.Key_Return)
    assert driven.question.startswith("Is it as it should be?")
    folder = Path(guide.job.folder)
    assert check_job(driven, folder, run_texts, coil_texts, condenser_texts) >= 10

    # Down the list by the arrows: each row has its picture and its words.
    while not driven.focus.inherits("QListWidget"):
        driven.key(KEY.Key_Tab)
    said = set()
    for _ in driven.rows:
        said.add(driven.window._stack.currentWidget().verdict.gallery.view.key)
        driven.key(KEY.Key_Down)
    assert {"advance", "lobes", "spacing", "current", "burn"} <= said
    driven.key(KEY.Key_PageDown)
    assert driven.question == "Which distributor is on the bench?"
