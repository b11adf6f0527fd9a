"""Imported traces in WAV: PCM or float, any number of channels, read in blocks.

libsndfile (through soundfile) takes the many forms of WAV apart. PCM of up to 16 bits stays int16:
``Channel.scale`` turns counts into units, so that such a file is analysed at the speed of a
recording; anything wider becomes float32.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from io import SEEK_SET, FileIO
from typing import Any

import numpy as np

from breakerbench.errors import BadInput
from breakerbench.sources.files import Closing, StrPath, open_regular, printable, quoted, reason
from breakerbench.sources.options import CHANNEL_NAMES, MAX_RATE_HZ, ImportOptions, says_simulated
from breakerbench.trace import SAMPLED_UNITS, Block, Channel, Event, Header, Hole, Samples

_BLOCK_FRAMES = 1 << 16
_BLOCK_SAMPLES = 1 << 20  # of all channels of the file, those passed over too
_MAX_CHUNKS = 1000
#: A data chunk that states this much or more, and does not hold it, was never closed: writers that
#: stream put such a length there, and it says nothing of what is missing.
_UNSTATED = 0x7FFF0000
#: What a full scale of int16 is, and the rails; of 8 bits, libsndfile fills the lower byte with 0.
_FULL_SCALE = 32768
_RAILS = {"PCM_16": (-32768.0, 32767.0), "PCM_U8": (-32768.0, 32512.0)}
_WIDE = ("PCM_24", "PCM_32", "FLOAT", "DOUBLE")


class WavSource(Closing):
    """A WAV file as a source; channels are told by number, from 0: ``--column points_v=0``.

    A file of one channel needs no telling: it is the points. A scale is per full scale, which for
    PCM is where the converter ends and for float 1.0. ``index`` and ``encoder`` stay sampled, with
    the unit "logic". A comment ``simulated: true`` in the file marks the trace as simulated.
    A data chunk that is shorter than stated is read to its last whole frame; the rest is a hole.

    Raises BadInput with the mend, here or while iterating. One iteration at a time; a second begins
    again.
    """

    def __init__(self, path: StrPath, options: ImportOptions | None = None) -> None:
        self._where = os.fspath(path)
        self._options = options or ImportOptions()
        file, self._size = open_regular(path)
        self._stream = _Stream(file)
        self._sound: Any = None
        try:
            self._library = self._load()
            self._stated = self._stated_frames(file)
            self._stream.seek(0)
            self._open()
            self._rows = self._columns()
            self._header = self._begin()
        except BaseException:
            self.close()
            raise
        self._done = 0

    @property
    def header(self) -> Header:
        return self._header

    def progress(self) -> tuple[float, float]:
        """Frames read and frames there are."""
        return self._done, self._sound.frames

    def close(self) -> None:
        if self._sound is not None:
            self._sound.close()
        self._stream.file.close()

    def __iter__(self) -> Iterator[Event]:
        sound = self._sound
        with self._told():
            sound.seek(0)
        frames = max(1, min(_BLOCK_FRAMES, _BLOCK_SAMPLES // sound.channels))
        dtype = "int16" if sound.subtype in _RAILS else "float32"
        # One buffer for all blocks: 5 % faster than new memory for each.
        buffer = np.empty((min(frames, sound.frames), sound.channels), dtype)
        first = self._done = 0
        while first < sound.frames:
            with self._told():
                read = sound.read(out=buffer)
            if not len(read):
                break
            yield Block(first, self._samples(read, first))
            first += len(read)
            self._done = first
        self._done = sound.frames
        stated = self._stated
        if stated is None or stated > first:
            yield Hole(first, first if stated is None else stated, 0, "the file was cut short")

    def _samples(self, read: Any, first: int) -> tuple[Samples, ...]:
        """Each channel of a block, scaled where it is float."""
        samples: list[Samples] = []
        for channel, row in zip(self._header.channels, self._rows, strict=True):
            column = read[:, row].copy()
            if column.dtype == np.float32:
                scale = self._options.scales.get(channel.name, 1.0)
                with np.errstate(over="ignore", invalid="ignore"):
                    column = (column.astype(np.float64) * scale).astype(np.float32)
                if not np.isfinite(column).all():
                    place = f"{self._where} frame {first + int(np.argmin(np.isfinite(column)))}"
                    what = f"{channel.name} is no finite number"
                    raise BadInput(place, what, "export it again")
            samples.append(column)
        return tuple(samples)

    def _load(self) -> Any:
        try:
            import soundfile  # noqa: PLC0415  a tenth of a second, and recordings need none
        except OSError as error:  # no wheel for this machine, and none of its own
            what = "cannot be read: the library libsndfile is missing"
            raise BadInput(self._where, what, "install libsndfile") from error
        return soundfile

    def _open(self) -> None:
        with self._told():
            sound = self._sound = self._library.SoundFile(self._stream)
        if sound.format not in ("WAV", "WAVEX", "RF64"):
            raise BadInput(self._where, f"is {sound.format}, not WAV", "export it as WAV")
        if sound.subtype not in (*_RAILS, *_WIDE):
            what = f"is compressed ({printable(sound.subtype_info)}): that spoils the edges"
            raise BadInput(self._where, what, "export it as PCM")
        if sound.samplerate > MAX_RATE_HZ:
            what = f"states {sound.samplerate:.3g} samples a second"
            raise BadInput(self._where, what, "record or export it again")
        if sound.frames <= 0:
            what = "has no samples, or was never closed by the program that wrote it"
            raise BadInput(self._where, what, "save or record it again")

    def _columns(self) -> list[int]:
        """Number in the file of each channel wanted, in the order of CHANNEL_NAMES."""
        options, count = self._options, self._sound.channels
        options.refuse_rate(self._where)
        told = dict(options.columns)
        needs_points = options.kind in ("run", "hand")
        if "time_s" in told or "time_s" in options.scales:
            option = "--column" if "time_s" in told else "--scale"
            what = "a WAV has no column of times, but a sample rate"
            raise BadInput(self._where, what, f"leave {option} time_s out")
        if not told and needs_points and count == 1:
            told = {"points_v": "0"}
        numbers = "channel 0 alone" if count == 1 else f"channels 0 to {count - 1}"
        if not told or (needs_points and "points_v" not in told):
            name = "points_v" if needs_points else "current_a"
            what = f"holds {numbers}, and which of them is {name} is not told"
            mend = f"say which: --column {name}=0"
            raise BadInput(self._where, what, mend)
        for name, text in told.items():
            if not (text.isascii() and text.isdecimal() and len(text) < 6 and int(text) < count):
                what = f"there is no channel {quoted(text)} for {name}, it holds {numbers}"
                raise BadInput(self._where, what, f"correct --column {name}=NUMBER")
        for option, mapping in (("--scale", options.scales), ("--delay", options.delays)):
            for name in mapping:
                if name not in told:
                    what = f"there is no channel for {option} {name}"
                    mend = f"add --column {name}=NUMBER or leave {option} out"
                    raise BadInput(self._where, what, mend)
        self._names = [name for name in CHANNEL_NAMES if name in told]
        return [int(told[name]) for name in self._names]

    def _begin(self) -> Header:
        options, sound = self._options, self._sound
        rails = _RAILS.get(sound.subtype)
        notes: dict[str, object] = {"form": printable(f"{sound.format_info}, {sound.subtype_info}")}
        with self._told():
            texts = {name: getattr(sound, name, "") for name in ("title", "comment", "software")}
        notes |= {name: printable(text) for name, text in texts.items() if text}
        said = {}
        for line in texts["comment"].splitlines():
            key, _, value = line.partition(":")
            said[key] = value
        header = Header(
            sample_rate_hz=float(sound.samplerate),
            channels=tuple(
                Channel(
                    name,
                    SAMPLED_UNITS.get(name, "logic"),
                    scale=options.scales.get(name, 1.0) / _FULL_SCALE if rails else 1.0,
                    delay_s=options.delays.get(name, 0.0),
                    rail_counts=rails,
                )
                for name in self._names
            ),
            simulated=says_simulated(said),
            origin=f"WAV file {printable(os.path.basename(self._where))}",
            notes=notes,
        )
        return options.told_besides(header)

    def _stated_frames(self, file: FileIO) -> int | None:
        """Frames that the header states, None where it states none; 0 where all of it is there.

        libsndfile mends a wrong length without a word, so the chunks are looked through here.
        """
        try:
            head = file.read(12) or b""
            order = ">" if head.startswith(b"RIFX") else "<"
            at, align, long = 12, 0, None
            for _ in range(_MAX_CHUNKS):
                file.seek(at)
                chunk = file.read(40) or b""
                if len(chunk) < 8:
                    break
                name, length = struct.unpack_from(f"{order}4sI", chunk)
                if name == b"ds64" and len(chunk) >= 24:  # RF64, EBU Tech 3306: lengths of 64 bits
                    long = int(struct.unpack_from("<Q", chunk, 16)[0])
                elif name == b"fmt " and len(chunk) >= 22:
                    align = int(struct.unpack_from(f"{order}H", chunk, 20)[0])
                elif name == b"data":
                    stated = long if long is not None and length == 0xFFFFFFFF else length
                    there = self._size - at - 8
                    whole = align > 0 and 0 < stated <= there and stated % align == 0
                    if whole:
                        return 0
                    return stated // align if align and there < stated < _UNSTATED else None
                at += 8 + length + length % 2
        except OSError as error:
            raise self._unreadable(error) from error
        return 0

    @contextmanager
    def _told(self) -> Iterator[None]:
        """What goes wrong in the library, as the one line that a person sees."""
        failed: Exception | None = None
        try:
            yield
        except Exception as error:
            failed = error
        if self._stream.error is not None:
            raise self._unreadable(self._stream.error) from failed
        if isinstance(failed, self._library.SoundFileError):
            text = printable(getattr(failed, "error_string", str(failed))).rstrip(". ").lower()
            what = f"cannot be read as WAV ({text})"
            raise BadInput(self._where, what, "record or export it again") from failed
        if failed is not None:
            raise failed

    def _unreadable(self, error: OSError) -> BadInput:
        what = f"cannot be read ({reason(error)})"
        return BadInput(self._where, what, "check the disk, copy the file to another")


class _Stream:
    """What the library reads from: faults of the disk are kept, as they cannot pass through it."""

    def __init__(self, file: FileIO) -> None:
        self.file = file
        self.error: OSError | None = None

    def readinto(self, buffer: Any) -> int:
        try:
            return self.file.readinto(buffer) or 0
        except OSError as error:
            self.error = error
            return 0

    def read(self, length: int) -> bytes:
        """Looked for by the library; it calls ``readinto``."""
        return self.file.read(length) or b""

    def seek(self, offset: int, whence: int = SEEK_SET) -> int:
        try:
            return self.file.seek(offset, whence)
        except (OSError, ValueError):  # before the beginning: a length in the file is wrong
            return self.file.tell()

    def tell(self) -> int:
        return self.file.tell()
