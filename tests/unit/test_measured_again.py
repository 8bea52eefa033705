"""What is measured again under an alternative is what a whole run under its settings measures."""

import pandas as pd
import pytest

from finished_run import run_person
from measuring.measured_again import Change, Recorded
from measuring.person import FILES
from project import settings_with, write_tiny_study, write_tsv
from results.tables import read_table
from study.settings_files import merged

PERSON = "sub-01"
PRIMARY = [
    ("smo2_nadir_pct", "set"),
    ("mean_hr_bpm", "set"),
    ("rmssd_ms", "recovery_steady"),
    ("contraction_rate_hz", "set"),
]
KEYS = ["session_id", "event_id", "window", "outcome"]
SHOWN = [*KEYS, "value", "se", "status", "reason"]
EDIT = {
    "participant_id": PERSON,
    "session_id": "ses-1",
    "editor": "A",
    "edited_at": "2026-01-01",
    "reason": "seen",
    "file_sha256": "0" * 64,
}
EDITS = [
    EDIT | {"edit_id": "e1", "signal": "rr", "action": "exclude_span", "time_s": 165, "end_s": 175},
    EDIT
    | {
        "edit_id": "e2",
        "signal": "muscle_oxygen",
        "action": "exclude_span",
        "time_s": 190,
        "end_s": 201,
    },
    EDIT
    | {
        "edit_id": "e3",
        "signal": "muscle_oxygen",
        "action": "move_onset",
        "event_onset_s": 300,
        "new_time_s": 312,
    },
]
BASE = {"measure_outcomes": {"baseline_settle_s": 20.0}}


def whole_run(study, folder, settings):
    """Files of one person after all steps, and the primary outcomes."""
    run_person(study, folder, PERSON, settings)
    files = {name: folder / path.format(PERSON) for name, path in FILES.items()}
    files["signals"] = folder / "signals" / f"{PERSON}.parquet"
    outcomes = read_table(folder / "participants" / PERSON / "outcomes.tsv.gz")
    keys = zip(outcomes["outcome"], outcomes["window"], strict=True)
    return files, outcomes[[key in PRIMARY for key in keys]]


@pytest.fixture(scope="module")
def main(tmp_path_factory):
    folder = tmp_path_factory.mktemp("main")
    study = write_tiny_study(folder / "study", [PERSON], visits=(1, 2))
    write_tsv(study / "edits.tsv", EDITS)
    return study, *whole_run(study, folder / "results", settings_with(**BASE))


def in_order(outcomes):
    return outcomes[SHOWN].sort_values(KEYS, ignore_index=True)


@pytest.mark.parametrize(
    ("changes", "reached"),
    [
        ({"measure_outcomes": {"nadir_window_s": 10.0}}, {"smo2_nadir_pct"}),
        ({"protocol": {"slowest_cadence_hz": 0.4}}, None),
    ],
    ids=["nadir", "cadence"],
)
def test_measured_again_is_what_a_whole_run_under_the_changed_settings_measures(
    main, tmp_path, changes, reached
):
    study, files, before = main
    changed = settings_with(**merged(BASE, changes))
    _, expected = whole_run(study, tmp_path / "again", changed)
    change = Change(settings_with(**BASE), changed)
    recorded = Recorded(study, PERSON, **files)
    again = recorded.measured_again(change, PRIMARY, settings_with().quality_rules)
    assert set(again["outcome"]) == (reached or {outcome for outcome, _ in PRIMARY})
    pd.testing.assert_frame_equal(
        in_order(again),
        in_order(expected[expected["outcome"].isin(again["outcome"])]),
        check_dtype=False,
    )
    # the change is one that can be seen
    assert not in_order(expected).equals(in_order(before))


def test_without_edits_a_person_is_measured_as_if_nobody_had_decided_anything(main, tmp_path):
    study, files, before = main
    settings = settings_with(**BASE)
    undecided = write_tiny_study(tmp_path / "study", [PERSON], visits=(1, 2))
    _, expected = whole_run(undecided, tmp_path / "again", settings)
    change = Change(settings, settings, with_edits=False)
    again = Recorded(study, PERSON, **files).measured_again(change, PRIMARY, settings.quality_rules)
    pd.testing.assert_frame_equal(in_order(again), in_order(expected), check_dtype=False)
    differing = in_order(before)["value"].ne(in_order(expected)["value"])
    edited = in_order(before)["session_id"] == "ses-1"
    # each of the three decisions moved an outcome of its session, and of no other
    assert set(in_order(before).loc[differing, "outcome"]) >= {"smo2_nadir_pct", "mean_hr_bpm"}
    assert not (differing & ~edited).any()


def test_nothing_is_measured_again_where_only_the_comparison_changes(main):
    study, files, _ = main
    settings = settings_with(**BASE)
    changed = settings_with(**BASE, compare_conditions={"confidence": 0.9})
    absent = dict.fromkeys(files, study / "no such file")
    again = Recorded(study, PERSON, **absent).measured_again(
        Change(settings, changed), PRIMARY, settings.quality_rules
    )
    assert again.empty


def test_without_edits_nobody_is_measured_again_about_whom_nothing_was_decided(tmp_path):
    study = write_tiny_study(tmp_path / "study", [PERSON], visits=(1, 2))
    settings = settings_with(**BASE)
    names = ("signals", "sync", "beats", "respiration", "beat_quality", "saturation", "segments")
    absent = dict.fromkeys(names, study / "no such file")
    again = Recorded(study, PERSON, **absent).measured_again(
        Change(settings, settings, with_edits=False), PRIMARY, settings.quality_rules
    )
    assert again.empty
