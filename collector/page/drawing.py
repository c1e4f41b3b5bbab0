"""The drawing of a well: a cut through the tank in true proportion, its floats at their heights.

Water is shaded up to the lower bound of the level and hatched up to the upper one, so that doubt is
seen as hatching; a level estimate is a line. A float that is made lies lifted, filled; one that is
not hangs, hollow; one of which nothing is known is a dashed ring with a question mark. Shape tells
all of it without colour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from markupsafe import Markup, escape

from collector.reports.view_parts import FloatView, WellView

WIDTH, HEIGHT = 252.0, 170.0
LEFT, RIGHT, TOP, BOTTOM = 8.0, 88.0, 14.0, 160.0
HEADROOM = 1.06
LEAST_GAP = 14.0


def well_drawing(name: str, well: WellView) -> Markup:
    """The drawing as SVG.

    Args:
        name: of the well; makes ids of the drawing unique on the page.
        well: heights, level and floats.
    """
    tallest = max(
        [well.edge_m or 0.0, *(each.height_m for each in well.floats), well.high_m or 0.0, 0.1]
    )

    def y(height_m: float) -> float:
        share = min(max(height_m, 0.0) / (tallest * HEADROOM), 1.0)
        return round(BOTTOM - share * (BOTTOM - TOP), 1)

    body = Markup("").join(
        [*_water(name, well, y(0.0), y), *_walls(well, y), *_floats(well.floats, y)]
    )
    return Markup(
        '<svg class="tank" viewBox="0 0 {w:.0f} {h:.0f}" role="img" aria-labelledby="{name}-drawn">'
        '<title id="{name}-drawn">{told}</title>{body}</svg>'
    ).format(w=WIDTH, h=HEIGHT, name=name, told=in_words(well), body=body)


def in_words(well: WellView) -> str:
    """The drawing as a sentence, for who cannot see it."""
    if well.level_m is not None and well.low_m is not None and well.high_m is not None:
        level = (
            f"Level about {well.level_m:.2f} m, between {well.low_m:.2f} and {well.high_m:.2f} m"
        )
    elif well.low_m is not None and well.high_m is not None:
        level = f"Level between {well.low_m:.2f} and {well.high_m:.2f} m"
    elif well.low_m is not None:
        level = f"Level above {well.low_m:.2f} m"
    else:
        level = "Level unknown"
    states = [f"{each.role} at {each.height_m:.2f} m {state_word(each)}" for each in well.floats]
    edge = "" if well.edge_m is None else f" Overflows at {well.edge_m:.2f} m."
    floats = f" Floats: {', '.join(states)}." if states else ""
    return f"{level}.{edge}{floats}"


def state_word(switch: FloatView) -> str:
    """How a float is, in words."""
    return "unknown" if switch.made is None else "made" if switch.made else "not made"


def _water(
    name: str, well: WellView, floor: float, y: Callable[[float], float]
) -> Iterator[Markup]:
    inside = f'x="{LEFT + 2}" width="{RIGHT - LEFT - 4}"'
    if well.low_m is None and well.high_m is None:
        middle = (LEFT + RIGHT) / 2
        yield Markup(
            f'<rect class="unknown-water" {inside} y="{TOP + 8}" height="{floor - TOP - 8}"/>'
            f'<text class="ask" x="{middle}" y="{(floor + TOP) / 2 + 12}">?</text>'
        )
        return
    low = y(well.low_m or 0.0)
    yield Markup(f'<rect class="water" {inside} y="{low}" height="{max(0.0, floor - low):.1f}"/>')
    high = y(well.high_m) if well.high_m is not None else TOP
    if low - high > 0.5:
        yield Markup(
            f'<defs><pattern id="{escape(name)}-doubt" width="6" height="6" '
            'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
            '<line class="hatch" x1="0" y1="0" x2="0" y2="6"/></pattern></defs>'
            f'<rect {inside} y="{high}" height="{low - high:.1f}" '
            f'fill="url(#{escape(name)}-doubt)"/>'
        )
    if well.level_m is not None:
        at = y(well.level_m)
        yield Markup(f'<line class="level" x1="{LEFT + 2}" x2="{RIGHT - 2}" y1="{at}" y2="{at}"/>')


def _walls(well: WellView, y: Callable[[float], float]) -> Iterator[Markup]:
    edge = y(well.edge_m) if well.edge_m is not None else TOP
    yield Markup(f'<path class="wall" d="M{LEFT} {edge} V{BOTTOM} H{RIGHT} V{edge}"/>')
    if well.edge_m is not None:
        yield Markup(
            f'<path class="lip" d="M{LEFT} {edge} h-6 M{RIGHT} {edge} h6"/>'
            f'<text class="mark" x="{RIGHT + 12}" y="{edge + 3}">overflows {well.edge_m:.2f} m</text>'
        )


def _floats(floats: tuple[FloatView, ...], y: Callable[[float], float]) -> Iterator[Markup]:
    """Each float inside the tank, its label to the right, labels apart from each other."""
    x = LEFT + 26
    labelled = BOTTOM + LEAST_GAP
    for each in sorted(floats, key=lambda one: one.height_m):
        at = y(each.height_m)
        labelled = min(at + 3, labelled - LEAST_GAP)
        if each.made is None:
            yield Markup(
                f'<circle class="float unsure" cx="{x}" cy="{at}" r="5.5"/>'
                f'<text class="small-ask" x="{x}" y="{at + 3}">?</text>'
            )
        elif each.made:
            yield Markup(f'<path class="cord" d="M{x - 14} {at} L{x} {at}"/>'
                         f'<ellipse class="float made" cx="{x}" cy="{at}" rx="8" ry="5"/>')  # fmt: skip
        else:
            yield Markup(f'<path class="cord" d="M{x - 14} {at} L{x - 8} {at + 9}"/>'
                         f'<ellipse class="float" cx="{x - 8}" cy="{at + 11}" rx="5" ry="8"/>')  # fmt: skip
        yield Markup(
            '<path class="tie" d="M{0} {1} L{2} {3}"/><text class="mark" x="{4}" y="{5}">{6}</text>'
        ).format(
            RIGHT, at, RIGHT + 10, labelled - 3, RIGHT + 12, labelled,
            f"{each.role} {each.height_m:.2f} m {state_word(each)}",
        )  # fmt: skip
