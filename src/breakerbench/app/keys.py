"""Keys of the window, and those that are looked at before any part of it takes them."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QKeyEvent, QKeySequence, QShortcut
from PySide6.QtWidgets import QApplication, QComboBox, QLineEdit, QPushButton, QWidget

#: Parts that do something of their own with Space.
TAKE_SPACE = (QPushButton, QComboBox, QLineEdit)


def shortcut(window: QWidget, name: str, does: Callable[[], object]) -> None:
    """A key of the whole window."""
    made = QShortcut(QKeySequence(name), window)
    made.setContext(Qt.ShortcutContext.WindowShortcut)
    made.activated.connect(lambda: does())


class FirstLook(QObject):
    """Sees every key and click of a window first.

    go        asked by Space, where nothing else takes it, and by the foot-switch wherever one is
    touched   told of every key and click
    foot_key  name of the key that the foot-switch sends
    """

    def __init__(
        self,
        window: QWidget,
        go: Callable[[], object],
        touched: Callable[[], object],
        foot_key: Callable[[], str],
    ) -> None:
        super().__init__(window)
        self._window, self._go, self._touched, self._foot_key = window, go, touched, foot_key
        app = QApplication.instance()
        if app is not None:
            app.installEventFilter(self)

    def end(self) -> None:
        """Sees nothing any more."""
        app = QApplication.instance()
        if app is not None:
            app.removeEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802  Qt's name
        if event.type() in (QEvent.Type.KeyPress, QEvent.Type.MouseButtonPress):
            self._touched()
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress:
            mine = isinstance(watched, QWidget) and watched.window() is self._window
            if mine and not event.isAutoRepeat() and self._goes(event):
                self._go()
                return True
        return super().eventFilter(watched, event)

    def _goes(self, event: QKeyEvent) -> bool:
        name = QKeySequence(event.key()).toString()
        if name and name == self._foot_key():
            return True
        return name == "Space" and not isinstance(QApplication.focusWidget(), TAKE_SPACE)
