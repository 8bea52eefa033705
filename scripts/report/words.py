"""Names of the tables as people read them."""

import pandas as pd

from engine.listings import described
from report.sentences import why_no_comparison
from results.format import estimate_and_interval, interval, p_value, significant, three_digits
from results.words import words_of


def label_of(outcome):
    """Name of an outcome with its unit as it is printed."""
    module = described(outcome)
    unit = {"ms2": "ms\N{SUPERSCRIPT TWO}"}.get(module.UNIT, module.UNIT)
    return f"{module.LABEL} ({unit})" if unit else module.LABEL


def window_of_set(window):
    """A window of a set in words; release is that of the cuff or the end of the set, see Terms."""
    if window == "recovery_first_60_s":
        return "first 60 s after release"
    return words_of(window)


def span_of(numbers):
    """Whole numbers from the smallest to the largest, `9 to 10`; one alone where all are alike."""
    known = sorted({round(n) for n in numbers if pd.notna(n)})
    return " to ".join(f"{n}" for n in dict.fromkeys([known[0], known[-1]])) if known else ""


# what stands beside every contrast that is shown, by its column in results
COLUMNS_OF_BASIS = {"pairs": "n_pairs", "flagged, %": "flagged_pct", "withheld, %": "withheld_pct"}


def basis_in_columns(contrasts):
    """Pairs and shares flagged and withheld behind rows of contrasts, from fewest to most."""
    contrasts = list(contrasts)
    return {
        column: span_of([getattr(row, name, None) for row in contrasts])
        for column, name in COLUMNS_OF_BASIS.items()
    }


def with_interval(row):
    """An estimate with its interval; a ratio is marked by a multiplication sign.

    Where nothing was compared, the reason.
    """
    if pd.isna(row.estimate):
        return "not estimated"
    if why := why_no_comparison(row):
        return why
    sign = "\u00d7 " if row.scale == "ratio" else ""
    limits = "" if pd.isna(row.ci_low) else f" ({interval(row.ci_low, row.ci_high)})"
    return f"{sign}{significant(row.estimate)}{limits}"


def with_limits(table):
    """A table of results to read: value and 95 % limits in one column, three digits, p as printed.

    table : columns value, ci_low, ci_high, any number of columns of p; other columns stay
    """
    shown = table.assign(
        value=[
            estimate_and_interval(row.value, row.ci_low, row.ci_high) or three_digits(row.value)
            for row in table.itertuples()
        ]
    )
    of_p = [name for name in shown.columns if name == "p" or name.startswith("p_")]
    shown[of_p] = shown[of_p].map(p_value)
    shown = shown.rename(columns={"value": "value (95 % interval)"})
    return shown.drop(columns=["ci_low", "ci_high"])


def source_of(section, name, settings, default_settings):
    """Source of a setting's value: that of the default, or "set by the study" if it differs."""
    of_section = getattr(settings, section)
    if getattr(of_section, name) != getattr(getattr(default_settings, section), name):
        return "set by the study"
    return type(of_section).model_fields[name].json_schema_extra["source"]
