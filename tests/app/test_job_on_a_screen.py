"""The whole job in a real window on a screen that nobody sees, by keys as a keyboard sends them."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Generator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from app.driving import SHORT_SPEC
from app.job_checks import check_job

MISSING = [name for name in ("Xvfb", "xdotool") if shutil.which(name) is None]
UNDER_CI = os.environ.get("CI", "").lower() in ("1", "true")
pytestmark = [
    pytest.mark.skipif(bool(MISSING), reason=f"apt install xvfb xdotool: no {', '.join(MISSING)}"),
    pytest.mark.skipif(
        not UNDER_CI and os.environ.get("BREAKERBENCH_SCREEN") != "1",
        reason="a minute: run by CI, and with BREAKERBENCH_SCREEN=1",
    ),
]


@pytest.fixture
def screen() -> Generator[str, None, None]:
    """Name of a screen of 1280 x 800 that is there for the test."""
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x800x24", "-nolisten", "tcp"]
    with subprocess.Popen(command, pass_fds=[write], stderr=subprocess.DEVNULL) as server:
        os.close(write)
        with os.fdopen(read) as number:
            name = f":{number.readline().strip()}"
        yield name
        server.terminate()


class Person:
    """Presses keys; reads what is on the screen."""

    def __init__(self, folder: Path, screen: str) -> None:
        self.folder, self.screen = folder, screen

    def x(self, *words: str) -> str:
        environment = os.environ | {"DISPLAY": self.screen}
        ran = subprocess.run(
            ["xdotool", *words], env=environment, capture_output=True, text=True, check=True
        )
        return ran.stdout

    def press(self, *keys: str) -> None:
        for key in keys:
            self.x("key", key)
            time.sleep(0.2)

    @property
    def sees(self) -> dict[str, Any]:
        path = self.folder / "screen.json"
        found: dict[str, Any] = json.loads(path.read_text()) if path.exists() else {}
        return found

    def until(
        self, what: Callable[[dict[str, Any]], object], seconds: float = 60.0
    ) -> dict[str, Any]:
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            sees = self.sees
            if sees and what(sees):
                return sees
            time.sleep(0.1)
        raise AssertionError(json.dumps(self.sees, indent=1))


def asks(text: str) -> Callable[[dict[str, Any]], bool]:
    return lambda sees: sees["question"].startswith(text)


def says(text: str) -> Callable[[dict[str, Any]], bool]:
    return lambda sees: any(text in each for each in sees["texts"])


def test_a_whole_job_on_a_screen(tmp_path: Path, screen: str) -> None:
    spec = tmp_path / "short.toml"
    spec.write_text(SHORT_SPEC)
    environment = os.environ | {
        "DISPLAY": screen, "QT_QPA_PLATFORM": "xcb", "PYTHONPATH": os.pathsep.join(sys.path),
    }  # fmt: skip
    command = [sys.executable, "-m", "app.in_a_window", str(tmp_path), str(spec)]
    with subprocess.Popen(command, env=environment, cwd=Path(__file__).parents[1]) as program:
        try:
            _job(Person(tmp_path, screen))
            assert program.wait(timeout=15.0) == 0
        finally:
            program.kill()


def _job(person: Person) -> None:
    person.until(lambda sees: sees["platform"] == "xcb")
    # No window manager is there to give it the keys.
    window = person.x("search", "--sync", "--onlyvisible", "--name", "Breakerbench").split()[0]
    person.x("windowfocus", "--sync", window)
    person.until(lambda sees: sees["active"])
    person.x("type", "42-B")
    person.press("Tab", "End", "Tab", "End")
    person.until(says("four lobes, up to 650 rpm (invented)"))
    person.press("Return")
    person.until(asks("Is the bench safe to start?"))
    person.press("F8")  # the foot-switch
    person.until(asks("Is the gap right?"))
    person.until(says("The gap is right."))
    person.press("space")
    run = person.until(lambda sees: "run" in sees["results"] and says("±")(sees))
    person.until(asks("Is the spark strong"))
    coil = person.until(lambda sees: "coil" in sees["results"] and says("spark duration: ")(sees))
    person.press("Return")
    condenser = person.until(lambda sees: "condenser" in sees["results"] and says("±")(sees))
    person.press("Return")
    end = person.until(asks("Is it as it should be?"))
    person.x("mousemove", "640", "300", "click", "1")
    shown = SimpleNamespace(rows=end["rows"])
    compared = check_job(
        shown,
        Path(end["folder"]),
        run["texts"],
        coil["texts"],
        condenser["texts"],  # type: ignore[arg-type]
    )
    assert compared >= 10
    assert person.sees["qt"] == []
    person.press("ctrl+q")
