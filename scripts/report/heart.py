"""What the report says of the heart: sentences over all exercises, a table exercise by exercise."""

import pandas as pd

from engine.listings import outcome_modules
from report.evidence import sentence_of_evidence, sentences_above_intrinsic
from report.sentences import in_words, is_comparison
from report.words import label_of, window_of_set, with_interval, words_of

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
        label = f"{modules[name].LABEL} ({window_of_set(window)})"
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
            confidence=settings.compare_conditions.confidence,
        )
    above = found[
        (found["outcome"] == "hr_above_intrinsic_bpm")
        & (found["window"] == "set")
        & found["value"].notna()
    ]
    yield from sentences_above_intrinsic(above, settings.study.conditions)


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
                labels = (f"{label_of(name)}, {window_of_set(window)}", words_of(row.exercise))
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


def delays_after_sets(events, quality):
    """Seconds from the end of each set to where its recovery begins, with the set's condition.

    `events` of the session sheet and quality.tsv, which holds the limits of all windows. Sets
    whose recovery cannot be used, or whose time came from the recording, are left out.
    """
    keys = ["participant_id", "session_id", "event_id"]
    sets = events[(events["trial_type"] == "set") & events["condition"].notna()]
    ends = sets[[*keys, "condition"]].assign(
        end_s=(sets["onset_s"] + sets["duration_s"]).astype(float)
    )
    windows = quality[(quality["segment"] == "recovery_first_60_s") & quality["reason"].isna()]
    both = ends.merge(windows[[*keys, "start_s"]], on=keys)
    return both.assign(delay_s=both["start_s"] - both["end_s"])[["condition", "delay_s"]]


def delays_in_words(delays, settings):
    """From where outcomes after a set count, and how long after exercise that is by condition."""
    # no -0.0 from times that were written with six decimals
    means = delays.groupby("condition")["delay_s"].mean().round(3) + 0.0
    named = [c for c in settings.study.conditions if c in means.index]
    if not named or means.max() < 0.05:
        return ""
    listed = in_words([f"{means[name]:.1f} s with {name}" for name in named])
    said = (
        "What follows a set counts from its end or from the release of its cuff, whichever is "
        f"later: on average {listed} after exercise."
    )
    if means.max() - means.min() >= 0.05:
        said += (
            " It therefore begins later in recovery with some conditions than with others, and a "
            "part of any contrast of it may be this delay."
        )
    return said


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
