"""With and without kept results the numbers are the same to the bit, whatever happens to the files between two runs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence import cli
from convergence.cache import Store, keep, keeping
from convergence.cache.codec import encoded
from convergence.cache.keeping import kept
from convergence.cache.store import VARIABLE
from convergence.errors import JobError
from convergence.hindcasting.hindcast import hindcast
from convergence.projection.kept import projected
from convergence.survey.job import read_job
from convergence.survey.kept import kept_job
from convergence.triggers.kept import kept_outlook
from convergence.triggers.outlook import outlook
from tests.helpers import movement, write_job

LATE = "2031-05-18T00:00:00Z"


def make(folder: Path, seed: int) -> Path:
    """A job with noise of its own."""
    rng = np.random.default_rng(seed)
    return write_job(
        folder, moved=lambda section, place, days: movement(section, place, days) + rng.normal(0.0, 0.4, 3)
    )


def bits(place: Path, as_of: str | None) -> bytes:
    """The job and its outlook, everything in them."""
    job = kept_job(place, as_of)
    return b"".join(encoded((job, kept_outlook(job))))


def change(place: Path, rng: np.random.Generator, as_of: str | None) -> str | None:
    """One change of the files, or of the date, drawn at random; gives the date."""
    readings = place / "readings.csv"
    lines = readings.read_text().splitlines()
    kind = rng.integers(6)
    if kind == 0:
        # the next readings come: the last sweep again, twelve hours later
        last = lines[-1].split(",")[0]
        later = np.datetime_as_string(np.datetime64(last[:19]) + np.timedelta64(12, "h"), unit="s") + last[19:]
        lines += [row.replace(last, later) for row in lines[-3:] if row.startswith(last)]
    elif kind == 1:
        at = int(rng.integers(1, len(lines)))
        cells = lines[at].split(",")
        cells[-1] = f"{float(cells[-1]) + 0.25:.4f}"
        lines[at] = ",".join(cells)
    elif kind == 2:
        lines.pop(int(rng.integers(1, len(lines))))
    elif kind == 3:
        settings = place / "tunnel.toml"
        settings.write_text(settings.read_text().replace("width_m = 11.0", "width_m = 11.5"))
    elif kind == 4:
        return None if as_of else LATE
    else:
        (place / "events.csv").write_text(
            f"time,section,prism,event,note\n2031-05-1{rng.integers(1, 9)}T00:00:00Z,,,support added,\n"
        )
    readings.write_text("\n".join(lines) + "\n")
    return as_of


@pytest.mark.parametrize("seed", [11, 12])
def test_kept_results_are_those_worked_out(seed: int, tmp_path: Path) -> None:
    place, rng = make(tmp_path / "job", seed), np.random.default_rng(seed)
    as_of: str | None = None
    for _ in range(4):
        job = read_job(place, as_of)
        fresh = b"".join(encoded((job, outlook(job))))
        for _ in range(2):
            with keep(Store(str(tmp_path / "kept"))):
                assert bits(place, as_of) == fresh
        as_of = change(place, rng, as_of)


def test_a_second_run_reads_and_projects_nothing_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = make(tmp_path / "job", 3)

    def never(*_: object, **__: object) -> None:
        raise AssertionError("worked out again")

    with keep(Store(str(tmp_path / "kept"))):
        first = bits(place, None)
        for name in ("survey.kept.read_job", "projection.kept.project_job", "triggers.kept.outlook"):
            monkeypatch.setattr(f"convergence.{name}", never)
        assert bits(place, None) == first
    with pytest.raises(AssertionError):
        bits(place, None)


def test_a_past_date_is_found_again_after_new_readings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was known then is the same, although the file is another."""
    place = make(tmp_path / "job", 4)
    whole = (place / "readings.csv").read_text().splitlines(keepends=True)
    (place / "readings.csv").write_text("".join(whole[:-9]))
    store = Store(str(tmp_path / "kept"))
    with keep(store):
        before = projected(read_job(place, LATE))
    (place / "readings.csv").write_text("".join(whole))
    monkeypatch.setattr("convergence.projection.kept.project_job", None)
    with keep(store):
        job = read_job(place, LATE)
        after = projected(job)
    assert after.fingerprint == job.folder.fingerprint != before.fingerprint
    assert b"".join(encoded(after.sections)) == b"".join(encoded(before.sections))


def test_a_hindcast_is_the_same_with_kept_projections(tmp_path: Path) -> None:
    job = read_job(make(tmp_path / "job", 5))
    fresh = hindcast(job, every=5.0, coupled=False)
    for processes in (1, 2):
        with keep(Store(str(tmp_path / "kept"))):
            found = hindcast(job, every=5.0, coupled=False, processes=processes)
        assert found.table.equals(fresh.table)
        assert found.levels.equals(fresh.levels)


def test_faults_are_never_kept(tmp_path: Path) -> None:
    place = make(tmp_path / "job", 6)
    good = (place / "prisms.csv").read_text()
    store = Store(str(tmp_path / "kept"))
    with keep(store):
        (place / "prisms.csv").write_text("nothing\n")
        for _ in range(2):
            with pytest.raises(JobError):
                kept_job(place)
        assert not (tmp_path / "kept").exists()
        (place / "prisms.csv").write_text(good)
        assert kept_job(place).sections
        (place / "prisms.csv").unlink()
        with pytest.raises(JobError):
            kept_job(place)


def test_an_entry_of_another_kind_is_not_used(tmp_path: Path) -> None:
    store = Store(str(tmp_path))
    store.put("a" * 64, encoded("a text"))
    with keep(store):
        assert kept("a" * 64, dict, lambda: {"b": 1}) == {"b": 1}
        assert kept("a" * 64, dict, lambda: {"b": 2}) == {"b": 1}


def test_the_library_keeps_nothing_unless_asked(tmp_path: Path) -> None:
    assert keeping() is None
    with keep(Store(str(tmp_path))):
        assert keeping() == Store(str(tmp_path))
    assert keeping() is None


def test_commands_keep_and_can_be_told_not_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place, folder = make(tmp_path / "job", 7), tmp_path / "kept"
    monkeypatch.setenv(VARIABLE, str(folder))
    assert cli.main(["check", str(place), "--no-cache"]) == 0
    assert not folder.exists()
    told = capsys.readouterr().out
    for _ in range(2):
        assert cli.main(["check", str(place)]) == 0
        assert capsys.readouterr().out == told
    assert len(list(folder.iterdir())) == 1
    monkeypatch.setenv(VARIABLE, "off")
    assert cli.main(["check", str(place)]) == 0
    assert capsys.readouterr().out == told
