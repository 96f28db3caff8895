"""How past forecasts did: errors and bands against face distance, probabilities against what came."""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from convergence.hindcasting import Hindcast
from convergence.hindcasting.forecast import METHODS
from convergence.hindcasting.result import WIDTHS, Only
from convergence.plots.canvas import add_axes, draw_foot, house_settings, new_figure, own_axes, write_png
from convergence.plots.style import GREY, INK, LINE_STYLES, PALE, SMALL, USUAL

#: Style of each method, told apart by dash and marker as well as colour.
STYLES = dict(zip(METHODS, (LINE_STYLES[index] for index in (0, 6, 2, 5, 7)), strict=True))
#: Errors beyond this share are drawn at the edge.
LARGEST_ERROR = 3.0
#: Smaller errors stand at the lower edge, which says so.
SMALLEST_ERROR = 0.01
#: With fewer probabilities than this in a bin, its mark is hollow.
FEW = 10


def hindcast_errors(found: Hindcast, ax: Axes | None = None, only: Only = "all") -> Axes:
    """Error of past forecasts against face distance, for each method: median, and 90th percentile as a thin line.

    Parameters
    ----------
    found : Hindcast
        The hindcast.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.
    only : {"all", "first", "beyond"}
        All sections, the first three of the drive, or those that ended beyond a level.

    Returns
    -------
    Axes
    """
    if ax is None:
        with house_settings():
            return hindcast_errors(found, own_axes(5.0, 3.6, (0.7, 0.5, 0.2, 0.3)), only)
    summary = found.summary("widths", only)
    for method, style in STYLES.items():
        at, part = _part(summary, method)
        if not len(at):
            continue
        ax.plot(
            at,
            np.clip(part["median_error"].to_numpy(), SMALLEST_ERROR, LARGEST_ERROR),
            color=style.colour,
            linestyle=style.dash,
            marker=style.marker,
            markersize=4.5,
            markerfacecolor=style.face,
            linewidth=1.8 if method == "ours" else 1.1,
            label=METHODS[method] + (" (chords only)" if method == "coupled" else ""),
            zorder=4.0 if method == "ours" else 3.0,
            clip_on=False,
        )
        if method in ("ours", "still"):
            ninety = np.clip(part["p90_error"].to_numpy(), SMALLEST_ERROR, LARGEST_ERROR)
            ax.plot(at, ninety, color=style.colour, linestyle=style.dash, linewidth=0.7, zorder=2.5)
            ax.annotate(
                "90th pct", (at[-1], ninety[-1]), (3, 0), textcoords="offset points", fontsize=SMALL - 1, va="center"
            )
    _distance_axis(ax)
    ax.set_yscale("log")
    ax.set_ylim(SMALLEST_ERROR, LARGEST_ERROR)
    ticks = [SMALLEST_ERROR, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0]
    ax.set_yticks(ticks, [f"≤ {SMALLEST_ERROR:.0%}", *(f"{tick:.0%}" for tick in ticks[1:])])
    ax.set_yticks([], minor=True)
    ax.grid(axis="y", color=PALE, linewidth=0.6)
    ax.set_ylabel("error, relative to the larger of what came and 10 mm", fontsize=SMALL)
    return ax


def hindcast_bands(found: Hindcast, ax: Axes | None = None, only: Only = "all") -> Axes:
    """Share of past bands that held against face distance; the dashed line is what was stated.

    The bar on the library's own is the range of chance, at 90 %, if every section counted once.
    """
    if ax is None:
        with house_settings():
            return hindcast_bands(found, own_axes(5.0, 3.6, (0.7, 0.5, 0.2, 0.3)), only)
    summary = found.summary("widths", only)
    ax.axhline(found.confidence, color=INK, linewidth=0.8, dashes=(4, 2), zorder=1.5)
    ax.text(WIDTHS[0] / 1.35, found.confidence + 0.012, f"stated {found.confidence:.0%}", fontsize=SMALL, va="bottom")
    for method, style in STYLES.items():
        at, part = _part(summary, method)
        if not len(at):
            continue
        held = part["held"].to_numpy()
        if method == "ours":
            reach = 1.645 * np.sqrt(held * (1 - held) / part["sections"].to_numpy())
            ends = np.array([held - np.maximum(held - reach, 0.0), np.minimum(held + reach, 1.0) - held])
            ax.errorbar(at, held, ends, fmt="none", ecolor=GREY, elinewidth=1.0, capsize=3.0, zorder=2.0)
        ax.plot(
            at,
            held,
            color=style.colour,
            linestyle=style.dash,
            marker=style.marker,
            markersize=4.5,
            markerfacecolor=style.face,
            linewidth=1.8 if method == "ours" else 1.1,
            zorder=4.0 if method == "ours" else 3.0,
            clip_on=False,
        )
    _distance_axis(ax)
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks(np.linspace(0, 1, 6), [f"{tick:.0%}" for tick in np.linspace(0, 1, 6)])
    ax.grid(axis="y", color=PALE, linewidth=0.6)
    ax.set_ylabel("bands that held", fontsize=SMALL)
    return ax


def hindcast_reliability(found: Hindcast, ax: Axes | None = None) -> Axes:
    """Probabilities of passing a level as stated, against the share that came; the number of each beside its mark."""
    if ax is None:
        with house_settings():
            return hindcast_reliability(found, own_axes(4.0, 3.6, (0.7, 0.5, 0.2, 0.3)))
    score = found.probabilities()
    ax.plot([0, 1], [0, 1], color=INK, linewidth=0.8, dashes=(4, 2), zorder=1.5)
    full = score.counts > 0
    few = full & (score.counts < FEW)
    ax.plot(
        score.stated[full], score.came[full], color=INK, marker="o", markersize=4.5, linewidth=1.2, clip_on=False,
        zorder=3.0,
    )  # fmt: skip
    ax.plot(
        score.stated[few], score.came[few], color=INK, marker="o", markersize=4.5, markerfacecolor="white",
        linestyle="none", clip_on=False, zorder=3.5,
    )  # fmt: skip
    for stated, came, count in zip(score.stated[full], score.came[full], score.counts[full], strict=True):
        left = stated > 0.8
        ax.annotate(
            f"{count}",
            (stated, came),
            (-6 if left else 6, -3 if came > 0.05 else 4),
            textcoords="offset points",
            fontsize=SMALL,
            ha="right" if left else "left",
            va="top" if came > 0.05 else "bottom",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )
    if not score.count:
        ax.text(0.5, 0.5, "no level could be scored", ha="center", va="center", fontsize=USUAL)
    ax.set_xlim(0, 1)
    ax.set_ylim(0, 1)
    ticks = np.linspace(0, 1, 6)
    ax.set_xticks(ticks, [f"{tick:.0%}" for tick in ticks])
    ax.set_yticks(ticks, [f"{tick:.0%}" for tick in ticks])
    ax.grid(color=PALE, linewidth=0.6)
    ax.set_xlabel("stated probability of passing a level", fontsize=USUAL)
    ax.set_ylabel(f"share that came; hollow: fewer than {FEW} stated", fontsize=SMALL)
    return ax


def hindcast_figure(found: Hindcast) -> Figure:
    """Errors, bands and probabilities of past forecasts side by side, with the sentence that sums them up.

    Parameters
    ----------
    found : Hindcast
        The hindcast.

    Returns
    -------
    Figure
        11 by 5 inches.
    """
    with house_settings():
        figure = new_figure(11.0, 5.0)
        tunnel = str(found.table["tunnel"].iloc[0]) if len(found.table) else ""
        until = found.known_until[:16]
        figure.text(
            0.01, 0.985, f"{tunnel}   how past forecasts did, data until {until}Z", fontsize=USUAL + 3,
            fontweight="bold", va="top", parse_math=False,
        )  # fmt: skip
        figure.text(0.01, 0.925, _wrapped(found.sentence()), fontsize=USUAL, va="top", parse_math=False)
        bands_title = "Bands that held; bar: range of chance"
        places = ((0.75, "Error of the forecast"), (4.65, bands_title), (8.1, "Probabilities of levels"))
        errors, bands, levels = (
            add_axes(figure, left, 1.15, width, 2.75)
            for (left, _), width in zip(places, (3.15, 2.75, 2.7), strict=True)
        )
        hindcast_errors(found, errors)
        hindcast_bands(found, bands)
        hindcast_reliability(found, levels)
        for panel, (_, title) in zip((errors, bands, levels), places, strict=True):
            panel.set_title(title, fontsize=USUAL, fontweight="bold", loc="left")
        handles, labels = errors.get_legend_handles_labels()
        if handles:
            figure.legend(
                handles, labels, loc="lower left", bbox_to_anchor=(0.06, 0.075), ncols=3, fontsize=SMALL, frameon=False,
                handlelength=3.5,
            )  # fmt: skip
        draw_foot(errors)
    return figure


def save_hindcast(found: Hindcast, path: str | Path) -> Path:
    """Write the figure as a PNG, 150 dots per inch, whole or not at all."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_png(hindcast_figure(found), path)


def _part(summary: pd.DataFrame, method: str) -> tuple[np.ndarray, pd.DataFrame]:
    """Face distances at which a method was scored, and its rows."""
    part = summary[(summary["method"] == method) & (summary["forecasts"] > 0)]
    return part["group"].to_numpy(dtype=np.float64), part


def _distance_axis(ax: Axes) -> None:
    ax.set_xscale("log")
    ax.set_xlim(WIDTHS[0] / 1.41, WIDTHS[-1] * 1.41)
    ax.set_xticks(WIDTHS, [f"{width:g}" for width in WIDTHS])
    ax.set_xticks([], minor=True)
    ax.set_xlabel("face past the section, tunnel widths", fontsize=USUAL)


def _wrapped(text: str) -> str:
    """The sentence broken to the width of the figure."""
    return "\n".join(textwrap.wrap(text, 175))
