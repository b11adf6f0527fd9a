"""One application for all tests of the window; whatever Qt complains of fails the test."""

from __future__ import annotations

from collections.abc import Generator

import pytest
from PySide6.QtCore import QEvent, QMessageLogContext, QtMsgType, qInstallMessageHandler
from PySide6.QtWidgets import QApplication

from app.pictures import Make
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
        if kind != QtMsgType.QtDebugMsg:
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
