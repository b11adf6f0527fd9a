"""The page that lists the pictures of a result: what was drawn, what was not and why."""

from __future__ import annotations

from html import escape

from breakerbench.cautions import SHORT_CAUTION
from breakerbench.errors import harmless
from breakerbench.papers.subject import PICTURES, Subject, looked_for, missing
from breakerbench.papers.words import SIMULATED

_STYLE = (
    "body{font:16px/1.5 sans-serif;color:#111;background:#fff;max-width:80em;margin:2em auto;"
    "padding:0 1em}img{width:100%;border:1px solid #bbb}.simulated{background:#111;color:#fff;"
    "padding:.2em .5em;font-weight:bold}"
)


def listing(subject: Subject) -> str:
    """An HTML page that needs nothing but the pictures beside it."""
    title, without = escape(harmless(subject.title)), missing(subject)
    simulated = bool((subject.result.get("trace") or {}).get("simulated"))
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{title}: pictures</title><style>{_STYLE}</style></head><body>",
        f'<p class="simulated">{escape(SIMULATED)}</p>' if simulated else "",
        f"<h1>{title}</h1>",
    ]
    for stem in looked_for(subject):
        what = PICTURES[stem]
        if stem not in without:
            lines.append(
                f'<h2 id="{stem}">{escape(what)}</h2>\n'
                f'<p><a href="{stem}.svg"><img src="{stem}.svg" alt="{escape(what)}"></a><br>'
                f'<a href="{stem}.svg">{stem}.svg</a>, <a href="{stem}.png">{stem}.png</a></p>'
            )
    if without:
        lines.append("<h2>Not drawn</h2>\n<ul>")
        lines += [
            f"<li>{escape(PICTURES[stem])}: {escape(why)}</li>" for stem, why in without.items()
        ]
        lines.append("</ul>")
    lines += [f"<p>{escape(str(subject.shown))}</p>", f"<p>{escape(SHORT_CAUTION)}</p>"]
    return "\n".join(line for line in [*lines, "</body></html>"] if line) + "\n"
