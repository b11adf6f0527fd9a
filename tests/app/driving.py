"""The window driven as a person drives it: keys to what has the focus, clicks on what is to be seen."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import (
    QApplication,
    QFileDialog,
    QLabel,
    QListWidget,
    QPushButton,
    QTextBrowser,
    QWidget,
)

from breakerbench.app import run as program
from breakerbench.app.parts import Figure
from breakerbench.app.snapshot import Phase, Snapshot, Task
from breakerbench.app.steps import by_hand, electrics, up_and_down
from breakerbench.app.window import Window

KEY = Qt.Key
NONE = Qt.KeyboardModifier.NoModifier
CTRL = Qt.KeyboardModifier.ControlModifier
#: From one press to the next: what comes sooner is the bounce of a switch.
FINGER_S = 0.1
#: What the simulated shaft does in the tests: the same job in less time, s:rpm.
SHORT_HAND = "--speed 0:0,1:0,1.5:50,2:50"
SHORT_RUN = "--speed 0:0,1.5:0,2:250,4.5:250,10:{top},11:{top},16:250,17.5:250,18:0"
SHORT_COIL = "--feed coil --speed 0:0,1:0,2:600,3:600"
SHORT_HELD_S = 5.0
#: A specification that such a run covers.
SHORT_SPEC = """schema = 1
[distributor]
name = "four lobes, up to 650 rpm (invented)"
lobes = 4
rotation = "cw"
source = "invented for the tests; belongs to no real distributor"
[dwell]
min_deg = 50.0
max_deg = 58.0
aim_deg = 52.0
max_variation_deg = 2.0
[gap]
nominal_mm = 0.635
dwell_change_deg_per_mm = -50.0
[spacing]
max_error_deg = 1.0
max_interval_error_deg = 1.5
[scatter]
max_deg = 0.5
[advance]
points = [[250.0, 0.0, 0.4], [450.0, 0.0, 0.8], [650.0, 1.0, 3.6]]
falling = [[250.0, 0.0, 0.4], [450.0, 0.0, 0.8], [650.0, 1.0, 3.6]]
[contact]
max_drop_v = 0.2
at_current_a = 4.0
[coil]
supply_v = 12.0
resistance_ohm = [2.8, 3.4]
current_a = [3.0, 4.5]
[spark]
min_duration_ms = 0.8
[condenser]
capacitance_uf = [0.18, 0.25]
min_leakage_megohm = 5.0
"""


def shorten(setattr_: Callable[[object, str, object], None]) -> None:
    """The job on the simulated bench in a minute."""
    setattr_(by_hand, "SIMULATED_HAND", SHORT_HAND)
    setattr_(up_and_down, "SIMULATED_RUN", SHORT_RUN)
    setattr_(electrics, "SIMULATED_COIL", SHORT_COIL)
    setattr_(electrics, "HELD_S", SHORT_HELD_S)


class Still:
    """In the place of the worker: its look is what a test says it is."""

    def __init__(self, opener: object = None) -> None:
        del opener
        self.snapshot = Snapshot()
        self.given: list[Task | None] = []
        self.finished = 0

    def give(self, task: Task | None) -> None:
        self.given.append(task)
        phase = Phase.IDLE if task is None else Phase.OPENING
        self.snapshot = Snapshot(self.snapshot.number + 1, time.monotonic(), task, phase)

    def finish(self) -> None:
        self.finished += 1

    def close(self, seconds: float = 1.5) -> bool:
        del seconds
        return True

    def look(self, age_s: float = 0.0, **changes: Any) -> None:
        """Published so long ago."""
        at_s, number = time.monotonic() - age_s, self.snapshot.number + 1
        self.snapshot = replace(self.snapshot, number=number, at_s=at_s, **changes)


class Driven:
    """One window; nothing here but `window` and what is read calls its methods."""

    def __init__(self, window: Window) -> None:
        self.window = window

    # --- the person ---

    @property
    def focus(self) -> QWidget:
        return QApplication.focusWidget() or self.window

    def key(self, key: Qt.Key, held: Qt.KeyboardModifier = NONE, times: int = 1) -> None:
        for _ in range(times):
            QTest.keyClick(self.focus, key, held)
            self.spin(FINGER_S)

    def type(self, text: str) -> None:
        QTest.keyClicks(self.focus, text)
        self.spin(0.05)

    def click(self, on: str | QWidget) -> None:
        """On a button by its words, or on a part in its middle."""
        part = self.button(on) if isinstance(on, str) else on
        assert part.isEnabled(), on
        self.press_at(part, part.visibleRegion().boundingRect().center())

    def press_at(self, part: QWidget, at: QPoint) -> None:
        QTest.mouseClick(part, Qt.MouseButton.LeftButton, NONE, at)
        self.spin(FINGER_S)

    # --- time ---

    def spin(self, seconds: float, until: Callable[[], object] | None = None) -> bool:
        """Lets the window live; whether what was waited for came."""
        end_s = time.monotonic() + seconds
        while True:
            QApplication.processEvents()
            if until is not None and until():
                return True
            if time.monotonic() >= end_s:
                return until is None
            time.sleep(0.004)

    def until(self, what: Callable[[], object], seconds: float = 60.0) -> None:
        assert self.spin(seconds, what), self.said

    # --- what is on the screen ---

    def seen(self, kind: type[Any]) -> list[Any]:
        return [each for each in self.window.findChildren(kind) if each.isVisible()]

    def button(self, text: str) -> QPushButton:
        found = [each for each in self.seen(QPushButton) if each.text().startswith(text)]
        assert found, (text, [each.text() for each in self.seen(QPushButton)])
        made: QPushButton = found[0]
        return made

    @property
    def texts(self) -> list[str]:
        """All words that are to be seen, great figures too."""
        found = [each.text() for kind in (QLabel, QPushButton) for each in self.seen(kind)]
        for each in self.seen(Figure):
            found += [each.text, each.unit, each.below]
        found += [each.toPlainText() for each in self.seen(QTextBrowser)]
        return [text for text in found if text]

    @property
    def said(self) -> str:
        return "\n".join(self.texts)

    @property
    def question(self) -> str:
        return self.window._question.text()

    @property
    def great(self) -> str:
        """What the great button says."""
        return self.window._go.text()

    @property
    def rows(self) -> list[str]:
        """Decisions and figures of the list that is up."""
        lists = [each for each in self.seen(QListWidget) if each.accessibleName() == "decisions"]
        assert len(lists) == 1
        return [lists[0].item(k).text() for k in range(lists[0].count())]


@contextmanager
def no_dialogs(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    """Dialogs for files answer at once: with ``answers["open"]``, "save" or "folder"."""
    answers = {"open": "", "save": "", "folder": ""}

    def answer(which: str) -> Callable[..., Any]:
        return lambda *_, **__: answers[which] if which == "folder" else (answers[which], "")

    for name, which in (
        ("getOpenFileName", "open"),
        ("getSaveFileName", "save"),
        ("getExistingDirectory", "folder"),
    ):
        monkeypatch.setattr(QFileDialog, name, staticmethod(answer(which)))
    yield answers


def begun(
    tmp_path: Path, windows: list[Driven], answers: dict[str, str], patch: pytest.MonkeyPatch
) -> Driven:
    """The program before a new job that takes a minute, its specification ready to be opened."""
    shorten(patch.setattr)
    spec = tmp_path / "short.toml"
    spec.write_text(SHORT_SPEC)
    answers["open"] = str(spec)
    windows.append(opened(tmp_path / "state"))
    return windows[-1]


def opened(folder: Path | str, port: str | None = None, still: bool = False) -> Driven:
    """The program as it starts; still: with no worker behind it."""
    before = program.Worker
    if still:
        program.Worker = Still  # type: ignore[misc, assignment]
    try:
        window = program.make_window(str(folder), port=port)
    finally:
        program.Worker = before  # type: ignore[misc]
    window.resize(1280, 800)
    window.show()
    window.activateWindow()
    driven = Driven(window)
    driven.spin(0.1)
    return driven
