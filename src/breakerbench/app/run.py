"""The desktop program: letters, the worker, the window, the loop."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from dataclasses import replace

from PySide6.QtCore import QStandardPaths, Qt, QTimer
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from breakerbench.app.guide import Guide
from breakerbench.app.theme import TEXT_PT, letters, load_letters
from breakerbench.app.window import Window
from breakerbench.app.worker import Worker
from breakerbench.sources.line import Line, open_line

#: The interpreter goes from one thread to the other so often, s: with its usual 5 ms a picture waits
#: for the analysis many times over (measured by tests/benchmarks/window.py).
SWITCH_S = 0.0005


def application() -> QApplication:
    """The one QApplication, with our letters."""
    app = QApplication.instance()
    if not isinstance(app, QApplication):
        QGuiApplication.setHighDpiScaleFactorRoundingPolicy(
            Qt.HighDpiScaleFactorRoundingPolicy.PassThrough
        )
        app = QApplication(["breakerbench"])
    app.setApplicationName("Breakerbench")
    app.setStyle("Fusion")
    load_letters()
    app.setFont(letters(TEXT_PT))
    return app


def state_folder() -> str:
    """Where settings and jobs are kept by themselves."""
    where = QStandardPaths.writableLocation(QStandardPaths.StandardLocation.AppDataLocation)
    return where or os.path.join(os.path.expanduser("~"), "breakerbench")


def make_window(
    folder: str, opener: Callable[[str], Line] = open_line, port: str | None = None
) -> Window:
    """The window with the job that was on the bench, if there was one.

    folder  of settings and jobs;  opener  opens the line to a board;  port  chosen in the form
    """
    guide = Guide(Worker(opener), folder)
    window = Window(guide)
    restored = guide.restore()
    if port is not None and not restored:
        last = guide.settings.last
        spec = last.spec if last is not None else "four-lobe"
        guide.job = replace(guide.job, port=port, spec=spec)
    at = next((s for s in guide.steps if s.key == guide.job.at), guide.steps[0])
    guide.go_to(at if restored else guide.steps[0])
    return window


def run(folder: str | None, trace: str | None, port: str | None) -> int:
    """Shows the window until it is closed. Returns the exit status."""
    sys.setswitchinterval(SWITCH_S)
    app = application()
    window = make_window(folder or state_folder(), port=port)
    # Ctrl-C, or a polite kill, is as if the window were closed: what is recorded is whole.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: window.close())
    window.resize(1280, 800)
    window.show()
    if trace is not None:
        QTimer.singleShot(0, lambda: window.show_trace(trace))
    return int(app.exec())
