"""Zoom and the cursor line of a picture, by mouse and by keys.

Wheel and drag, or + - and the arrows, change what is seen; 0 shows all. The cursor follows the mouse,
or goes by Left and Right with Shift; Escape takes it away.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QEvent, QObject, QPointF, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QWidget

from breakerbench.app.views.frame import Frame

#: Steps of the keys: zoom, and shares of what is seen for moving and for the cursor.
ZOOM, MOVE, STEP = 1.25, 0.15, 0.01
KEY = Qt.Key
ARROWS = {
    KEY.Key_Left: (-MOVE, 0.0), KEY.Key_Right: (MOVE, 0.0),
    KEY.Key_Up: (0.0, MOVE), KEY.Key_Down: (0.0, -MOVE),
}  # fmt: skip


class Pointing(Frame):
    """Subclasses say what stands at a place."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.canvas.viewport().installEventFilter(self)
        self.canvas.scene().sigMouseMoved.connect(self._moved)

    def says(self, panel: int, x: float) -> str:
        """The figures at a place of the cursor, with units."""
        raise NotImplementedError

    def stops(self, panel: int) -> Sequence[float]:
        """Where the cursor may stand, in order; empty: anywhere."""
        del panel
        return ()

    def beyond(self, panel: int, way: int) -> int | None:
        """The field that follows on this side, if one does."""
        following = panel + way
        return following if 0 <= following < len(self.panels) else None

    def say(self) -> None:
        """Under the picture: what the cursor stands at, else what there is to see."""
        at = self.panels[self.active].at
        text = self.summary if at is None else self.says(self.active, at)
        if at is None and any(panel.zoomed for panel in self.panels):
            text = f"Zoomed: 0 shows all. {text}"
        self.figures.set_text(text)
        self.tell()

    # --- cursor ---

    def no_cursor(self) -> None:
        for panel in self.panels:
            panel.cursor.set(None)
        if self.summary:
            self.say()

    def _moved(self, scene: QPointF) -> None:
        for k, panel in enumerate(self.panels):
            x = panel.point(scene)
            if x is not None:
                self._put(k, x)
                return
        self.no_cursor()

    def _put(self, active: int, x: float) -> None:
        for panel in self.panels:
            panel.cursor.set(None)
        self.active = active
        self.panels[active].cursor.set(
            min(self.stops(active), key=lambda at: abs(at - x), default=x)
        )
        self.say()

    def _step(self, way: int) -> None:
        """The cursor one step on; beyond the end of a field it goes into the next."""
        panel = self.panels[self.active]
        left, right, *_ = panel.seen
        at, stops = panel.at, self.stops(self.active)
        if at is None:
            self._put(self.active, 0.5 * (left + right))
            return
        x = at + way * STEP * (right - left)
        if len(stops):
            further = [stop for stop in stops if (stop - at) * way > 0.0]
            x = (min if way > 0 else max)(further, default=at + way * (right - left))
        if not left <= x <= right:
            following = self.beyond(self.active, way)
            if following is None:
                return
            self.panels[self.active].cursor.set(None)
            self.active = following
            left, right, *_ = self.panels[following].seen
            x = left if way > 0 else right
        self._put(self.active, x)

    # --- events ---

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        key, panel = KEY(event.key()), self.panels[self.active]
        held = event.modifiers()
        other = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier
        if not self.summary or held & other:
            super().keyPressEvent(event)
            return
        if held & Qt.KeyboardModifier.ShiftModifier and key in (KEY.Key_Left, KEY.Key_Right):
            self._step(1 if key == KEY.Key_Right else -1)
        elif key in ARROWS:
            panel.move(*ARROWS[key])
        elif key in (KEY.Key_Plus, KEY.Key_Equal):
            panel.zoom(ZOOM)
        elif key in (KEY.Key_Minus, KEY.Key_Underscore):
            panel.zoom(1.0 / ZOOM)
        elif key == KEY.Key_0:
            for each in self.panels:
                each.show_all()
        elif key == KEY.Key_Escape and panel.at is not None:
            self.no_cursor()
        else:
            super().keyPressEvent(event)
            return
        self.say()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        if event.type() == QEvent.Type.Leave:
            self.no_cursor()
        return super().eventFilter(watched, event)
