"""What may be compared of the heart after a set, and from where it counts."""

from results.words import in_words

RESERVATION = (
    "No smallest effect of heart rate in the sets was stated, so that equal rates cannot be shown; "
    "a fall from a higher rate is larger, and these contrasts may show no more than that."
)

# comparable only from an equal heart rate at the end of exercise (Cole et al. 1999)
FALLS = ("hrr_30_bpm", "hrr_60_bpm")


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
    differ = means.max() - means.min() >= 0.05
    listed = in_words([f"{means[name]:.1f} s with {name}" for name in named])
    listed = listed if differ else f"{means.max():.1f} s"
    said = (
        "What follows a set counts from its end or from the release of its cuff, whichever is "
        f"later: on average {listed} after exercise{'' if differ else ', whatever the condition'}."
    )
    if differ:
        said += (
            " It therefore begins later in recovery with some conditions than with others, and a "
            "part of any contrast of it may be this delay."
        )
    return said


def rate_has_smallest_effect(compared):
    """Whether a smallest effect of heart rate in sets was stated, by which rates can be equal."""
    rate = contrasts_of(compared, "mean_hr_bpm", "set")
    return bool(rate["smallest_effect"].notna().any())


def may_compare_falls(compared, contrast):
    """Whether falls of heart rate are printed: from equal rates, or with the reservation."""
    return not rate_has_smallest_effect(compared) or rate_in_sets_is_equal(compared, contrast)


def rate_in_sets_is_equal(compared, contrast):
    """Whether heart rate in the sets was shown to be equal within its smallest effect.

    From the interval itself: heart rate need not be a primary outcome, and only these are read.
    """
    rate = contrasts_of(compared, "mean_hr_bpm", "set")
    of_contrast = rate[rate["contrast"] == contrast]
    within = (of_contrast["ci_low"] > -of_contrast["smallest_effect"]) & (
        of_contrast["ci_high"] < of_contrast["smallest_effect"]
    )
    return bool(within.any())


def not_comparable(label, contrasts):
    """Why falls of heart rate are not compared, for contrasts such as `low - none`."""
    named = ", ".join(contrast.replace(" - ", " against ") for contrast in contrasts)
    return (
        f"{label}, {named}: not comparable, because heart rate in the sets was not shown to be "
        "equal and a fall from a higher rate is larger. Rates count as equal where their "
        "difference lies within the smallest effect that the settings state for mean heart rate in "
        "sets."
    )
