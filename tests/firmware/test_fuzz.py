"""The core under a fuzzer that is guided by coverage (``firmware/tests/fuzz_main.c``).

30 s in CI, 5 s elsewhere; longer by hand: BREAKERBENCH_FUZZ_S=3600 pytest tests/firmware/test_fuzz.py
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from conftest import UNDER_CI
from firmware.build import SANITIZE, build, tool

SECONDS = int(os.environ.get("BREAKERBENCH_FUZZ_S", "30" if UNDER_CI else "5"))


def test_nothing_that_comes_breaks_it(tmp_path: Path) -> None:
    clang = tool("clang-14", "clang-14, libclang-rt-14-dev")
    fuzz = build("fuzz_main", tmp_path, "-O1", "-fsanitize=fuzzer", *SANITIZE, compiler=clang)
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    # Orders that lead far in: greeted, started, rows and edges, a full ring, kept, begun anew.
    (corpus / "a").write_bytes(
        bytes.fromhex("0100000000010201" + "0e" + "ff03" * 40 + "0aff000103")
    )
    options = [f"-max_total_time={SECONDS}", "-max_len=4096", "-timeout=10", "-print_final_stats=1"]
    if UNDER_CI:
        options.append("-seed=1")
    ran = subprocess.run(
        [fuzz, *options, corpus], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr[-4000:]
    runs = next(s for s in ran.stderr.splitlines() if "number_of_executed_units" in s)
    assert int(runs.split()[-1]) > 100 * SECONDS  # it did run
