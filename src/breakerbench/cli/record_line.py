"""The line on the terminal while a recording goes on: what the person at the bench needs just now."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from breakerbench.measure.timing import BIN_RPM
from breakerbench.result.live import Live
from breakerbench.sources.port import PortSource

#: It is drawn so often, s: a reading is to be there 0.1 s after its edge, and takes some milliseconds
#: to work out.
SHOW_S = 0.08
#: Less often where working it out would take more than this share of the time: recording comes first.
MOST_SHARE = 0.15
#: Speeds that are named as still to run, at most.
MOST_NAMED = 4


class StatusLine:
    """One line on standard error that is drawn over; nothing without a terminal."""

    def __init__(self) -> None:
        self.on_terminal = sys.stderr is not None and sys.stderr.isatty()
        self._words: Callable[[int], str] | None = None
        self._next_s = 0.0

    @contextmanager
    def showing(self, words: Callable[[int], str]) -> Iterator[None]:
        """From now on ``words`` (of so many columns) are shown; at the end the line is left standing."""
        if self.on_terminal:
            self._words = words
        yield
        if self._words is not None:
            self._words = None
            print(file=sys.stderr)

    def draw(self) -> None:
        """Draws it if it is time to; only then are the words worked out."""
        begun_s = time.monotonic()
        if self._words is None or begun_s < self._next_s:
            return
        width = max(os.get_terminal_size(sys.stderr.fileno()).columns - 1, 1)
        text = self._words(width)
        print(f"\r{text[:width]:{width}}", end="", file=sys.stderr, flush=True)
        took_s = time.monotonic() - begun_s
        self._next_s = begun_s + max(SHOW_S, took_s / MOST_SHARE)

    def pause(self, seconds: float) -> None:
        """Waits while no events come, and says why before that."""
        self.draw()
        time.sleep(seconds)


class Part:
    """Words on the line, then shorter ones where there is no room; the lowest rank comes first."""

    def __init__(self, rank: int, *words: str) -> None:
        self.rank, self.words = rank, words


def shown(source: PortSource, live: Live | None, width: int) -> str:
    """What the person at the bench needs while it goes on, in so many columns."""
    seconds, _ = source.progress()
    what = "SIMULATED" if source.header.simulated else "recording"
    parts: list[Part] = [Part(0, what), Part(0, f"{seconds:.0f} s")]
    if not source.there:
        parts.append(Part(0, "the board is away: plug it in again"))
    elif live is not None:
        parts += _readings(live)
    if source.counts.missing or source.counts.refused:
        parts.append(Part(1, f"frames lost {source.counts.missing}"))
    return fitted([*parts, Part(2, "Ctrl-C ends it")], width)


def fitted(parts: list[Part], width: int) -> str:
    """The parts in their order, as long as there is room: those of the lowest rank come first."""
    kept: dict[int, str] = {}

    def line() -> str:
        return "  ".join(kept[k] for k in sorted(kept))

    for k in sorted(range(len(parts)), key=lambda k: parts[k].rank):
        for words in parts[k].words:
            kept[k] = words
            if len(line()) <= width or parts[k].rank == 0:
                break
            del kept[k]
    return line()


def _readings(live: Live) -> list[Part]:
    """What is read just now, then what is covered; see ``fitted``."""
    parts: list[Part] = []
    if live.standing:
        parts.append(Part(0, "standing still"))
    elif live.rpm is not None:
        parts.append(Part(0, f"{live.rpm:,.0f} rpm"))
    elif live.openings_a_minute is not None:
        parts.append(Part(0, f"{live.openings_a_minute:,.0f} openings a minute"))
    if not live.opening and not live.standing:
        yet = " yet" if live.opened_s is None else ""
        parts.append(Part(0, f"the points neither open nor close{yet}"))
    if live.dwell_deg is not None:
        parts.append(Part(0, f"dwell {live.dwell_deg:.1f} deg"))
    elif live.dwell_percent is not None:
        parts.append(Part(0, f"closed {live.dwell_percent:.1f} %"))
    if live.first_look and live.dwell_percent is not None:
        parts.append(Part(4, "(first look)"))
    if live.mean_dwell_deg is not None:
        parts.append(Part(5, f"mean so far {live.mean_dwell_deg:.2f}"))
    if live.advance_deg is not None and live.advance_from_rpm is not None:
        parts += _advance(live.advance_deg, live.rpm or 0.0, live.advance_from_rpm)
    if live.covered:
        low, high = live.covered[0], live.covered[-1]
        to = "" if low == high else f" to {high:,.0f}"
        parts.append(Part(6, f"covered {low:,.0f}{to} rpm"))
    if live.missing:
        names = [f"{rpm:,.0f}" for rpm in live.missing]
        shorter = [
            "still to run " + ", ".join(names[:k]) + (" ..." if k < len(names) else "")
            for k in range(min(MOST_NAMED, len(names)), 0, -1)
        ]
        parts.append(Part(3, *shorter, f"run {names[0]} next"))
    return parts


def _advance(deg: float, rpm: float, from_rpm: float) -> list[Part]:
    """Against the slowest speed so far; nothing at that speed itself."""
    if abs(rpm - from_rpm) <= 0.5 * BIN_RPM:
        return []
    late = "later" if round(deg, 1) < 0.0 else "earlier"
    text = f"{abs(deg):.1f} deg {late}"
    return [Part(4, f"{text} than at {from_rpm:,.0f} rpm", text)]
