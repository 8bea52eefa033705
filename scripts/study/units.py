"""Units of recorded signals, declared once: factors, spellings, what is possible."""

from __future__ import annotations

KPA_IN_MMHG = 7.50062  # 1 mmHg = 133.322 Pa: NIST SP 811, 2008, appendix B.8

CANONICAL_UNIT = {
    "ecg": "mV",
    "rr": "ms",
    "muscle_oxygen": "pct",
    "oxy_haemoglobin": "umol_l",
    "deoxy_haemoglobin": "umol_l",
    "total_haemoglobin": "g_dl",
    "cuff_pressure": "mmHg",
    "respiration": "au",
}

# Units that cannot be converted to the canonical one and are kept.
KEPT_UNITS = {"ecg": ("au",), "total_haemoglobin": ("au", "umol_l")}

# Factor from a declared unit to the canonical one; a signal takes these units and no others.
FACTORS: dict[str, dict[str, float]] = {
    # counts of a converter: beats and quality are found at any scale
    "ecg": {"mV": 1.0, "uV": 1e-3, "au": 1.0},
    "rr": {"ms": 1.0, "s": 1e3},
    "muscle_oxygen": {"pct": 1.0, "fraction": 100.0},
    "oxy_haemoglobin": {"umol_l": 1.0},
    "deoxy_haemoglobin": {"umol_l": 1.0},
    "total_haemoglobin": {"g_dl": 1.0, "au": 1.0, "umol_l": 1.0},
    "cuff_pressure": {"mmHg": 1.0, "kPa": KPA_IN_MMHG},
    "respiration": {"au": 1.0, "mV": 1.0, "uV": 1.0},
}

# What files and people write for the units of recordings.tsv, in lower case.
SPELLINGS = {
    "mV": ("mv", "millivolt", "millivolts"),
    "uV": ("uv", "µv", "μv", "microv", "microvolt", "microvolts"),
    "ms": ("ms", "msec", "millisecond", "milliseconds"),
    "s": ("s", "sec", "second", "seconds"),
    "pct": ("pct", "%", "percent"),
    "fraction": ("fraction",),
    "mmHg": ("mmhg",),
    "kPa": ("kpa",),
    "g_dl": ("g_dl", "g/dl"),
    "umol_l": ("umol_l", "umol/l", "µmol/l", "μmol/l", "umol", "µm", "μm", "um", "micromolar"),
    "au": ("au", "a.u."),
}

UNIT_OF = {spelling: unit for unit, spellings in SPELLINGS.items() for spelling in spellings}

# Values outside cannot come from a living participant and working equipment, canonical units.
# Intervals 200-3000 ms are 300-20 beats/min; the others: common practice, no source.
POSSIBLE: dict[tuple[str, str], tuple[float, float]] = {
    ("ecg", "mV"): (-20.0, 20.0),
    ("rr", "ms"): (200.0, 3000.0),
    ("muscle_oxygen", "pct"): (0.0, 100.0),
    ("total_haemoglobin", "g_dl"): (0.0, 30.0),
    # changes from an arbitrary zero may be negative; a muscle holds some 100 to 200 in all
    ("oxy_haemoglobin", "umol_l"): (-500.0, 500.0),
    ("deoxy_haemoglobin", "umol_l"): (-500.0, 500.0),
    ("total_haemoglobin", "umol_l"): (-500.0, 500.0),
    ("cuff_pressure", "mmHg"): (-20.0, 400.0),
}


def allowed_units(signal: str) -> tuple[str, ...]:
    """Units that a signal may be declared in. Raises ValueError for an unknown signal."""
    if signal not in FACTORS:
        raise ValueError(f"signal '{signal}' is not one of {', '.join(FACTORS)}")
    return tuple(FACTORS[signal])
