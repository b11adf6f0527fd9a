"""A finished job in its folder, of the sample traces: as if the program had been ended there."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path
from typing import Any

from app.driving import SHORT_SPEC
from app.runs import SAMPLES
from breakerbench.app import job as jobs
from breakerbench.app import specs
from breakerbench.app.job import DONE, Job, Settings, StepState
from breakerbench.judge.specification import parse_specification
from breakerbench.measure.hand_zero import hand_zero
from breakerbench.pipeline import analyze
from breakerbench.sources.open import open_trace

PARTS = {
    "hand": "hand-turned.bbr", "run": "sticking-weights.bbr", "coil": "burnt-points-on-coil.bbr",
    "condenser": "leaky-condenser.bbr",
}  # fmt: skip
STEPS = ("distributor", "cautions", "hand", "gap", "run", "coil", "condenser", "outcome")


@cache
def results() -> dict[str, dict[str, Any]]:
    """Of each part, as the window works it out."""
    spec = parse_specification(SHORT_SPEC.encode(), "short.toml")
    found: dict[str, dict[str, Any]] = {}
    for name, file in PARTS.items():
        trace = open_trace(SAMPLES / file)
        try:
            zero = hand_zero(found["hand"]["hand"]) if name == "run" else None
            found[name] = analyze(trace, spec, hand=zero)
        finally:
            trace.close()
    return found


def finished(state: Path, at: str = "outcome", without: tuple[str, ...] = ()) -> Path:
    """Settings and a job in ``state``; returns the job's folder.

    at: the step that was up; without: steps whose recording is there and whose result is not
    """
    folder = state / "jobs" / "2026-01-02-42-B"
    folder.mkdir(parents=True)
    (folder / specs.COPY).write_text(SHORT_SPEC)
    steps = {key: StepState(DONE) for key in ("distributor", "cautions", "gap")}
    for name, file in PARTS.items():
        path = folder / f"{name}.bbr"
        shutil.copyfile(SAMPLES / file, path)
        steps[name] = StepState(jobs.OPEN if name in without else DONE, "", str(path))
        if name not in without:
            jobs.save_result(str(path), results()[name])
    job = Job("42-B", "four-lobe", "sim", (), None, str(folder), at, steps)
    jobs.save(job, str(folder / jobs.STATE_FILE))
    last = Job("42-A", "four-lobe", "sim")
    jobs.save(Settings(current=str(folder), last=last), str(state / jobs.SETTINGS_FILE))
    return folder
