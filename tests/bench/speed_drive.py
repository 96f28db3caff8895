"""The job folder of a realistic drive: sections are read often near the face and seldom far behind it.

Invented: rounds of 2 m with Sundays off, seven prisms a section, one file of readings a month. A section is read at the
shortest interval until the face is a width past, at twice that to three widths, at four times to six widths and at
eight times from there to the end. The shortest interval follows from how many readings a prism is to have on average.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from tests.bench.load import PLACES, Size, axis_of, instants, settings_of

#: Distances past the face [m] up to which a section is read at these multiples of the shortest interval.
REACH, MULTIPLE = (12.0, 36.0, 72.0, np.inf), (1, 2, 4, 8)
ROUND, HOURS, SPACING, FIRST, WIDTH = 2.0, 12.0, 10.0, 120.0, 12.0
#: Days over which the sections are read on after the last was passed.
TAIL = 60.0
TRIGGERS = """
[[trigger]]
measure = "settlement"
levels = [{name = "attention", value_mm = 30.0}, {name = "alarm", value_mm = 45.0}]
"""


def write_drive(folder: Path, sections: int, readings: int, prisms: int = 7, seed: int = 20310303) -> int:
    """Write the job; returns the rows of readings, about ``sections * prisms * readings``.

    Parameters
    ----------
    folder : Path
        Where; made here.
    sections, prisms : int
        Sections 10 m apart, and prisms of each, 1 to 8.
    readings : int
        Readings of a prism, on average over the prisms.
    seed : int
        Of the noise and of how much each prism moves.
    """
    rng = np.random.default_rng(seed)
    size = Size(sections, prisms * sections, prisms * sections)
    axis = axis_of(size)
    (folder / "readings").mkdir(parents=True)
    (folder / "tunnel.toml").write_text(settings_of(axis) + TRIGGERS, encoding="utf-8")
    chainage = FIRST + SPACING * np.arange(sections)
    rounds_a_day = 24.0 / HOURS
    half_days = np.arange(0.0, (SPACING * sections + 40.0) / ROUND / rounds_a_day * 7.0 / 6.0 + 1.0, 1.0 / rounds_a_day)
    # nobody drives on the seventh day
    worked = half_days[half_days % 7.0 < 6.0]
    face = FIRST - 20.0 + ROUND * np.arange(1, len(worked) + 1)
    pd.DataFrame({"time": instants(worked), "stage": "heading", "chainage_m": face}).to_csv(
        folder / "advance.csv", index=False, float_format="%.3f"
    )
    end = float(worked[-1]) + TAIL
    passage = np.interp(chainage, face, worked)
    bounds = [np.interp(chainage + reach, face, worked, right=end) for reach in REACH[:-1]] + [np.full(sections, end)]
    spans = np.diff(np.stack([passage, *bounds]), axis=0)
    interval = float((spans / np.array(MULTIPLE)[:, None]).sum(axis=0).mean()) / readings
    days, section = [], []
    for one in range(sections):
        begins = np.concatenate([[passage[one]], [bound[one] for bound in bounds[:-1]]])
        ticks = [
            np.arange(begin + 0.2 * many * interval, begin + span[one], many * interval)
            for begin, span, many in zip(begins, spans, MULTIPLE, strict=True)
        ]
        days.append(np.concatenate(ticks))
        section.append(np.full(len(days[-1]), one))
    sweep, of = np.concatenate(days), np.concatenate(section)
    order = np.argsort(sweep, kind="stable")
    sweep, of = np.repeat(sweep[order], prisms), np.repeat(of[order], prisms)
    place = np.tile(np.arange(prisms), len(order))
    offset, height = np.array(PLACES)[place].T
    azimuth = axis.azimuth(chainage)[of]
    centre = np.column_stack(axis.point(chainage[of], offset, height))
    scale = rng.uniform(0.5, 1.5, (sections, prisms))[of, place]
    # the prisms of an array are read within minutes
    when = sweep + place / 1440
    past = np.interp(when, worked, face) - chainage[of]
    moved = scale * (
        20.0 * (1 - np.exp(-np.maximum(past, 0.0) / 9.0)) + 4.0 * (1 - np.exp(-(when - passage[of]) / 8.0))
    )
    noise = rng.normal(0.0, 0.4, (len(moved), 3))
    along, across = -0.1 * moved + noise[:, 0], -0.3 * np.sign(offset) * moved + noise[:, 1]
    centre[:, 0] += (np.sin(azimuth) * along + np.cos(azimuth) * across) / 1e3
    centre[:, 1] += (np.cos(azimuth) * along - np.sin(azimuth) * across) / 1e3
    centre[:, 2] -= (moved + noise[:, 2]) / 1e3
    names = np.array([[f"S{one:04d}-{two}" for two in range(prisms)] for one in range(sections)], dtype=object)
    table = pd.DataFrame({"time": instants(when), "prism": names[of, place]})
    for column, values in zip(("easting_m", "northing_m", "elevation_m"), centre.T, strict=True):
        table[column] = values
    for month in np.unique(when // 30.0):
        file = folder / "readings" / f"{int(month):03d}.csv"
        table[when // 30.0 == month].to_csv(file, index=False, float_format="%.4f")
    _write_prisms(folder / "prisms.csv", chainage, prisms)
    return len(table)


def _write_prisms(file: Path, chainage: np.ndarray, prisms: int) -> None:
    section, place = np.divmod(np.arange(len(chainage) * prisms), prisms)
    offset, height = np.array(PLACES)[place].T
    pd.DataFrame(
        {
            "prism": [f"S{one:04d}-{two}" for one, two in zip(section, place, strict=True)],
            "section": [f"S{one:04d}" for one in section],
            "position": [f"place {two}" for two in place],
            "chainage_m": chainage[section],
            "offset_m": offset,
            "height_m": height,
        }
    ).to_csv(file, index=False)


def made_drive(folder: Path, sections: int, readings: int, prisms: int = 7) -> Path:
    """The job folder of a drive, made once for each size."""
    place = folder / f"drive_{sections}_{readings}_{prisms}"
    if not place.exists():
        write_drive(place, sections, readings, prisms)
    return place
