"""Small charts as SVG: sparing ink, told apart in grey, the same bytes for the same numbers.

Colours are CSS variables with a fallback, so that a chart set into a page follows its light and dark
looks, and a chart saved alone is still right.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sporecount.records import FieldTally, PrintTally
from sporecount.report.phrases import LOAD_CLASSES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK, _SOFT, _FILL = "#1a2227", "#5b686f", "#8fa3a8"
_VARIABLES = {_INK: "--chart-ink", _SOFT: "--chart-soft", _FILL: "--chart-fill"}
_MOST_ROWS = 60
"""Fields drawn singly at most; beyond that a chart shows those with the highest counts."""


def get_ready() -> None:
    """Load what draws the charts, which takes as long as a photo: in a thread, while others count."""
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401


def _svg(
    name: str,
    size_in: tuple[float, float],
    description: str,
    paint: Callable[[Axes], None],
    *,
    left_in: float = 0.55,
    bottom_in: float = 0.45,
) -> str:
    """Paint axes and give them as an SVG element without header, date or outside address."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    look: dict[Any, Any] = {
        # The salt is the chart's name, so that ids of charts in one page do not meet.
        "svg.hashsalt": name,
        "svg.fonttype": "none",
        "font.family": "sans-serif",
        "font.size": 9.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.edgecolor": _SOFT,
        "axes.labelcolor": _INK,
        "text.color": _INK,
        "xtick.color": _SOFT,
        "ytick.color": _SOFT,
        "xtick.labelcolor": _INK,
        "ytick.labelcolor": _INK,
        "axes.linewidth": 0.8,
        "hatch.linewidth": 0.7,
    }
    with rc_context(look), warnings.catch_warnings():
        # A sign that matplotlib's own face lacks is drawn by the reader's faces: text stays text.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure = Figure(figsize=size_in)
        # Fixed margins: working them out from the text would take twice as long as all the rest.
        wide, high = size_in
        figure.subplots_adjust(left_in / wide, bottom_in / high, 1 - 0.1 / wide, 1 - 0.3 / high)
        FigureCanvasSVG(figure)
        paint(figure.subplots())
        out = io.StringIO()
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = text.replace("font: 9px 'sans-serif'", "font: 9px sans-serif").replace(
        "'sans-serif'", "sans-serif"
    )
    # Groups are all named alike in every chart; only what is referred to keeps its id.
    needed = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', text))
    text = re.sub(r' id="([^"]+)"', lambda found: found[0] if found[1] in needed else "", text)
    for colour, variable in _VARIABLES.items():
        text = text.replace(colour, f"var({variable}, {colour})")
    label = description.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    return text.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1).strip()


def _whole_numbers(axes: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.yaxis.set_major_locator(MaxNLocator(nbins="auto", integer=True))


def size_chart(lengths_um: np.ndarray) -> str:
    """Draw the lengths of the sure spores of a session, with its typical spore size.

    Parameters
    ----------
    lengths_um : ndarray of shape (n,)

    Returns
    -------
    str
        SVG; empty with fewer than five lengths.
    """
    lengths = lengths_um[np.isfinite(lengths_um)]
    if len(lengths) < 5:
        return ""
    low, middle, high = np.percentile(lengths, [25, 50, 75])

    def paint(axes: Axes) -> None:
        edges = np.arange(math.floor(lengths.min()) - 0.5, math.ceil(lengths.max()) + 1.0, 0.5)
        axes.hist(lengths, bins=edges.tolist(), color=_FILL, edgecolor=_INK, linewidth=0.5)
        axes.axvline(middle, color=_INK, linewidth=1.6)
        axes.axvspan(low, high, ymax=0.04, facecolor=_INK, linewidth=0)
        axes.set_xlabel("length of sure spores, µm")
        axes.set_ylabel("spores")
        axes.set_title(
            f"typical {middle:.1f} µm, middle half {low:.1f} to {high:.1f} µm", fontsize=9, loc="left"
        )
        _whole_numbers(axes)

    return _svg(
        "spore size",
        (4.6, 2.5),
        f"Lengths of {len(lengths)} sure spores, typical {middle:.1f} micrometres",
        paint,
    )


def density_chart(tallies: Sequence[FieldTally]) -> str:
    """Draw how the spore density spreads over the usable fields.

    Parameters
    ----------
    tallies : sequence of FieldTally

    Returns
    -------
    str
        SVG; empty with fewer than three usable fields.
    """
    usable = [one for one in tallies if one.flag != "unusable" and one.examined_mm2 > 0]
    density = np.array([one.spores / one.examined_mm2 for one in usable])
    if len(density) < 3:
        return ""

    def paint(axes: Axes) -> None:
        top = max(float(density.max()), 1.0)
        if top > 50:  # a session holds clean and heavy prints together, which one linear axis cannot show
            edges = np.concatenate([[0.0], np.geomspace(1.0, top * 1.001, 13)])
            axes.set_xscale("symlog", linthresh=1.0, linscale=0.4)
            axes.set_xlim(0, top * 1.1)
            ticks = [0, *(10**power for power in range(int(math.log10(top)) + 1))]
            axes.set_xticks(ticks, [f"{tick:,}" for tick in ticks])
            axes.minorticks_off()
        else:
            edges = np.linspace(0, top * 1.001, 13)
        axes.hist(density, bins=edges.tolist(), color=_FILL, edgecolor=_INK, linewidth=0.5)
        axes.set_xlabel("spores per mm² of a field")
        axes.set_ylabel("fields")
        _whole_numbers(axes)

    return _svg("density", (4.6, 2.5), f"Spore density of {len(density)} fields", paint)


def counts_chart(fields: Sequence[tuple[int, FieldTally]], name: str = "") -> str:
    """Draw the count of each field with its interval.

    Filled points for `clear`, hollow ones for `recheck`, only the words "no count" for `unusable`: a mark would
    have to stand at a number, and there is none.

    Parameters
    ----------
    fields : sequence of (int, FieldTally)
        Number and tally of the fields of one print. Of more than 60, those with the highest counts are drawn.
    name : str
        Of the print, so that several charts fit into one page.

    Returns
    -------
    str
        SVG; empty without fields.
    """
    if not fields:
        return ""
    highest = sorted(fields, key=lambda one: (one[1].flag == "unusable", -one[1].spores))[:_MOST_ROWS]
    shown = sorted(highest, key=lambda one: one[0])
    without = [place for place, (_, tally) in enumerate(shown) if tally.flag == "unusable"]

    def paint(axes: Axes) -> None:
        for flag, inside in (("clear", _INK), ("recheck", "none")):
            at = [place for place, (_, tally) in enumerate(shown) if tally.flag == flag]
            low, middle, high = (
                [getattr(shown[place][1], name) for place in at]
                for name in ("spores_low", "spores", "spores_high")
            )
            axes.vlines(at, low, high, color=_INK, linewidth=1.3)
            axes.plot(
                at,
                middle,
                linestyle="none",
                marker="o",
                markersize=6,
                color=_INK,
                markerfacecolor=inside,
                markeredgewidth=1.3,
                clip_on=False,
            )
        for place in without:
            axes.annotate(
                "no count",
                (place, 0.5),
                xycoords=axes.get_xaxis_transform(),
                rotation=90,
                ha="center",
                va="center",
                fontsize=8,
                color=_SOFT,
            )
        step = max(1, len(shown) // 15)
        axes.set_xticks(range(0, len(shown), step), [str(number) for number, _ in shown[::step]])
        axes.set_xlim(-0.6, len(shown) - 0.4)
        tops = (float(tally.spores_high) for _, tally in shown if tally.flag != "unusable")
        axes.set_ylim(bottom=0, top=max([1.0, *tops]) * 1.08)
        which = (
            "field" if len(shown) == len(fields) else f"{len(shown)} of {len(fields)} fields, highest counts"
        )
        axes.set_xlabel(
            f"{which} (filled: clear, hollow: recheck{', no count: unusable' if without else ''})"
        )
        axes.set_ylabel("spores")
        _whole_numbers(axes)

    width = min(9.0, 3.6 + 0.16 * len(shown))
    label = f"Counts of {len(shown) - len(without)} fields with 95 % intervals"
    if without:
        label += f", {len(without)} without a count"
    return _svg(f"counts {name}", (width, 2.4), label, paint)


def classes_chart(prints: Sequence[PrintTally]) -> str:
    """Draw the load-class probabilities of prints: a row a print, the area of a square tells the probability.

    Returns
    -------
    str
        SVG; empty where no print has probabilities.
    """
    shown = [
        one
        for one in prints
        if len(one.load_class_probability) == 6 and np.isfinite(one.load_class_probability).all()
    ][:_MOST_ROWS]
    if not shown:
        return ""

    def paint(axes: Axes) -> None:
        for row, one in enumerate(shown):
            for column, probability in enumerate(one.load_class_probability):
                axes.plot(
                    [column],
                    [row],
                    marker="s",
                    markersize=20 * math.sqrt(max(0.0, probability)),
                    color=_INK,
                    markerfacecolor=_FILL if column < 4 else _INK,
                    markeredgewidth=0.7,
                )
                if probability >= 0.05:
                    right = (column + 0.08 + 0.2 * math.sqrt(probability), row)
                    axes.annotate(f"{100 * probability:.0f}", right, fontsize=8, va="center")
        axes.set_xticks(range(6), [f"{number}\n{words}" for number, words in enumerate(LOAD_CLASSES)])
        # A dollar sign would start a formula.
        names = [one.sample.replace("$", r"\$")[:24] for one in shown]
        axes.set_yticks(range(len(shown)), names)
        axes.set_xlim(-0.5, 5.7)
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_xlabel("load class and spores on the whole print; numbers: cases in 100")
        axes.tick_params(length=0)

    longest = max(len(one.sample[:24]) for one in shown)
    return _svg(
        "classes",
        (5.2, 1.0 + 0.36 * len(shown)),
        f"Load class probabilities of {len(shown)} prints",
        paint,
        left_in=0.25 + 0.09 * longest,
        bottom_in=0.62,
    )
