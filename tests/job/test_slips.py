"""Small slips that would otherwise pass in silence: the drive, a unit, a letter in a key or a name."""

from __future__ import annotations

from pathlib import Path

import pytest

from convergence.job.near import near_name
from convergence.survey.job import Job, read_job
from tests.helpers import edited, instant, write_job
from tests.job.broken_cases import ADVANCE, COORDINATES, LEVELS, PRISMS, READINGS, TOML, Case, toml
from tests.job.test_broken import fault_of


def scaled(text: str, number: int, factor: float, shift: float = 0.0) -> str:
    """A table with one column of numbers scaled and shifted."""
    head, *rows = text.splitlines()
    fields = [row.split(",") for row in rows]
    for row in fields:
        row[number] = repr(float(row[number]) * factor + shift)
    return "\n".join([head, *(",".join(row) for row in fields)]) + "\n"


CHORD = TOML + '[[trigger]]\nmeasure = "chord"\nlevels = [{value_mm = 9}]\n'
FEET = 1 / 0.3048

SLIPS: dict[str, Case] = {
    "wrong drive": Case(
        toml(("up-chainage", "down-chainage")),
        "tunnel.toml:5, tunnel.drive",
        "down-chainage",
        (
            "42 of 42 rounds of heading",
            "go up-chainage",
            'write drive = "up-chainage", or keep drive = "down-chainage"',
        ),
    ),
    "no drive": Case(
        toml(('drive = "up-chainage"\n', "")),
        "tunnel.toml:1, tunnel.drive",
        says=('add drive = "up-chainage" or "down-chainage"',),
    ),
    "drive like neither": Case(
        toml(("up-chainage", "forwards")), "tunnel.toml:5, tunnel.drive", says=('"up-chainage" or "down-chainage"',)
    ),
    "offsets in feet": Case(
        {"prisms.csv": scaled(PRISMS, 4, FEET)}, "prisms.csv:3, offset", "-16.40 m", ("8.75 m", "in feet they fit")
    ),
    "heights in feet": Case(
        {"prisms.csv": scaled(PRISMS, 5, FEET)}, "prisms.csv:2, height", "22.97 m", ("13.75 m", "height_ft")
    ),
    "advance in feet": Case(
        {"advance.csv": scaled(ADVANCE, 2, FEET)}, "advance.csv, chainage", "m", ("fit if they are in feet", "unit")
    ),
    "advance turned into metres twice": Case(
        {"advance.csv": scaled(ADVANCE, 2, 0.3048)}, "advance.csv, chainage", "m", ("metres twice",)
    ),
    "chainages of the prisms in feet": Case(
        {"prisms.csv": scaled(PRISMS, 3, FEET)}, "advance.csv, chainage", "m", ("if those of prisms.csv are in feet",)
    ),
    "sections far ahead of the face": Case(
        {"prisms.csv": scaled(PRISMS, 3, 1.0, 1000.0)},
        "readings.csv:2, time",
        "2031-05-07",
        # the nine readings after the last logged round are of a face nobody knows
        ("270 of 279 were taken before", "check drive, the unit of chainage in advance.csv and prisms.csv"),
    ),
    "misspelt datum": Case(
        toml((LEVELS, LEVELS + '\nsinse = "excavation"')),
        "tunnel.toml:24, trigger.sinse",
        "sinse",
        ("is since meant?", "write since in place of sinse"),
    ),
    "misspelt rule": Case(
        toml((LEVELS, LEVELS + '\nconfrim = "1 of 1"')), "tunnel.toml:24, trigger.confrim", says=("is confirm meant?",)
    ),
    "misspelt horizon": Case(
        toml(("horizon_days", "horizon_day")), "tunnel.toml:18, projection.horizon_day", says=("is horizon_days",)
    ),
    "misspelt height": Case(
        toml(("height_m", "heigth_m")), "tunnel.toml:4, tunnel.heigth_m", says=("is height_m meant?",)
    ),
    "misspelt table": Case(
        toml(("[projection]", "[projecton]")), "tunnel.toml:17, projecton", says=("is projection meant?",)
    ),
    "misspelt stage of the plan": Case(
        {"tunnel.toml": TOML + "[plan.bensh]\nround_length_m = 2.0\n"},
        "tunnel.toml:24, plan.bensh",
        says=("is bench meant?",),
    ),
    "misspelt position of a chord": Case(
        {"tunnel.toml": CHORD + 'positions = ["left wal"]\n'},
        "tunnel.toml:24, trigger.positions",
        "left wal",
        ("is left wall meant?",),
    ),
    "misspelt pair of a chord": Case(
        {"tunnel.toml": CHORD + 'positions = ["left wall:rigth wall"]\n'},
        "tunnel.toml:24, trigger.positions",
        "rigth",
        ("or a pair of them",),
    ),
    "longitudinal since excavation": Case(
        toml(('measure = "settlement"', 'measure = "longitudinal"\nsince = "excavation"')),
        "tunnel.toml:23, trigger.since",
        "excavation",
        ('expected since = "zero reading"', "not known"),
    ),
    "unknown prisms like the known": Case(
        {"readings.csv": READINGS.replace("-CR", "-CRN").replace("-LW", "-LWN").replace("-RW", "-RWN")},
        "readings.csv:2",
        says=("279 no such prism", "'A-CRN', is A-CR meant?"),
    ),
    "unknown prism in events like a known": Case(
        {"events.csv": f"time,prism,event\n{instant(9.0)},A-CRR,prism replaced\n"},
        "events.csv:2, prism",
        "A-CRR",
        ("is A-CR meant?",),
    ),
}


@pytest.mark.parametrize("case", SLIPS.values(), ids=SLIPS.keys())
def test_slip_is_told(case: Case, tmp_path: Path) -> None:
    error = fault_of(write_job(tmp_path, case.changes, case.form))
    (told,) = (str(fault) for fault in error.faults)
    assert told.startswith(case.place), told
    for word in (case.value, *case.says):
        assert word in told


def test_wrong_drive_of_a_job_that_goes_down(tmp_path: Path) -> None:
    """The mend is the other choice where the face goes down."""
    changes = {"advance.csv": scaled(ADVANCE, 2, -1.0, 300.0)}
    (fault,) = fault_of(write_job(tmp_path, changes)).faults
    assert fault.column == "tunnel.drive"
    assert 'write drive = "down-chainage"' in fault.mend


def test_advance_in_feet_on_an_alignment_is_one_fault(tmp_path: Path) -> None:
    changes = {"advance.csv": scaled(COORDINATES["advance.csv"], 2, FEET)}
    assert {fault.file for fault in fault_of(write_job(tmp_path, changes, "coordinates")).faults} == {"advance.csv"}


def test_one_round_against_the_drive_is_no_wrong_drive(tmp_path: Path) -> None:
    """Of three rounds the middle one is mistyped: the row is set aside, the drive stands."""
    lines = ADVANCE.splitlines()
    heading = [line for line in lines if ",heading," in line][:3]
    heading[1] = heading[1].rsplit(",", 1)[0] + ",190.0"
    job = read_job(write_job(tmp_path, {"advance.csv": "\n".join([lines[0], *heading]) + "\n"}))
    assert job.set_aside["reason"].tolist() == ["against the drive"]


def kinds(job: Job) -> dict[str, str]:
    return {finding.kind: finding.sentence for finding in job.findings}


def test_few_rounds_and_none_are_told(tmp_path: Path) -> None:
    lines = ADVANCE.splitlines()
    heading = [line for line in lines if ",heading," in line]
    bench = [line for line in lines if ",bench," in line]
    job = read_job(write_job(tmp_path / "two", {"advance.csv": "\n".join([lines[0], *heading, *bench[:2]]) + "\n"}))
    assert kinds(job)["advance not planned"] == (
        "bench: 2 rounds logged, too few to plan its advance; the projection keeps its face where it is"
    )
    assert "stage not begun" not in kinds(job)
    job = read_job(write_job(tmp_path / "none", {"advance.csv": "\n".join([lines[0], *heading]) + "\n"}))
    told = kinds(job)["stage not begun"]
    assert told.startswith(
        "bench has no round yet: what it will cause, or has already caused if it has begun, is not in"
    )
    job = read_job(write_job(tmp_path / "three", {"advance.csv": "\n".join([lines[0], *heading, *bench[:3]]) + "\n"}))
    assert not {"advance not planned", "stage not begun"} & set(kinds(job))


def test_few_rounds_with_a_plan_are_planned(tmp_path: Path) -> None:
    lines = [line for line in ADVANCE.splitlines() if ",bench," not in line]
    lines.append(next(line for line in ADVANCE.splitlines() if ",bench," in line))
    text = TOML + "[plan.bench]\nround_length_m = 2.0\nhours_per_round = 12\n"
    job = read_job(write_job(tmp_path, {"advance.csv": "\n".join(lines) + "\n", "tunnel.toml": text}))
    assert "advance not planned" not in kinds(job)


def test_a_log_that_begins_late_is_told_and_no_fault(tmp_path: Path) -> None:
    """All sections lie behind the first logged round, as where the log was begun late."""
    job = read_job(write_job(tmp_path, {"advance.csv": scaled(ADVANCE, 2, 1.0, 100.0)}))
    sentence = kinds(job)["no section in the log"]
    assert "100.00 to 124.00 m" in sentence
    assert "190.00 to 272.00 m" in sentence


@pytest.mark.parametrize("positions", ['["left wall"]', '["A-CR"]', '["left wall:right wall"]', '["A-LW:A-RW"]'])
def test_positions_of_chords_that_are_known(positions: str, tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path, {"tunnel.toml": CHORD + f"positions = {positions}\n"}))
    assert len(job.settings.triggers) == 2


def test_keys_like_no_other_or_like_one_that_is_there_are_remarked(tmp_path: Path) -> None:
    text = edited(TOML, ("height_m = 8.5", 'height_ft = 28.0\nheigth_m = 8.5\nowner = "nobody"'))
    remarks = read_job(write_job(tmp_path, {"tunnel.toml": text})).folder.remarks
    assert any("tunnel.heigth_m not used" in remark for remark in remarks)
    assert any("tunnel.owner not used" in remark for remark in remarks)


def test_sigma_is_kept_and_the_remark_says_what_it_does(tmp_path: Path) -> None:
    head, *rows = READINGS.splitlines()
    text = "\n".join([head + ",sigma_mm", *(row + ",0.5" for row in rows)]) + "\n"
    half = len(rows) // 2
    lines = text.splitlines()
    changes = {
        "readings.csv": None,
        "readings/1.csv": "\n".join(lines[:half]) + "\n",
        "readings/2.csv": "\n".join([lines[0], *lines[half:]]) + "\n",
    }
    job = read_job(write_job(tmp_path, changes))
    remark = (
        "readings: column sigma_mm kept beside the raw readings; noise is estimated from the readings themselves, and "
        "taken as no less than the middle of this column"
    )
    assert job.folder.remarks.count(remark) == 1
    assert (job.raw["sigma"] == 0.5).all()


def test_unknown_event_like_a_known_one_says_so(tmp_path: Path) -> None:
    events = f"time,section,prism,event\n{instant(9.0)},A,A-CR,prism distrubed\n{instant(9.5)},A,,blasting\n"
    details = read_job(write_job(tmp_path, {"events.csv": events})).set_aside["detail"].tolist()
    assert details[0].startswith("prism distrubed: is prism disturbed meant? known are")
    assert details[1].startswith("blasting: known are")


def test_some_unknown_prisms_are_set_aside_with_what_may_be_meant(tmp_path: Path) -> None:
    text = READINGS + f"{instant(20.9)},A_CR,1,2,3\n{instant(20.9)},moon,1,2,3\n"
    aside = read_job(write_job(tmp_path, {"readings.csv": text})).set_aside
    assert aside["detail"].tolist() == ["is A-CR meant?", ""]


def test_near_names() -> None:
    assert near_name("sinse", ["since", "sections"]) == "since"
    assert near_name("CROWN", ["crown"]) == "crown"
    assert near_name("length_m", ["height_m"]) is None
    assert near_name("end_azimuth_deg", ["start_azimuth_deg"]) is None
    assert near_name("anything", []) is None


def test_the_small_job_has_none_of_these(tmp_path: Path) -> None:
    for form in ("movements", "coordinates"):
        job = read_job(write_job(tmp_path / form, form=form))
        # its curves have no noise, so two walls do the same to the digit, as only copies do
        assert {finding.kind for finding in job.findings} <= {"copied readings"}
        assert not job.folder.remarks
