"""One question at a time, on a terminal or from a pipe, with a way back.

A talk is a plain function that asks through a `Dialogue` from its first question to its last. Going
back forgets the last answer and runs the talk again with those that stay, unseen; so the talk needs
to know nothing of it, and an answer that opened other questions takes them away with it.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable
from typing import TypeVar

from breakerbench.errors import BadInput, harmless
from breakerbench.judge.values import UnfitError

T = TypeVar("T")

WIDTH = 78
#: Wrong answers to one question from a pipe: a script that is wrong so often will not mend itself.
MOST_WRONG = 5
#: Characters of one answer; what comes without a line end is no person.
MAX_ANSWER = 4000
#: Lines from a pipe: more than the longest specification takes, so that an endless one ends.
MOST_LINES = 2000
NOT_STATED = "not stated"


class _BackError(Exception):
    """The person wants the question before."""


class Dialogue:
    """Asks on standard output, reads standard input.

    An empty answer takes what stands in brackets, ``-`` leaves the figure out, ``?`` explains and
    ``<`` goes back.
    """

    def __init__(self) -> None:
        self._answers: list[str] = []
        self._next = 0
        self._lines = 0
        self._person = sys.stdin is not None and sys.stdin.isatty()
        for stream, errors in ((sys.stdin, "surrogateescape"), (sys.stdout, "replace")):
            if stream is not None and hasattr(stream, "reconfigure"):
                stream.reconfigure(errors=errors)

    def hold(self, talk: Callable[[], T]) -> T:
        """Run a talk to its end. Raises BadInput where the answers end before it does."""
        self._answers, self._next = [], 0
        while True:
            try:
                return talk()
            except _BackError:
                if self._answers:
                    self._answers.pop()
                else:
                    self._print("This is the first question.")
                self._next = 0

    def tell(self, text: str) -> None:
        """Say something, unless the talk is being run again up to the present question."""
        if self._next == len(self._answers):
            self._print(text)

    def ask(
        self,
        question: str,
        read: Callable[[str], T],
        explain: str,
        default: str | None = None,
        empty: str = NOT_STATED,
    ) -> T | None:
        """The answer as ``read`` gives it; None: left out.

        read     turns the typed text into the value, or raises UnfitError, said in one line
        default  taken on an empty answer, in brackets; without one an empty answer is None, and
                 ``empty`` says in brackets what that means
        """
        return self._ask(question, empty if default is None else default, explain, read, default)

    def need(
        self, question: str, read: Callable[[str], T], explain: str, default: str | None = None
    ) -> T:
        """As `ask`, for what must be answered."""

        def needed(text: str) -> T:
            if not text:
                raise UnfitError("this needs an answer", "? explains")
            return read(text)

        found = self._ask(question, default or "", explain, needed, default, may_lack=False)
        assert found is not None
        return found

    def _ask(
        self,
        question: str,
        bracket: str,
        explain: str,
        read: Callable[[str], T],
        default: str | None,
        may_lack: bool = True,
    ) -> T | None:
        wrong = 0
        while True:
            again = self._next < len(self._answers)
            text = self._answers[self._next] if again else self._read(question, bracket)
            if text == "?":
                self._print(textwrap.indent(textwrap.fill(explain, WIDTH - 2), "  "))
                continue
            if text == "<":
                raise _BackError
            try:
                value = self._value(text, read, default, may_lack)
            except UnfitError as problem:
                wrong += 1
                line = harmless(f"{problem.what}; {problem.mend}" if problem.mend else problem.what)
                if wrong == MOST_WRONG and not self._person:
                    raise BadInput(
                        "standard input",
                        f"{wrong} answers to '{question}' could not be used, the last: {line}",
                        "nothing was written",
                    ) from None
                self._print(f"  {line}")
                continue
            if not again:
                self._answers.append(text)
            self._next += 1
            return value

    @staticmethod
    def _value(
        text: str, read: Callable[[str], T], default: str | None, may_lack: bool
    ) -> T | None:
        if not text.isprintable():
            raise UnfitError(
                "the answer holds signs that are no letters", "type it again, in UTF-8"
            )
        if text == "-" or (not text and default is None):
            return None if may_lack else read("")
        return read(text or default or "")

    def _read(self, question: str, bracket: str) -> str:
        """One line, without the blanks around it."""
        asked = f"{question} [{bracket}]:" if bracket else f"{question}:"
        *before, last = textwrap.wrap(asked, WIDTH)
        for line in before:
            self._print(line)
        print(f"{last} ", end="", flush=True)
        try:
            line = "" if sys.stdin is None else sys.stdin.readline(MAX_ANSWER + 1)
        except KeyboardInterrupt:
            print(flush=True)
            raise
        if not line.endswith("\n") and len(line) > MAX_ANSWER:
            print(flush=True)
            raise BadInput(
                "standard input",
                f"an answer to '{question}' has more than {MAX_ANSWER} characters",
                "nothing was written",
            )
        self._lines += 1
        if self._lines > MOST_LINES and not self._person:
            raise BadInput(
                "standard input", f"has more than {MOST_LINES} answers", "nothing was written"
            )
        if not line:
            print(flush=True)
            raise BadInput(
                "standard input",
                f"ended at the question '{question}'",
                "nothing was written: answer all, or write the file by hand",
            )
        if self._lines == 1:
            line = line.removeprefix("\N{BYTE ORDER MARK}")  # some shells begin a pipe with it
        text = " ".join(line.split())
        if not self._person:  # a terminal shows what is typed, a pipe does not
            self._print(harmless(text.encode("utf-8", "replace").decode()))
        return text

    @staticmethod
    def _print(text: str) -> None:
        print(text, flush=True)
