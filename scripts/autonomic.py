"""What the report says of the heart: sentences over all exercises, a table exercise by exercise."""

import pandas as pd

from analysis.evidence import sentence_of_evidence, sentences_above_intrinsic
from analysis.sentences import is_comparison
from catalogue import outcome_modules
from wording import label_of, with_interval, words_of

# outcomes whose evidence is spelt out beside the primary ones, in the windows where they are read
SPELT_OUT = (
    ("hf_modulation", "set"),
    ("hrr_60_bpm", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_steady"),
)
BY_EXERCISE = (
    ("mean_hr_bpm", "set"),
    ("hf_modulation", "set"),
    ("hrr_60_bpm", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_first_60_s"),
)
# comparable only from an equal heart rate at the end of exercise (Cole et al. 1999)
FALLS = ("hrr_30_bpm", "hrr_60_bpm")


def heart_in_words(found, compared, primary, settings, *, same_order):
    """What contrasts of heart outcomes may be called evidence of, an outcome a sentence."""
    modules = outcome_modules()
    with_evidence = [key for key in primary if getattr(modules[key[0]], "EVIDENCE", None)]
    for name, window in dict.fromkeys([*with_evidence, *SPELT_OUT]):
        rows = contrasts_of(compared, name, window)
        if rows.empty:
            continue
        label = f"{modules[name].LABEL} ({words_of(window)})"
        if name in FALLS:
            equal = [rate_in_sets_is_equal(compared, contrast) for contrast in rows["contrast"]]
            if not all(equal):
                yield not_comparable(label, rows["contrast"][[not e for e in equal]])
            rows = rows[equal]
            if rows.empty:
                continue
        yield sentence_of_evidence(
            rows,
            label,
            modules[name].EVIDENCE,
            modules[name].UNIT,
            same_order=same_order,
            confidence=settings["compare_conditions"]["confidence"],
        )
    above = found[
        (found["outcome"] == "hr_above_intrinsic_bpm")
        & (found["window"] == "set")
        & found["value"].notna()
    ]
    yield from sentences_above_intrinsic(above, settings["study"]["conditions"])


def heart_by_exercise(compared):
    """Contrasts of heart outcomes within each exercise, a column per contrast.

    Falls of heart rate stand there where they may be compared.
    """
    within = compared[(compared["exercise"] != "all") & is_comparison(compared)]
    rows = {}
    for name, window in BY_EXERCISE:
        own = within[(within["outcome"] == name) & (within["window"] == window)]
        for row in own.itertuples():
            if name not in FALLS or rate_in_sets_is_equal(compared, row.contrast):
                labels = (f"{label_of(name)}, {words_of(window)}", words_of(row.exercise))
                rows.setdefault(labels, {})[row.contrast] = with_interval(row)
    return pd.DataFrame(
        [{"outcome": outcome, "exercise": exercise} | c for (outcome, exercise), c in rows.items()]
    ).fillna("")


def contrasts_of(compared, outcome, window):
    """Contrasts over all exercises of one outcome in one window."""
    return compared[
        (compared["outcome"] == outcome)
        & (compared["window"] == window)
        & (compared["exercise"] == "all")
    ]


def rate_in_sets_is_equal(compared, contrast):
    """Whether heart rate in the sets was shown to be equal within its smallest effect.

    From the interval itself: heart rate need not be a primary outcome, and only these are read.
    """
    rate = contrasts_of(compared, "mean_hr_bpm", "set")
    own = rate[rate["contrast"] == contrast]
    within = (own["ci_low"] > -own["smallest_effect"]) & (own["ci_high"] < own["smallest_effect"])
    return bool(within.any())


def not_comparable(label, contrasts):
    """Why falls of heart rate are not compared, for contrasts such as `low - none`."""
    named = ", ".join(contrast.replace(" - ", " against ") for contrast in contrasts)
    return (
        f"{label}, {named}: not comparable, because heart rate in the sets was not shown to be "
        "equal; a fall from a higher rate is larger. (Equal is a difference within "
        "smallest_effect of mean_hr_bpm in sets, in the settings.)"
    )
