"""Figures of the library's own: made without pyplot, shown by a notebook, written in one piece."""

from __future__ import annotations

import os
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import IO

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from convergence.plots.style import DPI, GREY, SETTINGS, SMALL
from convergence.terms import CAUTION


class PaperFigure(Figure):
    """A figure that no window and no pyplot state knows of; a notebook shows it as the last value of a
    cell.
    """

    def _repr_png_(self) -> bytes:
        stream = BytesIO()
        _print(self, stream)
        return stream.getvalue()


@contextmanager
def house_settings() -> Iterator[None]:
    """The library's own settings while a figure is drawn; the user's are back afterwards, whatever happens."""
    with mpl.rc_context(SETTINGS):
        yield


def new_figure(width: float, height: float) -> PaperFigure:
    """An empty white figure of a size in inches."""
    figure = PaperFigure(figsize=(width, height), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def add_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes at a place and of a size in inches."""
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, bottom / up, width / across, height / up))


def own_axes(width: float, height: float, margins: tuple[float, float, float, float]) -> Axes:
    """Axes in a figure of their own; margins left, bottom, right and top in inches."""
    left, bottom, right, top = margins
    figure = new_figure(width, height)
    return add_axes(figure, left, bottom, width - left - right, height - bottom - top)


def figure_of(ax: Axes) -> Figure:
    """The whole figure an axes belongs to."""
    figure = ax.get_figure(root=True)
    if figure is None:
        raise AssertionError("axes without a figure cannot be drawn in")
    return figure


def pixels_per_point(ax: Axes) -> float:
    """Display units of one typographic point."""
    return figure_of(ax).dpi / 72.0


def axes_box(ax: Axes) -> Bbox:
    """The area of the axes in display units, where layout left it."""
    ax.apply_aspect()
    return Bbox(ax.get_window_extent().get_points())


def below(ax: Axes, share: float, gap: float) -> Axes:
    """A second axes that takes the lower share of the first one's area, ``gap`` inches under it, with the
    same x axis.
    """
    figure = figure_of(ax)
    box = ax.get_position()
    up = float(figure.get_size_inches()[1])
    lower = box.height * share
    ax.set_position((box.x0, box.y0 + lower + gap / up, box.width, box.height - lower - gap / up))
    return figure.add_axes((box.x0, box.y0, box.width, lower), sharex=ax)


def draw_foot(ax: Axes, key: str = "") -> None:
    """The caution, and above it a key in words, along the lower edge of a figure of the library's own."""
    figure = figure_of(ax)
    width, height = figure.get_size_inches()
    # a character of this size is about 0.052 inches wide
    lines = textwrap.wrap(CAUTION, int((width - 0.2) / 0.052))
    above = 0.06 + 0.115 * len(lines)
    figure.text(
        0.1 / width,
        0.06 / height,
        "\n".join(lines),
        fontsize=SMALL - 0.5,
        color=GREY,
        va="bottom",
        linespacing=1.15,
    )
    if key:
        figure.text(0.1 / width, above / height, key, fontsize=SMALL, va="bottom")


def write_png(figure: Figure, path: Path) -> Path:
    """Write a figure beside its place and move it there, so that nobody meets half a picture."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            _print(figure, stream)
            stream.flush()
            os.fsync(stream.fileno())
        part.chmod(0o644)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def _print(figure: Figure, stream: IO[bytes]) -> None:
    with house_settings():
        figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None}, pil_kwargs={"compress_level": 4})
