"""Common movement of arrays taken out of their readings, where a row of ``events.csv`` asks for it, and only there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.findings import Finding
from convergence.job.schema import Event
from convergence.survey.overrules import names_one, taken_back
from convergence.survey.station import COMMON_WINDOW, excursion

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: A drift begins and ends below what a finding asks for: what is shared is followed out from the spell for so many
#: days, down to so much [mm] of it.
ENDS_DAYS, ENDS_LEAST = 3.0, 0.25
#: Sweeps on either side of a spell that a curve needs.
FEWEST_SWEEPS = 8


def without_common(
    arrays: Mapping[str, xr.Dataset], found: Sequence[Finding], events: Sequence[Event]
) -> tuple[dict[str, xr.Dataset], list[Finding]]:
    """Arrays without the common movement that events name, and the findings with what was done.

    In the spell of a finding every array of the pair has its mean excursion from its own smooth curve through what
    stands before and after, averaged over the two arrays, taken out
    of all its prisms alike, and so have the beginning and the end of it, which lie below what a finding asks for:
    deformation of the array and what it moved between before and after stay as they were. An array in two pairs has
    the mean of the two taken out. What is taken out stands in ``offset``; raw readings stay.

    Parameters
    ----------
    arrays : mapping of str to xarray.Dataset
        The sections' arrays.
    found : sequence of Finding
        What ``common_movement`` found.
    events : sequence of Event
        The events of the job; ``common movement removed`` within the spell, for one of the two sections or for all.

    Returns
    -------
    arrays : dict of str to xarray.Dataset
        The same objects where nothing was taken out.
    findings : list of Finding
        In the order given.
    """
    told: list[Finding] = []
    parts: dict[str, list[Floats]] = {}
    for item in found:
        names = item.section.split(":")
        asked = [names_one(events, "common movement removed", name, "", item.start, item.end) for name in names]
        event = next((one for one in asked if one is not None), None)
        if event is None:
            told.append(item)
            continue
        mean, error = _shared([arrays[name] for name in names], item, parts, names)
        sentence = item.sentence.partition("Nothing was removed")[0] + (
            f"By events.csv it is taken out of all their prisms, up to {mean:.1f} mm (standard error {error:.1f} mm)"
        )
        alike = _beside(arrays, found, item, mean)
        if alike:
            sentence += f"; {' and '.join(alike)} beside them moved alike, and nothing is taken out there"
        told.append(replace(item, sentence=sentence, action="removed", line=taken_back(event)))
    changed = dict(arrays)
    for name, pieces in parts.items():
        stack = np.array(pieces)
        counts = np.maximum(np.isfinite(stack).sum(axis=0), 1)
        part = np.nansum(stack, axis=0) / counts
        array = arrays[name].copy()
        array["movement"] = array["movement"].copy(data=array["movement"].values - part[:, None, :])
        array["offset"] = array["offset"].copy(data=array["offset"].values + part[:, None, :])
        changed[name] = array
    return changed, told


def _shared(
    pair: Sequence[xr.Dataset], item: Finding, parts: dict[str, list[Floats]], names: Sequence[str]
) -> tuple[float, float]:
    """Note what is to be taken out of each array of a pair; its largest size and standard error [mm]."""
    seen = [_beyond_curve(array, item.start, item.end) for array in pair]
    largest, error = 0.0, 0.0
    for this, (array, (rows, days, mean, bend)) in enumerate(zip(pair, seen, strict=True)):
        _, other_days, other_mean, _ = seen[1 - this]
        time = array["time"].values[rows]
        known = np.isfinite(mean).all(axis=1)
        good = np.isfinite(other_mean).all(axis=1)
        across = np.full_like(mean, np.nan)
        for axis in range(3):
            across[known, axis] = np.interp(days[known], other_days[good], other_mean[good, axis])
        inside = known & (time >= item.start) & (time <= item.end)
        inside = known & _with_its_ends(inside, days, (mean + across) / 2)
        inside[:1] = False  # the zero reading is what everything counts from
        shared = (mean[inside] + across[inside]) / 2
        part = np.full((array.sizes["epoch"], 3), np.nan)
        part[rows[inside]] = shared
        parts.setdefault(names[this], []).append(part)
        if len(shared):
            largest = max(largest, float(np.max(np.linalg.norm(shared, axis=1))))
            # half the difference between two estimates of one thing is their mean's standard error; what both bend
            # alike does not show in it
            apart = float(np.sqrt(((mean[inside] - across[inside]) ** 2).sum(axis=1).mean()) / 2)
            error = max(error, float(np.hypot(apart, bend)))
    return largest, error


def _beside(arrays: Mapping[str, xr.Dataset], found: Sequence[Finding], item: Finding, size: float) -> list[str]:
    """Arrays next to a pair that went with it by more than a third of its movement and are in no finding of then."""
    order, pair = list(arrays), item.section.split(":")
    places = [order.index(name) for name in pair]
    beside = [order[at] for at in (min(places) - 1, max(places) + 1) if 0 <= at < len(order)]
    told = {
        name for other in found if other.start <= item.end and other.end >= item.start
        for name in other.section.split(":")
    }  # fmt: skip
    middle = [_middle(arrays[name], item) for name in pair]
    way = np.nanmean(middle, axis=0)
    way = way / max(float(np.linalg.norm(way)), 1e-9)
    return [name for name in beside if name not in told and float(_middle(arrays[name], item) @ way) > size / 3]


def _middle(array: xr.Dataset, item: Finding) -> Floats:
    """Mean movement of an array beyond its curve in a spell, by axis; zero where it is not known."""
    rows, _, mean, _ = _beyond_curve(array, item.start, item.end)
    time = array["time"].values[rows]
    inside = (time >= item.start) & (time <= item.end) & np.isfinite(mean).all(axis=1)
    return np.asarray(mean[inside].mean(axis=0)) if inside.any() else np.zeros(3)


def _beyond_curve(
    array: xr.Dataset, start: np.datetime64, end: np.datetime64
) -> tuple[npt.NDArray[np.int64], Floats, Floats, float]:
    """Mean movement of an array beyond its own smooth curve through what stands before and after a spell.

    The curve is a polynomial of the logarithm of the days since the array's first reading, of the third degree, by
    least squares over ``COMMON_WINDOW`` days on either side of the spell with its ends. What a polynomial of the second
    degree says otherwise inside the spell is how far the bend is unknown. Where a side has fewer than eight sweeps it
    is the mean excursion from the middle between before and after, which bends with the ground.

    Returns rows and days of the sweeps, mean movement beyond the curve (n, 3), and the error of the bend [mm].
    """
    rows, days, mean, _ = excursion(array)
    if not len(rows):
        return rows, days, mean, 0.0
    epoch = np.datetime64(str(array.attrs["epoch"]), "ns")
    low, high = (float((when - epoch) / np.timedelta64(1, "D")) for when in (start, end))
    before = (days < low - ENDS_DAYS) & (days > low - ENDS_DAYS - COMMON_WINDOW)
    after = (days > high + ENDS_DAYS) & (days < high + ENDS_DAYS + COMMON_WINDOW)
    movement = array["movement"].values[rows]
    # prisms that are read now and then would put their own level into the mean
    whole = np.isfinite(movement[before | after, :, 0]).mean(axis=0) > 0.8
    if min(before.sum(), after.sum()) < FEWEST_SWEEPS or whole.sum() < 3:
        return rows, days, mean, float(np.nanmax(np.abs(mean))) / 2 if np.isfinite(mean).any() else 0.0
    age = np.log(days - days[0] + 1.0)
    near = before | after
    inside = (days >= low) & (days <= high)
    age = (age - age[near].mean()) / max(float(np.ptp(age[near])) / 2, 1e-9)
    away: list[Floats] = []
    for degree in (2, 3):
        beyond = np.full_like(movement[:, whole], np.nan)
        for column, values in enumerate(np.moveaxis(movement[:, whole], 1, 0)):
            good = near & np.isfinite(values).all(axis=1)
            power = np.vander(age, degree + 1)
            solution, *_ = np.linalg.lstsq(power[good], values[good], rcond=None)
            beyond[:, column] = values - power @ solution
        count = np.isfinite(beyond).sum(axis=1)
        away.append(np.where(count > 0, np.nansum(beyond, axis=1) / np.maximum(count, 1), np.nan))
    bend = float(np.sqrt(np.nanmean(((away[0] - away[1])[inside] ** 2).sum(axis=1)))) if inside.any() else 0.0
    shown = low - ENDS_DAYS, high + ENDS_DAYS
    result = np.where(((days >= shown[0]) & (days <= shown[1]))[:, None], away[1], np.nan)
    return rows, days, result, bend


def _with_its_ends(inside: Bools, days: Floats, shared: Floats) -> Bools:
    """The spell (n,) and what stands before and after it of the same movement (n, 3), as long as it goes that way."""
    rows = np.flatnonzero(inside)
    if not len(rows):
        return inside
    way = shared[rows].mean(axis=0)
    along = np.nan_to_num(shared @ (way / max(float(np.linalg.norm(way)), 1e-9)))
    # three sweeps together, so that the noise of one does not end it
    smooth = np.convolve(along, np.full(3, 1.0 / 3.0), mode="same")
    wider = inside.copy()
    for ahead, rest in ((-1, np.arange(rows[0] - 1, -1, -1)), (1, np.arange(rows[-1] + 1, len(days)))):
        edge = days[rows[0] if ahead < 0 else rows[-1]]
        goes_on = (smooth[rest] > ENDS_LEAST) & (np.abs(days[rest] - edge) <= ENDS_DAYS)
        wider[rest[: len(rest) if goes_on.all() else int(np.argmin(goes_on))]] = True
    return wider
