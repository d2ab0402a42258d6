"""Decibels and per cent."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, overload

from listen.units._either import either, log10

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@overload
def db_from_ratio(ratio: float) -> float: ...
@overload
def db_from_ratio(ratio: Floats) -> Floats: ...
def db_from_ratio(ratio: Any) -> Any:
    """Convert a ratio of amplitudes to decibels, 20 log10.

    Also dBFS from the peak amplitude of a sine (full scale is 1), dBc from an amplitude over the fundamental's.

    Parameters
    ----------
    ratio : float or ndarray
        0 gives minus infinity.

    Returns
    -------
    float or ndarray
        dB.

    Examples
    --------
    >>> db_from_ratio(10.0)
    20.0
    """
    return either(lambda m, v: 20.0 * log10(m, v), ratio)


@overload
def ratio_from_db(level_db: float) -> float: ...
@overload
def ratio_from_db(level_db: Floats) -> Floats: ...
def ratio_from_db(level_db: Any) -> Any:
    """Convert decibels to a ratio of amplitudes.

    Parameters
    ----------
    level_db : float or ndarray
        dB.

    Returns
    -------
    float or ndarray
        Ratio.

    Examples
    --------
    >>> ratio_from_db(-20.0)
    0.1
    """
    return either(lambda _m, v: 10.0 ** (v / 20.0), level_db)


@overload
def db_from_power_ratio(ratio: float) -> float: ...
@overload
def db_from_power_ratio(ratio: Floats) -> Floats: ...
def db_from_power_ratio(ratio: Any) -> Any:
    """Convert a ratio of powers to decibels, 10 log10.

    Parameters
    ----------
    ratio : float or ndarray
        0 gives minus infinity.

    Returns
    -------
    float or ndarray
        dB.
    """
    return either(lambda m, v: 10.0 * log10(m, v), ratio)


@overload
def power_ratio_from_db(level_db: float) -> float: ...
@overload
def power_ratio_from_db(level_db: Floats) -> Floats: ...
def power_ratio_from_db(level_db: Any) -> Any:
    """Convert decibels to a ratio of powers.

    Parameters
    ----------
    level_db : float or ndarray
        dB.

    Returns
    -------
    float or ndarray
        Ratio.
    """
    return either(lambda _m, v: 10.0 ** (v / 10.0), level_db)


@overload
def dbfs_from_rms(rms_fs: float) -> float: ...
@overload
def dbfs_from_rms(rms_fs: Floats) -> Floats: ...
def dbfs_from_rms(rms_fs: Any) -> Any:
    """Convert an r.m.s. value to dBFS: a full-scale sine is 0 dBFS, a full-scale square 3.01.

    Parameters
    ----------
    rms_fs : float or ndarray
        R.m.s., the largest sample value is 1.

    Returns
    -------
    float or ndarray
        dBFS.

    References
    ----------
    AES17, definition of the full-scale level.

    Examples
    --------
    >>> round(dbfs_from_rms(2 ** -0.5), 12)
    0.0
    """
    return either(lambda m, v: 20.0 * log10(m, v) + 10.0 * math.log10(2.0), rms_fs)


@overload
def db_from_percent(percent: float) -> float: ...
@overload
def db_from_percent(percent: Floats) -> Floats: ...
def db_from_percent(percent: Any) -> Any:
    """Convert per cent of an amplitude to decibels: 1 % is -40 dB.

    Parameters
    ----------
    percent : float or ndarray
        Per cent.

    Returns
    -------
    float or ndarray
        dB.
    """
    return either(lambda m, v: 20.0 * log10(m, v) - 40.0, percent)


@overload
def percent_from_db(level_db: float) -> float: ...
@overload
def percent_from_db(level_db: Floats) -> Floats: ...
def percent_from_db(level_db: Any) -> Any:
    """Convert decibels to per cent of an amplitude.

    Parameters
    ----------
    level_db : float or ndarray
        dB.

    Returns
    -------
    float or ndarray
        Per cent.
    """
    return either(lambda _m, v: 10.0 ** (v / 20.0 + 2.0), level_db)
