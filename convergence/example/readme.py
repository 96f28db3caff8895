"""The README of the example job: what was invented, how, and what was planted in it."""

# ruff: noqa: E501
# Rows of a table in the text cannot be broken.
from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from convergence.example import scenario
from convergence.example.planting import Planted
from convergence.example.record import Record
from convergence.example.write import write_text

HEAD = """# {name}

**Invented from end to end.** The tunnel, its ground, its grid, its readings and its names were made up. It resembles no
known job, and nothing in it may be used for design. It serves to show the toolkit and to test it: the truth behind
every reading is known and lies in the folder `truth`.

## Scenario

- A road tunnel {width:.0f} m wide, driven up-chainage by sequential excavation: heading, bench about 36-46 m behind it,
  invert about 26-36 m behind the bench; rounds of 1.0-1.3 m in the heading; work round the clock, Sundays at rest.
- The axis is straight, then a clothoid, then an arc of 450 m to the right, on a rising grade.
- {sections} sections between chainages {first:.0f} and {last:.0f}, {prisms} prisms read, five an array (crown, shoulders,
  walls), two more below the bench in some; read four times a day at about 00, 06, 12 and 18 h, once a day when the array
  is older than {thinned:.0f} days. {readings} rows of readings from {start} to {end}.
- Banded sandstone to chainage 1104, foliated and lopsided shale to 1223, a sheared weak zone to 1253.5, shale again.
- Two stoppages: six days in February (everything), ten days from 30 March (heading only; the bench closes up and waits).
  A third of three days, in June, is planned. The clock change of 26 March lies in the record.
- At the end of the record the sections up to about chainage 1230 have had all stages, the next ones wait for the invert,
  the last ones for bench and invert.
- A wedge loosens over {wedge} and lets the crown down by about 20 mm in three days. That is genuine.

## How it was made

    convergence example DIR

or `convergence.example.write_example(Path("DIR"), seed=20)`. The same seed gives the same bytes. The movement comes from
mechanics, not from the curves that the toolkit fits: five modes of the wall (uniform closure, sinking, ovalisation, a
lopsided one, movement along the tunnel), each a viscoelastic ground (instantaneous part and six delayed units) loaded
by the stress that the faces of the three stages release, held back by sprayed concrete that hardens over days and is
closed to a ring by the invert. See `convergence/example/physics.py` for the state equations. A reading carries white
noise (about 0.5 mm), noise correlated over a day and a half (0.4 mm), a part shared by one sweep of a station (0.3 mm) and
a daily cycle (0.2 mm); so does the zero reading.

## Files

`tunnel.toml`, `prisms.csv`, `readings/` (coordinates, one file a month), `advance.csv`, `events.csv`: the job.

`truth/` is not read as part of the job:

| file | holds |
|---|---|
| `final.csv` | each section and measure: true value at the horizon (365 days after the heading passed), since the zero reading; the part lost before it; the total; the value at the end of the record. A chord counts from the later of its two zero readings. Lost counts from the start of the record, with the face still ahead |
| `stages.csv` | the same final value split by cause: heading, bench, invert, loosened wedge; the parts add up |
| `movement.csv` | true movement of each prism since its zero reading, daily in the record, every ten days after it, and at the horizon |
| `future_advance.csv` | the rounds after the record; the final values hold for them |
| `ground.csv` | ground at each section, and when each stage passes it |
| `faults.csv` | the planted faults, with the lines they stand on |

The true movement knows no knocks, replaced prisms or renewed zero readings: it counts from the first reading of the prism.

## Planted faults

`set aside`: the row must not reach a fit. `reported`: the rows are real, or missing; the reader must point at them.
`error-free`: only looks like a fault, and must survive. Line numbers count from 1 with the header. For missing rows the
lines are those of the last row before the gap and, where there is one, of the first after it.

| id | what | where | size | expected | remark |
|---|---|---|---|---|---|"""

TAIL = """
Besides these, about one array in fifty and one prism in eighty is missed in a sweep, and {late} got its zero reading two
days late, as happens."""


def write_readme(folder: Path, record: Record, planted: Sequence[Planted]) -> None:
    """Write README.md of the example job."""
    clock = scenario.CLOCK
    lines = HEAD.format(
        name=scenario.TUNNEL_NAME,
        width=scenario.WIDTH,
        sections=len(scenario.SECTIONS),
        first=scenario.SECTIONS[0].chainage,
        last=scenario.SECTIONS[-1].chainage,
        prisms=len(record.zero),
        thinned=scenario.THINNED_AFTER,
        readings=len(record.readings),
        start=clock.text(record.readings[0].day)[:10],
        end=clock.text(record.readings[-1].day)[:10],
        wedge=scenario.LOOSENING.section,
    ).split("\n")
    told = set()
    for item in planted:
        # One line for rows of one kind that differ in nothing but the row.
        key = (item.id, item.kind, item.prism or item.section, item.size, item.expected)
        if key in told:
            continue
        told.add(key)
        files = sorted({row.file for row in item.rows})
        where = item.prism or item.section or (files[0] if len(files) == 1 else "all readings")
        lines.append(f"| {item.id} | {item.kind} | {where} | {item.size} | {item.expected} | {item.note} |")
    write_text(folder / "README.md", [*lines, *TAIL.format(late=scenario.LATE_SECTION).split("\n")])
