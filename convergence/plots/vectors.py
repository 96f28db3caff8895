"""Displacement vectors of one section: its prisms seen along the tunnel, and the way they took."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse
from scipy.special import ndtri

from convergence.plots.canvas import draw_foot, house_settings, own_axes
from convergence.plots.labels import Place, Space, keep_inside, write
from convergence.plots.movements import movement_error
from convergence.plots.style import GREY, INK, SMALL, USUAL
from convergence.plots.view import SectionView, section_view
from convergence.terms import AXES, TERMS
from convergence.triggers import Outlook

#: The longest arrow of a section takes this share of the width of its array of prisms.
LONGEST = 0.2
#: Lengths a scale arrow may have [mm].
_SCALES = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


def section_vectors(outlook: Outlook, section: str, ax: Axes | None = None) -> Axes:
    """Movement of every prism of one section, seen up-chainage, with the way it took.

    An arrow runs from the prism's design place to where the last reading puts it, enlarged; the thin line is its way
    since the zero reading, the circle the error of the last reading at the projection's confidence. Longitudinal
    movement stands in words, for it points out of the picture.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        The axes drawn in; its figure is ``.figure``.

    Raises
    ------
    ValueFault
        If the section is unknown; the message lists those there are.
    """
    view = section_view(outlook, section)
    if ax is not None:
        _draw_section(ax, view)
        return ax
    with house_settings():
        ax = own_axes(5.6, 4.3, (0.55, 0.82, 0.15, 0.35))
        _draw_section(ax, view)
        share = outlook.projection.confidence
        draw_foot(ax, f"Arrow: to the last reading, since its zero reading. Line: the way. Circle: {share:.0%} error.")
    return ax


def _draw_section(ax: Axes, view: SectionView) -> None:
    array = view.outlook.job.array(view.section)
    across = array["offset_design"].values.astype(float)
    up = array["height_design"].values.astype(float)
    movement, used, days = array["movement"].values, array["used"].values, array["read_days"].values
    last = [np.flatnonzero(used[:, index]) for index in range(len(across))]
    ends = np.array([movement[rows[-1], index] if len(rows) else np.full(3, np.nan) for index, rows in enumerate(last)])
    size = np.hypot(ends[:, AXES.index("transverse")], ends[:, AXES.index("settlement")])
    spread = max(float(np.ptp(across)), float(np.ptp(up)), 1.0)
    largest = float(np.nanmax(size)) if np.isfinite(size).any() else 0.0
    scale = LONGEST * spread / max(largest, 1.0)
    order = np.argsort(np.arctan2(across - across.mean(), up - up.min() + 0.1))
    ax.plot(across[order], up[order], color=GREY, linewidth=0.6, dashes=(4, 2), zorder=1.0)
    ax.set_aspect("equal", adjustable="box")
    ax.set_xlim(float(across.min()) - 0.36 * spread, float(across.max()) + 0.36 * spread)
    ax.set_ylim(float(up.min()) - 0.22 * spread, float(up.max()) + 0.14 * spread)
    noise = view.outlook.projection.noise
    factor = float(ndtri(0.5 + view.outlook.projection.confidence / 2.0))
    space = Space(ax)
    space.keep_clear(across, up)
    for index, rows in enumerate(last):
        ax.plot([across[index]], [up[index]], "o", color=INK, markersize=3.0, zorder=3.0)
        if not len(rows):
            continue
        way = movement[rows, index]
        x = across[index] + scale * way[:, AXES.index("transverse")]
        y = up[index] - scale * way[:, AXES.index("settlement")]
        ax.plot(x, y, color="#0072B2", linewidth=0.7, alpha=0.8, zorder=2.0)
        space.keep_clear(x, y)
        draw_arrow(ax, (across[index], up[index]), (float(x[-1]), float(y[-1])))
        error = float(movement_error(noise, days[rows[-1], index] - days[rows[0], index]))
        radius = 2.0 * scale * factor * error
        ax.add_patch(Ellipse((float(x[-1]), float(y[-1])), radius, radius, fill=False, edgecolor=INK, linewidth=0.7))
    for index, rows in enumerate(last):
        name = str(array["position"].values[index])
        words = f"{name}\nnever read" if not len(rows) else _numbers(name, ends[index])
        _name(space, float(across[index]), float(up[index]), words, outwards=across[index] >= across.mean())
    _scale_bar(ax, scale, largest)
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    ax.set_xlabel(f"offset [m], {TERMS['offset'].sign}", fontsize=SMALL, labelpad=1.0)
    ax.set_ylabel("height [m], + up", fontsize=SMALL, labelpad=1.0)
    words = f"{view.section}: vectors since zero reading, looking up-chainage"
    keep_inside(ax.set_title(words, loc="left", fontsize=USUAL + 0.5, fontweight="bold", parse_math=False))


def _numbers(name: str, movement: np.ndarray) -> str:
    """The prism's movement in words: down, to the side, along."""
    side = "right" if movement[AXES.index("transverse")] >= 0 else "left"
    along = "up" if movement[AXES.index("longitudinal")] >= 0 else "down"
    down = movement[AXES.index("settlement")]
    return (
        f"{name}\n{abs(down):.1f} mm {'down' if down >= 0 else 'up'}, {abs(movement[AXES.index('transverse')]):.1f} "
        f"{side}\n{abs(movement[AXES.index('longitudinal')]):.1f} along, {along}-chainage"
    )


def _name(space: Space, x: float, y: float, words: str, outwards: bool) -> None:
    right = Place(x, y, "left", "center", points=(9.0, 0.0))
    left = Place(x, y, "right", "center", points=(-9.0, 0.0))
    above = [Place(x, y, "center", "bottom", points=(shift, 7.0)) for shift in (0.0, 24.0, -24.0)]
    under = [Place(x, y, "center", "top", points=(shift, -8.0)) for shift in (0.0, 24.0, -24.0)]
    sides = [right, left] if outwards else [left, right]
    space.place(words, [*sides[:1], *above, *under, *sides[1:]], size=SMALL - 0.5)


def draw_arrow(ax: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    """An arrow from one point of the data to another."""
    style = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 7}
    ax.annotate("", end, xytext=start, arrowprops=style, zorder=2.6)


def _scale_bar(ax: Axes, scale: float, largest: float) -> None:
    """A bar with its length in mm in the upper left corner."""
    length = max((item for item in _SCALES if item <= max(largest, 1.0)), default=1.0)
    low, high = ax.get_xlim()
    bottom, top = ax.get_ylim()
    x, y = low + 0.03 * (high - low), top - 0.1 * (top - bottom)
    ax.plot([x, x + scale * length], [y, y], color=INK, linewidth=2.2, solid_capstyle="butt", zorder=3.0)
    write(ax, x, y, f"{length:g} mm of movement", where="data", up="bottom", points=(0.0, 2.5), size=SMALL)
