"""Makes the pictures of the README from the program itself: python .pictures/make.py"""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.text import Text

COLUMNS = 84


def demo() -> None:
    """The first half of the demo as it stands in a terminal."""
    command = Path(sys.executable).with_name("breakerbench")
    terminal = {"FORCE_COLOR": "1", "COLUMNS": str(COLUMNS), "TERM": "xterm-256color"}
    ran = subprocess.run(
        [command, "demo"], env=os.environ | terminal, capture_output=True, text=True, check=True
    )
    shown = ran.stdout[: ran.stdout.index("== 3.")]
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True)
    console.print(Text("$ breakerbench demo"))
    console.print(Text.from_ansi(shown.rstrip()))
    svg = console.export_svg(title="Breakerbench, simulated bench", unique_id="demo")
    # nothing from elsewhere: no fonts from the network, no frame of another program's window
    svg = re.sub(r"@font-face \{.*?\}\s*|<circle .*?/>\s*|<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    Path(__file__).with_name("demo.svg").write_text(svg, encoding="utf-8")


def advance() -> None:
    """The advance of the distributor of the demo as it came in, from the demo's own files."""
    command = Path(sys.executable).with_name("breakerbench")
    with TemporaryDirectory() as text:
        folder = Path(text) / "demo"
        subprocess.run([command, "demo", "--out", folder], capture_output=True, check=True)
        drawn = (folder / "demo-before-pictures" / "advance.svg").read_bytes()
    Path(__file__).with_name("advance.svg").write_bytes(drawn)


if __name__ == "__main__":
    demo()
    advance()
