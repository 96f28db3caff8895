"""Invented sites with faults of the record, to judge screens with; ``faults`` scores what is found of them.

Invented sites of eight sections and 40 days, made here from closed formulas that are none of the library's laws: the
face is a point source (its share of the movement is an arctangent of the distance), the ground a Kelvin unit of three
days besides, a second stage follows 18 m behind. Readings have independent noise, noise over a day, a station that
wanders by sweeps and a daily cycle. Each site has every kind of fault of ``faults.PLANTS`` once, in places and sizes by
its seed, and in sections of their own movements that are fast and genuine: a wedge of 16-25 mm in three days, a block
that drops between two sweeps, a whole array that steps, and an acceleration to the end. Even seeds give coordinates,
odd ones movements along the axes; by turns they are written to 0.1, 0.01 and 0.001 mm.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

START = np.datetime64("2031-03-03T00:00:00", "s")
DAYS, SPEED, SWEEPS, BEHIND = 40.0, 6.0, 4, 18.0
SECTIONS = tuple(30.0 + 12.0 * index for index in range(8))
#: Offset and height [m], and how much of the movement each prism sees: longitudinal, transverse, settlement.
PRISMS = {
    "CR": (0.0, 7.0, (-0.1, 0.02, 1.0)),
    "LS": (-3.8, 5.2, (-0.1, 0.3, 0.8)),
    "RS": (3.8, 5.2, (-0.1, -0.25, 0.85)),
    "LW": (-5.0, 1.5, (-0.05, 0.55, 0.5)),
    "RW": (5.0, 1.5, (-0.05, -0.5, 0.45)),
}
CODES = tuple(PRISMS)
#: Noise of a reading [mm]: independent, over a day, of the sweep, and the daily cycle.
WHITE, SLOW, SWEEP, CYCLE = 0.5, 0.4, 0.2, 0.15
GENUINE = ("wedge", "block", "array step", "acceleration")


@dataclass
class Row:
    """One reading before it is written: when, of which prism (section, place), its movement [mm], its cells."""

    day: float
    section: int
    code: str
    move: Floats
    name: str = ""
    time: str = ""
    faulty: bool = False


@dataclass
class Plant:
    """One fault: its kind, where, and from when to when [days]."""

    kind: str
    section: int
    code: str
    start: float
    end: float


@dataclass
class Site:
    """A site before it is written: readings, faults, and what the ground did of itself."""

    seed: int
    rows: list[Row] = field(default_factory=list)
    plants: list[Plant] = field(default_factory=list)
    genuine: list[Plant] = field(default_factory=list)
    names: dict[tuple[int, str], str] = field(default_factory=dict)
    shifted_round: int = -1
    shifted_prism: tuple[int, str] = (-1, "")
    clock_from: float = float("inf")
    clock_change: float = 0.0

    @property
    def digits(self) -> int:
        """Digits of a millimetre that are written."""
        return 1 + self.seed % 3

    def of(self, section: int, code: str, start: float = -1.0, end: float = 1e9) -> list[Row]:
        """Readings of a prism between two days."""
        return [row for row in self.rows if row.section == section and row.code == code and start <= row.day <= end]


def moment(day: float) -> str:
    """An instant as the files give it."""
    return f"{START + np.timedelta64(round(day * 86_400), 's')}Z"


def passage(section: int) -> float:
    """Day on which the heading reaches a section."""
    return SECTIONS[section] / SPEED


def base_curve(section: int, amplitude: float, length: float, behind: float = BEHIND) -> tuple[Floats, Floats]:
    """Days and movement [mm] of the section: two point sources that pass, and a Kelvin unit of each."""
    days = np.arange(-20.0, DAYS + 1.0, 0.02)
    driven = SPEED * days - SECTIONS[section]
    share = sum(
        part * (0.5 + np.arctan((driven - after) / length) / np.pi) for part, after in ((1.0, 0.0), (0.35, behind))
    )
    delayed = np.zeros_like(days)
    for index in range(1, len(days)):
        delayed[index] = delayed[index - 1] + (share[index - 1] - delayed[index - 1]) * 0.02 / 3.0
    return days, np.asarray(amplitude * (share + 0.4 * delayed))


def fast(kind: str, code: str, at: float, size: float, day: float) -> float:
    """Settlement [mm] that a genuine fast movement adds to a prism by a day."""
    if kind == "wedge":
        part = {"CR": 1.0, "LS": 0.7, "RS": 0.8}.get(code, 0.0)
        return size * part * float(np.clip((day - at) / 3.0, 0.0, 1.0))
    if kind == "acceleration":
        # the inverse of the rate falls evenly to the end, as before a failure
        return size * 0.35 * float(-np.log(max(1.0 - max(day - at, 0.0) / (DAYS + 0.5 - at), 0.02))) * (code == "CR")
    return size * float(day >= at) * (kind == "array step" or code == "LS")


def make_site(seed: int, behind: float = BEHIND) -> Site:
    """Draw the movements and readings of a site, without faults of the record; its later stage ``behind`` m behind."""
    rng = np.random.default_rng([seed, 1])
    site = Site(seed)
    for index, kind in enumerate(GENUINE):
        at = DAYS - 6.0 if kind == "acceleration" else passage(4 + index) + rng.uniform(5.0, 12.0)
        size = rng.uniform(16.0, 25.0) if kind in ("wedge", "acceleration") else rng.uniform(9.0, 20.0)
        end = {"wedge": at + 3.0, "acceleration": DAYS}.get(kind, at)
        codes = {"wedge": ("CR", "LS", "RS"), "block": ("LS",), "array step": CODES, "acceleration": ("CR",)}[kind]
        site.genuine += [Plant(kind, 4 + index, code, at, end) for code in codes]
        site.names[4 + index, kind] = repr(size)
    for section in range(len(SECTIONS)):
        grid, curve = base_curve(section, rng.uniform(15.0, 45.0), rng.uniform(4.0, 9.0), behind)
        sweeps = np.arange(passage(section) + rng.uniform(0.15, 0.5), DAYS, 1.0 / SWEEPS)
        sweeps = sweeps[rng.uniform(size=len(sweeps)) > 0.02]
        sweeps = sweeps + rng.uniform(-0.02, 0.02, len(sweeps))
        shared = rng.normal(0.0, SWEEP, (len(sweeps), 3))
        for number, (code, (_, _, parts)) in enumerate(PRISMS.items()):
            slow = np.zeros(3)
            for place, day in enumerate(sweeps):
                at = float(day + number * 70.0 / 86_400.0)
                slow = slow * np.exp(-1.0 / SWEEPS) + rng.normal(0.0, SLOW * np.sqrt(1 - np.exp(-2.0 / SWEEPS)), 3)
                move = np.array(parts) * np.interp(at, grid, curve) * (1.0 + 0.05 * np.sin(number + section))
                move[2] += extra(site, section, code, at)
                noise = slow + shared[place] + rng.normal(0.0, WHITE, 3) + CYCLE * np.sin(2 * np.pi * at + np.arange(3))
                if rng.uniform() > 0.012:
                    site.rows.append(Row(at, section, code, move + noise))
    site.rows.sort(key=lambda row: row.day)
    return site


def extra(site: Site, section: int, code: str, day: float) -> float:
    """Settlement [mm] that the genuine fast movement of a section has added to a prism."""
    if section < 4:
        return 0.0
    kind = GENUINE[section - 4]
    at = next(plant.start for plant in site.genuine if plant.kind == kind)
    return fast(kind, code, at, float(site.names[section, kind]), day)


def plant_faults(site: Site) -> None:
    """Plant every kind of fault once, each in a prism and at a time of its own; the first four sections have room."""
    rng = np.random.default_rng([site.seed, 2])
    slots = [(section, code) for section in range(4) for code in CODES]
    rng.shuffle(slots)

    def place(kind: str, days: float) -> tuple[int, str, float]:
        section, code = slots.pop()
        start = float(rng.uniform(passage(section) + 3.0, DAYS - 3.0 - days))
        site.plants.append(Plant(kind, int(section), str(code), start, start + days))
        return int(section), str(code), start

    def shifted(rows: list[Row], size: float) -> None:
        way = rng.normal(size=3)
        for row in rows:
            row.move = row.move + size * way / np.linalg.norm(way)

    section, code, at = place("knocked prism", 0.0)
    shifted(site.of(section, code, at), float(np.exp(rng.uniform(np.log(6.0), np.log(60.0)))))
    section, code, at = place("spike", 0.5)
    spiked = site.of(section, code, at)[0]
    shifted([spiked], float(rng.uniform(6.0, 40.0)))
    spiked.faulty = True
    _copies(site, rng, place, slots)
    section, code, at = place("frozen readings", 5.0)
    stuck = site.of(section, code, at)[: int(rng.integers(5, 20))]
    for row in stuck[1:]:
        row.move, row.faulty = stuck[0].move, True
    for kind, days in (("swapped in one sweep", 0.05), ("swapped for days", float(rng.uniform(3.0, 8.0)))):
        _swap(site, rng, kind, days, slots)
    section, code, at = place("year mistyped", 0.5)
    row = site.of(section, code, at)[0]
    row.time, row.faulty = moment(row.day).replace("2031", str(rng.choice([2013, 2030, 2032]))), True
    section, code, at = place("day mistyped", 0.5)
    row = site.of(section, code, at)[0]
    away = float(rng.integers(2, 9)) * (1 if row.day < 20.0 else -1)
    row.time, row.faulty = moment(row.day + away), True
    section, code, at = place("no offset of time", 0.5)
    row = site.of(section, code, at)[0]
    row.time, row.faulty = moment(row.day).removesuffix("Z"), True
    section, code, at = place("prism dies", 0.0)
    at = site.plants[-1].start = site.plants[-1].end = float(rng.uniform(passage(section) + 3.0, DAYS - 8.0))
    site.rows = [row for row in site.rows if not (row.section == section and row.code == code and row.day > at)]
    section, code, at = place("prism renamed", 8.0)
    later = site.of(section, code, at + 1.0)
    shifted(later, float(rng.uniform(30.0, 300.0)))
    for row in later:
        row.name = f"S{section}-{code}n"
    site.names[section, code] = f"S{section}-{code}n"
    site.rows = [
        row for row in site.rows
        if not (row.section == section and row.code == code and at < row.day < at + 1.0)
    ]  # fmt: skip
    _site_wide(site, rng)
    section, code, at = place("replayed readings", 3.0)
    mine = site.of(section, code)
    first = next(index for index, row in enumerate(mine) if row.day >= at)
    count = int(rng.integers(5, 12))
    back = int(rng.integers(count, max(first, count + 1)))
    moves = [mine[index].move for index in range(first - back, first - back + count)]
    for row, move in zip(mine[first : first + count], moves, strict=True):
        row.move, row.faulty = move, True
    _sweep_off(site, rng)


def _sweep_off(site: Site, rng: np.random.Generator) -> None:
    """The station has moved in one sweep of a section, where no other fault of the section is near."""
    while True:
        section = int(rng.integers(4))
        day = float(rng.uniform(passage(section) + 3.0, DAYS - 2.0))
        near = (plant for plant in site.plants if plant.section == section and plant.kind != "prism dies")
        if all(day < plant.start - 1.5 or day > plant.end + 1.5 for plant in near):
            break
    first = min(row.day for code in CODES for row in site.of(section, code, day))
    way = rng.normal(size=3)
    shift = float(rng.uniform(4.5, 12.0)) * way / np.linalg.norm(way)
    for code in CODES:
        for row in site.of(section, code, first - 0.02, first + 0.02):
            row.move, row.faulty = row.move + shift, True
    site.plants.append(Plant("station off in one sweep", section, "", first, first))


def _copies(
    site: Site,
    rng: np.random.Generator,
    place: Callable[[str, float], tuple[int, str, float]],
    slots: list[tuple[int, str]],
) -> None:
    """A stretch of one series given the increments of another."""
    section, code, at = place("copied readings", 5.0)
    taking = site.of(section, code, at)[: int(rng.integers(6, 20))]
    given = next(other for one, other in slots if one == section)
    slots.remove((section, given))
    giver = site.of(section, given, at)[: len(taking)]
    start = np.round(taking[0].move, site.digits)
    base = np.round(giver[0].move, site.digits)
    for row, source in zip(taking, giver, strict=False):
        source.move = np.round(source.move, site.digits)
        row.move, row.faulty = start + source.move - base, True


def _swap(site: Site, rng: np.random.Generator, kind: str, days: float, slots: list[tuple[int, str]]) -> None:
    """Two prisms of a section that are nobody else's stand under each other's name."""
    taken = Counter(section for section, _ in slots)
    section = max(range(4), key=lambda one: (taken[one], rng.uniform()))
    pair = [code for one, code in slots if one == section][:2]
    for code in pair:
        slots.remove((section, code))
    # late, when the two have moved apart, for movements along the axes hold no place
    start = float(rng.uniform(passage(section) + 9.0, DAYS - 3.0 - days))
    first = next(
        row.day for row in site.of(section, pair[0], start) if site.of(section, pair[1], row.day - 0.01, row.day + 0.01)
    )
    both = [row for code in pair for row in site.of(section, code, first - 0.02, first + days)]
    for row in both:
        other = pair[1] if row.code == pair[0] else pair[0]
        row.name, row.faulty = f"S{section}-{other}", True
    site.plants.append(Plant(kind, section, ":".join(sorted(pair)), first, first + days))


def _site_wide(site: Site, rng: np.random.Generator) -> None:
    """Faults of no single series: a clock, a round, a prism's chainage, a spell without readings."""
    site.clock_from = float(rng.uniform(25.0, 30.0))
    clock = np.random.default_rng([site.seed, 3])
    minutes = 60.0 if clock.uniform() < 0.5 else float(clock.uniform(20.0, 120.0))
    way = "forward" if clock.uniform() < 0.5 else "back"
    site.clock_change = minutes / 1440.0 * (1.0 if way == "forward" else -1.0)
    site.plants.append(Plant(f"clock put {way}", -1, "", site.clock_from, site.clock_from))
    site.shifted_round = int(rng.integers(20, 60))
    site.plants.append(Plant("round's chainage", -1, "", 0.0, DAYS))
    if site.seed % 2 == 0:
        site.shifted_prism = (7, "RW")
        site.plants.append(Plant("prism's chainage", 7, "RW", 0.0, DAYS))
    start = passage(7) + float(rng.uniform(5.0, 12.0))
    end = start + float(rng.uniform(1.6, 3.0))
    site.rows = [row for row in site.rows if not (row.section == 7 and start < row.day < end)]
    site.plants.append(Plant("blind spell", 7, "", start, end))


def write_site(site: Site, folder: Path) -> dict[tuple[str, int], Row]:
    """Write the job; returns the reading of each file and line."""
    coordinates = site.seed % 2 == 0
    text = '[tunnel]\nname = "faults"\nwidth_m = 11\nheight_m = 9\ndrive = "up-chainage"\n[[stage]]\nname = "full"\n'
    if coordinates:
        text += '[[alignment]]\nkind = "straight"\nlength_m = 600.0\nstart_chainage_m = -100.0\n'
        text += "start_easting_m = 500.0\nstart_northing_m = 900.0\nstart_azimuth_deg = 0.0\n"
        text += "[[profile]]\nchainage_m = 0.0\nelevation_m = 100.0\n"
    (folder / "tunnel.toml").write_text(text, encoding="utf-8")
    lines = ["prism,section,position,chainage_m,offset_m,height_m"]
    for section, chainage in enumerate(SECTIONS):
        for code, (offset, height, _) in PRISMS.items():
            wrong = 2.7 if (section, code) == site.shifted_prism else 0.0
            lines.append(f"S{section}-{code},S{section},{code},{chainage + wrong:.2f},{offset},{height}")
            if (section, code) in site.names:
                lines.append(f"{site.names[section, code]},S{section},{code} new,{chainage:.2f},{offset},{height}")
    (folder / "prisms.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rounds = [(day, SPEED * day) for day in np.arange(0.25, DAYS, 0.25)]
    lines = ["time,stage,chainage_m"]
    for number, (day, at) in enumerate(rounds):
        lines.append(f"{moment(day)},full,{at + (60.0 if number == site.shifted_round else 0.0):.2f}")
    (folder / "advance.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    where: dict[tuple[str, int], Row] = {}
    columns = ("easting_m,northing_m,elevation_m", "longitudinal_mm,transverse_mm,settlement_mm")
    lines = [f"time,prism,{columns[not coordinates]}"]
    for row in sorted(site.rows, key=lambda row: row.day):
        where["readings.csv", len(lines) + 1] = row
        name = row.name or f"S{row.section}-{row.code}"
        day = row.day + (site.clock_change if row.day >= site.clock_from else 0.0)
        lines.append(f"{row.time or moment(day)},{name},{_values(row, coordinates, site.digits)}")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return where


def _values(row: Row, coordinates: bool, digits: int) -> str:
    along, across, down = row.move
    if not coordinates:
        return f"{along:.{digits}f},{across:.{digits}f},{down:.{digits}f}"
    offset, height, _ = PRISMS[row.code]
    place = (500.0 + offset + across / 1e3, 1000.0 + SECTIONS[row.section] + along / 1e3, 100.0 + height - down / 1e3)
    return ",".join(f"{value:.{digits + 3}f}" for value in place)
