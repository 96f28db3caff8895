"""Screens over the whole job that only report: blind spells and the daily cycle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.findings import Finding, finding
from convergence.job.times import days_since, shown
from convergence.survey.daily import daily_differences, fit_wave, may_matter

Floats = npt.NDArray[np.float64]

#: Hours without a reading of a section, and times the usual interval, that make a blind spell.
BLIND_HOURS, BLIND_TIMES = 24.0, 4.0
#: A daily cycle smaller than this [mm] matters to no reading.
CYCLE_LEAST = 0.1


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
        # readings thin out as a section settles: a spell is long against the intervals before and after it
        sides = (hours[max(0, index - 6) : index], hours[index + 1 : index + 7])
        usual_here = max((float(np.median(side)) for side in sides if len(side)), default=0.0)
        if hours[index] < BLIND_TIMES * usual_here:
            continue
        found.append(
            finding(
                "blind spell",
                f"{section}: no reading for {hours[index]:.0f} h from {shown(read[index])} "
                f"(usual interval {usual_here:.0f} h)",
                section=section,
                start=read[index],
                end=read[index + 1],
                size=float(hours[index]),
            )
        )
    recent = float(np.median(hours[-12:]))
    silent = float((now - read[-1]) / np.timedelta64(1, "s")) / 3600
    if silent > max(BLIND_HOURS, BLIND_TIMES * recent):
        found.append(
            finding(
                "no recent reading",
                f"{section}: last read {shown(read[-1])}, {silent:.0f} h before {shown(now)} "
                f"(usual interval {recent:.0f} h)",
                section=section,
                start=read[-1],
                end=now,
                size=silent,
            )
        )
    for column, name in enumerate(array["prism"].values):
        rows = np.flatnonzero(used[:, column])
        if len(rows) < 3 or rows[-1] == len(time) - 1:
            continue
        quiet = float((read[-1] - time[rows[-1]]) / np.timedelta64(1, "s")) / 3600
        if quiet > max(BLIND_HOURS, BLIND_TIMES * recent) and (read > time[rows[-1]]).sum() >= 4:
            found.append(
                finding(
                    "prism silent",
                    f"{name} of {section}: not read since {shown(time[rows[-1]])} while the array was, "
                    f"for {quiet:.0f} h",
                    section=section,
                    prism=str(name),
                    start=time[rows[-1]],
                    end=read[-1],
                    size=quiet,
                )
            )
    return found


def daily_cycle(arrays: Mapping[str, xr.Dataset]) -> list[Finding]:
    """Amplitude of the 24-hour cycle over the whole job, for readings two or more times a day, at any hours."""
    if not may_matter(_differences(arrays), CYCLE_LEAST, 4.0):
        return []
    parts = list(_differences(arrays))
    if sum(len(part[0]) for part in parts) < 100:
        return []
    cosine, sine, difference, weight = (np.concatenate(one) for one in zip(*parts, strict=True))
    solution, error = fit_wave(cosine, sine, difference, weight)
    amplitude = np.hypot(solution[0], solution[1])
    found = []
    for axis, name in enumerate(("longitudinal", "transverse", "settlement")):
        if amplitude[axis] > CYCLE_LEAST and amplitude[axis] > 4 * error[axis]:
            found.append(
                finding(
                    "daily cycle",
                    f"the whole job: {name} goes to and fro by +-{amplitude[axis]:.2f} mm (standard error "
                    f"{error[axis]:.3f}) with a period of a day; compare readings of the same hour",
                    size=float(amplitude[axis]),
                )
            )
    return found


def _differences(arrays: Mapping[str, xr.Dataset]) -> Iterator[tuple[Floats, Floats, Floats, Floats]]:
    """What ``daily_differences`` gives of each prism with enough readings."""
    for array in arrays.values():
        days = array["days"].values
        movement = array["movement"].values
        for index in range(movement.shape[1]):
            good = np.flatnonzero(np.isfinite(movement[:, index, 2]))
            if len(good) >= 20:
                yield daily_differences(days[good], movement[good, index])
