"""Whether differences between conditions vary from exercise to exercise, in words."""

import pandas as pd

from comparison.joint_tests import INTERACTION
from report.origins import Origin, Told
from results.decided import ALPHA
from results.format import p_in_words


def interaction_of(tests, outcome, window):
    """The test of condition by exercise of one outcome as a row of joint_tests.tsv, or None.

    `tests`: the whole table, whose rows are numbered.
    """
    chosen = tests[
        (tests["outcome"] == outcome) & (tests["window"] == window) & (tests["term"] == INTERACTION)
    ]
    return next(chosen.itertuples(), None)


def told_interaction(tests, outcome, window, label):
    """The sentence of the test with its row, or None; `tests` as `interaction_of`."""
    test = interaction_of(tests, outcome, window)
    return test and Told(sentence_of_interaction(test, label), Origin.of("joint_tests", test))


def told_in_short(tests, outcome, window):
    """What the test shows in few words with its row, or None; `tests` as `interaction_of`."""
    test = interaction_of(tests, outcome, window)
    if test is None:
        return None
    if pd.isna(test.p):
        said = "Whether the differences vary from exercise to exercise was not tested."
    elif test.p < ALPHA:
        said = f"The differences vary from exercise to exercise ({p_in_words(test.p)})."
    else:
        said = (
            "The differences were not shown to vary from exercise to exercise "
            f"({p_in_words(test.p)})."
        )
    return Told(said, Origin.of("joint_tests", test))


def sentence_of_interaction(test, label):
    """Whether the differences vary between exercises; stands before what is said of single ones."""
    if pd.isna(test.p):
        return (
            f"{label}: whether the differences between conditions vary from exercise to exercise "
            f"was not tested ({test.note.removesuffix(': not tested')})."
        )
    left_out = f"; {test.note}" if isinstance(test.note, str) and test.note else ""
    numbers = f"F({test.df_num:.1f}, {test.df:.1f}) = {test.F:.2f}, {p_in_words(test.p)}{left_out}"
    if test.p < ALPHA:
        return (
            f"{label}: the differences between conditions vary from exercise to exercise "
            f"({numbers}). The contrast over all exercises is their mean."
        )
    return (
        f"{label}: the differences between conditions were not shown to vary from exercise to "
        f"exercise ({numbers}). This does not show that they are alike."
    )
