"""From a new distributor to its result on the simulated board, by the mouse alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import QPoint
from PySide6.QtWidgets import QApplication, QComboBox, QListWidget

from app.driving import Driven, begun
from app.job_checks import check_job
from breakerbench.app.snapshot import Phase

pytestmark = pytest.mark.usefixtures("quiet")


def choose(driven: Driven, name: str, text: str) -> None:
    """Opens a list and clicks the row that begins so."""
    combo = next(each for each in driven.seen(QComboBox) if each.accessibleName() == name)
    driven.click(combo)
    view = combo.view()
    assert QApplication.activePopupWidget() is not None
    row = next(k for k in range(combo.count()) if combo.itemText(k).startswith(text))
    index = combo.model().index(row, 0)
    view.scrollTo(index)
    driven.spin(
        0.6
    )  # a list that has just come up takes no click, so that nobody chooses by mistake
    driven.press_at(view.viewport(), view.visualRect(index).center())
    assert combo.currentText().startswith(text) or text.endswith("...")


def test_a_whole_job_by_clicks(
    tmp_path: Path,
    windows: list[Driven],
    answers: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    driven = begun(tmp_path, windows, answers, monkeypatch)
    guide = driven.window.guide

    choose(driven, "what it is to be like", "a specification file...")
    choose(driven, "where the data come from", "SIMULATED")
    driven.click("Begin")
    driven.click("The bench is safe")
    driven.until(lambda: guide.worker.snapshot.hand and guide.worker.snapshot.hand.openings >= 16)
    driven.click("That is all")
    driven.until(lambda: "hand" in guide.results)
    driven.spin(0.1)
    # Somebody has touched it: it waits.
    driven.click(driven.window._question)
    driven.spin(3.0)
    assert driven.question == "Do the points open and close?"
    driven.click("Go on")

    driven.until(lambda: "The gap is right." in driven.said)
    driven.click("gap wider by 0.05 mm")
    driven.until(lambda: "Set the gap about 0.0" in driven.said)
    driven.click("gap closer by 0.05 mm")
    driven.until(lambda: "The gap is right." in driven.said)
    driven.click("The gap is set")
    driven.until(lambda: guide.worker.snapshot.phase is Phase.RECORDING)
    for picture in ("Dwell of lobes", "Spacing", "Contact", "Advance"):
        driven.click(picture)
    driven.until(lambda: "run" in guide.results)
    driven.spin(0.1)
    run_texts = driven.texts
    driven.click("Go on")

    driven.until(lambda: driven.great == "That is enough")
    driven.spin(3.0)
    driven.click("That is enough")
    driven.until(lambda: "coil" in guide.results)
    driven.spin(0.1)
    coil_texts = driven.texts
    driven.click("Go on")
    driven.until(lambda: "condenser" in guide.results)
    driven.spin(0.1)
    condenser_texts = driven.texts
    driven.click("Go on")
    folder = Path(guide.job.folder)
    assert check_job(driven, folder, run_texts, coil_texts, condenser_texts) >= 10

    # Back to a step by its name, and what was measured is looked at again.
    driven.click("5  Run up and down")
    assert driven.question == "Does it hold through all speeds, up and down?"
    assert guide.worker.snapshot.phase is Phase.IDLE
    driven.click("8  Result")
    rows = driven.seen(QListWidget)[0]
    driven.press_at(rows.viewport(), rows.visualItemRect(rows.item(1)).center() + QPoint(2, 0))
    assert rows.currentRow() == 1
    driven.click("Next distributor")
    assert driven.question == "Which distributor is on the bench?"
