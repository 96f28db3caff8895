"""How one measure's forecast grew up: the final value and its band as projected on past dates, beside what came."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from convergence.errors import ValueFault
from convergence.hindcasting import Hindcast
from convergence.plots.canvas import draw_foot, house_settings, own_axes
from convergence.plots.style import GREY, INK, LINE_STYLES, SMALL, USUAL

ALONE = "the section alone, its band between the thin lines"


def forecast_history(
    found: Hindcast, section: str, measure: str, prisms: str | None = None, ax: Axes | None = None
) -> Axes:
    """The forecasts of one measure for the last day it was read, against the days they were made on.

    The filled band is that of the pooled projection, the dashed lines that of the section alone; the line across is
    what the readings then showed. All since the zero reading [mm].

    Parameters
    ----------
    found : Hindcast
        The hindcast.
    section : str
        The section.
    measure : str
        "settlement", "chord" and so on.
    prisms : str, optional
        Which of the section's measures of that name; the first unless given.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes

    Raises
    ------
    ValueFault
        No forecast of that measure was scored.
    """
    if ax is None:
        with house_settings():
            axes = forecast_history(found, section, measure, prisms, own_axes(6.2, 3.8, (0.9, 0.75, 0.2, 0.55)))
            draw_foot(axes)
            return axes
    rows = found.scored
    rows = rows[(rows["section"] == section) & (rows["measure"] == measure)]
    prisms = str(rows["prisms"].iloc[0]) if prisms is None and len(rows) else prisms
    rows = rows[rows["prisms"] == prisms].sort_values("days")
    if not len(rows):
        raise ValueFault(
            f"no scored forecast of {measure} {prisms or ''} in section {section}. To mend: give a section and measure "
            "of the hindcast's table, and dates at least a week before its last reading."
        )
    days = rows["days"].to_numpy(dtype=float)
    own = LINE_STYLES[5]
    ax.fill_between(days, _column(rows, "ours_low"), _column(rows, "ours_high"), color=GREY, alpha=0.35, linewidth=0)
    ax.plot(
        days, _column(rows, "ours"), color=INK, marker="o", markersize=4.5, label="with the whole tunnel, 90 % band"
    )
    line: dict[str, Any] = {"color": own.colour, "linestyle": "--"}
    ax.plot(days, _column(rows, "alone"), **line, marker="s", markersize=4.0, markerfacecolor="none", label=ALONE)
    for side in ("alone_low", "alone_high"):
        ax.plot(days, _column(rows, side), **line, linewidth=0.8)
    measured = _column(rows, "still")
    ax.plot(days, measured, color=INK, linestyle=":", marker="x", markersize=4.5, label="measured on that day")
    outcome = float(rows["outcome"].iloc[-1])
    ax.axhline(outcome, color=INK, linewidth=1.2)
    ax.annotate(
        f"what came: {outcome:.1f} mm", (1.0, outcome), xycoords=("axes fraction", "data"), xytext=(-4, 4),
        textcoords="offset points", ha="right", fontsize=SMALL,
    )  # fmt: skip
    ax.set_xlabel("days since the zero reading, on the day of the forecast", fontsize=USUAL)
    ax.set_ylabel(f"{measure} {prisms}\nsince zero reading [mm]", fontsize=USUAL, parse_math=False)
    ax.set_title(f"{section}: how the forecast grew up", fontsize=USUAL + 1, fontweight="bold", loc="left")
    ax.legend(fontsize=SMALL, frameon=False, loc="best")
    return ax


def _column(rows: pd.DataFrame, name: str) -> np.ndarray:
    return rows[name].to_numpy(dtype=float)
