"""Lines of tables and keys in a settings file."""

from __future__ import annotations

import pytest

from convergence.job.toml_lines import toml_lines

TEXT = """title = "x"
[tunnel]
name = "a"
[plan]
hours = 3
[plan.heading]
hours = 4
[[trigger]]
measure = "b"
  [[ trigger ]]   # again
"quoted" = 1
[other]
measure = 2
"""
PLACES = [
    ("", 0, "title", 1),
    ("", 0, "tunnel", 2),
    ("tunnel", 0, "name", 3),
    ("tunnel", 0, "width_m", 2),
    ("plan", 0, "hours", 5),
    ("plan", 0, "heading", 6),
    ("plan.heading", 0, "hours", 7),
    ("trigger", 0, "measure", 9),
    ("trigger", 1, "measure", 10),
    ("trigger", 1, "quoted", 11),
    ("trigger", 2, "measure", None),
    ("nothing", 0, "x", None),
]


@pytest.mark.parametrize(("name", "index", "key", "line"), PLACES)
def test_the_line_is_where_it_stands(name: str, index: int, key: str, line: int | None) -> None:
    assert toml_lines(TEXT).find(name, index, key) == line
