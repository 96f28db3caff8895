"""Numbers, dates and states as the sheet writes them."""

from __future__ import annotations

import numpy as np

from convergence.plots.clock import Clock
from convergence.report.sheet.markup import Markup, element, join
from convergence.survey.job import Job
from convergence.triggers.amounts import percent_text
from convergence.triggers.states import STATES

NOTHING = "\N{EN DASH}"
#: Characters of a name and value that stay on one line.
LONGEST_KEPT = 44
#: Stands beside a number that a last reading nothing confirms is in.
ON_ONE_READING = "(?)"
#: Rows of a list that are told one by one; the rest is counted.
MOST_ROWS = 40


def number(value: object, decimals: int = 1, sign: bool = False) -> str:
    """A number with its decimals and a real minus sign; a dash where there is none."""
    if not isinstance(value, int | float | np.integer | np.floating) or not np.isfinite(value):
        return NOTHING
    # a rounded minus zero reads like a finding
    rounded = round(float(value), decimals) + 0.0
    return f"{rounded:{'+' if sign else ''}.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def own_units(text: object) -> str:
    """An amount with its unit, as the outlook writes it, with a real minus sign; its unit is kept beside it."""
    return str(text).replace("-", "\N{MINUS SIGN}").replace(" ", "\N{NO-BREAK SPACE}", 1)


def with_error(value: float, error: float, decimals: int = 2) -> str:
    """A number with its standard error."""
    told = number(value, decimals)
    return told if told == NOTHING or not np.isfinite(error) else f"{told}\N{NO-BREAK SPACE}±{error:.{decimals}f}"


def percent(value: object) -> str:
    """A probability; small and large ones are never rounded to certainty."""
    if not isinstance(value, int | float | np.floating) or not np.isfinite(value):
        return NOTHING
    return percent_text(float(value))


def state_mark(state: str) -> Markup:
    """A state by sign and word, in a frame of its own kind."""
    return element("span", f"{STATES[state].sign}\N{NO-BREAK SPACE}{state}", f"state {state}")


def doubted(value: object, doubt: bool) -> Markup:
    """A number, with a sign where an unconfirmed last reading is in it."""
    return join([value, "\N{NO-BREAK SPACE}", element("b", ON_ONE_READING)]) if doubt else join([value])


def local_minute(job: Job, clock: Clock, instant: np.datetime64) -> str:
    """An instant as local date and time with its offset; a dash where it is not known."""
    return NOTHING if np.isnat(instant) else clock.minute(job.days(instant))


def kept_name(words: str) -> Markup:
    """A name with its value on one line, unless it is too long for that."""
    return element("span", words, "kept" if len(words) <= LONGEST_KEPT else "")


def count_of(number_of: int, what: str) -> str:
    """A count with its noun."""
    return f"{number_of} {what}{'' if number_of == 1 else 's'}"


def small(words: object) -> Markup:
    """Words in small print."""
    return element("small", words)


def two_lines(first: object, second: object) -> Markup:
    """Words with smaller ones below."""
    return join([first, Markup("<br>"), small(second)]) if second else join([first])
