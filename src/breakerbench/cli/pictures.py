"""``--plots``: the pictures of a result into their files, and what is said of them."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from breakerbench.cli.output import folder, output
from breakerbench.errors import harmless
from breakerbench.papers.listing import listing
from breakerbench.papers.subject import FILES, INDEX, KINDS, PICTURES, Subject, looked_for, missing
from breakerbench.sources.files import cannot_write

if TYPE_CHECKING:
    from rich.console import Console


class Places:
    """Where the pictures go: made ready before the long work, so that a refusal comes at once."""

    def __init__(self, stack: ExitStack, into: str) -> None:
        self._into = stack.enter_context(folder(into, FILES))
        self._stack = stack
        self._parts: Mapping[str, Path] = {}

    def ready(self, *inputs: str) -> None:
        """Every file beside its place. ``inputs`` must not be overwritten."""
        self._parts = {
            each: self._stack.enter_context(output(str(self._into / each), *inputs, optional=True))
            for each in FILES
        }

    def draw(self, subject: Subject) -> None:
        """Draw what can be drawn; what cannot leaves no picture, an earlier one of it goes."""
        # Imported here: the pictures' library takes a second, and most runs draw none.
        from breakerbench.papers.plots import pictures, png, svg  # noqa: PLC0415

        drawn = pictures(subject)
        for stem in PICTURES:
            for kind, content in zip(KINDS, (svg, png), strict=True):
                each = f"{stem}.{kind}"
                if stem in drawn:
                    self._write(each, content(drawn[stem], subject.title))
                else:
                    self._parts[each].unlink()
        self._write(INDEX, listing(subject).encode())

    def _write(self, each: str, content: bytes) -> None:
        try:
            self._parts[each].write_bytes(content)
        except OSError as error:
            raise cannot_write(self._into / each, error) from error


def print_pictures(console: Console, into: str, subject: Subject) -> None:
    """Which pictures there are, and why others are not."""
    # Imported here: a script that takes the JSON does not wait for it.
    from rich.text import Text  # noqa: PLC0415

    without = missing(subject)
    drawn = ", ".join(stem for stem in looked_for(subject) if stem not in without)
    text = f"Pictures in {harmless(into)}: {drawn or 'none'}"
    console.print(Text(f"{text} (each as SVG and PNG; {INDEX} shows all)" if drawn else text))
    for why in dict.fromkeys(without.values()):
        stems = ", ".join(stem for stem in without if without[stem] == why)
        console.print(Text(f"No picture of {stems}: {why}"))
