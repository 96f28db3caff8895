"""The true movement of every prism: the ground and the lining integrated through the whole excavation, done
and planned.

The load of each cause (heading, bench, invert, the loosened wedge) is carried apart. The lining is linear at
any time, only its stiffness changes with age and closure; the answers to the causes therefore add up, and the
share of each in the final movement is exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.example import ground, physics, scenario
from convergence.example.advance import StageLog

FloatArray = npt.NDArray[np.float64]

CAUSES = ("heading", "bench", "invert", "loosening")
PRISM_SCATTER = 0.03
FINE_STEP = 2.0 / 24.0
COARSE_STEP = 1.0
FINE_UNTIL = 200.0
LAST_DAY = 530.0


@dataclass(frozen=True)
class Prism:
    """A prism: name, section, position, place from the reference point [m], stage that uncovers it."""

    name: str
    section: str
    position: str
    chainage: float
    offset: float
    height: float
    stage: str


@dataclass(frozen=True)
class Truth:
    """What the wall does, without noise.

    Attributes
    ----------
    prisms : tuple of Prism
        All prisms, by section and position.
    ground : GroundLine
        Ground at the sections.
    logs : dict of StageLog
        Excavation, done and planned.
    days : ndarray
        Times of the solution [d], shape (steps,); twice at each blast.
    modes : ndarray
        Movement of each mode [mm], shape (steps, causes, sections, modes).
    shapes : ndarray
        Shapes of the modes at each prism, shape (prisms, modes, 3).
    """

    prisms: tuple[Prism, ...]
    ground: ground.GroundLine
    logs: dict[str, StageLog]
    days: FloatArray
    modes: FloatArray
    shapes: FloatArray

    def section_index(self, name: str) -> int:
        """Row of a section in the arrays."""
        return [section.name for section in scenario.SECTIONS].index(name)

    def passage(self, section: str, stage: str = "heading") -> float:
        """Day [d] on which a stage passes a section, at the blast."""
        chainage = scenario.SECTIONS[self.section_index(section)].chainage
        return self.logs[stage].first_reaching(chainage).blast

    def movement(self, prism: int, days: npt.ArrayLike, causes: tuple[str, ...] = CAUSES) -> FloatArray:
        """Movement since the start of the record: longitudinal, transverse, settlement [mm], shape (times,
        3).

        Parameters
        ----------
        prism : int
            Index in `prisms`.
        days : array_like
            Times [d], shape (times,).
        causes : tuple of str
            Causes to add up; all by default.
        """
        section = self.section_index(self.prisms[prism].section)
        chosen = [CAUSES.index(cause) for cause in causes]
        history = self.modes[:, chosen, section, :].sum(axis=1) @ self.shapes[prism]
        times = np.asarray(days, dtype=np.float64)
        return np.stack([np.interp(times, self.days, history[:, axis]) for axis in range(3)], axis=-1)


def make_prisms(generator: np.random.Generator) -> tuple[Prism, ...]:
    """Prisms of all sections, set a few centimetres off their nominal places as on site."""
    prisms = []
    for section in scenario.SECTIONS:
        for position, (code, offset, height, stage) in scenario.POSITIONS.items():
            if stage == "bench" and not section.bench_prisms:
                continue
            shift = np.round(generator.uniform(-0.08, 0.08, 3), 2)
            prisms.append(
                Prism(
                    name=f"{section.name}-{code}",
                    section=section.name,
                    position=position,
                    chainage=round(section.chainage + float(shift[0]), 2),
                    offset=round(offset + float(shift[1]), 2),
                    height=round(height + float(shift[2]), 2),
                    stage=stage,
                )
            )
    return tuple(prisms)


def time_steps(logs: dict[str, StageLog]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Times of the solution [d], each blast twice; and whether the face stands as before the blast."""
    grid = np.concatenate([np.arange(0.0, FINE_UNTIL, FINE_STEP), np.arange(FINE_UNTIL, LAST_DAY + 0.5, COARSE_STEP)])
    blasts = np.unique(np.concatenate([log.blasts for log in logs.values()]))
    days = np.concatenate([np.setdiff1d(grid, blasts), blasts, blasts])
    before = np.zeros(days.size, dtype=np.bool_)
    before[days.size - 2 * blasts.size : days.size - blasts.size] = True
    order = np.lexsort((~before, days))
    return days[order], before[order]


def ramp(days: FloatArray, start: float, duration: float) -> FloatArray:
    """Smooth rise from 0 to 1 between `start` and `start + duration` [d]."""
    share = np.clip((days - start) / duration, 0.0, 1.0)
    return np.asarray(share * share * (3.0 - 2.0 * share), dtype=np.float64)


def loads(
    days: FloatArray, before: npt.NDArray[np.bool_], logs: dict[str, StageLog], line: ground.GroundLine
) -> FloatArray:
    """Stress released by each cause [MPa], shape (steps, causes, sections, modes)."""
    chainage = np.array([section.chainage for section in scenario.SECTIONS])
    stress = np.zeros((days.size, len(CAUSES), chainage.size, len(ground.MODES)))
    for index, stage in enumerate(CAUSES[:-1]):
        log = logs[stage]
        face = np.where(before, log.face(days, before=True), log.face(days))
        distance = face[:, np.newaxis] - chainage
        length = line.influence_length * ground.INFLUENCE_FACTOR[stage]
        share = np.repeat(physics.released_share(distance, length)[..., np.newaxis], len(ground.MODES), axis=-1)
        share[..., ground.MODES.index("along")] = physics.released_along(distance, length)
        stress[:, index] = share * ground.STAGE_SHARE[stage] * line.stress
    wedge = scenario.LOOSENING
    centre = next(section.chainage for section in scenario.SECTIONS if section.name == wedge.section)
    start = logs["heading"].first_reaching(centre).blast + wedge.after_passage
    nearness = np.exp(-(((chainage - centre) / wedge.half_length) ** 2))
    rise = ramp(days, start, wedge.duration)
    stress[:, -1] = rise[:, np.newaxis, np.newaxis] * nearness[:, np.newaxis] * np.array(wedge.stress)
    return stress


def make_truth(logs: dict[str, StageLog], generator: np.random.Generator) -> Truth:
    """Solve the movement of all sections for an excavation; about a second."""
    line = ground.make_ground(generator)
    prisms = make_prisms(generator)
    days, before = time_steps(logs)
    chainage = [section.chainage for section in scenario.SECTIONS]
    sprayed = np.array([logs["heading"].first_reaching(value).end for value in chainage])
    closed = np.array([logs["invert"].first_reaching(value + 2.0).end for value in chainage])
    lining = physics.Lining(
        stiffness=ground.RING_STIFFNESS,
        sprayed=sprayed[:, np.newaxis],
        closed=closed[:, np.newaxis],
        open_share=ground.OPEN_SHARE,
        hardening=ground.HARDENING,
    )
    modes = physics.integrate(days, loads(days, before, logs, line), line.compliance(), lining)
    # The ground ahead of the first face had answered before the record began.
    modes = modes - modes[0]
    shapes = ground.mode_shapes([prism.offset for prism in prisms], [prism.height for prism in prisms])
    scatter = 1.0 + PRISM_SCATTER * generator.standard_normal((len(prisms), len(ground.MODES), 1))
    return Truth(prisms, line, logs, days, modes, shapes * scatter)
