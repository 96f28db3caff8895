"""Figures as data inside the page: small pictures without loss of legibility, with words for who cannot see them."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from io import BytesIO

from matplotlib.figure import Figure
from PIL import Image

from convergence.plots.acceleration import inverse_velocity
from convergence.plots.canvas import figure_of, house_settings, own_axes
from convergence.plots.deflection import deflection_line
from convergence.plots.heat import heat_strip
from convergence.plots.long_section import long_section_vectors
from convergence.plots.overview import outlook_map
from convergence.plots.section import section_figure
from convergence.plots.style import DPI
from convergence.plots.vectors import section_vectors
from convergence.report.sheet.markup import Markup, escape
from convergence.report.sheet.view import SheetView

#: Sections whose figures the page holds, the most urgent ones; more would make it slow to open and to print.
MOST_SECTIONS = 6
#: Size and margins of a picture of vectors [inches].
VECTORS = (5.3, 3.3, (0.46, 0.42, 0.1, 0.28))
#: Height of the tunnel's map [inches]: lower than by itself, so that another figure stands with it on a page.
MAP_HEIGHT = 5.2
#: Colours a picture keeps; figures have few, and the shades between are those of the letters' edges.
COLOURS = 64


@dataclass(frozen=True)
class Picture:
    """A PNG with its size in pixels, what it shows, and how it stands on the page (a class of ``style``)."""

    data: bytes
    width: int
    height: int
    words: str
    kind: str = "wide"


def picture(figure: Figure, words: str, kind: str = "wide") -> Picture:
    """A figure as a PNG of few colours."""
    stream = BytesIO()
    with house_settings():
        figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None})
    stream.seek(0)
    small = BytesIO()
    with Image.open(stream) as image:
        # a quarter of the size of the full colours; no dithering, which would speckle the white
        few = image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
        few.save(small, format="PNG", optimize=True)
        return Picture(small.getvalue(), few.width, few.height, words, kind)


def image(found: Picture, kind: str = "") -> Markup:
    """A picture as an element of the page, its data inside; it may stand there in another way than by itself."""
    data = base64.b64encode(found.data).decode("ascii")
    words = escape(found.words)
    size = f'width="{found.width}" height="{found.height}"'
    return Markup(f'<img class="{escape(kind or found.kind)}" {size} alt="{words}" src="data:image/png;base64,{data}">')


def chosen_sections(view: SheetView) -> tuple[str, ...]:
    """Sections whose figures the page holds."""
    return view.sections_that_matter[:MOST_SECTIONS]


def tunnel_pictures(view: SheetView) -> list[Picture]:
    """Figures of the whole tunnel."""
    outlook = view.outlook
    if not any(len(item.series) for item in outlook.projection.sections.values()):
        return []
    name = outlook.job.settings.tunnel.name
    return [
        picture(
            figure_of(outlook_map(outlook, height=MAP_HEIGHT)[0]),
            f"{name}: measured, final and band of every section, with levels",
            "wide map",
        ),
        picture(figure_of(deflection_line(outlook)), f"{name}: deflection lines at equal face distance", "wide low"),
        picture(figure_of(heat_strip(outlook)), f"{name}: rates of every section over time"),
        picture(figure_of(long_section_vectors(outlook)), f"{name}: displacement vectors in long section"),
    ]


def section_picture(view: SheetView, section: str) -> Picture:
    """The figure a section is reviewed by."""
    return picture(section_figure(view.outlook, section), f"{section}: movement, projection and levels")


def vector_pictures(view: SheetView) -> list[Picture]:
    """Displacement vectors of the chosen sections, and inverse velocity of every measure that accelerates."""
    outlook = view.outlook
    found = []
    for section in chosen_sections(view):
        with house_settings():
            # so large that two stand side by side on paper with their letters as large as drawn
            drawn = section_vectors(outlook, section, own_axes(*VECTORS))
        found.append(picture(figure_of(drawn), f"{section}: displacement vectors of its prisms"))
    for section, label in dict.fromkeys(view.accelerating[:MOST_SECTIONS]):
        figure = figure_of(inverse_velocity(outlook, section, label))
        found.append(picture(figure, f"{section}: inverse velocity of {label}"))
    return found
