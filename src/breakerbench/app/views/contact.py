"""How clean does the contact open, and touch: the newest, the mean, the spread of the last hundred."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from PySide6.QtGui import QResizeEvent

from breakerbench.app.views.one_trace import LIVE_ENTRIES, run_entries
from breakerbench.app.views.over_time import Laid, OverTime, columns_of, laid_of, rows_of
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named
from breakerbench.app.views.words import Entry
from breakerbench.edges.average import Averaged, Shape
from breakerbench.edges.recent import Seen
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import CONTACT, SINGLE, Subject, missing
from breakerbench.papers.window import window
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

#: Narrower than this, one of the two is shown.
ALONE_PX = 560
EDGES = ("opening", "first touch")


class ContactPicture(Picture):
    key, name = "contact", "Contact"
    title = "How clean does the contact open?"
    waiting = "Waiting for the contact to open: let the distributor turn."
    fields = 2

    def build(self) -> None:
        self._marks = [OverTime(panel, "V") for panel in self.panels]
        self._laid: list[Laid | None] = [None, None]
        self._others: list[Laid | None] = [None, None]
        self._alone = 0

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live, spec
        self._laid = [_of_seen(pictures.opening, True), _of_seen(pictures.touch, False)]
        self._others = [None, None]
        self.explain(*LIVE_ENTRIES)
        return self._both(True, ("last {:,} openings", "last {:,} first touches"))

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        self._laid = _of_averaged(subject.contact)
        self._others = _of_averaged(None if other is None else other.contact)
        self.explain(*run_entries(subject, other, Entry("rule", "muted", SINGLE, "single")))
        return self._both(False, ("mean of {:,} openings", "mean of {:,} first touches"))

    def instead(self, subject: Subject) -> str:
        why = missing(subject).get(CONTACT) or "its trace was not kept with the result"
        return f"No picture of the contact: {why}."

    def _both(self, live: bool, words: tuple[str, str]) -> str:
        said = []
        for k, laid in enumerate(self._laid):
            if laid is None:
                continue
            low, high = self._marks[k].draw(EDGES[k], "points", laid, self._others[k])
            self._marks[k].whole(min(low, 0.0), max(high, 0.0), live)
            said.append(words[k].format(laid.n))
        self._arrange()
        if not said:
            return ""
        words_said = ", ".join(said)
        return f"{words_said[0].upper()}{words_said[1:]}. 0 is where the edge was placed."

    # --- side by side, or one alone ---

    def show_edge(self, edge: int) -> None:
        """Which is shown where there is room for one: 0 the opening, 1 the first touch."""
        self._alone = edge
        self._arrange()

    def _arrange(self) -> None:
        there = [k for k, laid in enumerate(self._laid) if laid is not None]
        if self.width() < ALONE_PX and len(there) == 2:
            there = [self._alone]
        self.place(there)

    def beyond(self, panel: int, way: int) -> int | None:
        following = super().beyond(panel, way)
        if following is None or self._laid[following] is None:
            return None
        self._alone = following
        self._arrange()
        return following

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        self._arrange()

    # --- figures ---

    def says(self, panel: int, x: float) -> str:
        laid, other = self._laid[panel], self._others[panel]
        if laid is None:
            return ""
        name = "" if self.other is None else named(self.other)
        return self._marks[panel].says(EDGES[panel], x, laid, other, name)

    def table(self) -> Table:
        rows: list[tuple[Any, ...]] = []
        for run, each in enumerate((self._laid, self._others)):
            for edge, laid in zip(EDGES, each, strict=True):
                rows += [] if laid is None else [(run + 1, edge, *row) for row in rows_of(laid)]
        if not rows:
            return NO_TABLE
        return ("run", "edge", "time_s", *columns_of("v", self.subject is None)), rows


def _of_seen(seen: Seen | None, opening: bool) -> Laid | None:
    laid = laid_of(seen)
    if laid is None:
        return None
    t, half = laid.time_s, 0.5 * (laid.high - laid.low)
    half = np.where(np.isfinite(half), half, 0.0)
    room = (-float(t[0]), float(t[-1]))
    if room[0] < 0.0 or room[1] < 0.0:
        return laid
    shown = window(t, laid.mean, half, float(t[1] - t[0]), room, opening)
    return replace(laid, shown_s=shown)


def _of_averaged(found: Averaged | None) -> list[Laid | None]:
    if found is None:
        return [None, None]
    closed = found.closed_s if np.isfinite(found.closed_s) else 0.5 * found.interval_s
    opened = max(found.interval_s - closed, 0.1 * found.interval_s)
    half = (0.5 * closed, 0.5 * opened)
    return [
        _of_shape(found.opening, half, True), _of_shape(found.touch, (half[1], half[0]), False)
    ]  # fmt: skip


def _of_shape(shape: Shape | None, room: tuple[float, float], opening: bool) -> Laid | None:
    if shape is None:
        return None
    spread = 2.0 * shape.std_v
    sample_s = float(shape.singles[0][0][1] - shape.singles[0][0][0])
    shown = window(shape.time_s, shape.mean_v, spread, sample_s, room, opening)
    # No sample lies beyond these, so neither is the spread drawn beyond them.
    low, high = (
        np.clip(each, shape.least_v, shape.most_v)
        for each in (shape.mean_v - spread, shape.mean_v + spread)
    )
    return Laid(shape.time_s, shape.mean_v, low, high, None, shape.n, shown, shape.singles)
