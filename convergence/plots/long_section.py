"""Displacement vectors in long section: one prism of every section from the side, and how its vector leans."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse
from scipy.special import ndtri

from convergence.plots.canvas import below, draw_foot, figure_of, house_settings, own_axes
from convergence.plots.chainage_axis import show_site_chainages
from convergence.plots.labels import write
from convergence.plots.movements import movement_at_distance, movement_error, normal_band, orientation, unlike_others
from convergence.plots.overview import main_label
from convergence.plots.style import GREY, INK, SMALL, STATE_MARKS, USUAL
from convergence.plots.vectors import draw_arrow
from convergence.plots.view import SectionView, section_view
from convergence.terms import TERMS
from convergence.triggers import Outlook


def long_section_vectors(outlook: Outlook, face_distance: float | None = None, ax: Axes | None = None) -> Axes:
    """The crown's movement of every section seen from the side, and how the vector leans along the drive.

    Upper panel: from each section an arrow to the last reading; the axis reads settlement, and the arrow leans by the
    longitudinal movement to the same scale, up-chainage to the right. Lower panel: the angle of the vector from the
    plumb line when the face stood at one distance past each section, with its error, the ratio of longitudinal movement
    to settlement on the axis to the right, and the site's own band. A section whose settlement is not resolved has no
    angle.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    face_distance : float, optional
        Face distance of the first stage [m] for the lower panel, + past the section; the tunnel's width unless given.
    ax : Axes, optional
        Where to draw; its area is divided between the panels. A figure of its own unless given.

    Returns
    -------
    Axes
        The upper panel; its figure is ``.figure``.
    """
    if ax is not None:
        _draw_long(ax, outlook, face_distance)
        return ax
    with house_settings():
        ax = own_axes(11.0, 4.3, (0.85, 0.68, 0.95, 0.35))
        _draw_long(ax, outlook, face_distance)
        share = outlook.projection.confidence
        words = f"Ellipses and bars: {share:.0%}, reading and zero reading. No angle where settlement is not resolved."
        draw_foot(ax, words)
    return ax


def _draw_long(ax: Axes, outlook: Outlook, face_distance: float | None) -> None:
    views = [section_view(outlook, section) for section in outlook.job.sections]
    label = main_label(views, "settlement")
    position = label.split(" ", 1)[1] if " " in label else ""
    distance = float(round(outlook.job.settings.tunnel.width)) if face_distance is None else face_distance
    lower = below(ax, 0.42, 0.18)
    chainage = np.array([view.chainage for view in views])
    reach = max(float(np.ptp(chainage)), 20.0)
    ax.set_xlim(float(chainage.min()) - 0.04 * reach, float(chainage.max()) + 0.04 * reach)
    show_site_chainages(ax, outlook.job.stationing)
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0, labelbottom=False)
    lower.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    lower.set_xlabel(TERMS["chainage"].axis_label, fontsize=USUAL, labelpad=1.0)
    ax.set_ylabel(f"settlement {position} [mm]\n+ down, since zero reading", fontsize=SMALL, labelpad=3.0)
    words = f"{position}: vectors to the last reading, leaning with longitudinal movement to the same scale"
    ax.set_title(words.strip(": "), loc="left", fontsize=USUAL + 0.5, fontweight="bold", parse_math=False)
    _draw_arrows(ax, views, position, outlook)
    _draw_angles(lower, views, position, distance, outlook)


def _pair(view: SectionView, position: str) -> list[int]:
    """Places of settlement and longitudinal movement of a position in the view's series; empty without both."""
    labels = [item.label for item in view.series]
    wanted = [f"settlement {position}", f"longitudinal {position}"]
    return [labels.index(name) for name in wanted] if set(wanted) <= set(labels) else []


def _draw_arrows(ax: Axes, views: Sequence[SectionView], position: str, outlook: Outlook) -> None:
    found = []
    for view in views:
        place = _pair(view, position)
        if place:
            settlement, longitudinal = (view.series[index] for index in place)
            error = float(movement_error(outlook.projection.noise, settlement.span))
            found.append((view, float(longitudinal.value[-1]), float(settlement.value[-1]), error))
    factor = float(ndtri(0.5 + outlook.projection.confidence / 2.0))
    deepest = max([1.0, *(down + factor * error for _, _, down, error in found)])
    highest = min([0.0, *(down - factor * error for _, _, down, error in found)])
    ax.set_ylim(1.12 * deepest, highest - 0.12 * deepest)
    ax.axhline(0.0, color=GREY, linewidth=0.6, zorder=1.0)
    if not found:
        words = "no section has settlement and longitudinal movement of one prism"
        write(ax, 0.5, 0.5, words, across="center", weight="bold", size=USUAL)
        return
    # a millimetre is as long across as it is down, so that an arrow leans as the prism moved
    origin, across, up = ax.transData.transform([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])
    ratio = abs(float(up[1] - origin[1])) / abs(float(across[0] - origin[0]))
    for view, along, down, error in found:
        tip = (view.chainage + ratio * along, down)
        ax.plot([view.chainage], [0.0], "o", color=INK, markersize=2.5, zorder=3.0)
        draw_arrow(ax, (view.chainage, 0.0), tip)
        radius = 2.0 * factor * error
        ax.add_patch(Ellipse(tip, ratio * radius, radius, fill=False, edgecolor="#0072B2", linewidth=0.7, zorder=3.1))
        state = str(view.rows.iloc[0]["outlook"]) if len(view.rows) else "undetermined"
        if state != "clear":
            shift = (-6.0, 3.0)
            letter = STATE_MARKS[state].letter
            write(ax, view.chainage, 0.0, letter, where="data", up="bottom", points=shift, size=SMALL, weight="bold")
    write(ax, 0.99, 0.05, "letters: section past, heading, blind, undetermined", across="right", colour=GREY)


def _draw_angles(ax: Axes, views: Sequence[SectionView], position: str, distance: float, outlook: Outlook) -> None:
    noise, confidence = outlook.projection.noise, outlook.projection.confidence
    chainage = np.array([view.chainage for view in views])
    along, down, error = (np.full(len(views), np.nan) for _ in range(3))
    for row, view in enumerate(views):
        place = _pair(view, position)
        if place:
            down[row], error[row] = movement_at_distance(view.series[place[0]], distance, noise)
            along[row], _ = movement_at_distance(view.series[place[1]], distance, noise)
    found = orientation(along, down, error)
    angle = np.rad2deg(found.angle)
    factor = float(ndtri(0.5 + confidence / 2.0))
    ax.set_ylabel(f"vector's angle from plumb [deg]\n+ up-chainage, {distance:g} m past", fontsize=SMALL, labelpad=3.0)
    ax.set_ylim(-80.0, 80.0)
    ax.set_yticks([-60, -30, 0, 30, 60])
    ax.axhline(0.0, color=GREY, linewidth=0.6, zorder=1.0)
    low, median, high = normal_band(angle, confidence)
    if np.isfinite(median):
        ax.axhspan(low, high, facecolor="#DDE6EE", edgecolor="none", zorder=0.5)
        ax.axhline(median, color=GREY, linewidth=0.9, dashes=(5, 2), zorder=1.2)
    # no section stands in the band it is judged by
    beyond = unlike_others(angle, np.rad2deg(found.angle_error), confidence)
    bars = factor * np.rad2deg(found.angle_error)
    ax.errorbar(
        chainage, angle, yerr=bars, linestyle="none", marker="o", markersize=3.5, color=INK, elinewidth=0.8, zorder=2.0
    )
    ax.plot(
        chainage[beyond], angle[beyond], "s", markersize=8, fillstyle="none", color=INK, linestyle="none", zorder=2.2
    )
    shut = np.isfinite(down) & ~found.resolved
    ax.plot(chainage[shut], np.full(int(shut.sum()), -72.0), "x", color=INK, markersize=4, linestyle="none", zorder=2.0)
    count = int(found.resolved.sum())
    told = (
        f"shade: {confidence:.0%} of the {count} sections resolved; dashed: their median; "
        "square: off the others by more than its error"
        if np.isfinite(median)
        else f"{count} sections resolved: too few for a band of the site's own"
    )
    told += "; cross: settlement not resolved" if shut.any() else ""
    write(ax, 0.01, 0.93, told, up="top", colour=GREY, size=SMALL - 0.5, backed=True)
    _ratio_axis(ax)


def _ratio_axis(ax: Axes) -> None:
    """To the right, the ratio that belongs to each angle: its tangent."""
    box = ax.get_position()
    right = figure_of(ax).add_axes((box.x0, box.y0, box.width, box.height))
    right.patch.set_visible(False)
    right.set_xlim(0, 1)
    right.set_ylim(ax.get_ylim())
    right.xaxis.set_visible(False)
    right.yaxis.tick_right()
    right.yaxis.set_label_position("right")
    right.set_yticks([-60, -30, 0, 30, 60], [f"{np.tan(np.deg2rad(item)):.2f}" for item in (-60, -30, 0, 30, 60)])
    right.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    right.set_ylabel("longitudinal / settlement", fontsize=SMALL, labelpad=3.0)
