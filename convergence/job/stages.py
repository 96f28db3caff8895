"""The stages of excavation as the job declares them, and how large each one's opening is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from convergence.job.schema import Settings


@dataclass(frozen=True)
class StageGeometry:
    """The opening of one stage.

    Attributes
    ----------
    width, height : float
        Its own where the job gives them, else the tunnel's [m].
    offset : float
        Of its axis from the tunnel's [m], + right looking up-chainage.
    own : bool
        Whether the job gives any of them.
    """

    width: float
    height: float
    offset: float
    own: bool

    @property
    def acting_width(self) -> float:
        """Width [m] of the opening on the tunnel's own axis whose face would be felt over the same length.

        W' = 2 sqrt((w / 2)^2 + d^2)

        What a face causes at a point comes while it goes by over a length in proportion to the point's distance from
        the axis of the drive: from a point source at the distance d it is x / sqrt(x^2 + d^2) of the whole (from
        memory). That distance is half the width w at the wall of the stage itself, and d at an axis beside it; between
        the two the hypotenuse is taken (assumed). A drift 4 m wide whose axis lies 3 m aside acts as one of 7.2 m, a
        tube 10 m wide 30 m aside as one of 60.8 m.
        """
        return 2.0 * math.hypot(self.width / 2.0, self.offset)


def stage_geometry(settings: Settings, name: str) -> StageGeometry:
    """The opening of a stage by name; the tunnel's where the job gives the stage none, or does not know it."""
    tunnel = settings.tunnel
    stage = next((item for item in settings.stages if item.name == name), None)
    if stage is None:
        return StageGeometry(tunnel.width, tunnel.height, 0.0, False)
    own = stage.width is not None or stage.height is not None or stage.axis_offset != 0.0
    return StageGeometry(stage.width or tunnel.width, stage.height or tunnel.height, stage.axis_offset, own)


def acting_widths(settings: Settings) -> dict[str, float]:
    """Acting width [m] of every stage; see `StageGeometry.acting_width`."""
    return {stage.name: stage_geometry(settings, stage.name).acting_width for stage in settings.stages}


def stage_shares(settings: Settings) -> dict[str, float | None]:
    """Share of the opening's area by stage: as given, else from width and height where the stage has either of its own.

    w h / (W H), as if the openings were alike in form; None where the job gives neither. Of a stage whose axis lies
    outside the tunnel, as a second tube's, it is what counts at the tunnel: w / W' of it, for about a round opening in
    an elastic plane displacement falls off with one over the distance (from memory). A second tube as large as the
    tunnel, 10 m wide and 30 m aside, counts as 0.16.
    """
    found: dict[str, float | None] = {}
    for stage in settings.stages:
        size = stage_geometry(settings, stage.name)
        given = stage.share is not None or (stage.width is None and stage.height is None)
        area = size.width * size.height / (settings.tunnel.width * settings.tunnel.height)
        share = stage.share if given else area
        beside = abs(size.offset) > 0.5 * settings.tunnel.width
        found[stage.name] = share * size.width / size.acting_width if share is not None and beside else share
    return found
