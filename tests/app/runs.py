"""Finished runs of the sample traces, with all that pictures need."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from breakerbench.edges.average import Averages
from breakerbench.edges.shown import CycleTraces
from breakerbench.judge.specification import load_specification
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown
from breakerbench.pipeline import analyze
from breakerbench.sources.open import open_trace

SAMPLES = Path(__file__).parents[2] / "sample_traces"


@cache
def run(name: str, spec: str | None = None) -> Subject:
    """A sample, analysed as the command line does."""
    stated = None if spec is None else load_specification(SAMPLES / spec)
    source = open_trace(SAMPLES / name)
    averages, cycles = Averages(source.header), CycleTraces(source.header)
    try:
        result = analyze(source, stated, averages=averages, traces=cycles)
    finally:
        source.close()
    return Subject(name, result, stated, Shown(), averages.averaged(), None, cycles.slowest())
