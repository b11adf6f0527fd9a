"""Seeded random events of every kind: no exception, no word of Qt, and all ends in good order."""

from __future__ import annotations

import filecmp
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDragLeaveEvent, QDropEvent, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QComboBox, QPushButton, QWidget

from app.driving import Driven, opened, shorten
from app.finished import finished
from app.runs import SAMPLES
from breakerbench.app.snapshot import Phase

pytestmark = pytest.mark.usefixtures("quiet")
NAMES = (
    "Return Enter Space PageDown PageUp Backspace Escape Tab Backtab Up Down Left Right Home End Plus "
    "Minus Delete F1 F2 F5 F8 A C P R S V X 0 1 2 3 4 5 6 7 8 9 Shift Control Alt Period Comma"
)
#: Ctrl+Q, which ends the program, is not among them.
KEYS = [getattr(Qt.Key, f"Key_{name}") for name in NAMES.split(" ")]
HELD = [
    *[Qt.KeyboardModifier.NoModifier] * 6, Qt.KeyboardModifier.ShiftModifier,
    Qt.KeyboardModifier.ControlModifier,
]  # fmt: skip
SIZES = ((1280, 800), (1000, 640), (1920, 1080), (1100, 1000), (800, 600), (2560, 1440))


COPIED = ("healthy-12v.bbr", "hand-turned.bbr", "leaky-condenser.bbr", "four-lobes.toml")


def copies(folder: Path) -> list[Path]:
    """Somebody's own files: nothing is ever written beside them."""
    own = folder / "own"
    own.mkdir(exist_ok=True)
    return [Path(shutil.copy(SAMPLES / name, own)) for name in COPIED]


class Events:
    """Draws one event after the other."""

    def __init__(self, driven: Driven, folder: Path, seed: int, answers: dict[str, str]) -> None:
        self.driven, self.rng, self.answers = driven, random.Random(seed), answers
        bad = {
            "empty.bbr": b"", "text.csv": b"time_s,points_v\n0,1\nx,y\n", "noise.wav": b"RIFF\0\0\0\0",
            "short.vcd": b"$timescale 1 us $end\n", "name with ü and 'quotes'.bbr": b"\xff" * 900,
        }  # fmt: skip
        for name, content in bad.items():
            (folder / name).write_bytes(content)
        self.files = [
            *(str(folder / name) for name in bad), *map(str, copies(folder)),
            str(folder / "nothing.bbr"), str(folder), "",
        ]  # fmt: skip
        self.saved = [
            str(folder / "picture.png"),
            str(folder / "x.svg"),
            str(folder / "no" / "x.csv"),
            "",
        ]
        self.folder = str(folder / "elsewhere")
        self.kinds: list[tuple[int, Callable[[], None]]] = [
            (30, self.click), (20, self.button), (30, self.key), (10, self.type), (3, self.resize),
            (3, self.theme), (8, self.wheel), (6, self.drag), (3, self.drop), (4, self.combo),
            (6, self.wait),
        ]  # fmt: skip

    def one(self) -> None:
        rng = self.rng
        self.answers.update(
            open=rng.choice(self.files), save=rng.choice(self.saved),
            folder=rng.choice([self.folder, "", ""]),
        )  # fmt: skip
        weights, does = zip(*self.kinds, strict=True)
        rng.choices(does, weights)[0]()
        QApplication.processEvents()
        popup = QApplication.activePopupWidget()
        if popup is not None and rng.random() < 0.5:
            popup.close()

    def place(self) -> tuple[QWidget, QPoint]:
        window = self.driven.window
        at = QPoint(self.rng.randrange(window.width()), self.rng.randrange(window.height()))
        part = window.childAt(at) or window
        return part, part.mapFrom(window, at)

    def click(self) -> None:
        part, at = self.place()
        button = self.rng.choice([Qt.MouseButton.LeftButton] * 5 + [Qt.MouseButton.RightButton])
        if self.rng.random() < 0.15:
            QTest.mouseDClick(part, button, Qt.KeyboardModifier.NoModifier, at)
        elif button is Qt.MouseButton.LeftButton:
            QTest.mouseClick(part, button, Qt.KeyboardModifier.NoModifier, at)

    def button(self) -> None:
        there = [each for each in self.driven.seen(QPushButton) if each.isEnabled()]
        if there:
            QTest.mouseClick(self.rng.choice(there), Qt.MouseButton.LeftButton)

    def key(self) -> None:
        QTest.keyClick(self.driven.focus, self.rng.choice(KEYS), self.rng.choice(HELD))

    def type(self) -> None:
        QTest.keyClicks(self.driven.focus, self.rng.choice(["42-B", "column", "7.5", "'", "0"]))

    def resize(self) -> None:
        self.driven.window.resize(*self.rng.choice(SIZES))

    def theme(self) -> None:
        guide = self.driven.window.guide
        guide.set(
            theme=self.rng.choice(["", "light", "dark"]),
            degrees=self.rng.choice(["distributor", "crankshaft"]),
            speed=self.rng.choice(["distributor", "crankshaft"]), gap=self.rng.choice(["mm", "inch"]),
        )  # fmt: skip
        self.driven.window.set_look()

    def wheel(self) -> None:
        part, at = self.place()
        turned = QPoint(0, self.rng.choice([-240, -120, 120, 240]))
        QApplication.sendEvent(
            part,
            QWheelEvent(
                QPointF(at), QPointF(part.mapToGlobal(at)), QPoint(), turned, Qt.MouseButton.NoButton,
                Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
            ),
        )  # fmt: skip

    def drag(self) -> None:
        part, at = self.place()
        QTest.mousePress(part, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, at)
        for _ in range(3):
            at += QPoint(self.rng.randrange(-60, 60), self.rng.randrange(-60, 60))
            QTest.mouseMove(part, at)
        QTest.mouseRelease(part, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, at)

    def drop(self) -> None:
        held, action = QMimeData(), Qt.DropAction.CopyAction
        held.setUrls([QUrl.fromLocalFile(x) for x in self.rng.choices(self.files, k=1) if x])
        left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        window, at = self.driven.window, QPointF(200, 200)
        over = QDragEnterEvent(at.toPoint(), action, held, left, none)
        over.ignore()
        QApplication.sendEvent(window, over)
        if over.isAccepted() and self.rng.random() < 0.8:
            QApplication.sendEvent(window, QDropEvent(at, action, held, left, none))
        else:
            QApplication.sendEvent(window, QDragLeaveEvent())

    def combo(self) -> None:
        there = self.driven.seen(QComboBox)
        if there:
            box = self.rng.choice(there)
            box.setCurrentIndex(self.rng.randrange(max(box.count(), 1)))
            box.activated.emit(box.currentIndex())

    def wait(self) -> None:
        self.driven.spin(self.rng.choice([0.0, 0.03, 0.1, 0.3]))


def storm(
    folder: Path, windows: list[Driven], answers: dict[str, str], seed: int, events: int
) -> None:
    finished(folder, at=random.Random(seed).choice(["outcome", "run", "hand", "distributor"]))
    driven = opened(folder)
    windows.append(driven)
    storms = Events(driven, folder, seed, answers)
    for _ in range(events):
        storms.one()
        assert driven.window.isVisible()
    worker = driven.window.guide.worker
    assert worker._thread.is_alive()
    assert "fault of this program" not in worker.snapshot.problem
    # It still does what it is told: a trace is measured.
    while driven.window.page is not None:
        driven.window.close_page()
    popup = QApplication.activePopupWidget()
    if popup is not None:
        popup.close()
    driven.window.show_trace(str(folder / "own" / "hand-turned.bbr"))
    driven.window.page._told.clear()  # type: ignore[union-attr]
    driven.window.page._paces.button(0).click()  # type: ignore[union-attr]
    driven.window.page.play()  # type: ignore[union-attr]
    driven.until(lambda: worker.snapshot.phase is Phase.DONE, 30.0)
    assert sorted(each.name for each in (folder / "own").iterdir()) == sorted(COPIED)
    for name in COPIED:
        assert filecmp.cmp(folder / "own" / name, SAMPLES / name, shallow=False)


#: A few hundred events each time, ten thousand in the sweep: seed and how many.
FEW = [(seed, 200) for seed in range(3)]
MANY = [pytest.param(seed, 1000, marks=pytest.mark.sweep) for seed in range(100, 110)]


@pytest.mark.parametrize(("seed", "events"), [*FEW, *MANY])
def test_random_events(
    tmp_path: Path,
    windows: list[Driven],
    answers: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
    seed: int,
    events: int,
) -> None:
    shorten(monkeypatch.setattr)
    storm(tmp_path, windows, answers, seed, events)
