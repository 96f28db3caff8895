"""The truth behind the invented record, written beside it: what a projection from the record can be scored
against.

Measured since the zero reading and total are always apart. The planned continuation of the excavation is part
of the truth: the final values hold for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from pathlib import Path

import numpy as np
import numpy.typing as npt

from convergence.example import scenario
from convergence.example.planting import Planted
from convergence.example.record import Record
from convergence.example.truth import CAUSES, Truth
from convergence.example.write import number, write_text

FloatArray = npt.NDArray[np.float64]
AXES = ("longitudinal", "transverse", "settlement")
LATER_STEP = 10.0  # d between the rows of the movement after the record


def write_truth(folder: Path, truth: Truth, record: Record, planted: Sequence[Planted]) -> None:
    """Write all files of the folder `truth`."""
    write_final(folder, truth, record)
    write_movement(folder / "movement.csv", truth, record)
    write_ground(folder / "ground.csv", truth)
    write_future(folder / "future_advance.csv", truth)
    write_faults(folder / "faults.csv", planted)


def chord_length(truth: Truth, pair: tuple[int, int], moved: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Distance between two prisms [mm] after their movements (longitudinal, transverse, settlement) [mm]."""
    first, second = (truth.prisms[index] for index in pair)
    apart = 1000.0 * np.array(
        [second.chainage - first.chainage, second.offset - first.offset, first.height - second.height]
    )
    return np.asarray(np.linalg.norm(apart + moved[1] - moved[0], axis=-1), dtype=np.float64)


def write_final(folder: Path, truth: Truth, record: Record) -> None:
    """Write `final.csv` and `stages.csv`: every measure at the horizon, and what each cause adds to it."""
    final = [
        "section,measure,prisms,since_zero_final_mm,lost_mm,total_mm,since_zero_now_mm,zero_time,horizon_time,ground"
    ]
    stages = ["section,measure,prisms,since_zero_final_mm," + ",".join(f"{cause}_mm" for cause in CAUSES)]
    clock = scenario.CLOCK
    for section in scenario.SECTIONS:
        horizon = truth.passage(section.name) + scenario.HORIZON_DAYS
        unit = truth.ground.unit[truth.section_index(section.name)]
        own = [index for index, item in enumerate(truth.prisms) if item.section == section.name]
        read = [index for index in own if truth.prisms[index].name in record.zero]
        entries: list[tuple[str, str, tuple[int, ...], float]] = [
            (axis, truth.prisms[index].name, (index,), record.zero[truth.prisms[index].name])
            for index in read
            for axis in AXES
        ]
        for left, right in scenario.CHORDS:
            pair = [index for name in (left, right) for index in read if truth.prisms[index].position == name]
            if len(pair) == 2:
                names = [truth.prisms[index].name for index in pair]
                entries.append(("chord", ":".join(names), (pair[0], pair[1]), max(record.zero[name] for name in names)))
        for measure, prisms, indices, zero in entries:
            days = np.array([0.0, zero, scenario.RECORD_END, horizon])
            start, at_zero, now, end = measured(truth, measure, indices, days, CAUSES)
            texts = [number(value, 3) for value in (end - at_zero, at_zero - start, end - start, now - at_zero)]
            key = f"{section.name},{measure},{prisms}"
            final.append(",".join([key, *texts, clock.text(zero), clock.text(horizon), unit]))
            parts = [measured(truth, measure, indices, days, (cause,)) for cause in CAUSES]
            stages.append(",".join([key, texts[0], *(number(part[3] - part[1], 3) for part in parts)]))
    write_text(folder / "final.csv", final)
    write_text(folder / "stages.csv", stages)


def measured(
    truth: Truth, measure: str, indices: tuple[int, ...], days: FloatArray, causes: tuple[str, ...]
) -> FloatArray:
    """A measure [mm] at times [d], counted from the start of the record, for some of the causes."""
    if measure != "chord":
        return truth.movement(indices[0], days, causes)[:, AXES.index(measure)]
    first, second = indices
    length = chord_length(
        truth, (first, second), (truth.movement(first, days, causes), truth.movement(second, days, causes))
    )
    return np.asarray(length[0] - length, dtype=np.float64)


def write_movement(path: Path, truth: Truth, record: Record) -> None:
    """Write the movement of each prism since its zero reading: daily, every ten days after the record."""
    lines = ["section,prism,time,longitudinal_mm,transverse_mm,settlement_mm"]
    for index, prism in enumerate(truth.prisms):
        if prism.name not in record.zero:
            continue
        zero = record.zero[prism.name]
        horizon = truth.passage(prism.section) + scenario.HORIZON_DAYS
        daily = np.arange(np.ceil(zero), scenario.RECORD_END)
        later = np.arange(np.ceil(scenario.RECORD_END), horizon, LATER_STEP)
        days = np.concatenate([[zero], daily, later, [horizon]])
        moved = truth.movement(index, days) - truth.movement(index, [zero])
        for day, row in zip(days, moved, strict=True):
            texts = ",".join(number(float(value), 3) for value in row)
            lines.append(f"{prism.section},{prism.name},{scenario.CLOCK.text(float(day))},{texts}")
    write_text(path, lines)


def write_ground(path: Path, truth: Truth) -> None:
    """Write what the ground is at each section and when the stages pass it."""
    names = ("heading", "bench", "invert")
    columns = ["section,chainage_m,unit,modulus_mpa,creep_ratio,influence_length_m"]
    columns += [f"{mode}_stress_mpa" for mode in ("uniform", "sinking", "oval", "lopsided", "along")]
    columns += [f"{name}_passes" for name in names]
    lines = [",".join(columns)]
    for index, section in enumerate(scenario.SECTIONS):
        ground = truth.ground
        cells = [section.name, number(section.chainage, 1), ground.unit[index]]
        cells += [number(float(ground.modulus[index]), 1), number(float(ground.creep_ratio[index]), 4)]
        cells += [number(float(ground.influence_length[index]), 3)]
        cells += [number(float(value), 4) for value in ground.stress[index]]
        cells += [scenario.CLOCK.text(truth.passage(section.name, name)) for name in names]
        lines.append(",".join(cells))
    write_text(path, lines)


def write_future(path: Path, truth: Truth) -> None:
    """Write the rounds that follow the record, in the form of the round log."""
    rounds = sorted(chain.from_iterable(log.rounds for log in truth.logs.values()), key=lambda item: item.end)
    lines = ["time,stage,chainage_m"]
    for item in rounds:
        if item.end > scenario.RECORD_END:
            lines.append(f"{scenario.CLOCK.text(item.end)},{item.stage},{number(item.chainage, 2)}")
    write_text(path, lines)


def write_faults(path: Path, planted: Sequence[Planted]) -> None:
    """Write the list of the planted faults with the lines they stand on."""
    lines = ["id,kind,file,line_first,line_last,section,prism,time,size,expected,note"]
    for item in planted:
        for file, first, last in item.places():
            # A row told by itself has its own time; a span has the time it began.
            cells = [item.id, item.kind, file, str(first), str(last), item.section, item.prism]
            cells += [scenario.CLOCK.text(item.day), item.size, item.expected, item.note]
            lines.append(",".join(quoted(cell) for cell in cells))
    write_text(path, lines)


def quoted(cell: str) -> str:
    """A cell of a CSV file, in quotes where it holds a comma."""
    return f'"{cell}"' if "," in cell else cell
