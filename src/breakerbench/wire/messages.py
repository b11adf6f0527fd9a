"""The messages of the wire. Made by wire/generate.py of protocol.toml: edit that."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar

LEVEL, LEAST_LEVEL = 1, 1
#: Bytes of a frame's body at most; before it; and after it.
MOST_BODY, HEAD, CRC = 1000, 13, 4
#: USB vendor number: shared by open projects.
USB_VENDOR = 0x1209
#: USB product number: the one for tests, until one is registered; the product's name is looked at too.
USB_PRODUCT = 0x0001


class Input(IntEnum):
    """What a sampled or an edge input is connected to."""

    POINTS_V = 1  # points' terminal to ground
    CONTACT_V = 2  # the same on a clamped range, for the contact drop
    CURRENT_A = 3  # current probe
    SUPPLY_V = 4  # coil's feed terminal
    CONDENSER_V = 5  # condenser alone
    SPARK = 6  # clip-on pickup on a plug lead
    INDEX = 16  # one pulse a revolution
    ENCODER = 17  # many pulses a revolution


class State(IntEnum):
    """What the board is doing."""

    IDLE = 0  # waiting for a command
    CAPTURING = 1  # sampling and sending
    FAULTY = 2  # a self-check failed; flags of Status say which


class Outcome(IntEnum):
    """What became of a command."""

    DONE = 0  # done
    UNKNOWN = 1  # no such command at this level
    MALFORMED = 2  # its length or a value in it is wrong
    NOT_NOW = 3  # not while capturing, or not before Hello
    LEVEL = 4  # board and program have no level in common
    FAILED = 5  # tried, and failed: detail says where


class Reason(IntEnum):
    """Why a capture ended, or the board began anew."""

    ASKED = 0  # by a command
    POWER = 1  # power came up
    WATCHDOG = 2  # the firmware hung and was restarted
    HOST_GONE = 3  # nobody has read for too long
    OVERRUN = 4  # the converter's memory was not emptied in time


def _bytes(text: str, size: int) -> bytes:
    data = text.encode("utf-8")
    if len(data) > size:
        raise ValueError(f"{text!r} takes more than {size} bytes")
    return data


def _text(data: bytes) -> str:
    return data.rstrip(b"\0").decode("utf-8")


@dataclass(frozen=True, slots=True)
class Identity:
    """Answer to Hello: who the board is. So many Sampled, Edge and Mode messages follow.

    level        protocol level of the firmware
    least_level  oldest level it still speaks
    clock_hz     ticks of the board clock a second: frames, edges, capture start (Hz)
    calibrated   1: scales from a calibration of this board, 0: those of the design
    sampled      sampled inputs
    edges        edge inputs
    modes        capture modes
    board        kind of board
    serial       serial number
    build        build of the firmware
    """

    CODE: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HHIBBBB16s16s32s")

    level: int
    least_level: int
    clock_hz: int
    calibrated: int
    sampled: int
    edges: int
    modes: int
    board: str
    serial: str
    build: str

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(
            self.level, self.least_level, self.clock_hz, self.calibrated, self.sampled,
            self.edges, self.modes, _bytes(self.board, 16), _bytes(self.serial, 16),
            _bytes(self.build, 32),
        )  # fmt: skip

    @classmethod
    def unpack(cls, body: bytes) -> Identity:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Identity: body of the wrong length")
        (
            level, least_level, clock_hz, calibrated, sampled, edges, modes, board, serial, build,
        ) = cls.LAYOUT.unpack(body)
        return cls(
            level, least_level, clock_hz, calibrated, sampled, edges, modes, _text(board),
            _text(serial), _text(build),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sampled:
    """One sampled input: value = zero + scale * count.

    input      which (Input)
    bits       of the converter: counts lie in 0 to 2^bits - 1
    scale      value of one count (unit a count)
    zero       value of count 0 (unit)
    delay_s    delay of the front end: how late a step shows at half its height (s)
    u_delay_s  standard uncertainty of its difference between opening and closing (s)
    u_gain     standard uncertainty of the scale; negative: not stated (share)
    u_zero     standard uncertainty of the zero; negative: not stated (unit)
    """

    CODE: ClassVar[int] = 0x02
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBffffff")

    input: int
    bits: int
    scale: float
    zero: float
    delay_s: float
    u_delay_s: float
    u_gain: float
    u_zero: float

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(
            self.input, self.bits, self.scale, self.zero, self.delay_s, self.u_delay_s,
            self.u_gain, self.u_zero,
        )  # fmt: skip

    @classmethod
    def unpack(cls, body: bytes) -> Sampled:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Sampled: body of the wrong length")
        input, bits, scale, zero, delay_s, u_delay_s, u_gain, u_zero = cls.LAYOUT.unpack(body)
        return cls(input, bits, scale, zero, delay_s, u_delay_s, u_gain, u_zero)


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge input.

    input             which (Input)
    resolution_ticks  width of a time stamp's step (ticks)
    delay_s           delay of the front end, the same in both directions (s)
    """

    CODE: ClassVar[int] = 0x03
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHf")

    input: int
    resolution_ticks: int
    delay_s: float

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.input, self.resolution_ticks, self.delay_s)

    @classmethod
    def unpack(cls, body: bytes) -> Edge:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Edge: body of the wrong length")
        input, resolution_ticks, delay_s = cls.LAYOUT.unpack(body)
        return cls(input, resolution_ticks, delay_s)


@dataclass(frozen=True, slots=True)
class Mode:
    """One capture mode: inputs sampled in turn. Row n is sampled from n * row_ticks / row_parts on.

    mode        its number, for Start
    inputs      sampled inputs in a row
    first       sampled first (Input)
    second      sampled second; 0: none (Input)
    third       sampled third; 0: none (Input)
    row_ticks   ticks of row_parts rows (ticks)
    row_parts   see row_ticks
    step_ticks  from one input of a row to the next (ticks)
    """

    CODE: ClassVar[int] = 0x04
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBBIIf")

    mode: int
    inputs: int
    first: int
    second: int
    third: int
    row_ticks: int
    row_parts: int
    step_ticks: float

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(
            self.mode, self.inputs, self.first, self.second, self.third, self.row_ticks,
            self.row_parts, self.step_ticks,
        )  # fmt: skip

    @classmethod
    def unpack(cls, body: bytes) -> Mode:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Mode: body of the wrong length")
        (
            mode, inputs, first, second, third, row_ticks, row_parts, step_ticks,
        ) = cls.LAYOUT.unpack(body)
        return cls(mode, inputs, first, second, third, row_ticks, row_parts, step_ticks)


@dataclass(frozen=True, slots=True)
class Started:
    """A capture has begun. Row 0 is sampled at this tick; rows, edges and losses are counted from
    here.

    mode  as in Start
    tick  board clock at row 0 (ticks)
    """

    CODE: ClassVar[int] = 0x10
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BQ")

    mode: int
    tick: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.mode, self.tick)

    @classmethod
    def unpack(cls, body: bytes) -> Started:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Started: body of the wrong length")
        mode, tick = cls.LAYOUT.unpack(body)
        return cls(mode, tick)


@dataclass(frozen=True, slots=True)
class Samples:
    """Consecutive rows. Rows between the end of one message and the first of the next are lost.
    Edges up to the end of these rows are sent before the next Samples.

    first   number of the first row since Started (rows)
    rows    how many
    inputs  samples a row
    tail    samples, 12 bits each, row by row: of two samples a, b the bytes are a[7:0], b[3:0]
            a[11:8], b[11:4]; an odd last one is followed by four zero bits
    """

    CODE: ClassVar[int] = 0x11
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<QHB")

    first: int
    rows: int
    inputs: int
    tail: bytes

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.first, self.rows, self.inputs) + self.tail

    @classmethod
    def unpack(cls, body: bytes) -> Samples:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) < cls.LAYOUT.size:
            raise ValueError("Samples: body of the wrong length")
        first, rows, inputs = cls.LAYOUT.unpack_from(body)
        return cls(first, rows, inputs, body[cls.LAYOUT.size :])


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of one input, in time order.

    input  which (Input)
    count  how many
    lost   edges lost before the first of these, 65535: that many or more
    first  board clock of the first, since the tick of Started (ticks)
    tail   for each edge a LEB128 number: (ticks since the one before) * 2 + (1 if the line went
           up); of the first edge the ticks are 0
    """

    CODE: ClassVar[int] = 0x12
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHHQ")

    input: int
    count: int
    lost: int
    first: int
    tail: bytes

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.input, self.count, self.lost, self.first) + self.tail

    @classmethod
    def unpack(cls, body: bytes) -> Edges:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) < cls.LAYOUT.size:
            raise ValueError("Edges: body of the wrong length")
        input, count, lost, first = cls.LAYOUT.unpack_from(body)
        return cls(input, count, lost, first, body[cls.LAYOUT.size :])


@dataclass(frozen=True, slots=True)
class Status:
    """State and losses, ten times a second while capturing, once a second else.

    state           what it is doing (State)
    flags           self-checks that failed: bit 0 converter, 1 clock, 2 flash, 3 supply
    rows            sampled since Started (rows)
    rows_lost       of these not sent (rows)
    edges_lost      edges not sent
    frames_refused  frames from the program that were not in order
    stalls          times the program took nothing for 50 ms
    supply_v        the board's own supply (V)
    temperature_c   of the chip (deg C)
    """

    CODE: ClassVar[int] = 0x13
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBQQIIIff")

    state: int
    flags: int
    rows: int
    rows_lost: int
    edges_lost: int
    frames_refused: int
    stalls: int
    supply_v: float
    temperature_c: float

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(
            self.state, self.flags, self.rows, self.rows_lost, self.edges_lost,
            self.frames_refused, self.stalls, self.supply_v, self.temperature_c,
        )  # fmt: skip

    @classmethod
    def unpack(cls, body: bytes) -> Status:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Status: body of the wrong length")
        (
            state, flags, rows, rows_lost, edges_lost, frames_refused, stalls, supply_v,
            temperature_c,
        ) = cls.LAYOUT.unpack(body)
        return cls(
            state, flags, rows, rows_lost, edges_lost, frames_refused, stalls, supply_v,
            temperature_c,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stopped:
    """The capture has ended; nothing of it follows.

    reason  why (Reason)
    rows    sampled in all (rows)
    """

    CODE: ClassVar[int] = 0x14
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BQ")

    reason: int
    rows: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.reason, self.rows)

    @classmethod
    def unpack(cls, body: bytes) -> Stopped:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Stopped: body of the wrong length")
        reason, rows = cls.LAYOUT.unpack(body)
        return cls(reason, rows)


@dataclass(frozen=True, slots=True)
class Begun:
    """The first frame after a start or restart of the firmware, sequence 0: what was captured
    before is over. A zero byte is sent before it, so that it is not taken for the rest of a frame
    cut short.

    reason  why (Reason)
    """

    CODE: ClassVar[int] = 0x15
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")

    reason: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.reason)

    @classmethod
    def unpack(cls, body: bytes) -> Begun:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Begun: body of the wrong length")
        reason, = cls.LAYOUT.unpack(body)
        return cls(reason)


@dataclass(frozen=True, slots=True)
class Reply:
    """Answer to every command, after all that the command itself makes the board send (Identity and
    what follows it, Started, the rest of a capture and Stopped); of Restart, before Begun.

    to       sequence of the command
    command  its type
    outcome  what became of it (Outcome)
    detail   where it failed; the token of Ping
    """

    CODE: ClassVar[int] = 0x1F
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IBBI")

    to: int
    command: int
    outcome: int
    detail: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.to, self.command, self.outcome, self.detail)

    @classmethod
    def unpack(cls, body: bytes) -> Reply:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Reply: body of the wrong length")
        to, command, outcome, detail = cls.LAYOUT.unpack(body)
        return cls(to, command, outcome, detail)


@dataclass(frozen=True, slots=True)
class Hello:
    """Begins: the board tells who it is. Ends a capture that was left running.

    level        protocol level of the program
    least_level  oldest level it still speaks
    """

    CODE: ClassVar[int] = 0x81
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HH")

    level: int
    least_level: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.level, self.least_level)

    @classmethod
    def unpack(cls, body: bytes) -> Hello:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Hello: body of the wrong length")
        level, least_level = cls.LAYOUT.unpack(body)
        return cls(level, least_level)


@dataclass(frozen=True, slots=True)
class Start:
    """Begins a capture.

    mode  number of a Mode
    """

    CODE: ClassVar[int] = 0x82
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")

    mode: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.mode)

    @classmethod
    def unpack(cls, body: bytes) -> Start:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Start: body of the wrong length")
        mode, = cls.LAYOUT.unpack(body)
        return cls(mode)


@dataclass(frozen=True, slots=True)
class Stop:
    """Ends it."""

    CODE: ClassVar[int] = 0x83
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<")

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack()

    @classmethod
    def unpack(cls, body: bytes) -> Stop:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Stop: body of the wrong length")
        return cls()


@dataclass(frozen=True, slots=True)
class Ping:
    """Asks whether anybody is there.

    token  comes back in Reply
    """

    CODE: ClassVar[int] = 0x84
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<I")

    token: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.token)

    @classmethod
    def unpack(cls, body: bytes) -> Ping:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Ping: body of the wrong length")
        token, = cls.LAYOUT.unpack(body)
        return cls(token)


@dataclass(frozen=True, slots=True)
class Blink:
    """Lets the light of this board blink, to tell it from others.

    seconds  how long (s)
    """

    CODE: ClassVar[int] = 0x85
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")

    seconds: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.seconds)

    @classmethod
    def unpack(cls, body: bytes) -> Blink:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Blink: body of the wrong length")
        seconds, = cls.LAYOUT.unpack(body)
        return cls(seconds)


@dataclass(frozen=True, slots=True)
class Calibrate:
    """New figures of one sampled input, used at once and forgotten at power off.

    input      which (Input)
    scale      value of one count (unit a count)
    zero       value of count 0 (unit)
    delay_s    delay of the front end (s)
    u_delay_s  standard uncertainty, as in Sampled (s)
    u_gain     standard uncertainty of the scale; negative: not stated (share)
    u_zero     standard uncertainty of the zero; negative: not stated (unit)
    """

    CODE: ClassVar[int] = 0x86
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<Bffffff")

    input: int
    scale: float
    zero: float
    delay_s: float
    u_delay_s: float
    u_gain: float
    u_zero: float

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(
            self.input, self.scale, self.zero, self.delay_s, self.u_delay_s, self.u_gain,
            self.u_zero,
        )  # fmt: skip

    @classmethod
    def unpack(cls, body: bytes) -> Calibrate:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Calibrate: body of the wrong length")
        input, scale, zero, delay_s, u_delay_s, u_gain, u_zero = cls.LAYOUT.unpack(body)
        return cls(input, scale, zero, delay_s, u_delay_s, u_gain, u_zero)


@dataclass(frozen=True, slots=True)
class Keep:
    """Writes the figures in use to the board's memory."""

    CODE: ClassVar[int] = 0x87
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<")

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack()

    @classmethod
    def unpack(cls, body: bytes) -> Keep:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Keep: body of the wrong length")
        return cls()


@dataclass(frozen=True, slots=True)
class Restart:
    """Restarts the board.

    drive  1: as a drive that takes new firmware, 0: as it is
    """

    CODE: ClassVar[int] = 0x88
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")

    drive: int

    def pack(self) -> bytes:
        """Body of the frame."""
        return self.LAYOUT.pack(self.drive)

    @classmethod
    def unpack(cls, body: bytes) -> Restart:
        """Raises ValueError where the length or a text is wrong."""
        if len(body) != cls.LAYOUT.size:
            raise ValueError("Restart: body of the wrong length")
        drive, = cls.LAYOUT.unpack(body)
        return cls(drive)


Message = (
    Identity
    | Sampled
    | Edge
    | Mode
    | Started
    | Samples
    | Edges
    | Status
    | Stopped
    | Begun
    | Reply
    | Hello
    | Start
    | Stop
    | Ping
    | Blink
    | Calibrate
    | Keep
    | Restart
)

#: Message of each code.
MESSAGES: dict[int, type[Message]] = {
    0x01: Identity,
    0x02: Sampled,
    0x03: Edge,
    0x04: Mode,
    0x10: Started,
    0x11: Samples,
    0x12: Edges,
    0x13: Status,
    0x14: Stopped,
    0x15: Begun,
    0x1F: Reply,
    0x81: Hello,
    0x82: Start,
    0x83: Stop,
    0x84: Ping,
    0x85: Blink,
    0x86: Calibrate,
    0x87: Keep,
    0x88: Restart,
}
