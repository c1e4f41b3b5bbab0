"""Draws the pump curves and the system curve of a well: as text of 80 columns, or as SVG.

Both draw the same ``CurvePicture``. Flows are in L/s here and heads in m, as people read them.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

TEXT_COLUMNS = 70
TEXT_ROWS = 17
MEETING = "O"
SVG_SIZE_IN = (8.0, 5.0)
STYLES = ((0, ()), (0, (6, 2)), (0, (1, 2)), (0, (8, 2, 2, 2)))
MARKERS = ("o", "s", "^", "D", "v")
GREYS = ("0.1", "0.35", "0.25", "0.45")


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the picture.

    Args:
        label: what it is.
        mark: the character that draws it in text.
        points: (L/s, m), close enough for either drawing.
    """

    label: str
    mark: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class CurvePicture:
    """What is drawn.

    Args:
        title: one line above.
        lines: drawn in this order, later ones over earlier ones.
        meetings: operating points, (label, L/s, m).
        flow_l_per_s: right end of the flow axis.
        head_m: upper end of the head axis.
        least_head_m: its lower end, 0 or below.
    """

    title: str
    lines: tuple[Line, ...]
    meetings: tuple[tuple[str, float, float], ...]
    flow_l_per_s: float
    head_m: float
    least_head_m: float = 0.0


def text_picture(picture: CurvePicture) -> list[str]:
    """The picture as lines of at most 80 columns, with its legend."""
    cells = [[" "] * (TEXT_COLUMNS + 1) for _ in range(TEXT_ROWS)]
    span_m = picture.head_m - picture.least_head_m

    def put(flow: float, head: float, mark: str) -> None:
        column = round(flow / picture.flow_l_per_s * TEXT_COLUMNS)
        row = round((picture.head_m - head) / span_m * (TEXT_ROWS - 1))
        if 0 <= column <= TEXT_COLUMNS and 0 <= row < TEXT_ROWS:
            cells[row][column] = mark

    for line in picture.lines:
        for flow, head in line.points:
            put(flow, head, line.mark)
    for _, flow, head in picture.meetings:
        put(flow, head, MEETING)
    out = ["head, m"]
    for row, content in enumerate(cells):
        label = ""
        if row % 4 == 0:
            label = f"{picture.head_m - span_m * row / (TEXT_ROWS - 1):.1f}"
        out.append(f"{label:>6} |{''.join(content)}".rstrip())
    out.append(f"{'':>6} +{'-' * (TEXT_COLUMNS + 1)}")
    out += _flow_axis(picture.flow_l_per_s)
    legend = [f"{line.mark} {line.label}" for line in picture.lines]
    return out + _wrapped([*legend, f"{MEETING} operating point"])


def _flow_axis(most: float) -> list[str]:
    labels = [" "] * 80
    for fifth in range(6):
        text = f"{most * fifth / 5:.1f}"
        start = min(8 + round(TEXT_COLUMNS * fifth / 5) - len(text) // 2, 80 - len(text))
        labels[start : start + len(text)] = text
    return ["".join(labels).rstrip(), f"{'flow, L/s':>44}"]


def _wrapped(parts: list[str]) -> list[str]:
    lines = [""]
    for part in parts:
        joined = f"{lines[-1]}   {part}" if lines[-1] else part
        if len(joined) <= 80:
            lines[-1] = joined
        else:
            lines.append(part[:80])
    return lines


def svg_picture(picture: CurvePicture) -> str:
    """The picture as an SVG document; the same picture gives the same text to the byte."""
    # The plotting library takes half a second to load, which other commands need not wait for.
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    # Titles are people's own text: no dollar sign in them begins a formula.
    with rc_context(
        {"svg.hashsalt": "weirkeeper", "svg.fonttype": "none", "text.parse_math": False}
    ):
        figure = Figure(figsize=SVG_SIZE_IN, layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.add_subplot()
        for number, line in enumerate(picture.lines):
            flows, heads = zip(*line.points, strict=True)
            axes.plot(
                flows, heads, label=line.label, linewidth=1.6,
                linestyle=STYLES[number % len(STYLES)], color=GREYS[number % len(GREYS)],
            )  # fmt: skip
        for number, (label, flow, head) in enumerate(picture.meetings):
            axes.plot(
                [flow], [head], label=f"{label}: {flow:.2f} L/s at {head:.2f} m", color="black",
                marker=MARKERS[number % len(MARKERS)], markersize=7, linestyle="none", zorder=3,
            )  # fmt: skip
        axes.set_xlim(0.0, picture.flow_l_per_s)
        axes.set_ylim(picture.least_head_m, picture.head_m)
        axes.set_xlabel("flow, L/s")
        axes.set_ylabel("head, m")
        axes.set_title(picture.title, fontsize=11)
        axes.grid(visible=True, color="0.85")
        figure.legend(loc="outside lower center", ncols=2, fontsize=9)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": "weirkeeper"})
    return out.getvalue()
