"""What the report may say, and how it counts."""

import pandas as pd
import pytest

from engine.listings import figure_modules
from figures._drawing import pyplot, ratio_axis
from project import settings_with
from report.heart import delays_after_sets, delays_in_words, rate_in_sets_is_equal
from report.methods import breathing_in_words, claims_in_words, comparison, other_assumptions
from report.sections.coupling import boundaries_in_words, boundaries_that_differ
from report.sections.failure import depth
from report.sections.findings import without_exercises
from report.sections.heart import heart_by_exercise
from report.sections.limits import what_few_cannot_show
from report.sections.quality import moved_stamps
from report.sections.settings import setting_in_words
from report.words import span_of


@pytest.mark.parametrize(
    ("low", "high", "size", "equal"),
    [
        (-1.0, 2.5, 3.0, True),
        (0.5, 2.5, 3.0, True),
        (-1.0, 3.5, 3.0, False),
        (-3.5, 2.0, 3.0, False),
        (-1.0, 2.5, float("nan"), False),
        (float("nan"), float("nan"), 3.0, False),
    ],
)
def test_falls_of_heart_rate_are_compared_only_from_rates_shown_to_be_equal(low, high, size, equal):
    """A fall from a higher rate is larger (Cole et al. 1999); no difference shown is not enough."""
    rate = {
        "outcome": "mean_hr_bpm",
        "window": "set",
        "exercise": "all",
        "contrast": "low - none",
        "ci_low": low,
        "ci_high": high,
        "smallest_effect": size,
        "reading": "secondary, no claim",
    }
    assert rate_in_sets_is_equal(pd.DataFrame([rate]), "low - none") is equal


def test_a_contrast_says_which_exercises_it_leaves_out():
    """A contrast over all exercises must not silently be one over some of them."""
    outcomes = pd.DataFrame(
        [
            {"exercise": exercise, "condition": condition, "value": value}
            for exercise, none, low in (("squat", 40.0, float("nan")), ("calf_raise", 45.0, 40.0))
            for condition, value in (("none", none), ("low", low))
        ]
    ).assign(outcome="smo2_nadir_pct", window="set")
    said = without_exercises(outcomes, "smo2_nadir_pct", "set", "low - none")
    assert said == " Left out: squat (no values in both conditions)."
    assert (
        without_exercises(
            outcomes[outcomes["exercise"] == "calf_raise"], "smo2_nadir_pct", "set", "low - none"
        )
        == ""
    )


def sets_with(values):
    """Rows of outcomes.tsv of sets of one person: (nadir, seconds in the band, to failure)."""
    names = ("smo2_nadir_pct", "time_in_failure_band_s", "to_failure")
    return pd.DataFrame(
        [
            {
                "participant_id": "sub-01",
                "session_id": "ses-1",
                "event_id": f"set-{n}",
                "condition": "target",
                "window": "set",
                "outcome": name,
                "value": value,
            }
            for n, of_set in enumerate(values)
            for name, value in zip(names, of_set, strict=True)
        ]
    )


SETTINGS = settings_with(study={"conditions": ["none", "target"]})


def test_a_set_whose_nadir_lies_above_the_band_did_not_reach_it_whatever_single_readings_did():
    sets = sets_with([(16.5, 4.0, 1.0), (15.0, 4.0, 1.0), (17.0, 3.0, 0.0)])
    reached, lowest, definition = depth(sets, SETTINGS, SETTINGS)
    assert reached.startswith("1 of 3 sets reached the band of 0 to 15 %")
    assert lowest == "The lowest nadir of any set was 15 % with target (median 16 %)."
    assert definition.startswith("A set reached the band when its nadir")


def test_the_first_sentence_on_failure_counts_sets_of_each_condition_or_says_none():
    none, low = (sets_with([(40.0, 0.0, 0.0)] * 2).assign(condition=c) for c in ("none", "target"))
    reached, lowest, _ = depth(pd.concat([none, low]), SETTINGS, SETTINGS)
    assert reached.startswith("None of 4 sets reached the band")
    assert "40 % with none (median 40 %) and 40 % with target" in lowest
    deep = sets_with([(10.0, 9.0, 0.0)])
    reached, *_ = depth(pd.concat([none, deep]), SETTINGS, SETTINGS)
    assert reached.endswith("0 of 2 with none and 1 of 1 with target.")
    assert depth(none[:0], SETTINGS, SETTINGS) == []


def test_a_band_that_the_study_set_does_not_carry_the_source_of_the_default_one():
    sets = sets_with([(16.5, 4.0, 1.0)])
    own = settings_with(protocol={"failure_band_pct": [0.0, 20.0]})
    own = own.model_copy(update={"study": SETTINGS.study})
    assert "(common practice, no source)" in depth(sets, SETTINGS, SETTINGS)[0]
    assert "(set by the study)" in depth(sets, own, SETTINGS)[0]


def boundaries_with(*rows):
    """Rows of boundaries.tsv: log, difference, standard error, confidence, status, reason."""
    names = ("log_s", "difference_s", "se_s", "confidence", "status", "reason")
    places = dict.fromkeys(("participant_id", "session_id", "site", "boundary", "source"), "x")
    return pd.DataFrame([dict(zip(names, row, strict=True)) for row in rows]).assign(
        proposed_s=0.0, **places
    )


def test_what_only_the_recording_shows_is_not_counted_among_the_starts_and_ends_of_the_sheet():
    nothing = float("nan")
    boundaries = boundaries_with(
        (10.0, 0.3, 0.3, 0.98, "ok", None),
        (50.0, 3.3, 0.4, 0.9, "flagged", "3.3 s later than in the log"),
        (nothing, nothing, 0.4, 0.9, "flagged", "not in the log"),
        (nothing, nothing, 0.4, 0.9, "flagged", "supplied: the end"),
    )
    sheet, supplied, unnoted = boundaries_in_words(boundaries, tolerance_s=3.0)
    assert sheet.startswith("Of 2 starts or ends")
    assert "confirm 1, are unsure of 0, place 1 elsewhere, and could not place 0." in sheet
    assert supplied.startswith("1 start or end of sets had no time")
    assert unnoted.startswith("The recordings show 1 start or end of which")


def test_a_set_without_any_time_is_none_that_only_the_recordings_show():
    nothing = float("nan")
    lost = boundaries_with((nothing, nothing, nothing, nothing, "missing", "got no time"))
    assert boundaries_in_words(lost.assign(proposed_s=nothing), tolerance_s=3.0) == []


def test_a_start_that_the_recording_places_only_vaguely_is_unsure_and_not_confirmed():
    nothing = float("nan")
    boundaries = boundaries_with(
        (10.0, 0.3, 0.3, 0.98, "ok", None),
        (20.0, 6.1, 3.1, 0.25, "ok", None),
        (30.0, 0.1, 3.1, 0.25, "ok", None),
        (40.0, nothing, nothing, nothing, "missing", "could not be placed within 20 s"),
    )
    sheet, unsure = boundaries_in_words(boundaries, tolerance_s=3.0)
    assert "confirm 1, are unsure of 2, place 0 elsewhere, and could not place 1." in sheet
    assert unsure.endswith("They are 6.1 s apart at most.")
    shown = boundaries_that_differ(boundaries, tolerance_s=3.0)
    assert shown["log_s"].to_list() == ["20.0", "30.0", "40.0"]
    assert shown["reason"].to_list()[0] == "unsure, standard error 3.1 s"


@pytest.mark.parametrize(("pairs", "said"), [(3, True), (4, False)])
def test_contrasts_of_fewer_pairs_than_are_tested_are_told_once_however_many_took_part(pairs, said):
    compared = pd.DataFrame({"primary": "yes", "exercise": "all", "n_pairs": [9, pairs]})
    sentences = what_few_cannot_show(9, 4, compared)
    assert [text.endswith("described and never claimed.") for text in sentences] == [True] * said


def test_each_primary_outcome_stands_beside_what_its_contrasts_took_into_account():
    primary = [{"outcome": n, "window": "set"} for n in ("smo2_nadir_pct", "rmssd_ms", "rpe")]
    settings = settings_with(study={"primary_outcomes": primary})
    rows = pd.DataFrame(
        [
            {"outcome": name, "window": "set", "exercise": "all", "scale": "identity"}
            | {"se": 1.0, "method": method}
            for name, method in (
                ("smo2_nadir_pct", "within person, CR2, visit"),
                ("rmssd_ms", "within person, CR2, own baseline"),
            )
        ]
    )
    said = comparison(rows, settings)
    assert "with the visit in the model for Saturation nadir (set)" in said
    assert "with the session's own baseline as covariate for RMSSD (set)" in said
    assert "Perceived exertion" not in said
    nothing = comparison(rows.assign(se=float("nan")), settings)
    assert "the values are described only" in nothing


def test_the_error_over_all_claims_is_stated():
    claims = pd.DataFrame({"claim": ["target differs from both none and low"] * 3})
    said = claims_in_words(claims, settings_with().plan, 0.95)
    assert "any false claim over the 3 claims is held at 5 % by the steps of Holm" in said
    in_order = settings_with(plan={"across_claims": "in_order"}).plan
    assert "in their declared order until one was not shown" in claims_in_words(
        claims, in_order, 0.95
    )


def test_the_source_of_breathing_is_told_by_what_each_visit_recorded():
    recordings = pd.DataFrame(
        [
            ("sub-01", "ses-1", "ecg"),
            ("sub-01", "ses-1", "respiration"),
            ("sub-02", "ses-1", "ecg"),
            ("sub-03", "ses-1", "rr"),
            ("sub-04", "ses-1", "muscle_oxygen"),
        ],
        columns=["participant_id", "session_id", "signal"],
    )
    assert breathing_in_words(recordings) == (
        "from the recording of breathing in 1 visit, from the R amplitude of the ECG (Moody et "
        "al. 1985) and its intervals together in 1 visit, from the beat "
        "intervals alone in 1 visit"
    )


def test_only_analyses_that_gave_something_are_said_to_have_been_done():
    given = {"analysis": ["one participant left out", "own baseline as covariate"]}
    rows = pd.DataFrame(given | {"estimate": [1.0, float("nan")]})
    assert other_assumptions(rows) == "without each participant in turn"


def test_a_recovery_that_begins_at_cuff_release_is_said_to_begin_later_with_a_cuff():
    sets = {"trial_type": "set", "participant_id": "sub-01", "session_id": "ses-1"}
    events = pd.DataFrame(
        [
            sets
            | {"event_id": "set-01", "onset_s": 100.0, "duration_s": 40.0, "condition": "none"},
            sets
            | {"event_id": "set-02", "onset_s": 300.0, "duration_s": 40.0, "condition": "target"},
        ]
    )
    keys = {"participant_id": "sub-01", "session_id": "ses-1", "segment": "recovery_first_60_s"}
    quality = pd.DataFrame(
        [
            keys | {"event_id": "set-01", "start_s": 140.0, "reason": None},
            keys | {"event_id": "set-02", "start_s": 345.0, "reason": None},
        ]
    )
    delays = delays_after_sets(events, quality)
    said = delays_in_words(delays, SETTINGS)
    assert "on average 0.0 s with none and 5.0 s with target after exercise" in said
    assert "a part of any contrast of it may be this delay" in said
    assert delays_in_words(delays[delays["condition"] == "none"], SETTINGS) == ""
    alike = delays_in_words(delays.assign(delay_s=2.0), SETTINGS)
    assert alike.endswith("on average 2.0 s after exercise, whatever the condition.")


def test_a_group_of_settings_is_shown_without_its_brackets():
    added = {"says": "nadir over 9 s", "measure_outcomes": {"nadir_window_s": 9.0}, "edits": ""}
    assert setting_in_words(added) == "says: nadir over 9 s; measure_outcomes.nadir_window_s: 9"
    assert setting_in_words([0.0, 20.0]) == "0, 20"


def test_a_set_of_unknown_end_leaves_no_shade_in_the_course_of_sessions():
    events = pd.DataFrame(
        {
            "trial_type": ["set", "set", "sync"],
            "onset_s": [60.0, 300.0, 5.0],
            "duration_s": [40.0, float("nan"), float("nan")],
        }
    )
    axes = pyplot.subplots()[1]
    figure_modules()["01_session_course"].shade_sets(axes, events)
    assert [list(line.get_xdata()) for line in axes.lines] == [[5.0, 5.0]]
    pyplot.close("all")


@pytest.mark.parametrize("limits", [(0.72, 1.31), (0.86, 1.12), (1.05, 1.4)])
def test_an_axis_of_ratios_has_a_tick_where_nothing_differs(limits):
    axes = pyplot.subplots()[1]
    axes.set_xlim(*limits)
    ratio_axis(axes)
    assert (1.0 in axes.get_xticks()) == (limits[0] <= 1)
    pyplot.close("all")


def test_pairs_and_shares_stand_beside_numbers_of_single_exercises():
    rows = pd.DataFrame(
        [
            {"outcome": "mean_hr_bpm", "window": "set", "exercise": "squat", "contrast": contrast}
            | {"scale": "identity", "estimate": 2.0, "ci_low": 1.0, "ci_high": 3.0}
            | {"n_pairs": pairs, "flagged_pct": flagged, "withheld_pct": 0.0}
            for contrast, pairs, flagged in (("low - none", 9, 8.3), ("target - none", 10, 3.1))
        ]
    )
    (row,) = heart_by_exercise(rows).to_dict("records")
    assert (row["pairs"], row["flagged, %"], row["withheld, %"]) == ("9 to 10", "3 to 8", "0")


@pytest.mark.parametrize(("numbers", "said"), [([9, 9], "9"), ([3, 10], "3 to 10"), ([None], "")])
def test_a_span_of_one_number_is_that_number(numbers, said):
    assert span_of(numbers) == said


def test_the_report_tells_of_time_stamps_moved_so_far_that_results_show_it():
    sync = pd.DataFrame(
        {
            "signal": ["ecg", "ecg", "muscle_oxygen", "rr"],
            "stamps_moved_pct": [80.0, 0.0, 100.0, float("nan")],
            "largest_move_ms": [39.6, 0.5, 4.0, float("nan")],
        }
    )
    (sentence,) = moved_stamps(sync)
    assert sentence.startswith("Time stamps of 1 recording of ECG scattered about an even axis")
    assert "by up to 40 ms" in sentence
    assert moved_stamps(sync[1:]) == []
