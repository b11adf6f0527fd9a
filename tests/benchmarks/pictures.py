"""What a frame of each live picture costs, printed: ``python tests/benchmarks/pictures.py``.

The figures are given (draw), then painted (paint); at 1200 x 700, every frame with other figures.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from time import perf_counter

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))

from PySide6.QtGui import QPixmap
from PySide6.QtWidgets import QApplication

from app.moments import moment, now, specification
from breakerbench.app.theme import load_letters
from breakerbench.app.views.every import EVERY

FRAMES, WARM = 120, 10


def main() -> None:
    app = QApplication([])
    load_letters()
    print("picture        draw, ms: median   worst    paint, ms: median   worst")
    for lobes in (4, 12):
        moments = [moment(lobes, seed, coil=True) for seed in range(1, 9)]
        spec = specification(lobes)
        for kind in EVERY:
            picture = kind()
            picture.resize(1200, 700)
            picture.show()
            picture.set_standing(True, 0.01)
            image, draw, paint = QPixmap(picture.size()), [], []
            for k in range(FRAMES + WARM):
                live = now(rpm=1000.0 + k, advance_deg=6.0 + 0.01 * k)
                start = perf_counter()
                picture.draw_live(moments[k % len(moments)], live, spec)
                drawn = perf_counter()
                app.processEvents()
                picture.render(image)
                draw.append(1e3 * (drawn - start))
                paint.append(1e3 * (perf_counter() - drawn))
            figures = [sorted(each[WARM:]) for each in (draw, paint)]
            row = "".join(f"{each[FRAMES // 2]:18.2f}{each[-1]:8.2f}" for each in figures)
            print(f"{kind.key:8} {lobes:2} lobes{row}")
            picture.close()


if __name__ == "__main__":
    main()
