"""The line on the terminal: its words in every state, at every width, and on a real terminal."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.cli.record_line import Part, fitted, shown
from breakerbench.result.live import Live
from breakerbench.sources.port import PortSource
from cli.command import CLEAN, COMMAND
from cli.test_record import UNIX, board

TURNING = Live(
    rpm=1234.4, dwell_deg=52.36, dwell_percent=58.2, mean_dwell_deg=52.381, opened_s=1.0,
    advance_deg=7.26, advance_from_rpm=300.0, covered=(300.0, 350.0, 500.0, 700.0), opening=True,
)  # fmt: skip


def source(
    simulated: bool = False, there: bool = True, missing: int = 0, seconds: float = 12.0
) -> PortSource:
    made: Any = SimpleNamespace(
        header=SimpleNamespace(simulated=simulated),
        there=there,
        counts=SimpleNamespace(missing=missing, refused=0),
        progress=lambda: (seconds, 0.0),
    )
    return cast(PortSource, made)


@pytest.mark.parametrize(
    ("live", "words"),
    [
        (Live(), "the points neither open nor close yet"),
        (Live(rpm=600.0), "600 rpm  the points neither open nor close yet"),
        (Live(rpm=600.0, opened_s=1.0), "600 rpm  the points neither open nor close"),
        (Live(rpm=0.0, opened_s=1.0, stale_s=9.0), "standing still"),
        (
            Live(openings_a_minute=2400.3, dwell_percent=58.21, opening=True, opened_s=1.0),
            "2,400 openings a minute  closed 58.2 %",
        ),
        (
            Live(rpm=600.0, dwell_deg=52.36, dwell_percent=58.2, opening=True, first_look=True),
            "600 rpm  dwell 52.4 deg  (first look)",
        ),
        (Live(rpm=600.0, opening=True, opened_s=1.0), "600 rpm"),
        (TURNING, "1,234 rpm  dwell 52.4 deg  mean so far 52.38  7.3 deg earlier than at 300 rpm  "
                  "covered 300 to 700 rpm  still to run 400, 450, 550, 600 ..."),
    ],
)  # fmt: skip
def test_words(live: Live, words: str) -> None:
    assert shown(source(), live, 300) == f"recording  12 s  {words}  Ctrl-C ends it"


def test_a_board_that_is_away_and_frames_lost() -> None:
    away = shown(source(there=False), None, 79)
    assert away == "recording  12 s  the board is away: plug it in again  Ctrl-C ends it"
    lost = shown(source(missing=3), Live(rpm=600.0, opening=True), 79)
    assert lost == "recording  12 s  600 rpm  frames lost 3  Ctrl-C ends it"
    assert shown(source(), None, 79) == "recording  12 s  Ctrl-C ends it"


def test_later_and_the_speed_itself() -> None:
    def of(deg: float, rpm: float) -> str:
        live = Live(rpm=rpm, advance_deg=deg, advance_from_rpm=300.0, opening=True)
        return shown(source(), live, 200)

    assert "0.4 deg later than at 300 rpm" in of(-0.4, 600.0)
    assert "0.0 deg earlier" in of(-0.04, 600.0)
    assert "deg" not in of(0.1, 310.0)


@pytest.mark.parametrize("simulated", [False, True])
def test_eighty_columns_hold_what_matters(simulated: bool) -> None:
    text = shown(source(simulated, seconds=1234.0), TURNING, 79)
    assert len(text) <= 79
    assert text.startswith("SIMULATED" if simulated else "recording")
    for words in ("1234 s", "1,234 rpm", "dwell 52.4 deg", "run 400 next", "Ctrl-C ends it"):
        assert words in text


@given(
    st.integers(10, 200),
    st.lists(st.tuples(st.integers(0, 5), st.lists(st.text("abc", min_size=1), min_size=1))),
)
def test_fitted(width: int, told: list[tuple[int, list[str]]]) -> None:
    """Only what must be there may be too long; what is left out would not fit beside the rest."""
    parts = [Part(rank, *sorted(words, key=len, reverse=True)) for rank, words in told]
    text = fitted(parts, width)
    needed = "  ".join(part.words[0] for part in parts if part.rank == 0)
    assert len(text) <= max(width, len(needed))
    if len("  ".join(part.words[0] for part in parts)) <= width:
        assert text == "  ".join(part.words[0] for part in parts)


# --- on a real terminal ---------------------------------------------------------------------------


class Terminal:
    """``record`` on a pseudo-terminal of so many columns; what was drawn so far."""

    def __init__(self, folder: Path, port: str, columns: int, *more: str) -> None:
        import fcntl  # noqa: PLC0415  # of Unix alone
        import pty  # noqa: PLC0415
        import struct  # noqa: PLC0415
        import termios  # noqa: PLC0415

        self._own, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        os.set_blocking(self._own, False)
        arguments = [COMMAND, "record", "--port", port, "--out", "run.bbr", *more]
        self.process = subprocess.Popen(
            arguments, cwd=folder, env=CLEAN, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=other,
        )  # fmt: skip
        os.close(other)
        self._text = ""

    def lines(self) -> list[str]:
        try:
            while data := os.read(self._own, 65536):
                self._text += data.decode()
        except OSError:  # nothing more just now, or ever
            pass
        return self._text.split("\r")

    def until(self, fits: Callable[[str], bool]) -> str:
        """The first whole line that fits."""
        end = time.monotonic() + 60.0
        while time.monotonic() < end:
            for line in self.lines()[1:-1]:
                if fits(line):
                    return line
            time.sleep(0.02)
        raise AssertionError(self.lines()[-3:])

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._own)


@UNIX
@pytest.mark.parametrize("columns", [40, 80, 120])
def test_on_a_terminal(tmp_path: Path, columns: int) -> None:
    """Figures within the first two seconds, the board away at last, and no line ever too long."""
    with board("--speed", "0:800,1:800,1.3:0,2:0") as (process, port):
        terminal = Terminal(tmp_path, port, columns, "--encoder-pulses", "360")
        try:
            first = terminal.until(lambda line: " rpm" in line)
            assert first.startswith("SIMULATED  0 s") or first.startswith("SIMULATED  1 s")
            dwell = terminal.until(lambda line: "dwell 52." in line)
            if columns >= 80:
                assert "Ctrl-C ends it" in dwell
            assert "dwell" not in terminal.until(lambda line: "standing still" in line)
            process.kill()
            terminal.until(lambda line: "the board is away" in line)
            assert {len(line) for line in terminal.lines()[1:-1]} == {columns - 1}
        finally:
            terminal.close()


@UNIX
def test_without_a_terminal_nothing_is_drawn(tmp_path: Path) -> None:
    with board() as (_, port):
        ran = subprocess.run(
            [COMMAND, "record", "--port", port, "--out", "run.bbr", "--seconds", "1"],
            cwd=tmp_path, env=CLEAN, stdin=subprocess.DEVNULL, capture_output=True, check=True,
        )  # fmt: skip
    assert ran.stderr == b""
