"""How things look on the figures: line styles told apart without colour, marks of the states, sizes.

Colours are those of Okabe and Ito, chosen to stay apart for colour-blind readers ("Color Universal Design",
2008; values from memory); dashes and markers carry the same distinction, so that a grey print loses
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from convergence.triggers.states import STATES, State

#: Sizes of text [points].
SMALL, USUAL, LARGE = 6.5, 7.5, 13.0
GREY, PALE, INK = "#595959", "#E6E6E6", "#000000"
#: Resolution of saved figures [dots per inch].
DPI = 150


@dataclass(frozen=True)
class LineStyle:
    """Colour, dashes and marker of one measure.

    Attributes
    ----------
    colour : str
        Of line, readings and words.
    dash : tuple
        Offset and on-off lengths [points]; no lengths for a solid line.
    marker : str
        Marker on the line and at its end.
    filled : bool
        Whether the marker is filled.
    """

    colour: str
    dash: tuple[float, tuple[float, ...]]
    marker: str
    filled: bool = True

    @property
    def face(self) -> str:
        """Fill of the marker."""
        return self.colour if self.filled else "white"


_SOLID: tuple[float, tuple[float, ...]] = (0, ())

LINE_STYLES = (
    LineStyle("#000000", _SOLID, "o"),
    LineStyle("#0072B2", (0, (5, 1.5)), "<"),
    LineStyle("#D55E00", (0, (5, 1.5, 1, 1.5)), ">"),
    LineStyle("#0072B2", (0, (2.5, 1.2)), "s", False),
    LineStyle("#D55E00", (0, (1, 1.2)), "D", False),
    LineStyle("#009E73", (0, (8, 1.5, 1, 1.5, 1, 1.5)), "^"),
    LineStyle("#A0497D", (0, (8, 3)), "v", False),
    LineStyle("#7F7F7F", _SOLID, "P"),
)

#: Dashes of the stages' faces, the first stage first.
STAGE_DASHES = (_SOLID, (0, (6, 1.5)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)))


@dataclass(frozen=True)
class StateMark:
    """Shape, fill and ink that stand for a state on a figure, beside its letter and words."""

    state: State
    marker: str
    face: str
    ink: str

    @property
    def letter(self) -> str:
        """The letter inside the shape."""
        return self.state.letter

    @property
    def words(self) -> str:
        """What the state means."""
        return self.state.words


STATE_MARKS = MappingProxyType(
    {
        "past": StateMark(STATES["past"], "v", "#B03A00", "white"),
        "heading": StateMark(STATES["heading"], "D", "#F0B429", "black"),
        "blind": StateMark(STATES["blind"], "s", "white", "black"),
        "undetermined": StateMark(STATES["undetermined"], "h", "white", "black"),
        "clear": StateMark(STATES["clear"], "o", "#D9E8E3", "black"),
    }
)
if set(STATE_MARKS) != set(STATES):
    raise AssertionError("every state of the outlook needs a mark, and only those")

#: What a figure of the library's own sets for itself, whatever the user's own settings say.
SETTINGS: dict[Any, Any] = {
    "font.family": ["sans-serif"],
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": USUAL,
    "text.color": INK,
    "text.usetex": False,
    "axes.facecolor": "white",
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.labelsize": USUAL,
    "axes.linewidth": 0.6,
    "axes.grid": False,
    "axes.spines.top": True,
    "axes.spines.right": True,
    "axes.autolimit_mode": "data",
    "axes.unicode_minus": True,
    "figure.facecolor": "white",
    "figure.edgecolor": "white",
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "hatch.linewidth": 0.4,
    "lines.linewidth": 1.0,
    "savefig.facecolor": "auto",
    "savefig.bbox": None,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelcolor": "inherit",
    "ytick.labelcolor": "inherit",
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "path.simplify": True,
}


def line_style(place: int) -> LineStyle:
    """Style of the measure at a place in its section; they come round again after the last one."""
    return LINE_STYLES[place % len(LINE_STYLES)]
