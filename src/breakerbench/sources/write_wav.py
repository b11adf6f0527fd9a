"""Export to WAV: PCM of 16 bits where that holds every count, else float in the units themselves."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from breakerbench.errors import BadInput
from breakerbench.sources.paired import Levels, Returns, paired, starts, values
from breakerbench.trace import Block, Channel, Source

#: Lengths in a WAV are of 32 bits; some space for what stands before the samples.
_MAX_BYTES = (1 << 32) - (1 << 16)
MAX_RATE_HZ = 2**31 - 1
MAX_COMMENT = 4000
_HIGH = 16384  # of a logic line in PCM, half of full scale; in float it is 1


@dataclass(frozen=True, slots=True)
class Coding:
    """How a channel's counts become those of the file: ``count * factor + shift``.

    full_scale  what full scale of the file stands for, in the unit of the channel
    """

    factor: int
    shift: int
    full_scale: float


def coding(channel: Channel) -> Coding | None:
    """The finest exact PCM coding of a channel of int16 counts, or None where there is none."""
    low, high = channel.rail_counts or (-32768.0, 32767.0)
    if channel.scale == 0:
        return None
    zero = channel.zero / channel.scale
    if not abs(zero) <= 65536.0:  # also where the division overflows
        return None
    for factor in (256, 128, 64, 32, 16, 8, 4, 2, 1):
        shift = zero * factor
        ends = sorted((low * factor + shift, high * factor + shift))
        if shift == round(shift) and ends[0] >= -32768 and ends[1] <= 32767:
            return Coding(factor, int(shift), channel.scale / factor * 32768)
    return None


def codings(channels: Sequence[Channel], block: Block) -> list[Coding] | None:
    """Codings of all channels, or None where the file must be float."""
    if any(samples.dtype != np.int16 for samples in block.samples):
        return None
    found = [coding(channel) for channel in channels]
    return None if None in found else [each for each in found if each is not None]


def scales_of(source: Source) -> list[float] | None:
    """What full scale of each sampled channel stands for; None where the file is float.

    Reads ``source`` up to its first samples; it must be able to begin again.
    """
    for event in source:
        if isinstance(event, Block):
            found = codings(source.header.channels, event)
            return None if found is None else [each.full_scale for each in found]
    return None


def write_wav(
    path: Path,
    source: Source,
    where: str,
    facts: Sequence[str],
    report: Callable[[float, float], None] | None = None,
) -> Levels:
    """Write ``source`` to ``path``. Returns what became of the edges.

    Raises BadInput where the trace cannot be a WAV, OSError where the file cannot be written.
    """
    header = source.header
    rate = round(header.sample_rate_hz)
    if not 0 < rate <= MAX_RATE_HZ or abs(header.sample_rate_hz / rate - 1) > 1e-4:
        what = f"has {header.sample_rate_hz:.6g} samples a second, and a WAV whole numbers of them"
        raise BadInput(where, what, "export it as CSV")
    begin = starts(source)
    levels = Levels(begin, header.sample_rate_hz)
    coded: list[Coding] | None = None
    frames = 0
    sound: soundfile.SoundFile | None = None
    width = 0
    try:
        for block, edges in paired(Returns(source, begin), where, "WAV"):
            if sound is None:
                coded = codings(header.channels, block)
                subtype = "FLOAT" if coded is None else "PCM_16"
                count = len(header.channels) + len(header.edge_channels)
                width = count * (4 if coded is None else 2)
                sound = soundfile.SoundFile(str(path), "w", rate, count, subtype, format="WAV")
                if facts:  # the library takes no empty one
                    sound.comment = "\n".join(facts)[:MAX_COMMENT]
            if (frames + len(block)) * width > _MAX_BYTES:
                seconds = frames / header.sample_rate_hz
                what = f"is longer than a WAV can be ({seconds:.0f} s)"
                raise BadInput(where, what, "export it in parts with --from and --to")
            sound.write(_frames(source, block, levels.of(block, edges), coded, where))
            frames += len(block)
            if report is not None:
                report(*source.progress())
    except (soundfile.SoundFileError, AssertionError) as error:  # it says so of a full disk
        raise OSError(None, "the disk took no more") from error
    finally:
        if sound is not None:
            sound.close()
    if os.path.getsize(path) < frames * width:  # the library closes without a word
        raise OSError(None, "the disk took no more")
    return levels


def _frames(
    source: Source,
    block: Block,
    levels: dict[str, NDArray[np.bool_]],
    coded: list[Coding] | None,
    where: str,
) -> NDArray[np.int16] | NDArray[np.float32]:
    count = len(block.samples) + len(levels)
    frames: NDArray[Any] = np.empty((len(block), count), np.float32 if coded is None else np.int16)
    for row, (channel, samples) in enumerate(
        zip(source.header.channels, block.samples, strict=True)
    ):
        if coded is None:
            frames[:, row] = values(channel, samples, where)
        elif samples.dtype != np.int16:
            raise BadInput(where, "changes from counts to fractions", "export it as CSV")
        else:
            wide = samples.astype(np.int32) * coded[row].factor + coded[row].shift
            if int(wide.min()) < -32768 or int(wide.max()) > 32767:
                what = f"{channel.name} goes beyond the range that its header states"
                raise BadInput(where, what, "export it as CSV")
            frames[:, row] = wide
    for row, level in enumerate(levels.values(), len(block.samples)):
        frames[:, row] = level * (1 if coded is None else _HIGH)
    return frames
