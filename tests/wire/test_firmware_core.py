"""The firmware's framing, built for this machine, on the vectors that Python's is held to."""

from __future__ import annotations

import subprocess
from collections.abc import Callable

import numpy as np
import pytest

from breakerbench.wire.frames import Decoder, Frame, Refused
from firmware.build import SANITIZE, build
from wire.vectors import load

#: Verdicts of the C in words of Python's; a body is only looked into by Python.
WORDS = {
    1: "byte stuffing broken",
    2: "shorter than a frame",
    3: "longer than a frame",
    4: "checksum wrong",
}
BODY = "body of the wrong length"

Run = Callable[[bytes], list[list[str]]]


@pytest.fixture(scope="module")
def core(tmp_path_factory: pytest.TempPathFactory) -> Run:
    program = build("frames_main", tmp_path_factory.mktemp("core"), "-O1", *SANITIZE)

    def run(stream: bytes) -> list[list[str]]:
        ran = subprocess.run([program], input=stream, capture_output=True, check=True)
        return [line.split() for line in ran.stdout.decode().splitlines()]

    return run


def test_vectors(core: Run) -> None:
    vectors = load()
    for v, found in zip(vectors, core(b"".join(v.stream for v in vectors)), strict=True):
        if v.good:
            head = ["0", f"{v.type:02x}", str(v.sequence), str(v.clock)]
            assert found == [*head, "." + v.body.hex(), "." + v.stream.hex()], v.name
        elif BODY in v.verdict:
            assert found[0] == "0"
        else:
            assert WORDS[int(found[0])] == v.verdict, v.name


def test_damaged_streams_are_taken_as_python_takes_them(core: Run) -> None:
    rng = np.random.default_rng(20)
    vectors = load()
    for _ in range(60):
        order = rng.permutation(len(vectors))
        stream = bytearray(b"".join(vectors[k].stream for k in order))
        for _ in range(int(rng.integers(0, 12))):
            at = int(rng.integers(0, len(stream)))
            kind = int(rng.integers(0, 4))
            if kind == 0:
                stream[at] ^= 1 << int(rng.integers(0, 8))
            elif kind == 1:
                del stream[at]
            elif kind == 2:
                stream.insert(at, int(rng.integers(0, 256)))
            else:
                del stream[at : at + int(rng.integers(1, 3000))]
        mine = Decoder().feed(bytes(stream))
        for one, found in zip(mine, core(bytes(stream)), strict=True):
            if isinstance(one, Frame):
                assert found[:4] == ["0", f"{one.type:02x}", str(one.sequence), str(one.clock)]
            else:
                assert isinstance(one, Refused)
                assert BODY in one.reason or WORDS[int(found[0])] == one.reason
