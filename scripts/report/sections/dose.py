"""What goes with the pressure applied, as a share of the measured occlusion pressure."""

import pandas as pd

from comparison.dose_table import MEASURES, RATIO, STEP_PCT, TAU
from comparison.jackknife import why_no_interval
from engine.listings import described
from report.origins import Origin, Told
from report.page import shown_table
from report.words import window_of_set, with_limits
from results.format import p_in_words
from results.words import counted

ORDER = 27

TITLE = "Pressure applied"

NEEDS = ("dose",)


def section(results):
    doses = doses_in_words(results.dose)
    if not doses or not (results.events["trial_type"] == "set").any():
        return None
    return {
        "doses": doses,
        "dose": shown_table(
            with_limits(results.dose),
            "Outcomes against the pressure applied",
            Origin.of_each("dose", results.dose),
        ),
    }


def doses_in_words(dose):
    """A sentence for each outcome, then what was left out and what none of them can tell."""
    first = dose[dose["measure"] == dose["scale"].map(MEASURES)]
    given = first[first["value"].notna()]
    if given.empty:
        reasons = "; ".join(dict.fromkeys(first["note"].dropna()))
        return [f"Nothing can be said of the pressure applied: {reasons}."] if reasons else []
    sentences = [
        Told(sentence_of(row, dose), Origin("dose", index + 2, row["outcome"], row["window"]))
        for index, row in zip(given.index, given.to_dict("records"), strict=True)
    ]
    for note, without in first[first["value"].isna()].groupby("note", sort=False):
        names = "; ".join(name_of(row) for row in without.to_dict("records"))
        said = f"Not related to the pressure, because {note}: {names}."
        sentences.append(Told(said, *(Origin("dose", index + 2) for index in without.index)))
    left_out = [part for part in parts_of(given.iloc[0]) if part.startswith("left out")]
    if left_out:
        listed = left_out[0].removeprefix("left out: ")
        said = f"Left out of {name_of(given.iloc[0])}: {listed}."
        sentences.append(Told(said, Origin("dose", given.index[0] + 2)))
    few = why_no_interval(given["n_participants"].max())
    if few:
        sentences.append(f"{few.capitalize()}.")
    sentences.append(
        "Pressure is chosen by condition: whatever else differs between conditions, as when they "
        "were done, goes with the pressure."
    )
    return sentences


def parts_of(row):
    return [] if pd.isna(row["note"]) else row["note"].split("; ")


def name_of(row):
    return f"{described(row['outcome']).LABEL} ({window_of_set(row['window'])})"


def sentence_of(row, dose):
    """One slope in words, with its trend and, for the nadir, the dose at the band; of a rating the
    trend alone."""
    of_visits = "the dose of a visit is the mean over its sets" in parts_of(row)
    within = "as mean of the visit, within person" if of_visits else "within person and exercise"
    counts = (
        f"{counted(int(row['n_participants']), 'person', 'people')}, {row['n_values']:.0f} values"
    )
    if row["measure"] == TAU:
        return (
            f"{name_of(row)}: Kendall's tau {row['value']:.2f}{limits_of(row, '{:.2f}')} with the "
            f"pressure, {within} ({counts}). A rating is ordinal and has no slope in points."
        )
    ratio = row["measure"] == RATIO
    shape = "{:.3f}" if ratio else "{:+.2f}"
    unit = "" if ratio else described(row["outcome"]).UNIT or ""
    unit = "percentage points" if unit == "%" else unit
    size = "\N{MULTIPLICATION SIGN} " if ratio else ""
    size += " ".join(filter(None, [shape.format(row["value"]), unit]))
    alike = (dose["outcome"] == row["outcome"]) & (dose["window"] == row["window"])
    tau = dose[alike & (dose["measure"] == TAU) & dose["value"].notna()]
    trend = f"; Kendall's tau {tau['value'].iloc[0]:.2f}" if len(tau) else ""
    edge = dose[alike & dose["measure"].str.startswith("dose at")]
    at_edge = "" if edge.empty else f" {edge_in_words(edge.iloc[0])}"
    return (
        f"{name_of(row)}: {size}{limits_of(row, shape)} for {STEP_PCT:g} % more of the occlusion "
        f"pressure, {within} ({counts}{trend}).{at_edge}"
    )


def limits_of(row, shape):
    """Interval and p of a value in brackets; nothing without an interval."""
    if pd.isna(row["ci_low"]):
        return ""
    p = f"; {p_in_words(row['p'])}" if pd.notna(row["p"]) else ""
    return f" ({shape.format(row['ci_low'])} to {shape.format(row['ci_high'])}{p})"


def edge_in_words(row):
    level = row["measure"].removeprefix("dose at which the mean reaches ")
    if pd.isna(row["value"]):
        return f"Within the doses applied the mean does not reach {level}, where the band begins."
    limits = "" if pd.isna(row["ci_low"]) else f" ({row['ci_low']:.0f} to {row['ci_high']:.0f} %)"
    return (
        f"The mean reaches {level}, where the band begins, at {row['value']:.0f} %{limits} of the "
        "occlusion pressure."
    )
