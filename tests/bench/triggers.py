"""How good the default rules are: ``python -m tests.bench.triggers`` reviews finite-element tunnels, day by day.

Every morning of the record the job is read as of that hour, projected and compared with its levels; what each level's
state said is then held against the true movement, which the tunnel's maker knows (``tunnels.py``: equilibrium, no law
of the library). There are two sets of levels: near ones at 60, 80 and 100 % of the tunnel's typical final movement,
which most sections pass or nearly so, and far ones at twice that, which only few do.

Told for each set, for each level of each trigger of each measure:

* announced: of the true passages, those whose level was ``heading`` at the last review three days or more before.
  "known in time" are the passages of measures that had the readings a probability asks for three days before; the
  others came within days of the zero reading, and no review could have announced them.
* missed: passages whose level was ``clear`` at the last review before.
* lead gained: days from the first review of the unbroken ``heading`` to the first reading beyond the level, which is
  when "alarm when the reading passes the level" would have told.
* false headings: episodes of ``heading`` for a level that no measure the trigger watches in that section truly passes
  within the horizon. An episode is one of a section and trigger, whatever the number of its levels and prisms, and ends
  with a week of reviews without; over the section-months reviewed. And the episodes left where levels that the
  movement came within a tenth of are not counted.

The last lines are the operating curve: the same were a trigger to ask for more than the default 50 % (``heading_from``
in the job), and were ``heading`` told only once it had persisted over two or three reviews.
"""

from __future__ import annotations

import argparse
import platform
import re
import tempfile
import time as clock
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

import convergence
from convergence.measures.tunnel import measure_tunnel
from convergence.survey.job import read_job
from convergence.triggers.levels import FEWEST_READINGS
from convergence.triggers.outlook import outlook
from tests.bench.tunnels import CHORDS, HORIZON, Made, Size, build, write_tunnel

#: Days ahead that count as announced, and days of a month of review.
AHEAD, MONTH = 3.0, 30.0
#: Hour of the morning review, UTC.
HOUR = 5
#: How much farther the far levels are, and the mark of their triggers.
FAR, FAR_MARK = 2.0, ", far"
#: Days without ``heading`` that end an episode.
QUIET = 7.0
#: A level whose value the movement came so near to was nearly passed.
NEARLY = 0.9
KEYS = ["section", "measure", "prisms", "trigger", "level"]


@dataclass(frozen=True)
class Record:
    """One tunnel reviewed: what was said, and what happened.

    Attributes
    ----------
    said : pandas.DataFrame
        A row for each review and level: day, KEYS, state, probability, probability_3d.
    truth : pandas.DataFrame
        A row for each level: KEYS, passed (day of the true passage, infinite if never within the horizon), read (day of
        the first reading beyond it, infinite if none), known (day by which it had the readings asked for), most (the
        largest true movement over the level).
    months : float
        Section-months reviewed.
    """

    said: pd.DataFrame
    truth: pd.DataFrame
    months: float


def review(seed: int, size: Size = "small", every: float = 1.0) -> Record:
    """Make a tunnel and review it every so many days."""
    made = build(seed, size)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "job"
        write_tunnel(made, folder)
        settings = folder / "tunnel.toml"
        settings.write_text(with_far_levels(settings.read_text(encoding="utf-8")), encoding="utf-8")
        whole = read_job(folder)
        first = min(float(item.time[0]) for item in measure_tunnel(whole) if len(item.time))
        days = np.arange(np.floor(first) + 1.0 + HOUR / 24.0, whole.days(whole.now), every)
        parts = []
        for day in days:
            table = outlook(read_job(folder, whole.instant(float(day)))).passages
            parts.append(table[[*KEYS, "state", "probability", "probability_3d"]].assign(day=day))
        said = pd.concat(parts, ignore_index=True)
        truth = _truth(made, whole.instant(0.0), folder)
    sections = said.groupby("section")["day"].nunique()
    return Record(said.assign(seed=seed), truth.assign(seed=seed), float(sections.sum()) * every / MONTH)


def with_far_levels(text: str) -> str:
    """The settings with each trigger a second time, its levels farther by ``FAR``."""
    tables = text.split("[[trigger]]")[1:]
    found = text
    for table in tables:
        farther = re.sub(r"value_mm = ([0-9.]+)", lambda match: f"value_mm = {FAR * float(match[1]):g}", table)
        found += "\n[[trigger]]" + re.sub(r'name = "(settlement|chord)"', rf'name = "\1{FAR_MARK}"', farther)
    return found


def _truth(made: Made, epoch: np.datetime64, folder: Path) -> pd.DataFrame:
    """When each level was truly passed, and first read as passed."""
    job = read_job(folder)
    places = {section.prism(index): (section, index) for section in made.sections for index in range(5)}
    pairs = {
        f"{section.prism(one)}:{section.prism(two)}": (section, (one, two))
        for section in made.sections
        for one, two in CHORDS
    }
    # the maker counts days from its own midnight, the job from another
    begin = np.datetime64(made.site.clock.epoch.replace(tzinfo=None), "ns")
    shift = float((begin - epoch) / np.timedelta64(1, "s")) / 86_400
    rows = []
    for series in measure_tunnel(job):
        triggers = [trigger for trigger in job.settings.triggers if trigger.measure == series.measure]
        if not triggers or not len(series.time):
            continue
        section = (pairs if series.measure == "chord" else places)[series.prisms][0]
        time = np.unique(
            np.concatenate(
                [
                    np.arange(section.zero, made.record_end, 1 / 24),
                    np.arange(made.record_end, section.passage + HORIZON, 0.5),
                    [section.passage + HORIZON],
                ]
            )
        )
        if series.measure == "chord":
            pair = pairs[series.prisms][1]
            value = made.chord(section, pair, [section.zero]) - made.chord(section, pair, time)
        else:
            moved = made.movement(section, places[series.prisms][1], np.append(section.zero, time))[2]
            value = moved[1:] - moved[0]
        known = float(series.time[FEWEST_READINGS - 1]) if len(series.time) >= FEWEST_READINGS else np.inf
        for trigger in triggers:
            for level in trigger.levels:
                over, read = np.flatnonzero(value >= level.value), np.flatnonzero(series.value >= level.value)
                rows.append(
                    {
                        "section": series.section,
                        "measure": series.measure,
                        "prisms": series.prisms,
                        "trigger": trigger.name,
                        "level": level.name,
                        "passed": float(time[over[0]]) + shift if len(over) else np.inf,
                        "read": float(series.time[read[0]]) if len(read) else np.inf,
                        "known": known,
                        "most": float(value.max()) / level.value,
                    }
                )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class Score:
    """What the rules were worth: counts, and days gained."""

    passages: int
    in_time: int
    announced: int
    missed: int
    gained: float
    false_sections: int
    false_clearly: int
    months: float

    @property
    def lines(self) -> list[str]:
        """The table a person reads."""
        share = self.announced / max(self.passages, 1)
        known = self.announced / max(self.in_time, 1)
        return [
            f"true passages within the record                       {self.passages:>6}",
            f"  of measures known {AHEAD:g} days before                     {self.in_time:>6}",
            f"announced {AHEAD:g} days ahead                              {self.announced:>6}  {share:.0%} of all, "
            f"{known:.0%} of those known in time (target 50 %)",
            f"clear at the last review before                       {self.missed:>6}",
            f"lead gained over the reading itself, median of all    {self.gained:>6.1f} days",
            f"section-months reviewed                               {self.months:>6.1f}",
            f"false headings by section and trigger                 {self.false_sections:>6}  "
            f"{20 * self.false_sections / self.months:.1f} in 20 section-months (target under 1)",
            f"  for levels the movement stayed under {NEARLY:.0%} of      {self.false_clearly:>6}  "
            f"{20 * self.false_clearly / self.months:.1f} in 20 section-months",
        ]


def asked(records: Sequence[Record], probability: float) -> list[Record]:
    """The records as they would be, had every trigger asked for a probability before a measure is heading."""
    found = []
    for record in records:
        low = (record.said["state"] == "heading") & (record.said["probability"] < probability)
        found.append(replace(record, said=record.said.assign(state=record.said["state"].mask(low, "undetermined"))))
    return found


def persisting(records: Sequence[Record], reviews: int) -> list[Record]:
    """The records as they would be, were heading told only once it has persisted over so many reviews."""
    found = []
    for record in records:
        said = record.said.sort_values("day", kind="stable")
        heading = (said["state"] == "heading").astype(float)
        lasting = heading.groupby([said[key] for key in KEYS]).transform(
            lambda each: each.rolling(reviews, min_periods=reviews).min().fillna(0.0)
        )
        early = (said["state"] == "heading") & (lasting < 1.0)
        found.append(replace(record, said=said.assign(state=said["state"].mask(early, "undetermined"))))
    return found


def score(records: Sequence[Record], far: bool = False) -> Score:
    """Hold what was said against what happened, for the near levels or the far ones."""
    said = pd.concat([item.said for item in records], ignore_index=True)
    truth = pd.concat([item.truth for item in records], ignore_index=True)
    said, truth = (table[table["trigger"].str.endswith(FAR_MARK) == far] for table in (said, truth))
    keys = ["seed", *KEYS]
    last = said.groupby("seed")["day"].max()
    happened = truth[truth["passed"] <= truth["seed"].map(last)]
    spells = {key: group.sort_values("day") for key, group in said.groupby(keys)}
    announced = missed = 0
    gained = []
    for row in happened.to_dict("records"):
        group = spells.get(tuple(row[key] for key in keys))
        before = None if group is None else group[group["day"] <= row["passed"]]
        if before is None or not len(before):
            gained.append(0.0)
            continue
        early = before[before["day"] <= row["passed"] - AHEAD]
        announced += bool(len(early)) and str(early["state"].iloc[-1]) == "heading"
        missed += str(before["state"].iloc[-1]) == "clear"
        quiet = np.flatnonzero(~before["state"].isin(["heading", "blind", "past"]).to_numpy())
        run = before.iloc[int(quiet[-1]) + 1 if len(quiet) else 0 :]
        run = run[run["state"] == "heading"]
        gained.append(max(min(row["read"], last[row["seed"]]) - float(run["day"].iloc[0]), 0.0) if len(run) else 0.0)
    in_time = int((happened["known"] <= happened["passed"] - AHEAD).sum())
    # what any measure the trigger watches in the section came to: one alarm is for all of them
    level = ["seed", "section", "trigger", "level"]
    came = truth.groupby(level).agg(passed=("passed", "min"), most=("most", "max")).reset_index()
    wrong = said.merge(came, on=level)
    wrong = wrong[np.isinf(wrong["passed"])]
    return Score(
        len(happened),
        in_time,
        announced,
        missed,
        float(np.median(gained)) if gained else float("nan"),
        _spells(wrong, ["seed", "section", "trigger"]),
        _spells(wrong[wrong["most"] < NEARLY], ["seed", "section", "trigger"]),
        sum(item.months for item in records),
    )


def _spells(wrong: pd.DataFrame, keys: list[str]) -> int:
    """Episodes of heading in the groups: days of heading with no ``QUIET`` days between."""
    heading = wrong[wrong["state"] == "heading"]
    days = [np.unique(group["day"]) for _, group in heading.groupby(keys)]
    return sum(1 + int((np.diff(each) > QUIET).sum()) for each in days)


def _short(found: Score) -> str:
    """A point of the operating curve."""
    return (
        f"{found.announced} of {found.passages} announced, "
        f"{20 * found.false_sections / found.months:.1f} false headings in 20 section-months"
    )


def _one(task: tuple[int, Size, float]) -> Record:
    return review(*task)


def main(arguments: Sequence[str] | None = None) -> int:
    """Review the tunnels and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.triggers", description="Score the default rules.")
    parser.add_argument("--seeds", type=int, nargs="+", metavar="SEED", help="tunnels by seed")
    parser.add_argument("--tunnels", type=int, default=4, metavar="N", help="tunnels unless seeds are given (4)")
    parser.add_argument("--first-seed", type=int, default=1001, metavar="SEED", help="seed of the first (1001)")
    parser.add_argument("--size", choices=("full", "small"), default="small")
    parser.add_argument("--every", type=float, default=1.0, metavar="DAYS", help="days between reviews (1)")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="worker processes")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="write what was said and what happened as CSV")
    options = parser.parse_args(arguments)
    seeds = options.seeds or list(range(options.first_seed, options.first_seed + options.tunnels))
    began = clock.perf_counter()
    with ProcessPoolExecutor(options.jobs) as pool:
        records = list(pool.map(_one, [(seed, options.size, options.every) for seed in seeds]))
    print(
        f"{len(seeds)} {options.size} tunnels, seeds {', '.join(map(str, seeds))}, a review every {options.every:g} d"
    )
    for name, far in (("near levels, 60 / 80 / 100 % of the typical final", False), ("far levels, twice that", True)):
        print("\n".join([f"\n{name}", *score(records, far).lines]))
        for probability in (0.7, 0.8, 0.9, 0.95):
            other = score(asked(records, probability), far)
            print(f"  heading from {probability:.0%}: {_short(other)}")
        for reviews in (2, 3):
            print(f"  persisting over {reviews} reviews: {_short(score(persisting(records, reviews), far))}")
    print(
        f"convergence {convergence.__version__}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"{platform.machine()}, {clock.perf_counter() - began:.0f} s with {options.jobs} processes"
    )
    if options.keep is not None:
        options.keep.mkdir(parents=True, exist_ok=True)
        pd.concat([item.said for item in records]).to_csv(options.keep / "said.csv", index=False)
        pd.concat([item.truth for item in records]).to_csv(options.keep / "happened.csv", index=False)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
