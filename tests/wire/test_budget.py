"""Bytes a second on the wire at full rate, against what a full-speed USB line has."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.wire.frames import encode
from breakerbench.wire.messages import Input, Message, Status
from breakerbench.wire.packed import edges_messages, samples_message

#: 19 bulk packets of 64 bytes in each frame of a millisecond (USB 2.0, table 5-9).
THERE_ARE = 19 * 64 * 1000
CLOCK_HZ, SAMPLES_HZ = 62.5e6, 500e3
PULSES, RPM = 360, 2500.0


def size(message: Message) -> int:
    """Late in a long run, where numbers are long."""
    return len(encode(message, 10**6, 10**12))


@pytest.mark.parametrize(("inputs", "rows"), [(2, 320), (3, 212)])
def test_bytes_a_second_at_full_rate(inputs: int, rows: int) -> None:
    counts = np.random.default_rng(1).integers(0, 4096, (inputs, rows)).astype(np.int16)
    blocks_hz = SAMPLES_HZ / inputs / rows
    samples = size(samples_message(10**9, counts)) * blocks_hz
    edges_hz = 2 * PULSES * RPM / 60.0
    ticks = (1e11 + np.arange(round(edges_hz / blocks_hz)) * CLOCK_HZ / edges_hz).astype(np.int64)
    (message,) = edges_messages(Input.ENCODER, ticks, np.arange(len(ticks)) % 2 == 0)
    encoder = size(message) * blocks_hz
    (pulse,) = edges_messages(Input.INDEX, ticks[:1], np.array([True]))
    rest = size(pulse) * 2 * RPM / 60.0 + size(Status(1, 0, 10**9, 0, 0, 0, 0, 5.0, 25.0)) * 10
    print(f"samples {samples:,.0f}, encoder {encoder:,.0f}, rest {rest:,.0f} bytes a second")
    assert samples + encoder + rest < 0.75 * THERE_ARE
