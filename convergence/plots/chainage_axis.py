"""The chainage axis of a job with chainage equations: drawn along the tunnel, labelled as the site writes it."""

from __future__ import annotations

from itertools import pairwise

from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

from convergence.job.stationing import Stationing
from convergence.plots.style import GREY, SMALL


def show_site_chainages(ax: Axes, stationing: Stationing, named: bool = True) -> None:
    """Label a horizontal axis of continuous chainages [m] with the site's, and rule a line at each equation.

    Without equations the axis stays as it is. Ticks stand at round chainages of the site, region by region, for a
    round number that counts on through an equation is written nowhere on site. ``named`` writes both chainages of an
    equation at its line.
    """
    if not stationing:
        return
    low, high = sorted(ax.get_xlim())
    edges = [low, *(float(place) for place in stationing.places if low < place < high), high]
    ticks: list[float] = []
    step = (high - low) / 12.0
    for start, end in pairwise(edges):
        shift = float(stationing.site((start + end) / 2.0)[0]) - (start + end) / 2.0
        count = max(2, round((end - start) / step))
        found = MaxNLocator(count, steps=[1, 2, 2.5, 5, 10]).tick_values(start + shift, end + shift)
        # a tick right at an equation would write its number over that of the other side
        ticks += [value - shift for value in found if start + 0.3 * step < value - shift < end - 0.3 * step]
    for equation, place in zip(stationing.equations, stationing.places.tolist(), strict=True):
        if not low < place < high:
            continue
        ax.axvline(place, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)), zorder=0.5)
        if named:
            words = f"{equation.back:g} back = {equation.ahead:g} ahead"
            ax.annotate(
                words,
                (place, 0.98),
                xycoords=ax.get_xaxis_transform(),
                xytext=(2.0, 0.0),
                textcoords="offset points",
                rotation=90,
                ha="left",
                va="top",
                fontsize=SMALL,
                color=GREY,
                zorder=0.5,
            )
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{float(stationing.site(value)[0]):g}"))
