"""Fixtures of the tests that need Qt; `conftest` hands them on where there is Qt."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Generator
from pathlib import Path

import pytest
from PySide6.QtCore import QEvent, QMessageLogContext, QtMsgType, qInstallMessageHandler
from PySide6.QtWidgets import QApplication

from app.driving import Driven, no_dialogs
from app.pictures import Make
from breakerbench.app.run import application
from breakerbench.app.theme import load_letters
from breakerbench.app.views.picture import Picture


@pytest.fixture(scope="session")
def app() -> QApplication:
    made = QApplication.instance() or QApplication([])
    assert isinstance(made, QApplication)
    load_letters()
    return made


@pytest.fixture
def quiet(app: QApplication) -> Generator[list[str], None, None]:
    """What Qt says while the test runs; there must be nothing."""
    del app
    said: list[str] = []

    def hear(kind: QtMsgType, _: QMessageLogContext, text: str) -> None:
        # Said by the plugin without a screen alone. Not let pass: that it cannot tell a window's size,
        # for then there is a second window.
        of_the_plugin = text in [
            f"This plugin does not support {what}" for what in ("grabbing the keyboard", "raise()")
        ]
        if kind != QtMsgType.QtDebugMsg and not of_the_plugin:
            said.append(text)

    before = qInstallMessageHandler(hear)
    yield said
    qInstallMessageHandler(before)
    assert said == []


@pytest.fixture
def make(app: QApplication) -> Generator[Make, None, None]:
    """Makes pictures of a size, and takes them away in good order."""
    made: list[Picture] = []

    def new(kind: type[Picture], wide: int = 900, high: int = 500) -> Picture:
        picture = kind()
        picture.resize(wide, high)
        picture.show()
        made.append(picture)
        return picture

    yield new
    for picture in made:
        picture.close()
        picture.deleteLater()
    app.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)


@pytest.fixture
def windows(qapp: QApplication) -> Generator[list[Driven], None, None]:
    """Windows that a test adds are closed after it, and nothing of them goes on."""
    application()
    made: list[Driven] = []
    before = set(children())
    yield made
    for driven in made:
        driven.window.close()
        driven.window.deleteLater()
    qapp.setStyleSheet("")
    qapp.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)
    qapp.processEvents()
    left = [each.name for each in threading.enumerate() if each.name in ("bench", "line")]
    assert left == []
    end_s = time.monotonic() + 3.0
    while set(children()) - before and time.monotonic() < end_s:
        time.sleep(0.02)
    assert set(children()) - before == set()


def children() -> list[int]:
    """Processes that this one has started and that live."""
    path = Path(f"/proc/{os.getpid()}/task")
    return [int(pid) for task in path.glob("*/children") for pid in task.read_text().split()]


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Generator[dict[str, str], None, None]:
    """What dialogs for files answer; none is ever shown."""
    with no_dialogs(monkeypatch) as given:
        yield given
