"""Movement that starts again long after every logged face has passed: a stage whose rounds are not in the log.

What such a stage causes is not lost: the fits and the projection have to give it to the faces they know, which makes
the last of them look slow and large. Nothing in the readings says which stage it was, so it is told and not mended.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.findings import Finding, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: A face is near a section within so many tunnel widths. Common practice, no source.
NEAR_WIDTHS = 2.0
#: Rates are taken over so many days before and after an instant, with so many sweeps at least.
WINDOW, FEWEST = 3.0, 5
#: The rate rises by so many mm/day, by this share of the section's fastest, and by so many standard errors at least.
#: Chosen on 30 sites (``tests.bench.faults --restarts``): no section told in 111 clean section-months, one where the
#: record had faults, and 96 % of those that a stage in no log had passed; 0.8 mm/day and 6 errors found 78 %.
LEAST, SHARE, ERRORS = 0.5, 0.15, 4.0
#: Each half of the days after it moves with this share of the rise at least, so that a step is no start.
HALF = 0.3
#: What was gained in those days is still there so many times as long after it, to this share: a station comes back.
LASTS, KEEPS = 3.0, 0.7
#: One section alone may have a cause of its own.
FEWEST_SECTIONS = 2
#: A prism counts where it is in this share of the sweeps.
PRESENT = 0.7


def movement_restarted(folder: JobFolder, arrays: Mapping[str, xr.Dataset]) -> list[Finding]:
    """Sections whose movement starts again while no logged face is near, in one finding.

    Parameters
    ----------
    folder : JobFolder
        The folder: its settings and logs.
    arrays : mapping of str to xarray.Dataset
        The arrays by section.

    Returns
    -------
    list of Finding
        One, or none where fewer than ``FEWEST_SECTIONS`` sections show it.
    """
    found = []
    for name, array in arrays.items():
        start = restart(array, NEAR_WIDTHS * array["stage_width"].values)
        if start is not None:
            found.append((name, *start))
    if len(found) < FEWEST_SECTIONS:
        return []
    missing = [stage.name for stage in folder.settings.stages if not len(folder.advance.get(stage.name, ()))]
    logged = [name for name, log in folder.advance.items() if len(log)]
    times = np.array([arrays[name]["time"].values[at] for name, at, _ in found])
    listed = ", ".join(name for name, _, _ in found[:8]) + (f" ... ({len(found)} in all)" if len(found) > 8 else "")
    cause = "a stage that the job does not declare"
    if missing:
        cause = f"no rounds of {' and '.join(missing)} in advance.csv"
    sentence = (
        f"movement started again at {listed}, first about {shown(times.min())}, by up to "
        f"{max(rise for _, _, rise in found):.1f} mm/day, with no face logged within {NEAR_WIDTHS:g} widths: {cause}, "
        f"or another cause that is in no log? Fits and projection give it to {logged[0]}, so what they say of these "
        "sections is wrong until the rounds are in advance.csv"
    )
    section = found[0][0] if len(found) == 1 else ""
    size = max(rise for _, _, rise in found)
    return [finding("movement restarted", sentence, section=section, start=times.min(), end=times.max(), size=size)]


def restart(
    array: xr.Dataset, near: float | Floats, least: float = LEAST, errors: float = ERRORS
) -> tuple[int, float] | None:
    """Where the movement of an array starts again with no face near.

    Parameters
    ----------
    array : xarray.Dataset
        One section's array.
    near : float or (stages,) array
        Face distance [m] within which a face may be the cause, ahead of the section or past it.
    least : float
        Least rise of the rate [mm/day].
    errors : float
        How many of its standard errors the rise must be.

    Returns
    -------
    tuple of (int, float) or None
        The sweep and the rise of the rate [mm/day]; None where there is none beyond doubt.
    """
    movement = array["movement"].values - array["kept_steps"].values
    read = np.isfinite(movement[:, :, 2])
    sweeps = read.any(axis=1)
    if sweeps.sum() < 4 * FEWEST:
        return None
    columns = read[sweeps].mean(axis=0) >= PRESENT
    whole = np.flatnonzero(read[:, columns].all(axis=1)) if columns.any() else np.empty(0, dtype=np.int64)
    distance = array["face_distance"].values[whole]
    if len(whole) < 4 * FEWEST or not np.isfinite(distance).any():
        return None
    # a stage without a log has no distance, and is what is looked for
    quiet = np.asarray((~np.isfinite(distance) | (np.abs(distance) > near)).all(axis=1))
    quiet &= (np.where(np.isfinite(distance), distance, -np.inf) > near).any(axis=1)
    days, values = array["days"].values[whole], movement[whole][:, columns]
    inward = values[:, :, 1] * np.sign(values[-1, :, 1])
    best = None
    for signal in (values[:, :, 2].mean(axis=1), inward.mean(axis=1)):
        at, rise = _start(days, signal, quiet, least, errors)
        if at >= 0 and (best is None or rise > best[1]):
            best = int(whole[at]), rise
    return best


def _start(days: Floats, value: Floats, quiet: Bools, least: float, errors: float) -> tuple[int, float]:
    """The row from which a series is faster than before, and by how much [mm/day]; -1 where there is none."""
    rows = np.arange(len(days))
    low = np.searchsorted(days, days - WINDOW, side="left")
    high = np.searchsorted(days, days + WINDOW, side="right")
    middle = np.searchsorted(days, days + WINDOW / 2.0, side="right")
    before, error_before = _rates(days, value, low, rows + 1)
    after, error_after = _rates(days, value, rows, high)
    halves = np.minimum(_rates(days, value, rows, middle)[0], _rates(days, value, middle, high)[0])
    fastest = np.maximum.accumulate(np.where(np.isfinite(before), before, 0.0))
    rise = after - before
    calm = np.concatenate([[0], np.cumsum(~quiet)])
    good = (calm[high] == calm[low]) & (days - days[low] > WINDOW / 2.0) & (days[high - 1] - days > 0.8 * WINDOW)
    good &= (rows + 1 - low >= FEWEST) & (high - rows >= FEWEST) & np.isfinite(rise)
    error = np.hypot(error_before, error_after)
    good &= rise > np.maximum(np.maximum(least, SHARE * fastest), errors * error)
    good &= halves - before > HALF * rise
    order = np.argsort(-rise[good], kind="stable")
    for at in np.flatnonzero(good)[order].tolist():
        later = value[(days > days[at] + WINDOW) & (days <= days[at] + LASTS * WINDOW)]
        gained = float(np.median(later) - np.median(value[low[at] : at + 1])) if len(later) else np.inf
        if gained > KEEPS * rise[at] * WINDOW:
            return at, float(rise[at])
    return -1, 0.0


def _rates(days: Floats, value: Floats, low: npt.NDArray[np.intp], high: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Slope of the least-squares line through rows ``low`` to ``high - 1``, and its standard error; NaN for too few."""
    t, y = days - days[0], value - value[0]
    sums = [np.concatenate([[0.0], np.cumsum(term)]) for term in (np.ones_like(t), t, y, t * t, t * y, y * y)]
    count, st, sy, stt, sty, syy = (total[high] - total[low] for total in sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = stt - st * st / count
        slope = (sty - st * sy / count) / spread
        left = np.maximum(syy - sy * sy / count - slope * slope * spread, 0.0)
        error = np.sqrt(left / (count - 2.0) / spread)
    few = (count < 3) | ~(spread > 1e-9)
    return np.where(few, np.nan, slope), np.where(few, np.inf, error)
