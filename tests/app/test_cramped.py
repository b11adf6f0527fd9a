"""Every screen, in both themes and three sizes: nothing is clipped, nothing lies upon anything else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel, QListWidget, QPushButton, QWidget

from app.cramped import cramped
from app.driving import Driven, opened
from app.finished import finished
from app.screens import cramped_screens

SIZES = ((1280, 800), (1920, 1080))


@pytest.mark.usefixtures("quiet", "answers")
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_cramped(
    tmp_path: Path, windows: list[Driven], theme: str, size: tuple[int, int]
) -> None:
    finished(tmp_path)
    driven = opened(tmp_path, still=True)
    windows.append(driven)
    driven.window.guide.set(theme=theme)
    driven.window.set_look()
    driven.window.resize(*size)
    driven.spin(0.05)
    assert cramped_screens(driven) == {}
    assert (driven.window.width(), driven.window.height()) == size


@pytest.mark.parametrize("scale", [1.5, 2.0])
def test_nothing_is_cramped_at_another_scale(tmp_path: Path, scale: float) -> None:
    """In a process of its own: Qt takes its scale when it starts."""
    environment = os.environ | {
        "QT_SCALE_FACTOR": f"{scale:g}",
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    ran = subprocess.run(
        [sys.executable, "-m", "app.scaled", str(tmp_path), str(scale)],
        env=environment, cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert told["cramped"] == {}
    assert told["pixels"] == told["asked"]


def test_what_is_cramped_is_seen(windows: list[Driven]) -> None:
    """The check itself: a window with each of the faults."""
    del windows
    window = QWidget()
    window.resize(400, 300)
    QLabel("all of this can be read", window).setGeometry(20, 20, 300, 30)
    window.show()
    assert cramped(window) == []
    label = QLabel("words that go on", window)
    label.setGeometry(20, 200, 60, 20)
    button = QPushButton("more than there is room for", window)
    button.setGeometry(100, 200, 60, 30)
    rows = QListWidget(window)
    rows.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    rows.addItem("a row with more words than its width has room for")
    rows.setGeometry(180, 200, 100, 60)
    for part in (label, button, rows):
        part.show()
    assert len(cramped(window)) == 3
    button.setGeometry(60, 210, 90, 30)
    assert any("overlap" in each for each in cramped(window))
    button.setGeometry(300, 200, 260, 40)
    assert any("reaches out" in each for each in cramped(window))
    window.close()
