"""The window: the job's steps at the left, the step that is up in the middle, what to do now below.

It draws the worker's newest look thirty times a second and computes nothing.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import (
    QCloseEvent,
    QDragEnterEvent,
    QDropEvent,
    QGuiApplication,
)
from PySide6.QtWidgets import (
    QAbstractSpinBox,
    QApplication,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from breakerbench.app.guide import Guide
from breakerbench.app.help_page import HelpPage
from breakerbench.app.job import DONE, SKIPPED
from breakerbench.app.keys import FirstLook, shortcut
from breakerbench.app.notices import dropped, how_it_goes, notice
from breakerbench.app.pages import Page, SettingsPage, SkipPage
from breakerbench.app.parts import button, say, words
from breakerbench.app.sheet import palette, sheet
from breakerbench.app.snapshot import Phase, Snapshot
from breakerbench.app.steps.step import Said, Step, all_steps
from breakerbench.app.theme import DARK, LIGHT, NEXT_PT, QUESTION_PT, Inks, letters
from breakerbench.app.trace_page import TracePage
from breakerbench.errors import harmless

#: From one picture to the next, ms.
FRAME_MS = 30
#: A foot-switch that bounces presses once, s.
BOUNCE_S = 0.08
#: Signs of how far a step has come, told by shape.
SIGNS = {"open": "", DONE: "  ✓", SKIPPED: "  ·"}


class Window(QWidget):
    """All of the program; ``guide`` owns the job."""

    def __init__(self, guide: Guide) -> None:
        super().__init__()
        self.guide = guide
        self.setWindowTitle("Breakerbench")
        self.setAcceptDrops(True)
        self.setMinimumSize(1270, 700)  # below it words would be cut
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.inks: Inks = LIGHT
        self._went_s = 0.0  # when the great button was last pressed
        self._said = Said("")
        self._build()
        self._keys()
        hints = QGuiApplication.styleHints()
        hints.colorSchemeChanged.connect(lambda _: self.set_look())
        self.set_look()
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        self._timer.start(FRAME_MS)

    # --- parts ---

    def _build(self) -> None:
        guide = self.guide
        guide.steps = [kind(guide) for kind in all_steps()]
        self._who, self._how = words("", NEXT_PT, True), words("")
        self._who.setWordWrap(False)
        for label in (self._who, self._how):
            label.setMinimumWidth(80)
        self._how.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        top = QFrame()
        top.setObjectName("top")
        row = QHBoxLayout(top)
        row.setContentsMargins(18, 6, 18, 6)
        row.addWidget(self._who, 2)
        row.addWidget(self._how, 1)
        for text, does, key in (
            ("Open a trace", self.open_trace, "Ctrl+O"),
            ("Settings", self.show_settings, "F2"),
            ("Help", self.show_help, "F1"),
        ):
            row.addWidget(button(text, does, f"key {key}"))
        self._notice, self._trouble = self._line("notice"), self._line("trouble")

        self._rail = QVBoxLayout()
        self._rail.setSpacing(2)
        self._rail.setContentsMargins(0, 10, 0, 10)
        self._buttons: list[QPushButton] = []
        for number, step in enumerate(guide.steps, 1):
            made = button("", partial(self._enter, step), f"key {number}")
            made.setObjectName("step")
            made.setCheckable(True)
            made.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            self._buttons.append(made)
            self._rail.addWidget(made)
        self._rail.addStretch(1)
        rail = QWidget()
        rail.setFixedWidth(232)
        rail.setLayout(self._rail)

        self._question = words("", QUESTION_PT, True)
        self._stack = QStackedWidget()
        for step in guide.steps:
            self._stack.addWidget(step)
        middle = QVBoxLayout()
        middle.setContentsMargins(18, 14, 18, 12)
        middle.setSpacing(10)
        middle.addWidget(self._question)
        middle.addWidget(self._stack, 1)
        across = QHBoxLayout()
        across.setSpacing(0)
        across.addWidget(rail)
        across.addLayout(middle, 1)

        self._now = words("", NEXT_PT)
        self._now.setObjectName("now")
        self._back = button("Back", guide.back, "key Backspace or Page Up")
        self._again = button("Again", self._do_again, "key R")
        self._skip = button("Leave it out", self.show_skip, "key S; a reason is asked for")
        self._go = button("", self.go, "Enter, Space, or the foot-switch")
        self._go.setObjectName("go")
        self._go.setFont(letters(NEXT_PT, True))
        self._go.setMinimumHeight(72)
        self._go.setMinimumWidth(240)
        foot = QFrame()
        foot.setObjectName("foot")
        row = QHBoxLayout(foot)
        row.setContentsMargins(18, 10, 18, 10)
        row.setSpacing(10)
        row.addWidget(self._now, 1)
        for each in (self._back, self._again, self._skip, self._go):
            row.addWidget(each)

        self._job = QWidget()
        box = QVBoxLayout(self._job)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addLayout(across, 1)
        box.addWidget(foot)
        #: The job, or a page before it: help, settings, a trace, the reason for leaving a step out.
        self._front = QStackedWidget()
        self._front.addWidget(self._job)
        self._pages: dict[str, Page] = {}
        self._open: list[Page] = []  # of these, those that lie before the job, the topmost last
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        for part in (top, self._notice, self._trouble):
            whole.addWidget(part)
        whole.addWidget(self._front, 1)

    def _line(self, name: str) -> QFrame:
        """A line over the whole width that is there when there is something to say."""
        line = QFrame()
        line.setObjectName(name)
        row = QHBoxLayout(line)
        row.setContentsMargins(18, 6, 18, 6)
        row.addWidget(words(""))
        line.hide()
        return line

    def _keys(self) -> None:
        for names, does in (
            (("Return", "Enter", "PgDown"), self.go),
            (("Backspace", "PgUp"), self.back),
            (("R",), self._do_again),
            (("S",), self.show_skip),
            (("F1",), self.show_help),
            (("F2",), self.show_settings),
            (("F11",), self._full_screen),
            (("Ctrl+O",), self.open_trace),
            (("Ctrl+Q",), self.close),
            (("Escape",), self.close_page),
        ):
            for name in names:
                shortcut(self, name, does)
        for number, step in enumerate(self.guide.steps, 1):
            shortcut(self, str(number), partial(self._enter, step))
        guide = self.guide
        self._first = FirstLook(self, self.go, guide.touched, lambda: guide.settings.foot_key)

    # --- look ---

    def set_look(self) -> None:
        """Inks and units as they are set."""
        theme = self.guide.settings.theme
        if not theme:
            scheme = QGuiApplication.styleHints().colorScheme()
            theme = "dark" if scheme == Qt.ColorScheme.Dark else "light"
        self.inks = DARK if theme == "dark" else LIGHT
        app = QApplication.instance()
        if isinstance(app, QApplication):
            app.setPalette(palette(self.inks))
            app.setStyleSheet(sheet(self.inks))
        for step in self.guide.steps:
            step.set_look(self.inks, self.guide.shown)
        for page in self._pages.values():
            page.set_look(self.inks, self.guide.shown)

    # --- what the person does ---

    @property
    def page(self) -> Page | None:
        """The page before the job, if there is one."""
        front = self._front.currentWidget()
        return front if isinstance(front, Page) else None

    def go(self) -> None:
        """What the great button does."""
        now_s = time.monotonic()
        if now_s - self._went_s < BOUNCE_S:
            return
        self._went_s = now_s
        focus = QApplication.focusWidget()
        if isinstance(focus, QAbstractSpinBox):  # takes what was typed, presses nothing
            focus.interpretText()
            self.setFocus()
        elif self.page is not None:
            self.page.go()
        elif self._said.go and self.guide.current is not None:
            self.guide.current.go()
            self.tick()

    def back(self) -> None:
        if self.page is not None:
            self.close_page()
        else:
            self.guide.back()

    def _enter(self, step: Step) -> None:
        if self.page is None and self._may_enter(step):
            self.guide.go_to(step)
        self.tick()

    def _may_enter(self, step: Step) -> bool:
        return bool(self.guide.job.folder) or step is self.guide.steps[0]

    def _do_again(self) -> None:
        if self.page is None and self.guide.current is not None:
            self.guide.current.again()

    def show_page(self, name: str, make: Callable[[], Page]) -> Page:
        """Shows a page before the job; it is made when it is first asked for."""
        page = self._pages.get(name)
        if page is None:
            page = self._pages[name] = make()
            page.set_look(self.inks, self.guide.shown)
            page.closed.connect(self.close_page)
            self._front.addWidget(page)
        if page in self._open:
            self._open.remove(page)
        self._open.append(page)
        self._front.setCurrentWidget(page)
        page.setFocus()
        page.enter()  # which puts the focus where the person begins
        return page

    def close_page(self) -> None:
        """What lay under it comes up: another page, or the job."""
        page = self.page
        if page is None:
            return
        page.leave()
        self._open.remove(page)
        self._front.setCurrentWidget(self._open[-1] if self._open else self._job)
        if isinstance(page, TracePage):  # it had the worker
            self.guide.resume()

    def show_help(self) -> None:
        self.show_page("help", HelpPage)

    def show_settings(self) -> None:
        self.show_page("settings", lambda: SettingsPage(self.guide, self.set_look))

    def show_skip(self) -> None:
        step = self.guide.current
        if self.page is None and step is not None and step.optional:
            self.show_page("skip", lambda: SkipPage(self.guide))

    def open_trace(self) -> None:
        """Asks for a file and shows it."""
        if isinstance(self.page, TracePage):
            return
        path, _ = QFileDialog.getOpenFileName(
            self, "Open a recording, CSV, WAV or VCD", self.guide.jobs_folder,
            "Traces (*.bbr *.csv *.wav *.vcd *.txt);;All files (*)",
        )  # fmt: skip
        if path:
            self.show_trace(path)

    def show_trace(self, path: str) -> None:
        """Measures a trace and shows what it holds."""
        page = self.show_page("trace", lambda: TracePage(self.guide))
        assert isinstance(page, TracePage)
        page.open(path)

    def _full_screen(self) -> None:
        self.showNormal() if self.isFullScreen() else self.showFullScreen()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:  # noqa: N802  Qt's name
        if dropped(event):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:  # noqa: N802  Qt's name
        path = dropped(event)
        if path:
            event.acceptProposedAction()
            self.show_trace(path)

    # --- thirty times a second ---

    def tick(self) -> None:
        """Draws the newest look."""
        now_s = time.monotonic()
        page = self.page
        if page is not None:
            page.draw(self.guide.worker.snapshot)
            snapshot = self.guide.worker.snapshot
        else:
            snapshot, self._said = self.guide.tick(now_s)
            self._draw_frame()
        self._draw_lines(snapshot, now_s)

    def _draw_frame(self) -> None:
        guide, step, told = self.guide, self.guide.current, self._said
        if step is None:
            return
        if self._stack.currentWidget() is not step:
            self._stack.setCurrentWidget(step)
            # So that Space and the foot-switch never press a button that somebody left.
            if step is not guide.steps[0]:
                self.setFocus()
        say(self._question, step.question)
        say(self._now, told.now)
        if self._go.text() != (told.go or "wait"):
            self._go.setText(told.go or "wait")
            self._go.setAccessibleName(told.go or "nothing to press yet")
        if not told.go and self._go.hasFocus():
            self.setFocus()
        self._go.setEnabled(bool(told.go))
        self._back.setEnabled(guide.index() > 0)
        self._skip.setVisible(step.optional)
        self._again.setVisible(step.repeats)
        for number, (made, each) in enumerate(zip(self._buttons, guide.steps, strict=True), 1):
            state = guide.job.step(each.key).state
            text = f"{number}  {each.title}{SIGNS[state]}"
            tail = each.summary() if state == DONE else ("left out" if state == SKIPPED else "")
            text += f"\n     {tail}" if tail else ""
            if made.text() != text:
                made.setText(text)
                made.setAccessibleName(f"step {number}, {each.title}, {state} {tail}")
            made.setChecked(each is step)
            made.setEnabled(self._may_enter(each))

    def _draw_lines(self, snapshot: Snapshot, now_s: float) -> None:
        guide, job = self.guide, self.guide.job
        name = job.tag or ("distributor" if job.folder else "")
        of = guide.spec.distributor.name if guide.spec else "no specification: nothing is judged"
        say(self._who, harmless(f"{name} · {of}") if job.folder else "Breakerbench")
        say(self._how, how_it_goes(snapshot))
        simulated = self.page is None and guide.simulated and bool(job.folder)
        self._tell(self._notice, notice(snapshot, now_s, simulated))
        problem = snapshot.problem if snapshot.phase is Phase.PROBLEM else ""
        self._tell(self._trouble, harmless(problem or guide.trouble))

    def _tell(self, line: QFrame, text: str) -> None:
        label = line.findChild(QLabel)
        if label is not None:
            say(label, text)
        if line.isHidden() == bool(text):
            line.setVisible(bool(text))

    # --- the end ---

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802  Qt's name
        """What is recorded is whole; the thread and the board's process end."""
        self._timer.stop()
        self._first.end()
        self.guide.worker.close()
        event.accept()
