"""Spoils the firmware's core in one place at a time and looks whether its tests see it.

    .venv/bin/python tests/firmware/mutations.py [number ...]

Ends with the number of those that no test saw; each must be seen.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from build import FIRMWARE

TESTS = Path(__file__).resolve().parent
#: (file of the core, what stands there, what it becomes).
MUTATIONS = (
    ("frames.c", "0x77073096u", "0x77073097u"),
    ("frames.c", "next - code == 255", "next - code == 254"),
    ("frames.c", "if (block < 255 && from < size)", "if (from < size)"),
    ("ring.c", "head + frame > BB_RING_LENGTH", "head + frame > BB_RING_LENGTH + 1"),
    ("ring.c", "r->used + frame > most", "r->used > most"),
    ("ring.c", "answer ? BB_RING_SIZE :", "answer && 0 ? BB_RING_SIZE :"),
    ("ring.c", "r->within && r->used && r->data[r->tail]", "r->used && r->data[r->tail]"),
    ("ring.c", "r->within && r->used && r->data[r->tail]", "0"),
    ("stamps.c", "number >> 32", "number >> 33"),
    ("stamps.c", "ticks < s->newest ||", ""),
    ("stamps.c", "twice >= end_twice", "twice > end_twice"),
    ("stamps.c", "|| (m.count && s->before[s->first])", ""),
    ("stamps.c", "sent ? 0 : bb_sum(s->untold, count)", "sent ? 0 : 0u * count"),
    ("stamps.c", "s->lost = 0;\n    s->newest", "s->newest"),
    ("stamps.c", "s->untold < UINT16_MAX ? (uint16_t)s->untold : UINT16_MAX", "(uint16_t)s->untold"),
    ("capture.c", "if (at % 2 && count)", "if (0)"),
    ("capture.c", "first >> 8 & 15u", "first >> 8"),
    ("capture.c", "c->rows_lost += rows;\n    }\n    send", "(void)rows;\n    }\n    send"),
    ("capture.c", "close_block(b); /* what", "/* what"),
    ("capture.c", "s && tick >= c->tick", "s"),
    ("capture.c", "c->rows += rows;\n    c->rows_lost", "c->rows_lost"),
    ("capture.c", "b->port->end();\n    close_block(b);", "b->port->end();"),
    ("capture.c", "*detail = BB_NO_ROOM;\n        return BB_OUTCOME_FAILED;", ""),
    ("capture.c", "c->edges_lost = sent ? c->edges_lost : bb_sum(c->edges_lost, count);", ""),
    ("board.c", "now - b->taken_tick", "now - b->taken_tick + 1"),
    ("board.c", "if (waits >= BB_STALL_TICKS && !b->stalled)", "if (waits >= BB_STALL_TICKS)"),
    ("board.c", "if (waits >= BB_GONE_TICKS)", "if (waits > BB_GONE_TICKS)"),
    ("board.c", "b->capture.mode || !b->ring.used", "1"),
    ("board.c", "b->sequence++;", "b->sequence += type == BB_STATUS ? 0u : 1u;"),
    ("board.c", "k < size && !b->restarts", "k < size"),
    ("board.c", "bb_ring_zero(&b->ring);", ""),
    ("board.c", "b->refused = bb_sum(b->refused, 1);", ""),
    ("board.c", "flags & ~BB_FLAG_FLASH ?", "flags ?"),
    ("board.c", "bb_decoder_init(&b->decoder);\n    bb_stop", "bb_stop"),
    ("commands.c", "c->early || b->greeted", "1"),
    ("commands.c", "f->size != c->size", "f->size < c->size"),
    ("commands.c", "said.least_level <= BB_LEVEL &&", ""),
    ("commands.c", "b->figures.own = 1;", ""),
    ("commands.c", "if (!bb_can_be(&told))", "if (0)"),
    ("commands.c", "bb_stop_capture(b, BB_REASON_ASKED);\n    tell(b);", "tell(b);"),
    ("inputs.c", "(double)s->u_gain < 1.0", "(double)s->u_gain <= 1.0"),
    ("inputs.c", "4095.0, least_range", "4096.0, least_range"),
    ("calibration.c", "r->next = copy ^ 1u;", "r->next = copy;"),
    ("calibration.c", "one - other - 1u < 0x7FFFFFFFu", "one > other"),
    ("calibration.c", "failure = BB_READS_OTHERWISE;", ""),
    ("calibration.c", "!bb_can_be(&found.sampled[k])", "0"),
    ("calibration.c", "state[copy] == BB_RECORD_DAMAGED || torn", "torn"),
    ("calibration.c", "_DAMAGED || torn;", "_DAMAGED || (torn && 0);"),
    ("calibration.c", "r->number + 1, f", "r->number, f"),
    ("light.c", "at % 4 < 2", "at % 4 < 3"),
)  # fmt: skip


def seen(number: int, folder: Path) -> bool:
    name, was, becomes = MUTATIONS[number]
    spoilt = folder / str(number)
    shutil.copytree(FIRMWARE, spoilt)
    path = spoilt / "core" / name
    text = path.read_text()
    assert text.count(was) >= 1, f"{name} no longer holds {was!r}"
    path.write_text(text.replace(was, becomes, 1))
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", TESTS,
         TESTS.parent / "wire" / "test_firmware_core.py", "--deselect",
         "tests/firmware/test_end_to_end.py"],
        env=os.environ | {"BREAKERBENCH_FIRMWARE": str(spoilt), "BREAKERBENCH_FUZZ_S": "3"},
        cwd=TESTS.parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip
    failed = [line for line in ran.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    if "CalledProcessError" in ran.stdout:
        print(f"{number:3} {name:14} DOES NOT BUILD", flush=True)
        return False
    what = failed[0].split(" - ")[0].split("::")[-1] if failed else "NOT SEEN"
    print(f"{number:3} {name:14} {was.splitlines()[0][:52]:52} {what}", flush=True)
    return ran.returncode == 1


def main() -> int:
    numbers = [int(n) for n in sys.argv[1:]] or range(len(MUTATIONS))
    with tempfile.TemporaryDirectory() as folder:
        return sum(not seen(n, Path(folder)) for n in numbers)


if __name__ == "__main__":
    sys.exit(main())
