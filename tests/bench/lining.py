"""How good the back-analysis is on the sample job, beside its kept truth: `python -m tests.bench.lining`.

The sample's physics are no ring in a plane, so this is not the check of the sampler (that is
`tests/lining/test_back_analysis.py`, study) but of what the model's own error and the sinking are given. The stress
ratio and the lining are not comparable, see notebook 05.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from convergence import lining
from convergence.projection.entry import project
from convergence.projection.result import Projection
from convergence.survey.job import Job, read_job

SAMPLE = Path(__file__).parents[2] / "sample_data" / "ridge_tunnel"
GROUPS = (
    ("S1012", "S1026", "S1040"), ("S1054", "S1068", "S1082"), ("S1110", "S1123", "S1136"), ("S1148", "S1160", "S1172"),
    ("S1184", "S1196", "S1208"), ("S1248", "S1258", "S1268"), ("S1238",),
)  # fmt: skip
"""The last has a wedge over its crown."""
HELD = ("S1012", "S1026", "S1040", "S1054", "S1068", "S1082")
SEED = 7


def rows_of(name: str) -> list[dict[str, str]]:
    """Rows of a file of the kept truth."""
    with (SAMPLE / "truth" / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def quotient(job: Job, projection: Projection, groups: Sequence[Sequence[str]], samples: int) -> pd.DataFrame:
    """Stress over stiffness of groups of sections [per mille] beside the truth, creep until the horizon in it."""
    ground = {row["section"]: row for row in rows_of("ground.csv")}
    rows = []
    for names in groups:
        found = lining.back_analysis(job, projection, list(names), samples=samples, seed=SEED)
        strain = found.combinations().loc["stress over stiffness"]
        truth = np.mean(
            [
                1250.0 * float(ground[name]["uniform_stress_mpa"]) / float(ground[name]["modulus_mpa"])
                * (1.0 + float(ground[name]["creep_ratio"]))
                for name in names
            ]
        )  # fmt: skip
        rows.append(
            [
                ", ".join(names), truth, strain["low"], strain["median"], strain["high"],
                strain["median"] / truth - 1.0,
                bool(strain["low"] <= truth <= strain["high"]), len(found.chord_disagreements()),
            ]
        )  # fmt: skip
    columns = ["sections", "truth", "low", "median", "high", "off", "inside", "chords that disagree"]
    return pd.DataFrame(rows, columns=columns).set_index("sections")


def held_out(job: Job, projection: Projection, names: Sequence[str], samples: int) -> pd.DataFrame:
    """True finals of sections held out one by one: in the band or not, and off its middle in standard deviations."""
    finals = {
        (row["section"], row["measure"], row["prisms"]): float(row["since_zero_final_mm"])
        for row in rows_of("final.csv")
    }
    rows = []
    for name in names:
        held = lining.back_analysis(job, projection, list(names), held_out=name, samples=samples, seed=SEED).held_out
        assert held is not None
        tail = 0.5 * (1.0 - held.confidence)
        low, middle, high = np.quantile(held.predicted, (tail, 0.5, 1.0 - tail), axis=0)
        spread = held.predicted.std(axis=0)
        for place, row in enumerate(held.data.rows):
            measure = row.label.split(" ")[0]
            truth = finals.get((name, measure, row.prisms))
            if row.kind == "final" and truth is not None:
                off = (truth - middle[place]) / spread[place]
                rows.append([name, measure, row.label, truth, off, bool(low[place] <= truth <= high[place])])
    return pd.DataFrame(rows, columns=["section", "measure", "label", "truth", "deviations", "inside"])


def main() -> None:
    """Print both tables for the sample job."""
    job = read_job(SAMPLE)
    projection = project(job)
    table = held_out(job, projection, HELD, 400)
    by = table.groupby("measure")
    print(f"held out one by one, {', '.join(HELD)}: true finals in their 90 % bands")
    summary = pd.DataFrame(
        {
            "finals": by.size(), "inside": by["inside"].sum(), "mean deviations": by["deviations"].mean(),
            "rms deviations": by["deviations"].apply(lambda item: float(np.sqrt(np.mean(item**2)))),
            "above the middle": by["deviations"].apply(lambda item: int((item > 0.0).sum())),
        }
    )  # fmt: skip
    print(summary.round(2).to_string(), flush=True)
    print("stress over stiffness [per mille], 5, 50 and 95 % points")
    print(quotient(job, projection, GROUPS, 400).round(3).to_string())


if __name__ == "__main__":
    main()
