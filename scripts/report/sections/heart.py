"""What contrasts of heart outcomes may be called evidence of."""

import pandas as pd

from engine.listings import described
from report.evidence import sentence_above_intrinsic, sentence_of_evidence
from report.heart import (
    FALLS,
    RESERVATION,
    contrasts_of,
    delays_after_sets,
    delays_in_words,
    may_compare_falls,
    not_comparable,
    rate_has_smallest_effect,
    rate_in_sets_is_equal,
)
from report.joint_tests import told_interaction
from report.origins import Origin, Told
from report.page import shown_table
from report.sentences import is_comparison, same_order
from report.single_case import is_one_participant
from report.words import basis_in_columns, label_of, window_of_set, with_interval
from results.words import words_of

ORDER = 20

TITLE = "The heart, exercise by exercise"

NEEDS = ("outcomes", "contrasts", "joint_tests", "quality")


NOT_RECORDED = "Neither an ECG nor beat intervals were recorded, so that this cannot be answered."

NOTHING_COMPARED = (
    "Nothing is compared between conditions here; what was measured of the heart, set by set, "
    "stands in outcomes.tsv."
)


def section(results):
    if not (results.events["trial_type"] == "set").any():
        return None
    if not set(results.recordings["signal"]) & {"ecg", "rr"}:
        return {"absent": NOT_RECORDED}
    delays = delays_after_sets(results.events, results.quality)
    delays = delays_in_words(delays, results.settings)
    by_exercise = heart_by_exercise(results.contrasts)
    sentences = list(heart_in_words(results))
    return {
        "absent": why_nothing(sentences, delays, by_exercise),
        "sentences": sentences,
        "delays": Told(delays, Origin("quality", 0)),
        "interactions": heart_interactions(results.joint_tests, by_exercise),
        "by_exercise": shown_table(by_exercise, "Contrasts of the heart within each exercise"),
    }


def why_nothing(sentences, delays, by_exercise):
    """What stands in the section where it would be empty, as with one participant; else empty."""
    return "" if sentences or delays or len(by_exercise) else NOTHING_COMPARED


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


def heart_in_words(results):
    """What contrasts of heart outcomes may be called evidence of, an outcome a sentence."""
    compared = results.contrasts
    told = [*(key for key in results.primary if described(key[0]).EVIDENCE), *SPELT_OUT]
    if is_one_participant(results.outcomes, results.conditions):
        told = []
    for name, window in dict.fromkeys(told):
        contrasts = contrasts_of(compared, name, window)
        if contrasts.empty:
            continue
        label = f"{described(name).LABEL} ({window_of_set(window)})"
        stated = rate_has_smallest_effect(compared)
        if name in FALLS and stated:
            equal = [
                rate_in_sets_is_equal(compared, contrast) for contrast in contrasts["contrast"]
            ]
            if not all(equal):
                unequal = contrasts[[not e for e in equal]]
                said = not_comparable(label, unequal["contrast"])
                yield Told(said, *Origin.of_each("contrasts", unequal))
            contrasts = contrasts[equal]
            if contrasts.empty:
                continue
        said = sentence_of_evidence(
            contrasts,
            label,
            described(name).EVIDENCE,
            described(name).UNIT,
            same_order=same_order(compared),
        )
        said = said if name not in FALLS or stated else f"{said} {RESERVATION}"
        yield Told(said, *Origin.of_each("contrasts", contrasts))
    outcomes = results.outcomes
    above = outcomes[
        (outcomes["outcome"] == "hr_above_intrinsic_bpm")
        & (outcomes["window"] == "set")
        & outcomes["value"].notna()
    ]
    if said := sentence_above_intrinsic(above, results.conditions):
        yield Told(said, Origin("outcomes", 0, "hr_above_intrinsic_bpm", "set"))


def heart_interactions(tests, by_exercise):
    """Whether the contrasts of each outcome of the table vary from exercise to exercise."""
    shown = set(by_exercise["outcome"]) if len(by_exercise) else set()
    of_table = {_label(name, window): (name, window) for name, window in BY_EXERCISE}
    told = [
        told_interaction(tests, *key, label) for label, key in of_table.items() if label in shown
    ]
    return [said for said in told if said]


def heart_by_exercise(compared):
    """Contrasts of heart outcomes within each exercise, a column per contrast.

    Falls of heart rate stand there where they may be compared.
    """
    within = compared[(compared["exercise"] != "all") & is_comparison(compared)]
    by_exercise, behind = {}, {}
    for name, window in BY_EXERCISE:
        of_outcome = within[(within["outcome"] == name) & (within["window"] == window)]
        for row in of_outcome.itertuples():
            if name not in FALLS or may_compare_falls(compared, row.contrast):
                labels = (_label(name, window), words_of(row.exercise))
                by_exercise.setdefault(labels, {})[row.contrast] = Told(
                    with_interval(row), Origin.of("contrasts", row)
                )
                behind.setdefault(labels, []).append(row)
    return pd.DataFrame(
        [
            {"outcome": labels[0], "exercise": labels[1]} | cells | basis_in_columns(behind[labels])
            for labels, cells in by_exercise.items()
        ]
    ).fillna("")


def _label(outcome, window):
    return f"{label_of(outcome)}, {window_of_set(window)}"
