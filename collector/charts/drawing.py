"""Draws charts as SVG: black, greys and hatches alone, so that print and copies lose nothing.

The plotting library is used through its objects, without its global state. The bytes depend on the
figures alone: ids are made from a fixed salt, and no date is written. Text stays text.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from collector.charts.shapes import Bars, Chart, Lines, Pattern, Sample, Span, Strip, Strips

DAY_US = 86_400_000_000
WIDTH_IN = 8.2
HEIGHT_IN = 2.9
STRIP_IN = 0.23
STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "weirkeeper",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "sans-serif"],
    "font.size": 8.5,
    "text.parse_math": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "hatch.linewidth": 0.5,
    "hatch.color": "0.45",
}
DASHES: Sequence[str | tuple[int, tuple[float, ...]]] = (
    "-", (0, (5, 1.5)), (0, (1.5, 1.2)), (0, (7, 1.5, 1.5, 1.5))
)  # fmt: skip
INKS = ("0.0", "0.35", "0.2", "0.5")
HATCHES = ("", "////", "....", "xxxx", "\\\\\\\\")
FILLS = ("0.35", "0.92", "0.8", "0.97", "0.6")
MOST_BARS = 2_500
PIXELS = 1_200
LEAST_SHADE = 0.3
UNKNOWN: dict[str, Any] = {
    "facecolor": "white",
    "edgecolor": "0.55",
    "hatch": "xxx",
    "linewidth": 0.0,
}


def svg_of(chart: Chart) -> str:
    """The chart as one SVG document, with its title and what to look for as its description."""
    with mpl.rc_context(STYLE):  # type: ignore[arg-type]
        shape = chart.shape
        height = HEIGHT_IN
        if isinstance(shape, Strips):
            height = 0.75 + STRIP_IN * max(2, len(shape.strips))
        figure = Figure(figsize=(WIDTH_IN, height), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.add_subplot()
        if chart.empty:
            _nothing(axes)
        elif isinstance(shape, Strips):
            _strips(axes, shape.strips, chart.span)
        elif isinstance(shape, Lines):
            _lines(axes, shape, chart.span)
        elif isinstance(shape, Bars):
            _bars(axes, shape, chart.span)
        else:
            _pattern(axes, shape)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return _described(out.getvalue(), chart)


def _described(svg: str, chart: Chart) -> str:
    begin = svg.index("<svg")
    head = svg.index(">", begin) + 1
    told = f"<title>{escape(chart.title)}</title><desc>{escape(chart.look)}</desc>"
    return svg[begin:head].replace("<svg", '<svg role="img"', 1) + told + svg[head:]


def _nothing(axes: Axes) -> None:
    axes.set_axis_off()
    axes.text(0.5, 0.5, "nothing on record in this time", ha="center", va="center")


# --- the time axis ------------------------------------------------------------------------------


def _at(utc_us: int) -> float:
    """Days since 1970, as the library counts dates."""
    return utc_us / DAY_US


def _time_axis(axes: Axes, span: Span) -> None:
    """The plant's own clock; where it is put on or back the axis says the hour twice or never."""
    axes.set_xlim(_at(span.from_utc_us), _at(span.to_utc_us))
    locator = AutoDateLocator(tz=span.zone, minticks=4, maxticks=9)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        ConciseDateFormatter(locator, tz=span.zone)  # type: ignore[no-untyped-call]
    )


def _unknown_spans(axes: Axes, shape: Lines) -> None:
    for each in shape.unknown:
        axes.axvspan(_at(each.from_utc_us), _at(each.to_utc_us), zorder=0, **UNKNOWN)


# --- strips -------------------------------------------------------------------------------------


def _strips(axes: Axes, strips: Sequence[Strip], span: Span) -> None:
    """Each contact a row: black while made, hatched while unknown, the line below while open."""
    count = sum(len(strip.stretches) for strip in strips)
    for row, strip in enumerate(strips):
        axes.axhline(row, color="0.75", linewidth=0.6, zorder=0)
        unknown = [each for each in strip.stretches if each.made is None]
        made = [each for each in strip.stretches if each.made]
        axes.broken_barh(
            [(_at(each.from_utc_us), _at(each.to_utc_us) - _at(each.from_utc_us))
             for each in unknown],
            (row - 0.36, 0.72), **UNKNOWN,
        )  # fmt: skip
        if count <= MOST_BARS:
            least = (_at(span.to_utc_us) - _at(span.from_utc_us)) / PIXELS
            axes.broken_barh(
                [(_at(each.from_utc_us), max(least, _at(each.to_utc_us) - _at(each.from_utc_us)))
                 for each in made],
                (row - 0.36, 0.72), facecolor="0.1", linewidth=0.0,
            )  # fmt: skip
        else:
            _shaded(axes, row, shares(strip, span), span)
    axes.set_yticks(range(len(strips)), [strip.label for strip in strips])
    axes.set_ylim(len(strips) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    _time_axis(axes, span)


def shares(strip: Strip, span: Span, pixels: int = PIXELS) -> list[float]:
    """Share of each pixel's time in which a contact was made; above 0 wherever it was at all."""
    width = (span.to_utc_us - span.from_utc_us) / pixels
    found = [0.0] * pixels
    for each in strip.stretches:
        if not each.made:
            continue
        begin = (each.from_utc_us - span.from_utc_us) / width
        end = (each.to_utc_us - span.from_utc_us) / width
        for pixel in range(int(begin), min(pixels - 1, int(end)) + 1):
            part = min(end, pixel + 1) - max(begin, pixel)
            found[pixel] = min(1.0, found[pixel] + max(part, 1e-6))
    return found


def _shaded(axes: Axes, row: int, found: Sequence[float], span: Span) -> None:
    """A row of pixels, the darker the more of its time the contact was made."""
    import numpy

    shade = numpy.array([found])
    shown = numpy.where(shade > 0, LEAST_SHADE + (1 - LEAST_SHADE) * shade, numpy.nan)
    axes.imshow(
        shown, aspect="auto", cmap="Greys", vmin=0.0, vmax=1.0, interpolation="none", zorder=2,
        extent=(_at(span.from_utc_us), _at(span.to_utc_us), row + 0.36, row - 0.36),
    )  # fmt: skip


# --- lines --------------------------------------------------------------------------------------


def _lines(axes: Axes, shape: Lines, span: Span) -> None:
    _unknown_spans(axes, shape)
    for number, line in enumerate(shape.lines):
        ink = INKS[number % len(INKS)]
        _band(axes, line.samples, span, FILLS[1 + number % 3], dots=line.dots)
        if line.dots:
            known = [each for each in line.samples if each.value is not None]
            axes.plot(
                [_at(each.utc_us) for each in known], [each.value or 0.0 for each in known],
                linestyle="none", marker="osD^"[number % 4], markersize=2.6, color=ink,
            )  # fmt: skip
        else:
            times, values = _held(line.samples, span)
            axes.plot(times, values, linewidth=1.1, color=ink,
                      linestyle=DASHES[number % len(DASHES)])  # fmt: skip
    _label_lines(axes, shape)
    for mark in shape.marks:
        axes.axhline(mark.value, color="0.3", linewidth=0.6, linestyle=(0, (1, 2)))
        axes.annotate(
            mark.label, (1.0, mark.value), xycoords=("axes fraction", "data"), xytext=(3, 0),
            textcoords="offset points", va="center", fontsize=7.5,
        )  # fmt: skip
    axes.set_ylabel(shape.unit)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    _time_axis(axes, span)


def _held(samples: Sequence[Sample], span: Span) -> tuple[list[float], list[float]]:
    """Steps: a value holds until the next; where it is not known the line breaks."""
    times: list[float] = []
    values: list[float] = []
    for number, each in enumerate(samples):
        ends = samples[number + 1].utc_us if number + 1 < len(samples) else span.to_utc_us
        value = float("nan") if each.value is None else each.value
        times += [_at(each.utc_us), _at(max(ends, each.utc_us))]
        values += [value, value]
    return times, values


def _band(axes: Axes, samples: Sequence[Sample], span: Span, fill: str, *, dots: bool) -> None:
    bounded = [each for each in samples if each.low is not None and each.high is not None]
    if not bounded:
        return
    if dots:
        axes.vlines(
            [_at(each.utc_us) for each in bounded], [each.low or 0.0 for each in bounded],
            [each.high or 0.0 for each in bounded], color="0.7", linewidth=0.8, zorder=1,
        )  # fmt: skip
        return
    nan = float("nan")

    def edge(bound: str) -> list[float]:
        picked = [Sample(each.utc_us, getattr(each, bound)) for each in samples]
        return _held([Sample(s.utc_us, nan if s.value is None else s.value) for s in picked], span)[
            1
        ]

    times, _ = _held(samples, span)
    axes.fill_between(times, edge("low"), edge("high"), color=fill, linewidth=0.0, zorder=1)


def _label_lines(axes: Axes, shape: Lines) -> None:
    """Several lines are told apart by a line of samples above; one needs no name."""
    if len(shape.lines) > 1:
        handles = axes.get_lines()[: len(shape.lines)]
        axes.legend(handles, [line.label for line in shape.lines], loc="lower left",
                    bbox_to_anchor=(0.0, 1.0), ncols=4, frameon=False, fontsize=8)  # fmt: skip


# --- days and patterns --------------------------------------------------------------------------


def _bars(axes: Axes, shape: Bars, span: Span) -> None:
    count = max(1, len(shape.series))
    width = 0.82 / count
    top = _top(shape)
    for number, (label, bars) in enumerate(shape.series):
        known = [each for each in bars if each.value is not None]
        middle = [_at(each.utc_us) + 0.09 + width * (number + 0.5) for each in known]
        axes.bar(
            middle, [each.value or 0.0 for each in known], width, label=label,
            facecolor=FILLS[number % len(FILLS)], edgecolor="0.1", linewidth=0.5,
            hatch=HATCHES[number % len(HATCHES)],
        )  # fmt: skip
        for at, each in zip(middle, known, strict=True):
            if each.low is not None and each.high is not None:
                axes.plot([at, at], [each.low, each.high], color="0.0", linewidth=0.7)
        for each in bars:
            if each.value is None:
                axes.axvspan(_at(each.utc_us), _at(each.utc_us) + 1.0, **UNKNOWN)
    if count > 1:
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, frameon=False, fontsize=8)
    axes.set_ylim(0.0, top)
    axes.set_ylabel(shape.unit)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    _time_axis(axes, span)


def _top(shape: Bars) -> float:
    """Where the axis ends: above all values, and above bounds that say something."""
    values = [bar.value or 0.0 for _, bars in shape.series for bar in bars]
    greatest = max(values, default=0.0)
    bounds = [bar.high or 0.0 for _, bars in shape.series for bar in bars]
    return 1.06 * max([greatest, *(each for each in bounds if each < 1.5 * greatest)]) or 1.0


def _pattern(axes: Axes, shape: Pattern) -> None:
    hours = [each[0] for each in shape.hours]
    edges = [*hours, hours[-1] + 1]

    def steps(place: int) -> list[float]:
        values = [each[place] for each in shape.hours]
        return [*values, values[-1]]

    axes.fill_between(edges, steps(1), steps(3), step="post", color=FILLS[1], linewidth=0.0)
    axes.step(edges, steps(2), where="post", color="0.0", linewidth=1.2)
    axes.set_xlim(0, 24)
    axes.set_xticks(range(0, 25, 3))
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("hour of the day")
    axes.set_ylabel(shape.unit)
    axes.yaxis.set_major_locator(MaxNLocator(5))
