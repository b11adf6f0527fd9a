"""What a person types, as figures: pure functions that raise `UnfitError` with the mend.

A comma is a decimal comma, so ``1,200`` is refused: it might be 1200, and a curve read at 1.2 rpm
would never be noticed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from breakerbench.judge.values import UnfitError, shown

_NUMBER = r"[-+]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)"
_BETWEEN = re.compile(
    r"\s*;\s*|,\s+"  # 600; 3; 5 and 600, 3, 5
    r"|(?<=[0-9.])\s*to\s*"  # 3 to 5
    r"|\s+-\s+|(?<=[0-9])-(?=[0-9.,])"  # 3 - 5 and 3-5, but not 600 -1 2
)
_GIVE_OR_TAKE = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_THOUSANDS = re.compile(r"[-+]?[1-9][0-9]{0,2},[0-9]{3}")
_THOUSANDS_OF_A_SPEED = re.compile(r"[1-9][0-9]?\.[0-9]{3}")


def numbers(text: str, units: str = "", speeds: int = 0) -> list[float]:
    """The numbers in an answer, decimal comma or point; ``4 ±1`` is 3 and 5.

    units   words that may stand after a number, parted by blanks; others are refused
    speeds  how many of the first numbers are speeds, of which ``1.200`` is as open as ``1,200``
    """
    known = units.casefold().split()
    plain = _GIVE_OR_TAKE.sub("±", _hyphens(text).strip())
    plain = re.sub(r"(?<=[0-9])(?=[A-Za-zµ°%\"])", " ", _BETWEEN.sub(" ", plain))
    found: list[float] = []
    for word in plain.split():
        if word.casefold() in known and found:
            continue
        middle, sign, tolerance = word.partition("±")
        open_to_doubt = _THOUSANDS.fullmatch(middle) or (
            len(found) < speeds and _THOUSANDS_OF_A_SPEED.fullmatch(middle)
        )
        if open_to_doubt:
            joined = re.sub("[,.]", "", middle)
            raise UnfitError(
                f"{middle} can be read in two ways",
                f"write {joined} or {float(middle.replace(',', '.')):g}",
            )
        if not re.fullmatch(_NUMBER, middle) or (sign and not re.fullmatch(_NUMBER, tolerance)):
            raise UnfitError(f"'{shown(word, 20)}' is not understood", "write it as a number")
        value = _value(middle)
        if sign:
            around = abs(_value(tolerance))
            found += [float(f"{value - around:.10g}"), float(f"{value + around:.10g}")]
        else:
            found.append(value)
    return found


def _hyphens(text: str) -> str:
    """Dashes of other keyboards and of copied text as the plain one."""
    return text.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")


def _value(word: str) -> float:
    return float(word.replace(",", "."))


def several(text: str, count: int, example: str, units: str = "", speeds: int = 0) -> list[float]:
    """Exactly ``count`` numbers."""
    found = numbers(text, units, speeds)
    if len(found) != count:
        names = {1: "one number is", 2: "two numbers are", 3: "three numbers are"}
        needed = names.get(count, f"{count} numbers are")
        raise UnfitError(f"{needed} needed, not {len(found)}", f"write it like {example}")
    return found


def one(text: str, units: str = "", speed: bool = False) -> float:
    """Exactly one number."""
    return several(text, 1, "1200" if speed else "52.5", units, int(speed))[0]


def firing_order(text: str) -> list[int]:
    """``1-3-4-2``, ``1 3 4 2``, ``1,3,4,2`` or ``1342``; whether it is one is checked elsewhere."""
    words = re.split(r"[-,;\s]+", _hyphens(text).strip())
    if len(words) == 1:  # without separators every digit is a cylinder
        words = list(text.strip())
    if not all(re.fullmatch("[0-9]{1,2}", word) for word in words):
        raise UnfitError(f"'{shown(text, 20)}' is no firing order", "write it like 1-3-4-2")
    return [int(word) for word in words]


def choice(text: str, words: Mapping[str, str]) -> str:
    """What the one of ``words`` means that begins with the answer, or is it."""
    answer = text.strip().casefold()
    for word, meaning in words.items():
        if answer == word.casefold():
            return meaning
    found = {meaning for word, meaning in words.items() if word.casefold().startswith(answer)}
    if answer and len(found) == 1:
        return found.pop()
    what = f"'{shown(text, 20)}' " + ("can mean several" if found else "is not understood")
    raise UnfitError(what, f"write {', '.join(words)}")


def yes_no(text: str) -> bool:
    return choice(text, {"yes": "yes", "no": "no"}) == "yes"
