"""Is a value within its limit, beyond it, or too close to tell?

A measured value y with standard uncertainty u is a normal distribution; the probability that the
quantity lies on the permitted side is the conformance probability of JCGM 106:2012. Three answers
follow from it. Two rules of authorities pull opposite ways: 1. BImSchV (2010), Annex 2 no. 2.3,
subtracts the uncertainty in favour of the operator; guarded acceptance moves the limit inwards in
favour of the limit. Neither is used here unless asked for: the default treats both risks alike.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from combustion.refusals import Value

Answer = Literal["within", "beyond", "too_close"]

BEYOND_AT = 0.95
"""Probability of being beyond from which a value is called beyond; its complement, within."""

_SQRT2 = math.sqrt(2.0)
_erf = np.vectorize(math.erf, otypes=[np.float64])


def _phi(z: Value) -> Value:
    if isinstance(z, float):
        return 0.5 * math.erfc(-z / _SQRT2)
    return 0.5 * (1.0 + _erf(np.asarray(z) / _SQRT2))


def conformance_probability(
    value: Value, u: Value, low: float | None = None, high: float | None = None
) -> Value:
    """Return the probability that the quantity lies inside its limits.

    Parameters
    ----------
    value : float or array
        Measured or computed value, in the unit of the limits.
    u : float or array
        Its standard uncertainty, coverage factor 1, 0 or above, same unit.
    low, high : float or None
        Lower and upper limit, same unit; at least one of them.

    Returns
    -------
    float or array
        Probability [1]. With u = 0 it is 1 inside, the limits included, and 0 outside.

    Raises
    ------
    ValueError
        Without a limit, for limits in the wrong order, or a negative u.

    Notes
    -----
    ``Phi((high - y) / u) - Phi((low - y) / u)``.

    Source: JCGM 106:2012, 7.2 to 7.4 (read).

    Examples
    --------
    >>> round(conformance_probability(13.6, 1.8, low=12.5, high=16.3), 2)
    0.66
    """
    if low is None and high is None:
        raise ValueError("a decision needs a lower or an upper limit")
    if low is not None and high is not None and low > high:
        raise ValueError(f"lower limit {low:g} stands above upper limit {high:g}")
    if not isinstance(value, np.ndarray) and not isinstance(u, np.ndarray):
        return _scalar_probability(float(value), float(u), low, high)
    y, spread = np.broadcast_arrays(
        np.asarray(value, dtype=np.float64), np.asarray(u, dtype=np.float64)
    )
    if np.any(spread < 0.0):
        raise ValueError("a standard uncertainty must not be negative")
    inside = np.ones(y.shape, dtype=bool)
    result = np.ones(y.shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        if high is not None:
            result = _phi((high - y) / spread)
            inside &= y <= high
        if low is not None:
            result = result - _phi((low - y) / spread)
            inside &= y >= low
    exact = np.where(np.isnan(y), np.nan, inside.astype(np.float64))
    return np.where(spread == 0.0, exact, result)


def _scalar_probability(y: float, u: float, low: float | None, high: float | None) -> float:
    if u < 0.0:
        raise ValueError("a standard uncertainty must not be negative")
    if math.isnan(y) or math.isnan(u):
        return math.nan
    if u == 0.0:
        inside = (low is None or y >= low) and (high is None or y <= high)
        return 1.0 if inside else 0.0
    upper = 1.0 if high is None else 0.5 * math.erfc((y - high) / (u * _SQRT2))
    lower = 0.0 if low is None else 0.5 * math.erfc((y - low) / (u * _SQRT2))
    return upper - lower


def decide(
    value: float,
    u: float,
    low: float | None = None,
    high: float | None = None,
    beyond_at: float = BEYOND_AT,
) -> tuple[Answer, float]:
    """Return one of three answers, and the probability of being beyond.

    Parameters
    ----------
    value : float
        Measured or computed value, same unit as the limits.
    u : float
        Its standard uncertainty, coverage factor 1, same unit.
    low, high : float or None
        Lower and upper limit, same unit; at least one of them.
    beyond_at : float
        Probability [1] from which it is called beyond, above 0.5 and below 1.

    Returns
    -------
    tuple of str and float
        ``"beyond"`` at ``beyond_at`` or above, ``"within"`` at its complement or below, else
        ``"too_close"``; and the probability that the quantity lies beyond a limit.

    Raises
    ------
    ValueError
        As :func:`conformance_probability`; also for a NaN value, which is no measurement.

    Notes
    -----
    Source: JCGM 106:2012, 7 and 8.3 (read).

    Examples
    --------
    >>> decide(130.0, 5.0, high=100.0)[0]
    'beyond'
    >>> decide(101.0, 5.0, high=100.0)[0]
    'too_close'
    """
    if not 0.5 < beyond_at < 1.0:
        raise ValueError("beyond_at must lie above 0.5 and below 1")
    inside = conformance_probability(float(value), float(u), low, high)
    if math.isnan(inside):
        raise ValueError("a missing value has no answer")
    beyond = _beyond(float(value), float(u), low, high) if u > 0.0 else 1.0 - inside
    if beyond >= beyond_at:
        return "beyond", beyond
    return ("within" if beyond <= 1.0 - beyond_at else "too_close"), beyond


def _beyond(y: float, u: float, low: float | None, high: float | None) -> float:
    # Summed as tails, so that a tiny probability is not lost in 1 - p.
    over = 0.0 if high is None else 0.5 * math.erfc((high - y) / (u * _SQRT2))
    under = 0.0 if low is None else 0.5 * math.erfc((y - low) / (u * _SQRT2))
    return over + under


def guarded_limit(
    limit: float, u: float, side: Literal["low", "high"], factor: float = 2.0
) -> float:
    """Return the acceptance limit of guarded acceptance.

    Parameters
    ----------
    limit : float
        Tolerance limit, same unit as u.
    u : float
        Standard uncertainty, same unit.
    side : str
        ``"high"`` for an upper limit, ``"low"`` for a lower one.
    factor : float
        Guard band as a multiple of u [1]; 2 keeps false acceptance at or below 2.3 %.

    Returns
    -------
    float
        The limit moved inwards.

    Notes
    -----
    ``A = T - w``, ``w = 2 u``. Source: JCGM 106:2012, 8.3.2 (read).

    Examples
    --------
    >>> guarded_limit(100.0, 5.0, "high")
    90.0
    """
    return limit - factor * u if side == "high" else limit + factor * u
