"""Screens over the whole job that only report: copied and frozen readings, blind spells, common movement, daily cycle."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from convergence.job.findings import Finding, finding
from convergence.job.schema import Prism
from convergence.job.times import days_since, shown

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: So many identical consecutive increments in two series are reported.
COPIED_RUN = 12
#: Hours without a reading of a section, and times the usual interval, that make a blind spell.
BLIND_HOURS, BLIND_TIMES = 24.0, 4.0
#: Common movement of arrays [mm] worth reporting, and how long it must last [days].
COMMON_LEAST, COMMON_DAYS = 1.0, 1.0
#: Days over which the common movement is compared with what came before and after.
COMMON_WINDOW = 9.0


def copied_readings(readings: pd.DataFrame, prisms: tuple[Prism, ...], run: int = COPIED_RUN) -> list[Finding]:
    """Pairs of series that share ``run`` or more identical consecutive increments, from the raw numbers of the files.

    Told neutrally: a copy, a template and an export fault look the same from here. Windows of mostly zero increments
    do not count, for a settled prism read to the millimetre repeats itself.
    """
    windows: list[npt.NDArray[np.uint64]] = []
    owners: list[npt.NDArray[np.int64]] = []
    weights = np.array([pow(0x9E3779B97F4A7C15, power, 2**64) for power in range(run)], dtype=np.uint64)
    prism = readings["prism"].to_numpy()
    edges = np.flatnonzero(np.diff(prism, prepend=-1, append=-1))
    values = readings[["a", "b", "c"]].to_numpy()
    coordinates = readings["coordinates"].to_numpy(dtype=bool)
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        if high - low <= run:
            continue
        unit = 1e6 if coordinates[low] else 1e3
        increments = np.rint(np.diff(values[low:high], axis=0) * unit).astype(np.int64)
        for axis in range(3):
            column = increments[:, axis]
            rows = np.lib.stride_tricks.sliding_window_view(column, run)
            busy = np.flatnonzero((rows != 0).sum(axis=1) >= run // 2)
            if len(busy):
                with np.errstate(over="ignore"):
                    windows.append((rows[busy].astype(np.uint64) * weights).sum(axis=1, dtype=np.uint64))
                owners.append(np.column_stack([np.full(len(busy), low), low + busy, np.full(len(busy), axis)]))
    if not windows:
        return []
    marks, where = np.concatenate(windows), np.concatenate(owners)
    order = np.argsort(marks, kind="stable")
    same = np.flatnonzero(marks[order][1:] == marks[order][:-1])
    pairs: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for index in same:
        one, two = sorted((tuple(where[order[index]]), tuple(where[order[index + 1]])))
        if abs(one[1] - two[1]) < run and one[0] == two[0]:
            continue
        pairs.setdefault((int(prism[one[1]]), int(prism[two[1]])), []).append((int(one[1]), int(two[1])))
    time = readings["time"].to_numpy()
    found = []
    for (one, two), rows_of in sorted(pairs.items()):
        first, last = min(row for row, _ in rows_of), max(row for row, _ in rows_of)
        count = last - first + run
        names = f"{prisms[one].name} and {prisms[two].name}" if one != two else f"{prisms[one].name} twice"
        found.append(
            finding(
                "copied readings",
                f"{names}: {count} identical consecutive increments, {prisms[one].name} from {shown(time[first])} and {prisms[two].name} from "
                f"{shown(time[min(row for _, row in rows_of)])}; chance would not do this, ask how the two came about",
                section=prisms[one].section, prism=f"{prisms[one].name}:{prisms[two].name}",
                start=time[first], end=time[min(last + run, len(time) - 1)], size=float(count),
            )
        )
    return found


def frozen_readings(readings: pd.DataFrame, prisms: tuple[Prism, ...], run: int = COPIED_RUN) -> list[Finding]:
    """Runs of identical readings in all three axes, where the file's resolution makes that unlikely."""
    prism = readings["prism"].to_numpy()
    values = readings[["a", "b", "c"]].to_numpy()
    time = readings["time"].to_numpy()
    same = (np.diff(values, axis=0) == 0).all(axis=1) & (np.diff(prism) == 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    found = []
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        if high - low + 1 >= run:
            who = prisms[int(prism[low])]
            found.append(
                finding(
                    "frozen readings",
                    f"{who.name}: {high - low + 1} readings the same in all three axes from {shown(time[low])} to {shown(time[high])}",
                    section=who.section, prism=who.name, start=time[low], end=time[high], size=float(high - low + 1),
                )
            )
    return found


def blind_spells(section: str, array: xr.Dataset, now: np.datetime64) -> list[Finding]:
    """Spells in which an array, or one of its prisms to the end, was not read."""
    time = array["time"].values
    used = array["used"].values
    read = time[used.any(axis=1)]
    if len(read) < 3:
        return []
    hours = np.diff(days_since(read, read[0])) * 24
    usual = float(np.median(hours))
    limit = max(BLIND_HOURS, BLIND_TIMES * usual)
    found = []
    for index in np.flatnonzero(hours > limit):
        # readings thin out as a section settles: a spell is long against the intervals around it, not against all
        around = np.concatenate([hours[max(0, index - 6) : index], hours[index + 1 : index + 7]])
        if len(around) and hours[index] < BLIND_TIMES * float(np.median(around)):
            continue
        found.append(
            finding("blind spell", f"{section}: no reading for {hours[index]:.0f} h from {shown(read[index])} (usual interval {usual:.0f} h)",
                    section=section, start=read[index], end=read[index + 1], size=float(hours[index]))
        )
    recent = float(np.median(hours[-12:]))
    silent = float((now - read[-1]) / np.timedelta64(1, "s")) / 3600
    if silent > max(BLIND_HOURS, BLIND_TIMES * recent):
        found.append(
            finding("no recent reading", f"{section}: last read {shown(read[-1])}, {silent:.0f} h before {shown(now)} (usual interval {recent:.0f} h)",
                    section=section, start=read[-1], end=now, size=silent)
        )
    for index, name in enumerate(array["prism"].values):
        rows = np.flatnonzero(used[:, index])
        if len(rows) < 3 or rows[-1] == len(time) - 1:
            continue
        quiet = float((read[-1] - time[rows[-1]]) / np.timedelta64(1, "s")) / 3600
        if quiet > max(BLIND_HOURS, BLIND_TIMES * recent) and (read > time[rows[-1]]).sum() >= 4:
            found.append(
                finding("prism silent", f"{name} of {section}: not read since {shown(time[rows[-1]])} while the array was, for {quiet:.0f} h",
                        section=section, prism=str(name), start=time[rows[-1]], end=read[-1], size=quiet)
            )
    return found


def common_movement(arrays: dict[str, xr.Dataset], order: list[str]) -> list[Finding]:
    """Neighbouring arrays that move together as rigid bodies and come back: the station, its references, or the ground.

    For each array the mean over its prisms is compared with the line between what came ``COMMON_WINDOW`` days before
    and after; an excursion shared by all prisms of the array (their spread small against it) and by the next array at
    the same time in the same direction is reported. Nothing is removed.
    """
    excursions = {name: _rigid_excursion(arrays[name]) for name in order}
    found: list[Finding] = []
    last: dict[str, np.datetime64] = {}
    for one, two in zip(order[:-1], order[1:], strict=True):
        days_one, move_one = excursions[one]
        days_two, move_two = excursions[two]
        if not len(days_one) or not len(days_two):
            continue
        match = np.searchsorted(days_two, days_one)
        match = np.clip(match, 1, len(days_two) - 1) if len(days_two) > 1 else np.zeros(len(days_one), int)
        near = np.where(np.abs(days_two[match] - days_one) < np.abs(days_two[match - 1] - days_one), match, match - 1)
        together = np.abs(days_two[near] - days_one) < 2 / 24
        size_one, size_two = np.linalg.norm(move_one, axis=1), np.linalg.norm(move_two[near], axis=1)
        apart = np.linalg.norm(move_one - move_two[near], axis=1)
        mean = (size_one + size_two) / 2
        hit = together & (size_one > COMMON_LEAST) & (size_two > COMMON_LEAST) & (apart < 0.5 * mean)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], _closed(hit, 3), [False]]).astype(np.int8)))
        for low, high in zip(edges[::2], edges[1::2], strict=True):
            if days_one[high - 1] - days_one[low] < COMMON_DAYS:
                continue
            epoch = arrays[one].attrs["epoch"]
            start, end = (np.datetime64(epoch, "ns") + np.timedelta64(int(days_one[at] * 86_400e9), "ns") for at in (low, high - 1))
            if two in last and last[two] >= end:
                continue
            size = float(np.max(mean[low:high]))
            last[two] = end
            found.append(
                finding(
                    "common movement",
                    f"{one} and {two} moved together by up to {size:.1f} mm from {shown(start)} to {shown(end)}, all prisms alike, and came back; "
                    "check the station and its references. Nothing was removed",
                    section=f"{one}:{two}", start=start, end=end, size=size,
                )
            )
    return found


def _closed(hit: npt.NDArray[np.bool_], gap: int) -> npt.NDArray[np.bool_]:
    """Runs of True with gaps of up to ``gap`` False closed."""
    result = hit.copy()
    rows = np.flatnonzero(hit)
    for one, two in zip(rows[:-1], rows[1:], strict=True):
        if two - one <= gap + 1:
            result[one:two] = True
    return result


def _rigid_excursion(array: xr.Dataset) -> tuple[Floats, Floats]:
    """Days and mean movement [mm] of the array away from before and after, zero where the prisms do not agree."""
    used = array["used"].values
    rows = used.sum(axis=1) >= max(3, 0.6 * used.shape[1])
    if rows.sum() < 12:
        return np.empty(0), np.empty((0, 3))
    days = array["days"].values[rows]
    movement = array["movement"].values[rows]
    deviation = np.full(movement.shape, np.nan)
    for at in range(len(days)):
        before = (days >= days[at] - COMMON_WINDOW) & (days < days[at] - COMMON_WINDOW / 2)
        after = (days > days[at] + COMMON_WINDOW / 2) & (days <= days[at] + COMMON_WINDOW)
        if before.sum() < 3 or after.sum() < 3:
            continue
        level = (_mean(movement[before]) + _mean(movement[after])) / 2
        deviation[at] = movement[at] - level
    mean = _mean(deviation.transpose(1, 0, 2))
    spread = np.sqrt(_mean(((deviation - mean[:, None]) ** 2).sum(axis=2).T))
    rigid = np.isfinite(mean).all(axis=1) & (spread < 0.6 * np.linalg.norm(np.nan_to_num(mean), axis=1))
    return days, np.where(rigid[:, None], np.nan_to_num(mean), 0.0)


def _mean(values: Floats) -> Floats:
    """Mean over the first axis of what is finite; NaN where nothing is."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    total = np.where(good, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def daily_cycle(arrays: dict[str, xr.Dataset]) -> list[Finding]:
    """Amplitude of the 24-hour cycle over the whole job, from differences to the running day, with its standard error."""
    cosine: list[Floats] = []
    sine: list[Floats] = []
    values: list[Floats] = []
    for array in arrays.values():
        days = array["days"].values
        movement = array["movement"].values
        for index in range(movement.shape[1]):
            good = np.isfinite(movement[:, index, 2])
            t, u = days[good], movement[good, index]
            if len(t) < 20:
                continue
            # four readings a day: the mean of the day around a reading holds no cycle, their difference does
            around = (0.5 * u[:-4] + u[1:-3] + u[2:-2] + u[3:-1] + 0.5 * u[4:]) / 4
            even = np.abs(t[4:] - t[:-4] - 1.0) < 0.1
            angle = 2 * np.pi * t[2:-2][even]
            cosine.append(np.cos(angle))
            sine.append(np.sin(angle))
            values.append((u[2:-2] - around)[even])
    if not values or sum(map(len, values)) < 100:
        return []
    design = np.column_stack([np.concatenate(cosine), np.concatenate(sine)])
    movement_all = np.concatenate(values)
    solution, *_ = np.linalg.lstsq(design, movement_all, rcond=None)
    residual = movement_all - design @ solution
    amplitude = np.hypot(solution[0], solution[1])
    error = residual.std(axis=0) * np.sqrt(2 / len(design))
    found = []
    for axis, name in enumerate(("longitudinal", "transverse", "settlement")):
        if amplitude[axis] > 0.05 and amplitude[axis] > 4 * error[axis]:
            found.append(
                finding("daily cycle", f"the whole job: {name} goes to and fro by +-{amplitude[axis]:.2f} mm (standard error {error[axis]:.2f}) with a period of a day; compare readings of the same hour",
                        size=float(amplitude[axis]))
            )
    return found
