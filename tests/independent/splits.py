"""The result must not depend on how a trace was cut into blocks, to the digit."""

from __future__ import annotations

import json
from typing import Any

from breakerbench.pipeline import analyze

from .generator import TraceSource, case

#: Ways to cut: sizes taken in turn.
BLOCKS = ((4096, 1, 777, 30011), (16384,))
WHOLE = 1 << 30


def digits(seed: int, blocks: int | tuple[int, ...], **words: Any) -> str:
    """The result for a case cut so, as text."""
    source, _, _ = case(seed, **words, blocks=blocks)
    assert isinstance(source, TraceSource)
    return json.dumps(analyze(source), sort_keys=True)
