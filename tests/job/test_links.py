"""Links and paths that lead out of the job folder are refused, and nothing behind them is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from convergence.errors import JobError
from convergence.survey import read_job
from tests.helpers import ALIGNMENT, write_job
from tests.landxml_text import alignment_xml

SECRET = "time,section,prism,event,note\n2031-05-08T00:00:00+02:00,,,a word nobody may see,\n"


def moved_out(folder: Path, file: str) -> Path:
    """The file moved beside the folder, a link left in its place."""
    outside = folder.parent / f"outside-{file.replace('/', '-')}"
    (folder / file).rename(outside)
    (folder / file).symlink_to(outside)
    return outside


@pytest.mark.parametrize("file", ["tunnel.toml", "prisms.csv", "advance.csv", "events.csv", "readings.csv"])
def test_a_link_out_of_the_folder_is_refused_by_name(file: str, tmp_path: Path) -> None:
    folder = write_job(tmp_path / "job", {"events.csv": SECRET})
    moved_out(folder, file)
    with pytest.raises(JobError) as caught:
        read_job(folder)
    (fault,) = [fault for fault in caught.value.faults if fault.value == "a link out of the job folder"]
    assert fault.file == file
    assert "copy what it leads to" in fault.mend
    assert "a word nobody may see" not in str(caught.value)


def test_a_folder_of_readings_that_is_a_link_out_is_not_listed(tmp_path: Path) -> None:
    folder = write_job(tmp_path / "job")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "private-name.txt").write_text("x", encoding="utf-8")
    (folder / "readings").symlink_to(tmp_path / "other")
    with pytest.raises(JobError) as caught:
        read_job(folder)
    assert [fault.file for fault in caught.value.faults] == ["readings"]
    assert "private-name" not in str(caught.value)


def test_a_link_inside_the_folder_and_a_link_to_the_folder_are_followed(tmp_path: Path) -> None:
    folder = write_job(tmp_path / "job")
    (folder / "kept").mkdir()
    (folder / "readings.csv").rename(folder / "kept" / "all.csv")
    (folder / "readings.csv").symlink_to(folder / "kept" / "all.csv")
    (tmp_path / "link").symlink_to(folder)
    assert len(read_job(tmp_path / "link").raw) == len(read_job(folder).raw) > 0


@pytest.mark.parametrize("path", ["../axis.xml", "/etc/axis.xml", "inner/../../axis.xml", "linked.xml"])
def test_an_alignment_file_outside_the_folder_is_refused(path: str, tmp_path: Path) -> None:
    folder = write_job(tmp_path / "job", form="coordinates")
    (tmp_path / "axis.xml").write_text(alignment_xml(ALIGNMENT), encoding="utf-8")
    (folder / "inner").mkdir()
    (folder / "linked.xml").symlink_to(tmp_path / "axis.xml")
    text = (folder / "tunnel.toml").read_text(encoding="utf-8").split("[[alignment]]")[0]
    (folder / "tunnel.toml").write_text(f'{text}[alignment]\nfile = "{path}"\n', encoding="utf-8")
    with pytest.raises(JobError) as caught:
        read_job(folder)
    assert any("inside the job folder" in fault.expected for fault in caught.value.faults)
