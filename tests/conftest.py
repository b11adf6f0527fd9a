"""For every test: quiet screens, one core, no skipping where everything must be there."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest
from hypothesis import settings

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from qt import WHY_NOT

# The plugin of the tests of the window cannot begin without Qt; pyproject keeps it from trying.
pytest_plugins = [] if WHY_NOT else ["pytestqt.plugin"]

UNDER_CI = os.environ.get("CI", "").lower() in ("1", "true")

# Shared machines are slow at times: a test is never red for time alone. And a gate looks at the same
# examples each time; everywhere else new ones are drawn.
settings.register_profile("breakerbench", deadline=None, derandomize=UNDER_CI, print_blob=True)
settings.load_profile("breakerbench")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Under CI a skipped test fails: .ci/run installs all that the tests need."""
    report = yield
    if UNDER_CI and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {report.longrepr}"
    return report
