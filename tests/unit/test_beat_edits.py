"""What a person decided about a beat is carried out as it was meant, or refused by name."""

import numpy as np
import pandas as pd
import pytest

from heart.beat_edits import BeatEditError, accept_spans, apply_beat_edits, excluded_spans_s


def edit_rows(*edits):
    columns = ["edit_id", "action", "time_s", "new_time_s", "end_s", "reason"]
    return pd.DataFrame(edits, columns=columns)


def test_every_edit_is_carried_out_exactly():
    beats = np.arange(20) * 0.8
    edits = edit_rows(
        ("e1", "remove_beat", 1.63, np.nan, np.nan, "T wave"),
        ("e2", "add_beat", 4.4, np.nan, np.nan, "n/a"),
        ("e3", "move_beat", 8.0, 8.1, np.nan, "onset"),
        ("e4", "exclude_span", 11.0, np.nan, 13.0, "electrode off"),
        ("e5", "move_onset", 3.0, 3.5, np.nan, "a set, not a beat"),
    )
    table = apply_beat_edits(beats, edits)
    added = table[table["origin"] == "added"]
    removed = table[table["origin"] == "removed"]
    assert list(added["time_s"]) == [4.4, 8.1]
    np.testing.assert_allclose(removed["time_s"], [1.6, 8.0, 11.2, 12.0, 12.8])
    assert list(added["detected_row"]) == [-1, -1]
    detected = table[table["detected_row"] >= 0]
    np.testing.assert_array_equal(beats[detected["detected_row"]], detected["time_s"])
    assert removed["reason"].iloc[0] == "removed by hand: T wave"
    assert added["reason"].iloc[0] == "added by hand"
    assert excluded_spans_s(edits) == [(11.0, 13.0)]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("e7", "remove_beat", 1.67, np.nan, np.nan, ""), r"edit e7 \(remove_beat\).*60 ms.*1\.6"),
        (("e8", "move_beat", 8.0, "n/a", np.nan, ""), r"edit e8 .*new_time_s is missing"),
        (("e9", "add_beat", 8.03, np.nan, np.nan, ""), r"edit e9 .*beat at 8\.000 s"),
        (("e6", "exclude_span", 9.0, np.nan, 8.0, ""), r"edit e6 .*end_s 8 is not after"),
        (("e5", "remove_beat", None, np.nan, np.nan, ""), r"edit e5 .*time_s is missing"),
    ],
)
def test_an_edit_that_fits_no_beat_is_refused_by_name(row, said):
    with pytest.raises(BeatEditError, match=said):
        apply_beat_edits(np.arange(20) * 0.8, edit_rows(row))


def test_a_beat_removed_once_cannot_be_removed_again():
    edits = edit_rows(
        ("e1", "remove_beat", 1.6, np.nan, np.nan, ""),
        ("e2", "remove_beat", 1.6, np.nan, np.nan, ""),
    )
    with pytest.raises(BeatEditError, match="edit e2"):
        apply_beat_edits(np.arange(20) * 0.8, edits)


def test_a_removal_can_be_undone_by_adding_the_beat_again():
    edits = edit_rows(
        ("e1", "remove_beat", 1.6, np.nan, np.nan, ""), ("e2", "add_beat", 1.6, np.nan, np.nan, "")
    )
    table = apply_beat_edits(np.arange(20) * 0.8, edits)
    in_use = table[table["origin"] != "removed"]
    np.testing.assert_allclose(in_use["time_s"], np.arange(20) * 0.8)


def test_what_two_reviewers_decided_alike_is_carried_out_once():
    beats = np.arange(20) * 0.8
    alike = edit_rows(
        ("a1", "remove_beat", 1.6, np.nan, np.nan, "T wave"),
        ("b1", "remove_beat", 1.62, np.nan, np.nan, "false"),
        ("a2", "add_beat", 4.4, np.nan, np.nan, "seen"),
        ("b2", "add_beat", 4.41, np.nan, np.nan, "seen"),
    )
    once = apply_beat_edits(beats, alike.assign(editor=["A", "B", "A", "B"]))
    assert list(once["origin"]).count("removed") == 1
    assert list(once.loc[once["origin"] == "added", "time_s"]) == [4.4]
    with pytest.raises(BeatEditError, match="b1"):
        apply_beat_edits(beats, alike.assign(editor="A"))


SPANS = pd.DataFrame(
    {
        "start_s": [0.0, 10.0, 20.0, 30.0],
        "end_s": [10.0, 20.0, 30.0, 40.0],
        "verdict": ["accepted", "doubtful", "rejected", "doubtful"],
        "reason": ["", "noise", "clipped", "noise"],
    }
)


def test_a_span_declared_usable_is_accepted_and_what_was_said_against_it_stays():
    accepted = accept_spans(SPANS, edit_rows(("e1", "accept_span", 9.0, np.nan, 32.0, "plain")))
    assert list(accepted["verdict"]) == ["accepted", "accepted", "accepted", "doubtful"]
    assert accepted["reason"][2] == "declared usable by hand, was rejected: clipped"
    assert list(SPANS["verdict"]) == ["accepted", "doubtful", "rejected", "doubtful"]


@pytest.mark.parametrize(
    ("spans", "limits_s", "said"),
    [
        (SPANS, (0.0, 10.0), "no span in doubt lies whole between 0 and 10 s"),
        (SPANS, (12.0, 19.0), "it covers 10 to 20 s in part"),
        (SPANS[:0], (0.0, 60.0), "beat intervals without a waveform"),
    ],
)
def test_declaring_usable_where_no_span_is_in_doubt_is_refused(spans, limits_s, said):
    start_s, end_s = limits_s
    with pytest.raises(BeatEditError, match=said):
        accept_spans(spans, edit_rows(("e1", "accept_span", start_s, np.nan, end_s, "plain")))
