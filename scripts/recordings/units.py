"""Units of recorded signals: conversion to one canonical unit, and a check of the declared one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from study.units import CANONICAL_UNIT, FACTORS, KEPT_UNITS, POSSIBLE, UNIT_OF, allowed_units

FloatArray = NDArray[np.float64]

_SMALLEST_ECG_MV = 0.02


def canonical_unit(signal: str, unit: str) -> str:
    """Unit that values of a signal are kept in once read; what has no scale stays in `au`.

    Raises ValueError for a unit in which the signal cannot be declared.
    """
    if unit not in allowed_units(signal):
        raise ValueError(
            f"unit '{unit}' is not one of {', '.join(allowed_units(signal))} for {signal}"
        )
    return unit if unit in KEPT_UNITS.get(signal, ()) else CANONICAL_UNIT[signal]


def to_canonical(signal: str, samples: ArrayLike, unit: str) -> FloatArray:
    """Convert values from their declared unit to the canonical unit of the signal.

    `samples`: any shape, in `unit`; returns a new float64 array of the same shape. Raises
    ValueError for a unit in which the signal cannot be declared.
    """
    canonical_unit(signal, unit)
    return np.asarray(samples, dtype=np.float64) * FACTORS[signal][unit]


def recognised_unit(written: str) -> str | None:
    """Unit of recordings.tsv that a file's own unit text stands for, or None if not known."""
    return UNIT_OF.get(written.strip().strip("[]()").strip().lower())


def contradicts(written: str, declared: str) -> bool:
    """Whether a file's own unit text stands for a known unit other than the declared one."""
    return declared != "au" and recognised_unit(written) not in (None, "au", declared)


def count_impossible(signal: str, samples: ArrayLike, unit: str) -> int:
    """Number of values outside what is physically possible; NaN does not count.

    `samples`: any shape, in the canonical unit `unit`; an ECG is judged about its median, which is
    electrode offset. Limits: `study.units`.
    """
    judged = np.asarray(samples, dtype=np.float64)
    if signal == "ecg" and not np.isnan(judged).all():
        judged = judged - np.nanmedian(judged)
    low, high = possible_range(signal, unit)
    return int(np.count_nonzero((judged < low) | (judged > high)))


def possible_range(signal: str, unit: str) -> tuple[float, float]:
    """Lowest and highest physically possible value in the canonical unit; infinite if none."""
    return POSSIBLE.get((signal, unit), (-np.inf, np.inf))


def check_plausible(signal: str, samples: ArrayLike, unit: str) -> str | None:
    """Say in a sentence that the declared unit is suspect, or return None where it fits.

    `samples`: any shape, in the declared `unit`. The judgement is of the recording as a
    whole (median or percentile), so single wild samples do not cause it; recordings without a
    finite value or without any change are not judged. Raises ValueError for a unit in which the
    signal cannot be declared. Limits: common practice, no source.
    """
    declared = np.asarray(samples, dtype=np.float64).ravel()
    declared = declared[np.isfinite(declared)]
    canonical = to_canonical(signal, declared, unit)
    kept_in = canonical_unit(signal, unit)
    if not canonical.size or (signal, kept_in) not in POSSIBLE:
        return None
    if signal == "ecg":
        return _check_ecg(declared, canonical, unit)
    low, high = POSSIBLE[signal, kept_in]
    if signal == "muscle_oxygen" and unit == "pct" and 0 < np.max(declared) <= 1:
        return f"highest saturation {np.max(declared):.3g} pct: declared pct, looks like fraction"
    middle = float(np.median(canonical))
    if low <= middle <= high:
        return None
    what = {
        "rr": "interval",
        "muscle_oxygen": "saturation",
        "oxy_haemoglobin": "oxygenated haemoglobin",
        "deoxy_haemoglobin": "deoxygenated haemoglobin",
        "total_haemoglobin": "total haemoglobin",
        "cuff_pressure": "cuff pressure",
    }[signal]
    shown = float(np.median(declared))
    return f"median {what} {shown:.4g} {unit}: declared {unit}, looks like " + _better_unit(
        signal, shown, unit
    )


def _check_ecg(declared: FloatArray, canonical: FloatArray, unit: str) -> str | None:
    # The median stands for the electrode offset, which is no part of the signal's size.
    size_mv = np.abs(canonical - np.median(canonical))
    typical = float(np.median(np.abs(declared - np.median(declared))))
    if np.median(size_mv) > POSSIBLE["ecg", "mV"][1]:
        likely = "uV" if unit == "mV" else "a wrong scale"
        return f"median deflection {typical:.4g} {unit}: declared {unit}, looks like {likely}"
    largest = float(np.percentile(size_mv, 99))
    if 0 < largest < _SMALLEST_ECG_MV:
        likely = "V or a wrong scale" if unit == "mV" else "mV or a wrong scale"
        return (
            f"99 % of deflections are below {largest:.2g} mV: declared {unit}, looks like {likely}"
        )
    return None


def _better_unit(signal: str, typical: float, unit: str) -> str:
    low, high = POSSIBLE[signal, canonical_unit(signal, unit)]
    for unit_instead in allowed_units(signal):
        in_other = to_canonical(signal, typical, unit_instead)
        if (
            canonical_unit(signal, unit_instead) == canonical_unit(signal, unit)
            and low <= in_other <= high
        ):
            return unit_instead
    return "another unit"
