"""What the terms of the report mean, of those that it uses."""

from report.words import source_of

ORDER = 80

TITLE = "Terms"

NEEDS = ("outcomes", "contrasts")

# what a study must have for a term to be explained
HEART, MUSCLE, SETS, CUFF, COMPARED, RATED, ALWAYS = (
    *("heart", "muscle", "sets", "cuff", "compared", "rated"),
    "always",
)

HEART_AND_SETS = "heart and sets"

TERMS = (
    ("NN interval", "Time between two normal beats that follow each other.", HEART),
    (
        "RMSSD",
        "Root mean square of the differences of successive NN intervals; mostly vagal.",
        HEART,
    ),
    (
        "SDNN",
        "Standard deviation of the NN intervals; it grows with the length of the window.",
        HEART,
    ),
    (
        "SD1, SD2",
        "Spread of each interval against the next, across and along the line of equal ones; SD1 "
        "repeats what RMSSD says.",
        HEART,
    ),
    (
        "LF, HF",
        "Power of the intervals in the low and the high frequency band of the settings; HF holds "
        "breathing only where breathing lies in that band.",
        HEART,
    ),
    (
        "Respiratory modulation of heart rate",
        "Power of heart rate, relative to its mean, at the breathing rate, followed through a set.",
        HEART,
    ),
    ("DFA alpha 1", "Short-term scaling exponent of the NN intervals.", HEART),
    (
        "Release",
        "The end of a set, or the release of the cuff that was inflated at its end, whichever is "
        "later. What follows a set counts from there.",
        SETS,
    ),
    (
        "Heart-rate recovery",
        "Fall of heart rate from the end of the set to 30 or 60 s after release.",
        HEART_AND_SETS,
    ),
    ("Saturation nadir", "Lowest centred mean of muscle oxygen saturation in a set.", MUSCLE),
    (
        "Failure band",
        "Saturations that are said to mark failure ({band_source}). A set reached it when its "
        "nadir lay in it.",
        MUSCLE,
    ),
    (
        "Time in the failure band",
        "Seconds in which single readings of a set lay in it; more than none where the nadir does "
        "not reach it.",
        MUSCLE,
    ),
    ("Half-time", "From release to half-way back from the nadir.", MUSCLE),
    (
        "Share of occlusion pressure",
        "Cuff pressure as a percentage of the pressure that stops arterial flow, measured on the "
        "same limb, side, posture, cuff width and day.",
        CUFF,
    ),
    ("Restriction", "Time under an inflated cuff, added up for each limb.", CUFF),
    ("Pair", "A participant with values in both conditions of a difference.", COMPARED),
    (
        "Within person, CR2",
        "Differences within each participant and exercise, visit taken into account, with an error "
        "that comes from the participants.",
        COMPARED,
    ),
    (
        "Adjusted p",
        "A p-value that keeps the chance of any false claim: by the steps of Holm over claims, by "
        "those of Shaffer over the differences of one outcome.",
        COMPARED,
    ),
    (
        "Mixed model",
        "All conditions in one model with an error of their own for person, session and exercise.",
        COMPARED,
    ),
    (
        "Sign-flip test",
        "How often a difference as large would arise if each participant's sign were chance.",
        COMPARED,
    ),
    ("Ratio", "One condition divided by the other; 1 is no difference.", COMPARED),
    (
        "Relative effect",
        "Of ratings: the share of all ratings of the study that lie below those of a condition, "
        "ties half. Contrasts are differences between two conditions; 0 is no difference.",
        RATED,
    ),
    (
        "Flagged, refused, missing",
        "Given with a reservation; not given because it would mislead; not recorded. The reason "
        "stands beside each.",
        ALWAYS,
    ),
)


def section(results):
    source = source_of("protocol", "failure_band_pct", results.settings, results.default_settings)
    given = set(results.outcomes.loc[results.outcomes["value"].notna(), "outcome"])
    has = facts(results.recordings, results.events, results.contrasts, given)
    return {"terms": [(t, says.format(band_source=source)) for t, says, of in TERMS if of in has]}


def facts(recordings, events, contrasts, given):
    """What a study has of what terms are about."""
    signals = set(recordings["signal"])
    kinds = set(events["trial_type"])
    has = {
        HEART: bool(signals & {"ecg", "rr"}),
        MUSCLE: "muscle_oxygen" in signals,
        SETS: "set" in kinds,
        CUFF: "cuff" in kinds or bool((events["cuff_pressure_mmhg"] > 0).any()),
        COMPARED: bool(contrasts["ci_low"].notna().any()),
        RATED: bool(given & {"rpe", "pain"}),
        ALWAYS: True,
    }
    has[HEART_AND_SETS] = has[HEART] and has[SETS]
    return {name for name, true in has.items() if true}
