"""What the other sections say of how much a section moves, on amplitudes made for the purpose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from convergence.projection.expected import Pattern
from convergence.projection.patterns import UNUSUAL, site_patterns, site_sizes
from convergence.projection.prior import AMPLITUDE_SHARE, FACTOR_SPREAD, PATTERN_SPREAD
from convergence.projection.shape import ShapePosterior
from convergence.projection.task import SectionTask
from convergence.projection.work import Refined

MakeSection = Callable[..., SectionTask]

AMPLITUDES = ((22.0, 8.0), (14.0, 6.0), (-5.0, -2.0))
FORM = np.array([22.0, 14.0, -5.0])
NOTHING = ShapePosterior(np.zeros(6), np.zeros((6, 6)), np.zeros(6), np.zeros((1, 6)), np.ones(1), 1.0)


def known(amplitude: np.ndarray, along: float = 0.0) -> Refined:
    """Amplitudes known to 0.1 mm, and to a share of themselves along the shape."""
    changes = np.zeros((6, len(amplitude)))
    changes[0] = along * amplitude
    return Refined(NOTHING, amplitude, np.full(len(amplitude), 0.01), changes)


@pytest.fixture(scope="module", name="tasks")
def tasks_fixture(make_section: MakeSection) -> list[SectionTask]:
    """Ten sections, 12 m apart."""
    task = make_section(AMPLITUDES, until=10.0)
    return [replace(task, section=f"S{place}", chainage=12.0 * place) for place in range(10)]


def one_ground(tasks: list[SectionTask], found: list[Refined]) -> list[Pattern]:
    """Patterns where the ground does not change."""
    return site_patterns(tasks, found, np.ones((len(tasks), len(tasks))))


def test_a_section_alone_has_the_wide_prior(tasks: list[SectionTask]) -> None:
    (pattern,) = one_ground(tasks[:1], [known(FORM)])
    assert (pattern.mean == 0.0).all()
    assert pattern.spread == pytest.approx(AMPLITUDE_SHARE * tasks[0].width * 1e3)


def test_sections_alike_leave_little_room(tasks: list[SectionTask]) -> None:
    """Nine alike: the tenth, of which nothing is known, is expected to be like them, closer than is assumed."""
    found = [known(FORM) for _ in tasks[:-1]] + [known(0.0 * FORM, 0.0)]
    found[-1] = replace(found[-1], own_variance=np.full(3, 1e6))
    pattern = one_ground(tasks, found)[-1]
    assert pattern.mean == pytest.approx(FORM, rel=0.02)
    assert pattern.factor_spread < 0.6 * FACTOR_SPREAD
    assert (pattern.spread < PATTERN_SPREAD * np.abs(FORM) + 1.0).all()


def test_sections_unlike_leave_much(tasks: list[SectionTask]) -> None:
    """Factors of half to twice from one section to the next: the last one may be anything in between."""
    factors = [0.5, 1.6, 0.7, 2.0, 0.6, 1.5, 0.5, 1.9, 0.8]
    found = [known(factor * FORM) for factor in factors]
    found.append(replace(known(FORM), own_variance=np.full(3, 1e6)))
    assert one_ground(tasks, found)[-1].factor_spread > 0.35


def test_the_field_follows_the_drive(tasks: list[SectionTask]) -> None:
    """Movement that grows along the drive is expected to be larger at its end than at its beginning."""
    found = [known((1.0 + 0.1 * place) * FORM) for place in range(10)]
    vague = [replace(found[place], own_variance=np.full(3, 1e6)) for place in (0, 9)]
    first = one_ground(tasks, [vague[0], *found[1:]])[0].mean[0]
    last = one_ground(tasks, [*found[:-1], vague[1]])[9].mean[0]
    assert last > 1.2 * first


def test_a_bad_section_is_given_room(tasks: list[SectionTask]) -> None:
    """One that moves twice as much as all others, and says so itself, is no more than usually unlike its pattern."""
    found = [known(FORM) for _ in tasks]
    found[4] = known(2.0 * FORM)
    pattern = one_ground(tasks, found)[4]
    away = (2.0 * FORM[0] - pattern.mean[0]) / np.hypot(pattern.factor_spread * pattern.mean[0], pattern.spread[0])
    assert away < UNUSUAL + 0.1


def test_a_measure_of_its_own_is_given_room(tasks: list[SectionTask]) -> None:
    """A prism on a loose wedge: its own measure gets room, the others keep the pattern's."""
    found = [known(FORM) for _ in tasks]
    found[4] = known(FORM * np.array([1.0, 2.5, 1.0]))
    pattern = one_ground(tasks, found)[4]
    assert pattern.spread[1] > 5.0
    assert pattern.spread[1] > 1.8 * pattern.spread[0], "its factor, seen through the wedge, takes a part"


def test_doubt_about_the_shape_is_doubt_about_all_measures(tasks: list[SectionTask]) -> None:
    """Sections known to a third of themselves say less than sections known well."""
    well = one_ground(tasks, [known(FORM) for _ in tasks])[5]
    badly = one_ground(tasks, [known(FORM, 0.33) for _ in tasks])[5]
    assert badly.factor_spread > well.factor_spread


def test_sizes_are_over_the_pattern(tasks: list[SectionTask]) -> None:
    """Sections that move twice as much as others have twice their size, whatever is meant by one."""
    sizes, variance = site_sizes(tasks, [known((2.0 if place > 4 else 1.0) * FORM) for place in range(10)])
    assert sizes[5:] / sizes[:5] == pytest.approx(2.0, rel=0.02)
    assert np.all(variance < 0.2)


def test_beyond_a_change_of_the_ground_little_is_expected(tasks: list[SectionTask]) -> None:
    """Five sections that move a third of the five before: the sixth follows its own ground once the change is told."""
    found = [known((1.0 if place < 5 else 0.33) * FORM) for place in range(10)]
    found[5] = replace(found[5], own_variance=np.full(3, 1e6))
    together = np.kron(np.eye(2), np.ones((5, 5)))
    broken = site_patterns(tasks, found, together)[5]
    blind = one_ground(tasks, found)[5]
    assert abs(broken.mean[0] - 0.33 * FORM[0]) < 0.5 * abs(blind.mean[0] - 0.33 * FORM[0])
