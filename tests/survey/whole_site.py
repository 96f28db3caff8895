"""One invented site with everything a site may have: survey feet, a clothoid, a vertical profile, a chainage equation,
a heading with its bench, a side drift, and a second tube that comes the other way by chainages of its own.

Made from closed formulas that are none of the library's: each stage releases as a square of the distance, over a length
of its own, and the ground does not creep.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from convergence.survey.alignment import Alignment, Arc, Clothoid, ProfilePoint, Straight

Floats = npt.NDArray[np.float64]
#: A reading: day, prism, easting, northing, elevation [m], and its time as written.
Row = list[object]

FOOT = 1200.0 / 3937.0
START = np.datetime64("2031-05-05T00:00:00", "s")
AXIS = Alignment(
    1000.0, 5000.0, 8000.0, math.radians(40.0), (Straight(60.0), Clothoid(50.0, 0.0, 1 / 200.0), Arc(150.0, 200.0)),
    (ProfilePoint(1000.0, 300.0), ProfilePoint(1120.0, 303.0, 60.0), ProfilePoint(1260.0, 301.0)),
)  # fmt: skip
#: At 1131 m counted from below the site goes on with 1631 m: sections C and D lie beyond, on the arc.
BACK, AHEAD = 1131.0, 1631.0
SECTIONS = {"A": (1100.0, 25.0), "B": (1115.0, 27.5), "C": (1140.0, 22.5), "D": (1155.0, 26.2)}
#: Offset, height [m] and how much of the movement each prism sees: longitudinal, transverse, settlement.
PRISMS = {
    "CR": (0.0, 7.0, (-0.1, 0.02, 1.0)),
    "LS": (-3.6, 5.0, (-0.05, 0.3, 0.8)),
    "LW": (-5.0, 2.0, (-0.05, 0.5, 0.5)),
    "RS": (3.6, 5.0, (-0.05, -0.3, 0.8)),
    "RW": (5.0, 2.0, (-0.05, -0.45, 0.45)),
}
#: Of each stage: share of the section's movement, length over which it is released [m], hour of its rounds.
STAGES = {
    "heading": (1.0, 6.0, 0.0), "bench": (0.35, 6.0, 0.1), "side drift": (0.15, 3.0, 0.2),
    "second tube": (0.1, 30.0, 0.3),
}  # fmt: skip
SPEED, TUBE_SPEED, TUBE_BEGINS, TUBE_AHEAD, DAYS, NOISE = 4.0, 3.0, 12.0, 300.0, 40.0, 0.4
#: The openings of the two stages beside the axis, as the settings give them.
SIZES = {
    "side drift": "width_m = 4.0\nheight_m = 4.0\noffset_m = -3.0\n",
    "second tube": "width_m = 10\noffset_m = 30\n",
}


def moment(day: float) -> str:
    """An instant as the files give it."""
    return f"{START + np.timedelta64(round(day * 86_400), 's')}Z"


def site_chainage(chainage: float) -> float:
    """A continuous chainage [m] as the site writes it."""
    return chainage if chainage < BACK else chainage + AHEAD - BACK


def face(stage: str, day: float) -> float:
    """Continuous chainage [m] of a stage's face."""
    begin = {"heading": 1090.0, "bench": 1066.0, "side drift": 1096.0}
    return 1170.0 - TUBE_SPEED * (day - TUBE_BEGINS) if stage == "second tube" else begin[stage] + SPEED * day


def released(stage: str, section: str, day: float) -> float:
    """Share of a stage's movement that has come at a section, 0.25 of it with the face at the section."""
    if stage == "second tube" and day < TUBE_BEGINS:
        return 0.0
    length, way = STAGES[stage][1], -1.0 if stage == "second tube" else 1.0
    past = way * (face(stage, day) - SECTIONS[section][0])
    if past < 0.0:
        return 0.25 * math.exp(past / (0.6 * length))
    return 1.0 - 0.75 * (length / (past + length)) ** 2


def caused(stage: str, section: str, first: float, last: float) -> float:
    """Settlement [mm] of the crown that a stage causes between two days; an infinite last day for all to come."""
    whole = SECTIONS[section][1] * STAGES[stage][0]
    return whole * ((1.0 if math.isinf(last) else released(stage, section, last)) - released(stage, section, first))


def moved(prism: str, day: float) -> Floats:
    """True movement [mm] of a prism: longitudinal, transverse, settlement."""
    section, code = prism.split("-")
    total = sum(SECTIONS[section][1] * share * released(name, section, day) for name, (share, _, _) in STAGES.items())
    return np.array(PRISMS[code][2]) * total


def first_day(section: str) -> float:
    """Day of the zero reading of a section."""
    return (SECTIONS[section][0] - 1090.0) / SPEED + 0.15


def write_whole_site(
    folder: Path, change: Callable[[list[Row]], list[Row]] | None = None, sizes: bool = True, events: str = ""
) -> Path:
    """Write the job; ``change`` may spoil the readings before that, ``sizes`` gives stages their openings."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "tunnel.toml").write_text(_settings(sizes), encoding="utf-8")
    lines = ["prism,section,position,chainage_ftUS,offset_ftUS,height_ftUS"]
    for section, (chainage, _) in SECTIONS.items():
        for code, (offset, height, _) in PRISMS.items():
            lines.append(f"{section}-{code},{section},{code},{_feet(site_chainage(chainage), offset, height)}")
    _write(folder / "prisms.csv", lines)
    lines = ["time,stage,chainage_ftUS"]
    for stage, (_, _, hour) in STAGES.items():
        for day in np.arange(TUBE_BEGINS if stage == "second tube" else 0.0, DAYS, 0.5).tolist():
            at = face(stage, day)
            written = at + TUBE_AHEAD if stage == "second tube" else site_chainage(at)
            if 1001.0 < at < 1259.0:
                lines.append(f"{moment(day + hour)},{stage},{_feet(written)}")
    _write(folder / "advance.csv", lines)
    rows = _readings()
    lines = ["time,prism,easting_ftUS,northing_ftUS,elevation_ftUS"]
    for _, prism, east, north, up, time in change(rows) if change else rows:
        lines.append(f"{time},{prism}," + ",".join(f"{float(str(value)) / FOOT:.4f}" for value in (east, north, up)))
    _write(folder / "readings.csv", lines)
    if events:
        _write(folder / "events.csv", ["time,section,prism,event,note", events])
    return folder


def _readings() -> list[Row]:
    rng = np.random.default_rng(1)
    rows: list[Row] = []
    for section, (chainage, _) in SECTIONS.items():
        azimuth = float(AXIS.azimuth(chainage))
        for sweep in np.arange(first_day(section), DAYS, 0.25).tolist():
            for minute, (code, (offset, height, _)) in enumerate(PRISMS.items()):
                day = sweep + minute / 1440
                along, right, down = (moved(f"{section}-{code}", day) + rng.normal(0.0, NOISE, 3)) / 1e3
                east, north, up = (float(value) for value in AXIS.point(chainage, offset, height))
                east += along * math.sin(azimuth) + right * math.cos(azimuth)
                north += along * math.cos(azimuth) - right * math.sin(azimuth)
                rows.append([day, f"{section}-{code}", east, north, up - down, moment(day)])
    return sorted(rows, key=lambda row: float(str(row[0])))


def _settings(sizes: bool) -> str:
    size = SIZES if sizes else dict.fromkeys(SIZES, "")
    straight, clothoid, arc = 60.0 / FOOT, 50.0 / FOOT, 150.0 / FOOT
    stages = {
        "heading": "share = 0.5\n", "bench": 'share = 0.3\nfollows = "heading"\n', "side drift": size["side drift"],
        "second tube": f'drive = "down-chainage"\nchainage_shift_m = {-TUBE_AHEAD}\n{size["second tube"]}',
    }  # fmt: skip
    text = f'[tunnel]\nname = "whole"\nwidth_ftUS = {11 / FOOT}\nheight_ftUS = {9 / FOOT}\ndrive = "up-chainage"\n'
    text += "".join(f'[[stage]]\nname = "{name}"\n{keys}' for name, keys in stages.items())
    text += f'[[alignment]]\nkind = "straight"\nlength_ftUS = {straight}\nstart_chainage_ftUS = {1000 / FOOT}\n'
    text += f"start_easting_ftUS = {5000 / FOOT}\nstart_northing_ftUS = {8000 / FOOT}\nstart_azimuth_deg = 40.0\n"
    text += f'[[alignment]]\nkind = "clothoid"\nlength_ftUS = {clothoid}\nend_radius_ftUS = {200 / FOOT}\n'
    text += f'turn = "right"\n[[alignment]]\nkind = "arc"\nlength_ftUS = {arc}\nradius_ftUS = {200 / FOOT}\n'
    text += f'turn = "right"\n[[chainage_equation]]\nback_ftUS = {BACK / FOOT}\nahead_ftUS = {AHEAD / FOOT}\n'
    for chainage, level, curve in ((1000.0, 300.0, 0.0), (1120.0, 303.0, 60.0), (1260.0, 301.0, 0.0)):
        text += f"[[profile]]\nchainage_ftUS = {site_chainage(chainage) / FOOT}\nelevation_ftUS = {level / FOOT}\n"
        text += f"curve_length_ftUS = {curve / FOOT}\n"
    return text


def _feet(*metres: float) -> str:
    return ",".join(f"{value / FOOT:.5f}" for value in metres)


def _write(path: Path, lines: list[str]) -> None:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
