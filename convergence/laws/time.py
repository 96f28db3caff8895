"""Movement as a function of the time since the face passed, alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats


def power_time(
    elapsed: npt.ArrayLike,
    amplitude: npt.ArrayLike,
    characteristic_time: npt.ArrayLike,
    exponent: npt.ArrayLike,
) -> FloatArray:
    """Creep that slows down as a power of time, the time part of the law of Sulem, Panet and Guenot.

    u(t) = A [1 - (T / (t + T))^n] for t > 0, and 0 for t <= 0

    With n = 0.3 the final value is approached extremely slowly: half of it at t = 9.08 T, 90 % at t = 2153 T.
    State the movement at a horizon beside the asymptote.

    Parameters
    ----------
    elapsed : array_like
        Time t since the face passed [days]; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A [mm].
    characteristic_time : array_like
        Characteristic time T [days], > 0.
    exponent : array_like
        Exponent n [-], > 0; usually held at 0.3.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 10 mm, T = 6 d, n = 0.3, t = 6 d: 10 (1 - 0.5^0.3) = 1.877 mm.

    References
    ----------
    .. [1] J. Sulem, M. Panet and A. Guenot, "Closure analysis in deep tunnels", Int. J. Rock Mech. Min. Sci.
       & Geomech. Abstr. 24(3), 1987, 145-154. Bibliographic data published; equation and n = 0.3 from memory.
    """
    since = np.maximum(floats(elapsed), 0.0)
    return floats(amplitude) * -np.expm1(-floats(exponent) * np.log1p(since / floats(characteristic_time)))


def exponential_time(
    elapsed: npt.ArrayLike, amplitude: npt.ArrayLike, characteristic_time: npt.ArrayLike
) -> FloatArray:
    """Movement that levels off exponentially with time.

    u(t) = A [1 - exp(-t / T)] for t > 0, and 0 for t <= 0

    Parameters
    ----------
    elapsed : array_like
        Time t since the face passed [days]; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A [mm].
    characteristic_time : array_like
        Characteristic time T [days], > 0: 63 % of the movement has come at t = T.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 10 mm, T = 5 d, t = 5 d: 10 (1 - 1/e) = 6.321 mm.

    References
    ----------
    .. [1] Standard function of regression practice on convergence readings; seen in regression notes
       (secondary).
    """
    since = np.maximum(floats(elapsed), 0.0)
    return floats(amplitude) * -np.expm1(-since / floats(characteristic_time))


def hyperbolic_time(elapsed: npt.ArrayLike, amplitude: npt.ArrayLike, characteristic_time: npt.ArrayLike) -> FloatArray:
    """Movement along a hyperbola of time.

    u(t) = A t / (t + T) for t > 0, and 0 for t <= 0

    The same as u = t / (a + b t) with A = 1/b and T = a/b, and as `power_time` with exponent 1.

    Parameters
    ----------
    elapsed : array_like
        Time t since the face passed [days]; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A [mm].
    characteristic_time : array_like
        Characteristic time T [days], > 0: half of the movement has come at t = T.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 10 mm, T = 5 d, t = 5 d: 10 * 5 / 10 = 5 mm.

    References
    ----------
    .. [1] Standard function of regression practice on convergence readings; seen in regression notes
       (secondary).
    """
    return power_time(elapsed, amplitude, characteristic_time, 1.0)


def logarithmic_time(
    elapsed: npt.ArrayLike, amplitude: npt.ArrayLike, characteristic_time: npt.ArrayLike
) -> FloatArray:
    """Movement that grows with the logarithm of time and never levels off.

    u(t) = A ln(1 + t / T) for t > 0, and 0 for t <= 0

    The law has no final value: its asymptote is infinite, and only the movement at a stated horizon has a
    meaning.

    Parameters
    ----------
    elapsed : array_like
        Time t since the face passed [days].
    amplitude : array_like
        Movement A gained while 1 + t/T grows by the factor e [mm].
    characteristic_time : array_like
        Characteristic time T [days], > 0.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 10 mm, T = 5 d, t = 5 d: 10 ln 2 = 6.931 mm.

    References
    ----------
    .. [1] Common practice, no source.
    """
    since = np.maximum(floats(elapsed), 0.0)
    return floats(amplitude) * np.log1p(since / floats(characteristic_time))


def reciprocal_exponential_time(
    elapsed: npt.ArrayLike, amplitude: npt.ArrayLike, characteristic_time: npt.ArrayLike
) -> FloatArray:
    """Movement that starts with a flat foot, bends over, and levels off as the reciprocal of time.

    u(t) = A exp(-T / t) for t > 0, and 0 for t <= 0

    Not the saturating exponential: ln u is a straight line over 1/t, which is why practice liked it for hand
    fits.

    Parameters
    ----------
    elapsed : array_like
        Time t since the face passed [days]; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A [mm].
    characteristic_time : array_like
        Characteristic time T [days], > 0: 37 % of the movement has come at t = T.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 13.176 mm, T = 2.6999 d, t = 10 d: 13.176 exp(-0.26999) = 10.06 mm.

    References
    ----------
    .. [1] Standard function of regression practice on convergence readings; seen in regression notes
       (secondary), with a worked regression that the worked number above repeats.
    """
    since = np.maximum(floats(elapsed), 0.0)
    with np.errstate(divide="ignore", over="ignore"):
        ratio = floats(characteristic_time) / since
    return floats(amplitude) * np.exp(-ratio)


def logarithm_reciprocal_time(elapsed: npt.ArrayLike, amplitude: npt.ArrayLike, dead_time: npt.ArrayLike) -> FloatArray:
    """Movement that falls short of its final value by the reciprocal of a logarithm of time.

    u(t) = A + B / lg(1 + t) = A [1 - ln(1 + D) / ln(1 + t)] for t > D, and 0 for t <= D

    Practice writes the first form with B < 0. It falls to minus infinity at t = 0, so the second form names
    the instant D where it crosses zero, lg(1 + D) = -B / A, makes the amplitude linear, and holds the
    movement at zero up to D. Time stands in the logarithm in days: the shape changes with the unit. The final
    value is approached more slowly than by any power of time, so it is a number of the formula, hardly of the
    tunnel.

    Parameters
    ----------
    elapsed : array_like
        Time t since the face passed [days]; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A [mm].
    dead_time : array_like
        Time D after passage at which the movement begins [days], > 0.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 10 mm, D = 1 d, t = 3 d: 10 (1 - ln 2 / ln 4) = 5 mm.

    References
    ----------
    .. [1] Standard function of regression practice on convergence readings; seen in regression notes
       (secondary). The form with D is a change of parameter made here.
    """
    since = np.maximum(floats(elapsed), 0.0)
    with np.errstate(divide="ignore"):
        shortfall = np.log1p(floats(dead_time)) / np.log1p(since)
    return floats(amplitude) * np.maximum(1.0 - shortfall, 0.0)
