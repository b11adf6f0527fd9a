"""One application for all tests of the window; whatever Qt complains of fails the test."""

from __future__ import annotations

from collections.abc import Generator

import pytest
from PySide6.QtCore import QMessageLogContext, QtMsgType, qInstallMessageHandler
from PySide6.QtWidgets import QApplication

from breakerbench.app.theme import load_letters


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
