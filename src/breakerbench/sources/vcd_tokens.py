"""The tokens of a VCD file (IEEE 1364 clause 18) in bounded memory, and what its definitions say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from io import SEEK_SET, FileIO, RawIOBase
from typing import Any

from vcd.reader import Token, TokenKind, VarDecl, VCDParseError, tokenize

from breakerbench.errors import BadInput
from breakerbench.sources.files import printable, quoted, reason
from breakerbench.sources.options import CHANNEL_NAMES, ImportOptions
from breakerbench.trace import EDGE_NAMES, SAMPLED_UNITS

_BUFFER = 1 << 16
#: A comment, name or number longer than this is none of a trace, bytes.
_MAX_TOKEN = 1 << 19
_MAX_DEFINITIONS = 200_000
_MAX_DEPTH = 256
_MAX_COMMENTS = 20
_MAX_COMMENT_LINES = 1000
_SPACE = b" \t\r\n\v\f"
_UNITS = {
    "s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15, "as": 1e-18, "zs": 1e-21
}  # fmt: skip
_MAX_MAGNITUDE = 1_000_000
_REAL = ("real", "realtime")
#: Comments and names may hold any letters; the format itself is of ASCII.
_TO_ASCII = bytes(byte if byte < 128 else ord("?") for byte in range(256))


@dataclass(slots=True)
class Definitions:
    """What stands before ``$enddefinitions``.

    tick_s   one unit of the time stamps, s
    wanted   identifier code -> name of the channel that it carries
    notes    date, version and comments
    """

    tick_s: float = 0.0
    wanted: dict[str, str] = field(default_factory=dict)
    notes: dict[str, object] = field(default_factory=dict)


class _Stream(RawIOBase):
    """The file up to its last whole word, refusing to go on through a token without end."""

    def __init__(self, file: FileIO, size: int) -> None:
        self._file = file
        tail_at = max(0, size - _BUFFER)
        file.seek(tail_at)
        tail = file.read(size - tail_at) or b""
        self.end = size
        if not tail.endswith((b"$end", *(bytes([c]) for c in _SPACE))):
            self.end = tail_at + max(tail.rfind(bytes([c])) for c in _SPACE) + 1
        file.seek(0)
        self.done = 3 if file.read(3) == b"\xef\xbb\xbf" else 0
        file.seek(self.done, SEEK_SET)
        self.token_at = self.done

    def readinto(self, buffer: Any) -> int:
        if self.done - self.token_at > _MAX_TOKEN:
            raise _EndlessError
        length = min(len(buffer), self.end - self.done)
        read = self._file.readinto(memoryview(buffer)[:length]) or 0 if length > 0 else 0
        if not (data := bytes(buffer[:read])).isascii():
            buffer[:read] = data.translate(_TO_ASCII)  # the library stops at anything else
        self.done += read
        return read


class _EndlessError(Exception):
    pass


class VcdTokens:
    """Reads ``file`` from its beginning: ``define``, then iterate over the tokens that follow.

    cut    the last word of the file is without an end and was left out
    line   of the token at hand, from 1
    """

    def __init__(self, where: str, file: FileIO, size: int) -> None:
        self._where = where
        try:
            self._stream = _Stream(file, size)
        except OSError as error:
            raise self._unreadable(error) from error
        self.cut = self._stream.end < size
        self.line = 1
        self._tokens = self._told()

    @property
    def done(self) -> int:
        """Bytes read."""
        return self._stream.done

    def __iter__(self) -> Iterator[Token]:
        return self._tokens

    def place(self) -> str:
        return f"{self._where} line {self.line}"

    def refuse(self, what: str, mend: str) -> BadInput:
        """What is wrong at the token at hand."""
        return BadInput(self.place(), what, mend)

    def define(self, options: ImportOptions) -> Definitions:
        """The definitions, to their end. Raises BadInput where they cannot be a trace."""
        found: dict[str, dict[str, VarDecl]] = {}
        seen: list[str] = []
        names: dict[str, list[str]] = {}
        for channel in CHANNEL_NAMES:
            name = options.columns.get(channel, channel).encode().translate(_TO_ASCII).decode()
            names.setdefault(name, []).append(channel)
        scopes: list[str] = []
        definitions = Definitions()
        comments: list[str] = []
        for count, token in enumerate(self._tokens):
            kind, data = token.kind, token.data
            if count > _MAX_DEFINITIONS:
                what = f"more than {_MAX_DEFINITIONS} definitions"
                raise self.refuse(what, "export the channels of the bench alone")
            if kind is TokenKind.ENDDEFINITIONS:
                break
            if kind is TokenKind.SCOPE:
                scopes.append(token.scope.ident)
                if len(scopes) > _MAX_DEPTH:
                    raise self.refuse(f"scopes nest deeper than {_MAX_DEPTH}", "export it again")
            elif kind is TokenKind.UPSCOPE:
                if not scopes:
                    raise self.refuse("$upscope without a $scope", "export it again")
                scopes.pop()
            elif kind is TokenKind.VAR:
                reference = token.var.ref_str
                if len(seen) < 9:
                    seen.append(reference)
                for name in (reference, ".".join([*scopes, reference])):
                    for channel in names.get(name, ()):
                        found.setdefault(channel, {})[token.var.id_code] = token.var
            elif kind is TokenKind.TIMESCALE:
                definitions.tick_s = self._tick_s(token)
            elif kind in (TokenKind.DATE, TokenKind.VERSION):
                definitions.notes[kind.name.lower()] = printable(str(data).strip())
            elif kind is TokenKind.COMMENT:
                for text in map(str.strip, str(data).splitlines()[:_MAX_COMMENT_LINES]):
                    key, colon, value = text.partition(":")
                    if key.strip().lower() == "simulated" and colon:
                        definitions.notes["simulated"] = printable(value.strip())
                    elif text and len(comments) < _MAX_COMMENTS:
                        comments.append(printable(text))
            elif kind not in (TokenKind.ATTRBEGIN, TokenKind.ATTREND):
                raise self.refuse("a change before $enddefinitions", "export it again")
        else:
            raise self.refuse("it ends before $enddefinitions", "export it again")
        if comments:
            definitions.notes["comments"] = comments
        if not definitions.tick_s:
            raise BadInput(self._where, "states no $timescale", "export it again")
        self._choose(found, seen, options, definitions)
        return definitions

    def _choose(
        self,
        found: dict[str, dict[str, VarDecl]],
        seen: list[str],
        options: ImportOptions,
        definitions: Definitions,
    ) -> None:
        """Which variable carries which channel."""
        where = self._where
        options.refuse_rate(where)
        shown = ", ".join(quoted(name, 20) for name in seen[:8]) + (", ..." if seen[8:] else "")
        holds = f"only {shown}" if seen else "there are none"
        for option, mapping in (("--column", options.columns), ("--scale", options.scales)):
            if "time_s" in mapping:
                what = "a VCD has no column of times, but a timescale"
                raise BadInput(where, what, f"leave {option} time_s out")
        for channel in CHANNEL_NAMES:
            name = options.columns.get(channel, channel)
            if channel not in found:
                if channel in options.columns:
                    what = f"there is no variable {quoted(name)} for {channel}, {holds}"
                    raise BadInput(where, what, f"correct --column {channel}=NAME")
                for option, mapping in (("--scale", options.scales), ("--delay", options.delays)):
                    if channel in mapping:
                        what = f"there is no variable for {option} {channel}, {holds}"
                        mend = f"add --column {channel}=NAME or leave {option} out"
                        raise BadInput(where, what, mend)
                continue
            if len(found[channel]) > 1:
                what = f"several variables are named {quoted(name)}"
                mend = f"say which by its scopes: --column {channel}=SCOPE.NAME"
                raise BadInput(where, what, mend)
            ((code, var),) = found[channel].items()
            type_ = var.type_.value
            if channel in EDGE_NAMES and (type_ in (*_REAL, "string", "event") or var.size != 1):
                what = f"{channel} is {type_} of {var.size} bits, not logic of one bit"
                raise BadInput(where, what, f"name another: --column {channel}=NAME")
            if channel in SAMPLED_UNITS and type_ not in _REAL:
                what = f"{channel} is logic ({type_}), and its voltage or current is needed"
                raise BadInput(where, what, "record it with an instrument that saves CSV or WAV")
            if channel in EDGE_NAMES and channel in options.scales:
                what = f"{channel} is logic and has no scale"
                raise BadInput(where, what, f"leave --scale {channel} out")
            if code in definitions.wanted:
                what = f"{definitions.wanted[code]} and {channel} are one variable"
                raise BadInput(where, what, "name another with --column")
            definitions.wanted[code] = channel
        if not definitions.wanted:
            what = f"none of its variables is known, {holds}"
            raise BadInput(where, what, "say which is which: --column index=NAME")
        if options.kind in ("run", "hand") and "points_v" not in definitions.wanted.values():
            what = "holds no voltage of the points, from which all is measured: a VCD has logic channels"
            raise BadInput(where, what, "record points_v, and the index with it, as CSV or WAV")

    def _tick_s(self, token: Token) -> float:
        magnitude, unit = token.timescale
        if not 0 < magnitude <= _MAX_MAGNITUDE:
            raise self.refuse(
                f"$timescale of {printable(str(magnitude), 20)} {unit.value}", "correct it"
            )
        return magnitude * _UNITS[unit.value]

    def _told(self) -> Iterator[Token]:
        """The tokens; what is wrong in them as the one line that a person sees."""
        stream = self._stream
        try:
            for token in tokenize(stream, _BUFFER):
                self.line = token.span.start.line
                stream.token_at = stream.done
                yield token
        except VCDParseError as error:
            self.line = error.loc.line
            text = printable(str(error).partition(": ")[2], 80)
            raise self.refuse(f"is no VCD ({text})", "export it again") from error
        except _EndlessError as error:
            what = f"after this line, something without end: over {_MAX_TOKEN} bytes"
            raise self.refuse(what, "export it again") from error
        except (ValueError, OverflowError) as error:  # a number of 5,000 digits, letters not ASCII
            raise self.refuse(
                "after this line, something that is no VCD", "export it again"
            ) from error
        except OSError as error:
            raise self._unreadable(error) from error

    def _unreadable(self, error: OSError) -> BadInput:
        what = f"cannot be read ({reason(error)})"
        return BadInput(self._where, what, "check the disk, copy the file to another")
