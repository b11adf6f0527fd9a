"""What a person sees of bad input: one line with the place in it and the mend."""

from __future__ import annotations


class BadInput(Exception):  # noqa: N818  it names what the person gave, not our fault
    """Input that cannot be used as it stands.

    Printed by the command line as one line ``where: what; mend`` with exit status 2.

    where  the file (or option) and the place in it: ``run.csv line 17``,
           ``spec.toml [dwell] min_deg``
    what   what is wrong with it, in plain words
    mend   what the person can do about it; may be empty
    """

    def __init__(self, where: str, what: str, mend: str = "") -> None:
        self.where = where
        self.what = what
        self.mend = mend
        super().__init__(str(self))

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}"
        if self.mend:
            text += f"; {self.mend}"
        return " ".join(text.split())


def harmless(text: str) -> str:
    """Text from a file as one line without control characters: it must not steer the terminal."""
    line = " ".join(text.split())
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in line)
