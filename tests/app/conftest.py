"""One application for all tests of the window; whatever Qt complains of fails the test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from qt import WHY_NOT

if not WHY_NOT:
    from app.in_qt import answers, app, make, quiet, windows

    __all__ = ["answers", "app", "make", "quiet", "windows"]


class _WithoutQt(pytest.Module):
    """Stands for a module of tests that cannot be imported: one skip that says why."""

    def collect(self) -> Iterator[pytest.Item]:
        yield _Skipped.from_parent(self, name="all of it")


class _Skipped(pytest.Item):
    def runtest(self) -> None:
        pytest.skip(WHY_NOT)


def pytest_pycollect_makemodule(
    module_path: Path, parent: pytest.Collector
) -> pytest.Module | None:
    """Where Qt cannot be loaded, what needs it is skipped."""
    needs = "PySide6" in (text := module_path.read_text(encoding="utf-8")) or any(
        f"app.{name}" in text for name in ("driving", "pictures", "screens", "views", "cramped")
    )
    return _WithoutQt.from_parent(parent, path=module_path) if WHY_NOT and needs else None
