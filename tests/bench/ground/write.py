"""The job folder and, apart from it, the truth."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from tests.bench.ground.draw import Site
from tests.bench.ground.drive import Face


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """One CSV file with a line feed a row."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def chainage(site: Site, z: float) -> float:
    """Chainage [m] of a place on the drive."""
    return site.start_chainage + site.direction * z


def advance_rows(
    site: Site, faces: Iterable[Face], until: float, rng: np.random.Generator
) -> list[tuple[str, str, str]]:
    """Rows of the log to ``until``: each round when it counts as done, its face measured to some centimetres."""
    rows = []
    for face in faces:
        # a round counts as done once it is mucked out, 0-1.5 h after the ground has moved
        later = rng.uniform(0.0, 1.5 / 24.0, len(face.time))
        place = face.place + rng.normal(0.0, 0.03, len(face.place))
        for time, z in zip((face.time + later).tolist(), place.tolist(), strict=True):
            if time <= until:
                rows.append((time, face.stage, f"{chainage(site, z):.2f}"))
    return [(site.clock.text(time), stage, place) for time, stage, place in sorted(rows)]


def settings_text(site: Site, settlement: float, chord: float) -> str:
    """``tunnel.toml``; the levels stand at 60, 80 and 100 % of a typical final value."""
    lines = [
        "# An invented tunnel made by finite elements, to judge forecasts with.",
        "[tunnel]",
        f'name = "Bench tunnel {site.seed}"',
        f"width_m = {site.width:.1f}",
        f"height_m = {site.height:.1f}",
        f'drive = "{"up-chainage" if site.direction > 0 else "down-chainage"}"',
        'time_zone = "UTC"',
    ]
    for index, (face, share) in enumerate(zip(site.faces, site.shares, strict=True)):
        lines += ["", "[[stage]]", f'name = "{face.stage}"', f"share = {share:.2f}"]
        lines += [f'follows = "{site.faces[index - 1].stage}"'] if index else []
    for part in ("wall", "shoulder"):
        lines += ["", "[[chord]]", 'section = "*"', f'from = "left {part}"', f'to = "right {part}"']
    lines += ["", "[calendar]", 'working_hours = "00:00-24:00"', 'rest_days = ["Sunday"]']
    lines += ["", "[projection]", "horizon_days = 365", "confidence = 0.90"]
    for measure, typical in (("settlement", settlement), ("chord", chord)):
        lines += ["", "[[trigger]]", f'name = "{measure}"', f'measure = "{measure}"', 'since = "zero reading"']
        lines += ['confirm = "2 of 3"', "levels = ["]
        for name, share in (("attention", 0.6), ("alert", 0.8), ("stop and review", 1.0)):
            lines.append(f'  {{name = "{name}", value_mm = {max(1.0, round(typical * share)):.1f}}},')
        lines.append("]")
    return "\n".join(lines) + "\n"


def write_json(path: Path, values: Mapping[str, object]) -> None:
    """The draws, for whoever wants to know what the tunnel was made of."""

    def plain(value: object) -> object:
        if isinstance(value, np.ndarray):
            return [round(float(item), 5) for item in value.ravel()]
        return float(value) if isinstance(value, np.floating) else str(value)

    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(values, indent=1, default=plain) + "\n", encoding="utf-8", newline="\n")
