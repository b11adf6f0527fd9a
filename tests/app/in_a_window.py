"""The program in a real window for `test_job_on_a_screen`: python -m app.in_a_window FOLDER SPECIFICATION

What is to be read on the screen is written to FOLDER/screen.json several times a second.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest
from PySide6.QtCore import QTimer, qInstallMessageHandler
from PySide6.QtWidgets import QListWidget

from app.driving import Driven, no_dialogs, shorten
from breakerbench.app.run import application, make_window


def main(folder: Path, spec: str) -> int:
    said: list[str] = []
    qInstallMessageHandler(lambda _kind, _where, text: said.append(text))
    with pytest.MonkeyPatch.context() as patched, no_dialogs(patched) as answers:
        shorten(patched.setattr)
        answers["open"] = spec
        app = application()
        window = make_window(str(folder / "state"))
        window.resize(1280, 800)
        window.show()
        driven = Driven(window)

        def write() -> None:
            lists = driven.seen(QListWidget)
            rows = [x.item(k).text() for x in lists for k in range(x.count())]
            told = {
                "question": driven.question, "texts": driven.texts, "rows": rows, "qt": said,
                "active": window.isActiveWindow(), "great": driven.great,
                "results": sorted(window.guide.results), "folder": window.guide.job.folder,
                "platform": app.platformName(),
            }  # fmt: skip
            (folder / "screen.part").write_text(json.dumps(told))
            os.replace(folder / "screen.part", folder / "screen.json")

        timer = QTimer()
        timer.timeout.connect(write)
        timer.start(150)
        return int(app.exec())


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2]))
