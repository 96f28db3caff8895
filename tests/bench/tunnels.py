"""Bench tunnels: job folders made by finite elements, with their truth, to judge forecasts of the final movement.

``make_tunnel(seed, folder, size)`` writes one; ``python -m tests.bench.tunnels --seeds 1 2 3 --out DIR`` writes
several.  The same seed gives the same folder.  Nothing of the library is imported here, and no formula of its laws,
fits, projections or example is used: the movement comes from equilibrium, a stress-strain law and a drive, and nobody
chose its shape in time or distance.

The physics
-----------
* Axisymmetric finite elements (r, z): four-node quads with averaged volumetric strain, from the axis to 30 radii, two
  columns of elements a round of the heading along the whole drive and 9 radii of ground ahead of it.  Small strains.
  Each round takes its columns of the core away and the out-of-balance forces are released at once; then time goes on
  in steps of an hour to ten days, to 366 days past the last section.
* Ground, creeping: volume elastic; shear a spring with 1-4 Kelvin units in series (retardation 0.5-25 d before
  variation, creep 0.05-0.45 of the elastic movement), exact for stress linear over a step, solved implicitly.
* Ground, yielding: Mohr-Coulomb, all three pairs of principal stresses, non-associated (dilation 0-4 degrees), flow
  of the overstress to a power of 1-2.2 (Perzyna); the yield time 0.3-4 d before variation.  Even seeds yield
  everywhere and creep little; odd seeds creep, and one unit in about a third of them yields as well.
* Along the drive: 2-4 units with breaks, smooth random fields (correlation 20-60 m) of stiffness (10-35 %), strength,
  amount and times of creep; in 4 of 10 tunnels a weak zone of 5-15 m.
* Lining: one ring a round, sprayed 2-12 h after the round it follows, at the face or a round behind; hoop stiffness
  only, hardening over hours to days, 20-65 % of it relaxing over 5-60 d, closed later in 4 of 10, of limited capacity
  in 3 of 10; none at all in 15 %.
* Drive: rounds of 1.0-1.5 m night and day at 2-5 m a working day, Sundays off, 1-3 stoppages of 3-14 days.  In half
  of the tunnels a bench follows in bursts 6-32 m behind (some with an invert behind it) and brings 10-40 % more
  movement.
* Sections: 12-15, 10-16 m apart, of five prisms (small: 8, 5-6 m apart); zero reading 2-14 h after the passage, the
  face mostly 0.5-3 m past; the record ends when the heading is about 5 widths (small: 2.5) past the last one.
* Two runs with different stress, strength, creep times and random fields, correlated by 0.75, give roof and walls
  histories of different shape; shoulders are blends by angle, the left side unlike the right by up to 25 %;
  longitudinal movement is that of the runs.
* Movements are scaled so that the typical wall chord (the median over the sections) ends at a value drawn from 13-85
  mm (mostly 20-60).  At small strain that is the same as other moduli of ground and lining; ``truth/parameters.json``
  names the moduli and the thickness this implies.
* Readings: 4 sweeps a day to 40 days, then 1-2; white noise 0.4-0.8 mm an axis, a station that wanders by 0.2-0.6 mm
  over 1-4 days and takes all prisms of neighbouring sections with it, a daily cycle of 0.1-0.3 mm, 0.2 % spikes of
  5-15 mm, 0-3 knocked prisms (half of them told in events.csv), gaps.  All movements carry the error of their zero
  reading.

What it leaves out
------------------
Gravity and a stress that differs with direction round the tunnel (left-right and roof-wall differences are put on,
not computed); the real shape of the opening; bench and invert as holes of their own shape (each is a linear creeping
run of its own drive, scaled and added, so it knows nothing of the yielding of the heading's run, and its lining
stands from the first); bending and axial stiffness of the shell, bolts, face bolts and umbrellas; softening,
swelling, water and consolidation; tension cut-off; large strains; ground that differs across the tunnel; collapse.
Roof and wall do not act on each other.  Between two steps movements are taken as straight in time.

The truth
---------
``truth/final.csv``: section, measure, prisms, passage_time, final_mm (365 d after the first stage's passage, since
the zero reading, with the advance as it truly went on), lost_mm (all before the zero reading, ahead of the face
included), last_mm (at the end of the record), zero_time.  ``truth/advance.csv``: the whole log, the part after the
record too.  ``truth/moved.csv``: movement since the zero reading, without any noise, with the heading so many tunnel
widths past.  ``truth/parameters.json``: the draws.  Knocks are not in the truth: it is the ground's movement at the
prism.
"""

from __future__ import annotations

import argparse
import dataclasses
import multiprocessing
import time as clock
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from tests.bench.ground.draw import (
    NOMINAL_MODULUS,
    Nature,
    Site,
    Support,
    draw_nature,
    draw_site,
    draw_support,
    ground_of_run,
    lining_of_run,
)
from tests.bench.ground.drive import Face
from tests.bench.ground.mesh import Floats, Mesh, axial_lines, build_mesh, radial_lines
from tests.bench.ground.readings import away_days, draw_habits, draw_knocks, make_wander, spoil, sweep_times
from tests.bench.ground.shape import CODES, POSITIONS, Layer, Shape, draw_shape, zero_time
from tests.bench.ground.solver import Response, drive
from tests.bench.ground.write import advance_rows, chainage, settings_text, write_csv, write_json

Size = Literal["full", "small"]
HORIZON = 365.0
#: Columns of elements in a round of the heading, whose zero readings lie where the profile is steep; others have one.
COLUMNS = 2
MEASURES = ("longitudinal", "transverse", "settlement")
#: Tunnel widths of the heading past a section at which the truth tells what has moved.
WIDTHS_PAST = (0.5, 1.0, 2.0, 4.0)
#: Pairs of positions whose chord is named.
CHORDS = ((3, 4), (1, 2))


@dataclasses.dataclass(frozen=True)
class Section:
    """One array of five prisms: name, place on the drive [m], instants [days] of passage and zero reading."""

    name: str
    z: float
    passage: float
    zero: float

    def prism(self, index: int) -> str:
        """Name of the prism at a position."""
        return f"{self.name}-{CODES[index]}"


@dataclasses.dataclass(frozen=True)
class Made:
    """A tunnel before it is read: all that is needed to know the movement of any prism at any time."""

    site: Site
    nature: Nature
    support: Support
    shape: Shape
    layers: list[Layer]
    sections: list[Section]
    record_end: float
    modulus: float
    lining_stiffness: float

    def movement(self, section: Section, index: int, time: npt.ArrayLike) -> Floats:
        """Movement [mm] of a prism since long before the drive: longitudinal, transverse, settlement; shape (3, n)."""
        return self.shape.movement(self.layers, section.z, index, np.atleast_1d(np.asarray(time, dtype=float)))

    def chord(self, section: Section, pair: tuple[int, int], time: npt.ArrayLike) -> Floats:
        """Length [mm] of a chord; the prisms stand where prisms.csv says at the zero reading."""
        ends = []
        for index in pair:
            offset, height = self.shape.place(index)
            moved = self.movement(section, index, time) - self.movement(section, index, section.zero)
            # settlement is + down, height + up
            ends.append(
                np.array([[0.0], [1000.0 * offset], [1000.0 * height]]) + moved * np.array([[1.0], [1.0], [-1.0]])
            )
        return np.asarray(np.linalg.norm(ends[1] - ends[0], axis=0))


def _mesh(site: Site, face: Face, size: Size, divide: int) -> Mesh:
    core = 3 if size == "full" else 2
    r = radial_lines(site.radius, core) if size == "full" else radial_lines(site.radius, core, 0.12, 1.32, 25.0)
    return build_mesh(site.radius, r, axial_lines(face.place, site.radius, divide), core)


def _layers(
    site: Site, nature: Nature, support: Support, sections: list[Section], size: Size
) -> tuple[list[Layer], float]:
    """The runs of all stages, scaled to the drawn values; and the factor of the walls' movement in the heading."""
    rng = np.random.default_rng([site.seed, 9])
    end = max(section.passage for section in sections) + HORIZON + 1.0

    def run(number: int, face: Face, mesh: Mesh, divide: int) -> Response:
        ground = ground_of_run(site, nature, number, 0.5 * (mesh.z[1:] + mesh.z[:-1]))
        lining = lining_of_run(site, support, ground, nature, number, divide)
        return drive(mesh, ground, lining, face.time, end, divide)

    heading = site.faces[0]
    mesh = _mesh(site, heading, size, COLUMNS)
    roof, wall = (run(number, heading, mesh, COLUMNS) for number in (0, 1))

    def typical(response: Response) -> float:
        """Median over the sections of the movement from zero reading to horizon."""
        found = []
        for section in sections:
            early, late = response.at(section.z, [section.zero, section.passage + HORIZON])[0]
            found.append(late - early)
        return float(np.median(found))

    roof_over_wall = float(rng.uniform(0.6, 1.5))
    target = float(np.clip(rng.lognormal(np.log(36.0), 0.45), 13.0, 85.0))
    layers = [Layer(roof, wall, roof_over_wall / typical(roof), 1.0 / typical(wall))]
    more = float(rng.uniform(0.1, 0.4))
    for number, face in enumerate(site.faces[1:]):
        later = run(2 + number, face, _mesh(site, face, size, 1), 1)
        share = more * (1.0 if len(site.faces) == 2 else (0.75, 0.25)[number])
        factor = share / typical(later)
        layers.append(Layer(later, later, factor * roof_over_wall * float(rng.uniform(0.4, 1.0)), factor))
    scale = 0.5 * target / sum(layer.wall_factor * typical(layer.wall) for layer in layers)
    scaled = [Layer(item.roof, item.wall, item.roof_factor * scale, item.wall_factor * scale) for item in layers]
    return scaled, scaled[0].wall_factor


def build(seed: int, size: Size = "full") -> Made:
    """Draw and drive one tunnel."""
    site = draw_site(seed, size == "small")
    nature, support = draw_nature(site), draw_support(site)
    shape = draw_shape(seed, site.width, site.height, site.direction)
    rng = np.random.default_rng([seed, 10])
    heading = site.faces[0]
    sections = []
    for z in site.sections:
        # the minute is what the files can hold
        zero = round(zero_time(rng, heading, z) * 1440.0) / 1440.0
        sections.append(Section(f"S{chainage(site, z):.0f}", z, heading.passage(z), zero))
    layers, factor = _layers(site, nature, support, sections, size)
    record_end = heading.passage(site.record_place)
    crept = NOMINAL_MODULUS / (2 * (1 + nature.poisson)) / (1 + nature.creep)
    stiffness = support.relative * 2.0 * crept * (0.6 if nature.yielding_units else 1.0) / site.radius
    return Made(
        site, nature, support, shape, layers, sections, record_end, NOMINAL_MODULUS / factor, stiffness / factor
    )


def make_tunnel(seed: int, folder: Path, size: Size = "full") -> None:
    """Write the job folder of one tunnel, with its truth in ``truth/``."""
    write_tunnel(build(seed, size), folder)


def write_tunnel(made: Made, folder: Path) -> None:
    """Write a tunnel that is driven: what the site would have, and the truth apart."""
    _write_job(made, folder, _write_truth(made, folder / "truth"))


def _moves(made: Made) -> list[tuple[Section, str, str, Callable[[npt.ArrayLike], Floats]]]:
    """Every series: section, measure, prisms and its movement [mm] at any time."""
    found: list[tuple[Section, str, str, Callable[[npt.ArrayLike], Floats]]] = []
    for section in made.sections:
        for index in range(len(POSITIONS)):
            for axis, measure in enumerate(MEASURES):

                def prism(time: npt.ArrayLike, s: Section = section, i: int = index, a: int = axis) -> Floats:
                    return np.asarray(made.movement(s, i, time)[a])

                found.append((section, measure, section.prism(index), prism))
        for pair in CHORDS:

            def chord(time: npt.ArrayLike, s: Section = section, p: tuple[int, int] = pair) -> Floats:
                return -made.chord(s, p, time)

            found.append((section, "chord", f"{section.prism(pair[0])}:{section.prism(pair[1])}", chord))
    return found


def _write_truth(made: Made, folder: Path) -> dict[str, list[float]]:
    """The truth; returns the final values by position for the levels."""
    text = made.site.clock.text
    rows = []
    finals: dict[str, list[float]] = {"settlement": [], "chord": []}
    moved_rows = []
    heading = made.site.faces[0]
    for section, measure, prisms, series in _moves(made):
        end = section.passage + HORIZON
        past = [min(heading.passage(section.z + share * made.site.width), end) for share in WIDTHS_PAST]
        before, zero, last, final, *moved = series([-1000.0, section.zero, made.record_end, end, *past])
        values = [f"{value:.3f}" for value in (final - zero, zero - before, last - zero)]
        moved_rows.append([section.name, measure, prisms, *(f"{value - zero:.3f}" for value in moved)])
        rows.append([section.name, measure, prisms, text(section.passage), *values, text(section.zero)])
        if (measure, prisms) == ("settlement", section.prism(0)) or (measure == "chord" and prisms.endswith("RW")):
            finals[measure].append(float(final - zero))
    columns = ("section", "measure", "prisms", "passage_time", "final_mm", "lost_mm", "last_mm", "zero_time")
    write_csv(folder / "final.csv", columns, rows)
    named = (f"moved_{share:g}_mm" for share in WIDTHS_PAST)
    write_csv(folder / "moved.csv", ("section", "measure", "prisms", *named), moved_rows)
    log = advance_rows(made.site, made.site.faces, np.inf, np.random.default_rng([made.site.seed, 11]))
    write_csv(folder / "advance.csv", ("time", "stage", "chainage_m"), log)
    site = {key: value for key, value in vars(made.site).items() if key != "faces"}
    implied = {
        "young_modulus_MPa": made.modulus,
        "lining_stiffness_MPa_per_m": made.lining_stiffness,
        "lining_thickness_m_at_12_GPa": made.lining_stiffness * made.site.radius**2 / 12000.0,
        "typical_chord_mm": float(np.median(finals["chord"])),
        "typical_settlement_mm": float(np.median(finals["settlement"])),
        "record_end": text(made.record_end),
    }
    parts = {
        "implied": implied,
        "site": site,
        "ground": vars(made.nature),
        "lining": vars(made.support),
        "shape": vars(made.shape),
    }
    write_json(folder / "parameters.json", parts)
    return finals


def _write_job(made: Made, folder: Path, finals: dict[str, list[float]]) -> None:
    """Settings, prisms, readings, advance and events."""
    site, end = made.site, made.record_end
    rng = np.random.default_rng([site.seed, 12])
    habits = draw_habits(site.seed)
    start = float(site.faces[0].time[0])
    wander = make_wander(rng, habits, start - 1.0, end, float(site.faces[0].place[-1]))
    away = away_days(rng, start, end)
    zeros = {section.prism(index): section.zero for section in made.sections for index in range(len(POSITIONS))}
    knocks = {knock.prism: knock for knock in draw_knocks(rng, list(zeros), zeros, end)}
    prisms: list[tuple[str, ...]] = []
    readings: list[tuple[float, str, Floats]] = []
    events = []
    for order, section in enumerate(made.sections):
        times = sweep_times(rng, habits, section.zero, end, order, away)
        shared = wander.at(section.z, times)
        for index, position in enumerate(POSITIONS):
            name, (offset, height) = section.prism(index), made.shape.place(index)
            place = (chainage(site, section.z), offset, height)
            prisms.append((name, section.name, position, *(f"{value:.2f}" for value in place)))
            knock = knocks.get(name)
            kept, values = spoil(rng, habits, made.movement(section, index, times), times, shared, knock)
            readings += [(time, name, values[:, number]) for number, time in enumerate(kept.tolist())]
            if knock is not None and knock.told:
                events.append((knock.time, section.name, name, "prism disturbed", "hit by plant"))
    folder.mkdir(parents=True, exist_ok=True)
    typical = [float(np.median(finals[name])) for name in ("settlement", "chord")]
    (folder / "tunnel.toml").write_text(settings_text(site, *typical), encoding="utf-8", newline="\n")
    write_csv(folder / "prisms.csv", ("prism", "section", "position", "chainage_m", "offset_m", "height_m"), prisms)
    log = advance_rows(site, site.faces, end, np.random.default_rng([site.seed, 11]))
    write_csv(folder / "advance.csv", ("time", "stage", "chainage_m"), log)
    rows = [(site.clock.text(item[0]), *item[1:]) for item in sorted(events)]
    write_csv(folder / "events.csv", ("time", "section", "prism", "event", "note"), rows)
    months: dict[str, list[tuple[str, ...]]] = {}
    for time, name, value in sorted(readings, key=lambda item: (item[0], item[1])):
        instant = site.clock.text(time)
        months.setdefault(instant[:7], []).append((instant, name, *(f"{part:.2f}" for part in value)))
    for month, lines in months.items():
        columns = ("time", "prism", "longitudinal_mm", "transverse_mm", "settlement_mm")
        write_csv(folder / "readings" / f"{month}.csv", columns, lines)


def _one(task: tuple[int, Path, Size]) -> tuple[int, float]:
    began = clock.perf_counter()
    make_tunnel(*task)
    return task[0], clock.perf_counter() - began


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the tunnels of the seeds as DIR/tunnel_SEED."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.tunnels", description="Write bench tunnels.")
    parser.add_argument("--seeds", type=int, nargs="+", required=True, metavar="SEED")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    parser.add_argument("--size", choices=("full", "small"), default="full")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="worker processes")
    options = parser.parse_args(arguments)
    tasks: list[tuple[int, Path, Size]] = [
        (seed, options.out / f"tunnel_{seed}", options.size) for seed in options.seeds
    ]
    with multiprocessing.Pool(min(options.jobs, len(tasks))) as pool:
        for seed, seconds in pool.imap_unordered(_one, tasks):
            print(f"tunnel {seed}: {seconds:.1f} s", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
