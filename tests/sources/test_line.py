"""The line: read by a thread of its own, broken while somebody waits, recorded bytes, names of ports."""

from __future__ import annotations

import os
import socket
import threading
import time
from pathlib import Path

import pytest

from breakerbench.errors import BadInput
from breakerbench.sources import line as lines
from breakerbench.sources.line import LineLost, Pumped, SerialLine, open_line


class Script:
    """Reads as it is told: bytes, or what is raised."""

    def __init__(self, *reads: bytes | Exception) -> None:
        self.reads = list(reads)
        self.closed = False
        self.written = b""

    def read(self) -> bytes:
        assert not self.closed
        if not self.reads:
            time.sleep(0.001)
            return b""
        each = self.reads.pop(0)
        if isinstance(each, Exception):
            raise each
        return each

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        self.closed = True


def all_of(line: Pumped, size: int) -> bytes:
    found, end = b"", time.monotonic() + 20.0
    while len(found) < size:
        assert time.monotonic() < end
        found += line.read()
    return found


def until_lost(line: lines.Line) -> str:
    """Reads on without a byte more; what the end of the line says."""
    end = time.monotonic() + 20.0
    while time.monotonic() < end:
        try:
            assert line.read() == b""
        except LineLost as lost:
            return str(lost)
    raise AssertionError("the line is still there")


def test_all_comes_in_order_and_then_the_end() -> None:
    parts = [bytes([k]) * (k + 1) for k in range(50)]
    script = Script(*parts, LineLost("pulled out"))
    line = Pumped(script)
    assert all_of(line, sum(map(len, parts))) == b"".join(parts)
    assert until_lost(line) == "pulled out"
    line.write(b"abc")
    line.close()
    assert (script.closed, script.written) == (True, b"abc")


def test_nothing_is_waited_for_for_ever() -> None:
    line = Pumped(Script())
    begin = time.monotonic()
    assert line.read() == b""
    assert time.monotonic() - begin < 5.0
    line.close()


def test_what_waits_is_bounded_and_nothing_of_it_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines, "MOST_WAITING", 1000)
    script = Script(*[b"x" * 300] * 40)
    line = Pumped(script)
    time.sleep(0.2)
    assert len(script.reads) >= 40 - 5  # it stopped reading
    assert all_of(line, 40 * 300) == b"x" * 12_000
    line.close()
    assert not [t for t in threading.enumerate() if t.name == "line" and t.is_alive()]


def test_a_socket_that_the_other_side_closes() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        line = SerialLine(f"socket://127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()
        with other:
            other.sendall(b"hello")
            found, end = b"", time.monotonic() + 20.0
            while len(found) < 5 and time.monotonic() < end:
                found += line.read()
            assert found == b"hello"
            line.write(b"there")
            assert other.recv(5) == b"there"
        assert until_lost(line)
        line.close()


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are of Unix")
def test_a_pseudo_terminal_that_goes_away() -> None:
    master, slave = os.openpty()
    line = SerialLine(os.ttyname(slave))
    os.write(master, b"\x01\x02\x03")
    found, end = b"", time.monotonic() + 20.0
    while len(found) < 3 and time.monotonic() < end:
        found += line.read()
    assert found == b"\x01\x02\x03"
    os.close(slave)
    os.close(master)
    assert until_lost(line)
    line.close()


class Unplugged:
    """A port of the system that was unplugged a moment ago."""

    def __init__(self, *_: object, **__: object) -> None:
        self.raised: Exception = OSError(5, "Input/output error")

    def read(self, _: int) -> bytes:
        raise self.raised

    def write(self, _: bytes) -> None:
        raise self.raised

    def close(self) -> None:
        raise self.raised


def errors_of_a_port() -> list[Exception]:
    found = [OSError(5, "Input/output error"), TypeError("no handle"), ValueError("handle of -1")]
    if os.name != "nt":
        import termios  # noqa: PLC0415

        found.append(
            termios.error(5, "Input/output error")
        )  # no OSError, and pyserial lets it through
    return found


@pytest.mark.parametrize("raised", errors_of_a_port(), ids=lambda e: type(e).__name__)
def test_a_port_that_goes_away_breaks_the_line(
    raised: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lines.serial, "serial_for_url", Unplugged)
    line = SerialLine("a port")
    line._port.raised = raised
    with pytest.raises(LineLost):
        line.read()
    with pytest.raises(LineLost):
        line.write(b"x")
    line.close()


@pytest.mark.parametrize("raised", errors_of_a_port(), ids=lambda e: type(e).__name__)
def test_a_port_that_goes_away_as_it_is_opened(
    raised: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: object, **__: object) -> None:
        raise raised

    monkeypatch.setattr(lines.serial, "serial_for_url", gone)
    with pytest.raises(BadInput):
        SerialLine("a port")


def test_recorded_bytes_come_by_the_same_door(tmp_path: Path) -> None:
    (tmp_path / "sent").write_bytes(b"x" * 100_000)
    line = open_line(f"bytes://{tmp_path / 'sent'}")
    line.write(b"nobody hears this")
    assert len(line.read()) + len(line.read()) == 100_000
    with pytest.raises(LineLost, match="at their end"):
        line.read()
    line.close()
    with pytest.raises(BadInput, match="cannot be read"):
        open_line(f"bytes://{tmp_path / 'none'}")


@pytest.mark.parametrize(
    ("port", "says"),
    [
        ("socket://127.0.0.1:1", "nobody answers"),
        ("/dev/there-is-none", "breakerbench ports"),
        ("nonsense://x", "no name of a port"),
    ],
)
def test_a_port_that_is_none_says_so(port: str, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        open_line(port)


def test_a_simulated_board_that_never_says_its_port_is_given_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(lines, "SIM_START_S", 0.3)
    begin = "import time; time.sleep(60)"
    real = lines.subprocess.Popen
    monkeypatch.setattr(
        lines.subprocess, "Popen", lambda _, **k: real([lines.sys.executable, "-c", begin], **k)
    )
    begun_s = time.monotonic()
    with pytest.raises(BadInput, match="did not start"):
        open_line("sim")
    assert time.monotonic() - begun_s < 10.0


def test_the_simulated_board_takes_options_and_says_which_it_does_not() -> None:
    line = open_line("sim --speed 600 --feed coil")
    line.close()
    for port, what in (
        ("sim --feed wet", "invalid choice"),
        ("sim --fault no-such=slight", "no-such"),
        ("sim --gap-mm 9", "no gap is that wide"),
        ("sim 'open", "quot"),
    ):
        with pytest.raises(BadInput, match=what):
            open_line(port)
