"""Makes pictures of every screen of the window, both themes, two sizes: python .pictures/screens.py DIR

The window goes through a whole job on the SIMULATED bench, in real time: three minutes. With
--readme the best ones are put beside this file.
"""

from __future__ import annotations

import os
import sys
import time
from argparse import ArgumentParser
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PIL import Image
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from breakerbench.app.run import SWITCH_S, application, make_window
from breakerbench.app.steps.distributor import CAME_IN
from breakerbench.app.window import Window

SIZES = ((1280, 800), (1920, 1080))
SAMPLE = Path(__file__).parents[1] / "sample_traces" / "sticking-weights.bbr"
#: Name in the README, and the screen it is of.
README = {
    "window-gap": ("gap-set", "light"), "window-run": ("run-advance", "dark"),
    "window-coil": ("coil-done", "light"), "window-result": ("result-advance", "light"),
}  # fmt: skip
KEY = Qt.Key


class Camera:
    """Shows the window in each look and keeps its pictures."""

    def __init__(self, window: Window, folder: Path) -> None:
        self.window, self.folder, self.number = window, folder, 0
        self.kept: dict[tuple[str, str], QImage] = {}

    def spin(self, seconds: float, until: Callable[[], object] = lambda: False) -> None:
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s and not until():
            QApplication.processEvents()
            time.sleep(0.003)

    def wait(self, until: Callable[[], object], seconds: float = 120.0) -> None:
        self.spin(seconds, until)
        if not until():
            raise RuntimeError(f"waited in vain at {self.window.guide.job.at}")

    def key(self, key: Qt.Key) -> None:
        QTest.keyClick(QApplication.focusWidget() or self.window, key)
        self.spin(0.2)

    def take(self, name: str) -> None:
        self.number += 1
        for theme in ("light", "dark"):
            self.window.guide.set(theme=theme)
            self.window.set_look()
            for wide, high in SIZES:
                self.window.resize(wide, high)
                self.spin(0.15)
                picture = self.window.grab().toImage()
                picture.save(str(self.folder / f"{self.number:02d}-{name}-{theme}-{high}.png"))
                if (wide, high) == SIZES[0]:
                    self.kept[name, theme] = picture


def job(camera: Camera) -> None:
    """From the form to the result."""
    guide = camera.window.guide
    camera.take("distributor")
    faults = tuple(f"{fault}=needs repair" for fault in CAME_IN)
    guide.new_job("42-B", "demo", "sim", faults)
    guide.next_step()
    camera.spin(0.2)
    camera.take("cautions")
    camera.key(KEY.Key_Return)
    camera.wait(lambda: guide.worker.snapshot.hand and guide.worker.snapshot.hand.openings > 4)
    camera.take("hand")
    camera.wait(lambda: "hand" in guide.results)
    camera.spin(0.1)
    guide.touched()
    camera.take("hand-done")
    camera.key(KEY.Key_Return)
    camera.spin(6.0)
    camera.take("gap")
    for _ in range(3):
        camera.key(KEY.Key_Plus)
    camera.spin(8.0)
    camera.take("gap-set")
    camera.key(KEY.Key_Return)
    camera.spin(1.0)
    camera.take("run-waiting")
    camera.wait(lambda: guide.worker.snapshot.seconds > 44.0)
    for name in ("advance", "lobes", "spacing", "contact"):
        camera.take(f"run-{name}")
        camera.key(KEY.Key_P)
    camera.wait(lambda: "run" in guide.results)
    camera.spin(0.1)
    guide.touched()
    camera.take("run-done")
    camera.key(KEY.Key_Return)
    camera.wait(lambda: guide.worker.snapshot.seconds > 3.0)
    for name in ("burn", "current", "contact"):
        camera.take(f"coil-{name}")
        camera.key(KEY.Key_P)
    camera.wait(lambda: "coil" in guide.results)
    camera.spin(0.1)
    camera.take("coil-done")
    guide.go_to(next(step for step in guide.steps if step.key == "condenser"))
    camera.wait(
        lambda: guide.worker.snapshot.condenser and guide.worker.snapshot.condenser.charges > 1
    )
    camera.take("condenser")
    camera.wait(lambda: "condenser" in guide.results)
    camera.spin(0.1)
    camera.take("condenser-done")
    guide.go_to(guide.steps[-1])
    camera.spin(0.2)
    verdict = guide.steps[-1].verdict  # type: ignore[attr-defined]
    for row, (key, _) in enumerate(verdict._rows):
        if f"result-{key}" not in {name for name, _ in camera.kept}:
            verdict._list.setCurrentRow(row)
            camera.spin(0.1)
            camera.take(f"result-{key}")


def pages(camera: Camera) -> None:
    """What comes before the job."""
    window = camera.window
    window.guide.go_to(next(step for step in window.guide.steps if step.key == "run"))
    window.show_skip()
    camera.take("left-out")
    window.close_page()
    window.show_settings()
    camera.take("settings")
    window.close_page()
    window.show_help()
    camera.take("help")
    window.close_page()
    window.show_trace(str(SAMPLE))
    camera.wait(lambda: window.guide.worker.snapshot.result is not None)
    camera.spin(0.2)
    camera.take("trace")
    window.show_trace(__file__)
    camera.spin(1.0)
    camera.take("trace-refused")


def main() -> None:
    parser = ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--readme", action="store_true", help="renew those of the README too")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    sys.setswitchinterval(SWITCH_S)
    application()
    with TemporaryDirectory() as state:
        window = make_window(state, port="sim")
        window.show()
        camera = Camera(window, asked.folder)
        job(camera)
        pages(camera)
        window.close()
    for name, screen in README.items() if asked.readme else ():
        small(camera.kept[screen], Path(__file__).with_name(f"{name}.png"))


def small(picture: QImage, path: Path) -> None:
    """In 64 colours: a screen has few, and a README is read over slow lines too."""
    with TemporaryDirectory() as folder:
        whole = os.path.join(folder, "whole.png")
        picture.save(whole)
        Image.open(whole).convert("RGB").quantize(64, dither=0).save(path, optimize=True)


if __name__ == "__main__":
    main()
