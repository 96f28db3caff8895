"""Numbers as tables of ground and lining show them."""

from __future__ import annotations

import math


def shown(number: float) -> str:
    """Three digits without an exponent; a dash where there is no number.

    Parameters
    ----------
    number : float
        Any number.

    Returns
    -------
    str
        The text.

    Examples
    --------
    >>> [shown(x) for x in (12345.6, 0.08279, float("nan"), float("inf"))]
    ['12346', '0.0828', '-', 'endless']
    """
    if math.isnan(number):
        return "-"
    if math.isinf(number):
        return "endless" if number > 0.0 else "-endless"
    return f"{number:.0f}" if abs(number) >= 100.0 else f"{number:.3g}"


def doubt(warning: str) -> str:
    """What goes before a title where numbers are not to be trusted; nothing where they may be.

    Parameters
    ----------
    warning : str
        Why they are not; empty where they may be.

    Returns
    -------
    str
        The text, with a space after it.

    Examples
    --------
    >>> doubt("only 12 effective samples")
    'NOT TO BE TRUSTED (only 12 effective samples)  '
    """
    return f"NOT TO BE TRUSTED ({warning})  " if warning else ""
