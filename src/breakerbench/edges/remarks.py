"""What was mended or left out of a trace, for people."""

from __future__ import annotations

from breakerbench.edges.angle import Angle


def remarks(angle: Angle, has_encoder: bool, has_index: bool, rise_s: float) -> list[str]:
    """Sentences; rise_s: time constant of a condenser across a dry feed, 0 without."""
    lines = []
    cleaner = angle.cleaner
    if cleaner is not None:
        r = cleaner.report
        if r.inverted:
            lines.append("The index line idles high: it was read upside down.")
        missing = "their revolutions were left out"
        if has_encoder:
            missing = "the encoder counted on"
        for count, text in (
            (r.missing, f"Index pulses missing: {{}}; {missing}."),
            (r.doubled, "Index pulses that came twice: {}; the first of each pair was taken."),
            (r.spurious, "Index pulses out of place: {}; they were not used."),
        ):
            if count:
                lines.append(text.format(count))
    if has_encoder:
        report = angle.encoder
        if report.mended:
            lines.append(f"Gaps in the encoder mended by counting: {report.mended}.")
        if report.refused:
            lines.append(
                f"Stretches between gaps in the encoder that were left out: {report.refused}; what "
                "was lost before and after them could not be counted."
            )
        if report.index_off:
            lines.append(
                f"Index pulses that contradict the encoder and were not used: {report.index_off}."
            )
        if not has_index:
            lines.append("There is no index: which lobe is called lobe 1 is arbitrary.")
    if rise_s > 0.0:
        lines.append(
            f"A condenser lies across the points (rise of {1e6 * rise_s:.0f} microseconds): "
            "openings were taken back to where the rise begins."
        )
    return lines
