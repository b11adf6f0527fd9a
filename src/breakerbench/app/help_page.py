"""Help: each figure in two sentences, with a drawing."""

from __future__ import annotations

from breakerbench.app.pages import Page


class HelpPage(Page):
    def __init__(self) -> None:
        super().__init__()
        self.headed("What does each figure mean?")
