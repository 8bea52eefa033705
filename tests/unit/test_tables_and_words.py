"""How numbers are written, and what may be said about them."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cuff.occlusion import Placement, measured_by_participant, share_of_occlusion
from recordings.store import SessionStretch, read_stretches, write_stretches
from report.evidence import sentence_above_intrinsic, sentence_of_evidence
from report.methods import occlusion_in_words, smallest_effects
from report.sections.heart import heart_by_exercise
from report.sentences import sentence_of_claim, sentence_of_contrast
from report.words import with_interval
from results import tables
from results.columns import table
from results.exclusions import WithheldValues, with_counts_left, with_ranges
from results.tables import number, read_table, write, write_table


def contrast(**values):
    usual = {
        "contrast": "target - none",
        "scale": "identity",
        "estimate": -13.9,
        "ci_low": -15.9,
        "ci_high": -12.0,
        "p": 0.0001,
        "p_adjusted": 0.0003,
        "claim": "yes",
        "reading": None,
        "note": "",
    }
    return SimpleNamespace(**usual | values)


@pytest.mark.parametrize("line", ["- n (numbr): how many", "- who - n: how many", "- n"])
def test_a_line_that_declares_no_column_of_a_known_type_is_refused(line):
    with pytest.raises(ValueError, match="no column"):
        table(f"""
            What a row is.
            {line}
            """)


@pytest.mark.parametrize(
    ("value", "column", "text"),
    [
        (812.3456789, "rr_ms", "812.346"),
        (1834.1234567, "time_s", "1834.123457"),
        (360.0, "onset_s", "360"),
        (-0.0, "time_s", "0"),
        (-0.0000001, "time_s", "0"),
        (-5.5, "offset_s", "-5.5"),
        (float("nan"), "p", "n/a"),
        (1.5e-7, "p", "1.5e-07"),
    ],
)
def test_numbers_keep_six_digits_and_times_their_microseconds(value, column, text):
    assert number(value, column) == text


def test_a_table_comes_back_as_it_was_and_none_is_a_condition(tmp_path):
    table = pd.DataFrame(
        {
            "participant_id": ["007", "sub-1"],
            "condition": ["none", None],
            "value": [1.25, np.nan],
            "note": ["two\nlines", ""],
        }
    )
    write_table(table, tmp_path / "t.tsv")
    back = read_table(tmp_path / "t.tsv")
    assert back["participant_id"].to_list() == ["007", "sub-1"]
    assert back["condition"][0] == "none"
    assert pd.isna(back["condition"][1])
    assert back["note"][0] == "two lines"
    assert not list(tmp_path.glob(".*unfinished"))


def test_signals_keep_their_clock_and_every_value_through_the_store(tmp_path):
    blank = dict.fromkeys(("channel", "site", "side", "position"))
    even = SessionStretch(
        **blank | {"session_id": "ses-1", "signal": "ecg", "file": "a.edf", "unit": "mV"},
        number=0,
        start_s=10.0,
        step_s=0.004,
        time_s=10.0 + 0.004 * np.arange(5),
        value=np.arange(5.0),
    )
    uneven = SessionStretch(
        **blank | {"session_id": "ses-1", "signal": "muscle_oxygen", "file": "b.csv"},
        unit="pct",
        number=1,
        start_s=1.0,
        step_s=None,
        time_s=np.array([1.0, 2.5, 2.6]),
        value=np.array([60.0, np.nan, 61.0]),
    )
    steps = np.tile([0.1, 0.3, np.nan, -0.2], 50).astype(np.float32).astype(float)
    of_few_levels = replace(even, value=steps, time_s=10 + 0.004 * np.arange(200.0))
    write_stretches([even, uneven, of_few_levels], tmp_path / "s.parquet")
    first, second, third = read_stretches(tmp_path / "s.parquet")
    np.testing.assert_array_equal(third.value, of_few_levels.value)
    # whoever opens the file without this project finds every value in its place
    values = pd.read_parquet(tmp_path / "s.parquet")["value"]
    np.testing.assert_array_equal(values[2], of_few_levels.value.astype(np.float32))
    np.testing.assert_allclose(first.time_s, even.time_s, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(second.time_s, uneven.time_s)
    np.testing.assert_array_equal(second.value, uneven.value)
    assert read_stretches(tmp_path / "s.parquet", ["ecg"])[0].signal == "ecg"


def test_a_shown_difference_is_named_with_direction_size_interval_and_p():
    text = sentence_of_contrast(contrast(), "Saturation nadir", "%")
    assert text == (
        "Saturation nadir was lower with target than with none: -13.9 percentage points "
        "(95 % CI -15.9 to -12.0), p < .001 adjusted."
    )


@pytest.mark.parametrize(("pairs", "why"), [(1, "one participant only"), (9, "no interval")])
def test_an_estimate_without_an_interval_is_not_printed_as_a_finding(pairs, why):
    nothing = dict.fromkeys(("ci_low", "ci_high", "p", "p_adjusted"), float("nan"))
    row = contrast(estimate=0.73, scale="ratio", n_pairs=pairs, **nothing)
    said = [sentence_of_contrast(row, "RMSSD", "ms"), with_interval(row)]
    rows = pd.DataFrame([vars(row)]).assign(primary="no", outcome="rmssd_ms", exercise="squat")
    rows = rows.assign(window="recovery_first_60_s")
    assert f"{why}: no comparison" in said[0] and f"{why}: no comparison" in said[1]
    said.append(sentence_of_evidence(rows, "RMSSD", "vagal", "ms"))
    assert not any("0.73" in sentence for sentence in said)
    assert heart_by_exercise(rows).empty


def test_lack_of_evidence_is_never_called_evidence_of_lack():
    row = contrast(estimate=0.1, ci_low=-3.0, ci_high=3.2, p=0.9, p_adjusted=1.0, claim="no")
    text = sentence_of_contrast(row, "Heart rate", "bpm")
    assert "No difference was shown; this does not show that there is none." in text


def test_sameness_is_said_only_within_the_smallest_effect_of_interest():
    row = contrast(
        **{"estimate": 0.1, "ci_low": -0.5, "ci_high": 0.7, "p": 0.9, "p_adjusted": 1.0},
        **{"reading": "equivalent", "smallest_effect": 3.0, "claim": "no", "confidence": 0.95},
    )
    text = sentence_of_contrast(row, "Heart rate", "bpm")
    assert "within the smallest effect of interest (3 bpm): shown to be no different" in text
    assert text.endswith("(two one-sided tests, each at 2.5 %).")


def test_a_difference_that_is_too_small_to_matter_is_said_to_be_so():
    row = contrast(
        **{"estimate": 0.9, "ci_low": 0.86, "ci_high": 0.95, "scale": "ratio"},
        **{"reading": "equivalent", "smallest_effect": 1.2},
    )
    text = sentence_of_contrast(row, "RMSSD", "ms")
    assert "lower with target than with none" in text
    assert text.endswith("smaller than the smallest effect of interest (a ratio of 1.2).")


def contrasts(*rows):
    return pd.DataFrame([vars(contrast(primary="yes", **row)) for row in rows])


def test_the_ratio_of_low_and_high_frequency_is_never_an_index_of_sympathetic_activity():
    text = sentence_of_evidence(contrasts({}), "LF/HF", "none", "")
    assert text.endswith("not an index of sympathetic activity.")


REDUCED = {"scale": "ratio", "estimate": 0.7, "ci_low": 0.6, "ci_high": 0.8}
UNCLEAR = {"scale": "ratio", "ci_low": 0.8, "ci_high": 1.1, "estimate": 0.95, "claim": "no"}


def test_a_fall_of_rmssd_is_consistent_with_less_vagal_modulation_and_no_more():
    text = sentence_of_evidence(contrasts(REDUCED), "RMSSD", "vagal", "ms")
    assert text.endswith("consistent with reduced cardiac vagal modulation.")
    assert "sympathetic" not in text


def test_an_outcome_that_was_not_adjusted_is_described_and_claims_nothing():
    compared = contrasts(REDUCED | {"claim": "not tested"}).assign(primary="no", n_pairs=9)
    text = sentence_of_evidence(compared, "RMSSD", "vagal", "ms")
    assert text == (
        "RMSSD, not adjusted and so without a claim: "
        "target against none ratio 0.700 (95 % CI 0.600 to 0.800) (9 pairs)."
    )


def test_evidence_names_what_was_shown_before_what_was_not():
    compared = contrasts({"contrast": "low - none"} | UNCLEAR, REDUCED)
    assert sentence_of_evidence(compared, "RMSSD", "vagal", "ms") == (
        "RMSSD: lower with target than with none, consistent with reduced cardiac vagal "
        "modulation; no difference was shown: low against none."
    )


def claim(**values):
    usual = {
        "claim": "target differs from both none and low",
        "verdict": "shown",
        "parts": "target - none: -13.9 (95 % CI -15.9 to -12; 9 pairs)",
        "p_adjusted": 0.0003,
        "note": "",
        "plan": "nothing was frozen",
    }
    return SimpleNamespace(**usual | values)


BOTH = ({}, {"contrast": "target - low"})


@pytest.mark.parametrize(
    ("against_low", "values", "said"),
    [
        ({}, {}, "Nadir: lower with target than with both none and low (p < .001 over all claims"),
        ({"estimate": 3.0}, {}, "Nadir: lower with target than with none; higher with target than"),
        (
            {},
            {"verdict": "not shown", "p_adjusted": 0.2},
            "Nadir: that target differs from both none and low was not shown (p = .200 over all",
        ),
        (
            {},
            {"verdict": "described", "note": "3 pairs in one of the differences"},
            "Nadir: that target differs from both none and low is not claimed, only described: 3",
        ),
        (
            {},
            {"verdict": "not tested", "note": "an earlier claim of the order was not shown"},
            "Nadir: that target differs from both none and low was not tested: an earlier claim",
        ),
    ],
)
def test_one_sentence_says_whether_the_target_differed_from_both_controls(
    against_low, values, said
):
    compared = contrasts({}, {"contrast": "target - low"} | against_low)
    assert sentence_of_claim(claim(**values), compared, "Nadir").startswith(said)


def test_a_claim_that_is_not_shown_is_never_called_evidence_of_sameness():
    text = sentence_of_claim(claim(verdict="not shown"), contrasts(*BOTH), "Nadir")
    assert "this does not show that there is no difference" in text
    small = {"claim": "no", "reading": "equivalent"}
    one_small = contrasts(small, {"contrast": "target - low", "claim": "no"})
    text = sentence_of_claim(claim(verdict="not shown"), one_small, "Nadir")
    assert "this does not show that there is no difference" in text
    both_small = contrasts(small, small | {"contrast": "target - low"})
    text = sentence_of_claim(claim(verdict="not shown"), both_small, "Nadir")
    assert "shown to be smaller than the smallest effect of interest" in text
    assert "does not show" not in text


def test_a_claim_says_what_differs_from_the_frozen_plan():
    kept = sentence_of_claim(claim(plan="as planned"), contrasts(*BOTH), "Nadir")
    assert kept.endswith("As planned.")
    changed = sentence_of_claim(claim(plan="9 participants, planned 12"), contrasts(*BOTH), "Nadir")
    assert changed.endswith("Not as planned.")
    assert "planned." not in sentence_of_claim(claim(), contrasts(*BOTH), "Nadir")


def test_where_everybody_had_the_same_order_no_claim_is_one_of_an_effect():
    shown = sentence_of_claim(claim(), contrasts(*BOTH), "Nadir", same_order=True)
    assert shown.endswith("same order, so that this is not called an effect of pressure.")
    nothing = claim(verdict="not shown")
    said = sentence_of_claim(nothing, contrasts(*BOTH), "Nadir", same_order=True)
    assert "same order" not in said


def test_pairs_and_withheld_values_stand_beside_a_difference():
    row = contrast(n_pairs=9, flagged_pct=8.2, withheld_pct=0.3)
    text = sentence_of_contrast(row, "Saturation nadir", "%")
    assert "(95 % CI -15.9 to -12.0), 9 pairs, 8 % flagged, under 1 % withheld, p < .001" in text


def test_a_contrast_of_few_pairs_is_described_and_not_claimed():
    row = contrast(claim="described", n_pairs=3, p=float("nan"), p_adjusted=float("nan"))
    assert sentence_of_contrast(row, "Nadir", "%").endswith("described only, no test.")


def test_only_a_rate_above_the_intrinsic_limit_speaks_of_another_drive():
    values = pd.DataFrame(
        {
            "condition": ["target", "target", "low", "none"],
            "participant_id": ["a", "b", "a", "a"],
            "value": [5.0, -20.0, -3.0, -4.0],
        }
    )
    # b lacks low and none, so that only a counts: (5 - 3 - 4) / 3 below the limit
    said = sentence_above_intrinsic(values, ["none", "low", "target"])
    assert "lay 1 bpm below" in said
    assert "of the one participant with all conditions" in said
    alone = sentence_above_intrinsic(
        values[values["participant_id"] == "a"], ["none", "low", "target"]
    )
    assert "participant" not in alone
    higher = values.assign(value=values["value"] + 10)
    said = sentence_above_intrinsic(higher, ["none", "low", "target"])
    assert "lay 9 bpm above" in said
    assert "may contribute. This compares no conditions." in said
    of_one = higher["participant_id"] == "a"
    two = pd.concat([higher[of_one], values[of_one].assign(participant_id="b")])
    said = sentence_above_intrinsic(two, ["none", "low", "target"])
    assert "1 of the 2 participants with all conditions had" in said
    assert "by up to 9 bpm" in said
    below = pd.concat([values[of_one], values[of_one].assign(participant_id="b")])
    said = sentence_above_intrinsic(below, ["none", "low", "target"])
    assert "None of the 2 participants with all conditions had" in said
    assert sentence_above_intrinsic(values[:2], ["none", "low", "target"]) == ""


def test_reasons_that_differ_in_their_figures_become_one_with_the_range():
    reasons = [
        "38 % of the window is usable, 80 % needed",
        "9.5 % of the window is usable, 80 % needed",
    ]
    assert with_ranges(reasons) == "9.5 to 38 % of the window is usable, 80 % needed"
    assert with_ranges(reasons[:1]) == reasons[0]


def test_values_withheld_from_several_people_are_counted_as_one_reason_of_the_study():
    usable = {"outcome": "rmssd_ms", "window": "set", "status": "ok", "reason": None}
    withheld = {**usable, "status": "refused"}
    counts = WithheldValues()
    counts.add(pd.DataFrame([usable, {**withheld, "reason": "38 % is usable"}]))
    counts.add(pd.DataFrame([{**withheld, "reason": "9.5 % is usable"}, usable, usable]))
    (row,) = counts.table().to_dict("records")
    assert row["reason"] == "9.5 to 38 % is usable (2 values)"
    assert (row["n_before"], row["n_after"]) == (5, 3)


def test_a_column_that_nobody_declared_is_not_written(tmp_path):
    with pytest.raises(ValueError, match="declares no colour of software"):
        write(pd.DataFrame({"name": ["x"], "colour": ["red"]}), "software", tmp_path / "t.tsv")


def test_what_is_left_out_is_counted_down_to_what_remains():
    counted = with_counts_left(pd.DataFrame({"rule": ["a", "b"]}), 10, "spans", np.array([2, 5]))
    assert set(counted["counted"]) == {"spans"}
    assert list(counted["n_before"]) == [10, 8]
    assert list(counted["n_after"]) == [8, 3]


OCCLUSION = pd.DataFrame(
    {
        "participant_id": "sub-01",
        "session_id": ["ses-1", "ses-1", "ses-2"],
        "limb": ["leg", "arm", "leg"],
        "side": ["right", "right", "right"],
        "posture": ["seated", "seated", "supine"],
        "cuff_width_cm": [13.0, 8.0, 13.0],
        "occlusion_pressure_mmhg": [160.0, 150.0, 180.0],
        "method": ["doppler", "estimated", "doppler"],
    }
)


def share_of(pressure_mmhg, session, limb="leg", side="right", occlusion=OCCLUSION):
    """Share of a seated set of a visit, beside the rows of occlusion.tsv."""
    place = Placement(session, limb, side, "seated", None, None)
    return share_of_occlusion(pressure_mmhg, place, measured_by_participant(occlusion)["sub-01"])


def test_forty_percent_of_160_mmhg_is_64_mmhg():
    # worked example of the arithmetic; common practice, no source
    share = share_of(64.0, "ses-1")
    assert share["share_pct"] == pytest.approx(40.0)
    assert share["share_status"] == "ok"


def test_a_pressure_measured_in_another_posture_gives_no_share():
    # leg occlusion pressure 187 supine, 204 seated, 242 mmHg standing: Hughes et al. 2018, PeerJ
    # 6:e4697, from an abstract
    share = share_of(90.0, "ses-2")
    assert share["share_pct"] is None
    assert share["share_reason"] == (
        "occlusion pressure was measured supine, the exercise was seated"
    )


def test_an_estimated_occlusion_pressure_is_never_taken_for_a_measured_one():
    # limits of agreement 18.35 mmHg: Wedig et al. 2024, Eur J Appl Physiol 124:1281; 80 % of 150
    # is then between 71 and 91 %
    share = share_of(120.0, "ses-1", "arm")
    assert share["share_status"] == "flagged"
    assert "71 to 91 %" in share["share_reason"]


def test_occlusion_pressures_that_contradict_each_other_flag_the_share():
    # 64 mmHg of 160 are 40 %, of 200 are 32 %
    second = OCCLUSION.iloc[[0]].assign(occlusion_pressure_mmhg=200.0)
    share = share_of(64.0, "ses-1", occlusion=beside(second))
    assert share["share_status"] == "flagged"
    assert share["share_reason"] == (
        "2 occlusion pressures, 160 to 200 mmHg, were averaged: the share may be 32 to 40 %"
    )


def beside(*more):
    """Further rows of occlusion.tsv below the usual ones."""
    return pd.concat([OCCLUSION, *more], ignore_index=True)


def test_an_estimate_never_stands_beside_a_measurement():
    second = OCCLUSION.iloc[[0]].assign(
        occlusion_pressure_mmhg=200.0, method="estimated", cuff_width_cm=18.0
    )
    share = share_of(64.0, "ses-1", occlusion=beside(second))
    assert share["occlusion_pressure_mmhg"] == 160.0
    assert share["occlusion_method"] == "doppler"
    assert share["share_pct"] == pytest.approx(40.0)
    assert share["share_status"] == "ok"
    assert share["share_reason"] == "an estimate of 200 mmHg was left aside"


def share_by(method, limb="leg"):
    occlusion = OCCLUSION.assign(method=method)
    return share_of(80.0, "ses-1", limb, occlusion=occlusion)


def test_a_pulse_oximeter_at_the_leg_leaves_the_share_uncertain():
    # limits of agreement with Doppler ultrasound at the thigh -16.2 to 28.8 mmHg: Brekke et al.
    # 2020, Int J Sports Phys Ther 15:783, from the abstract; 160 mmHg are then 131.2 to 176.2
    share = share_by("photoplethysmography")
    assert share["share_status"] == "flagged"
    assert "the share may be 45 to 61 % of what Doppler" in share["share_reason"]


@pytest.mark.parametrize(
    ("method", "limb", "named"),
    [
        ("photoplethysmography", "arm", "photoplethysmography"),
        ("oscillometric", "leg", "an oscillometric device"),
        ("palpation", "arm", "palpation"),
    ],
)
def test_a_method_other_than_doppler_is_named_beside_the_share(method, limb, named):
    share = share_by(method, limb)
    assert share["occlusion_method"] == method
    assert share["share_status"] == "flagged"
    assert f"was found by {named}, not by Doppler ultrasound" in share["share_reason"]


def test_the_other_side_gives_no_share():
    share = share_of(64.0, "ses-1", side="left")
    assert share["share_status"] == "refused"
    assert share["share_reason"] == (
        "occlusion pressure was measured on the right leg, the exercise was on the left leg"
    )


def test_methods_say_how_occlusion_pressures_were_found():
    methods = ["doppler", "estimated", "doppler", "palpation"]
    assert occlusion_in_words(pd.DataFrame({"method": methods})) == (
        "2 by Doppler ultrasound, 1 estimated, not measured, 1 by palpation"
    )
    assert occlusion_in_words(pd.DataFrame({"method": []})) == ""


def test_methods_name_the_window_of_a_smallest_effect_where_windows_differ():
    sizes = {
        "smo2_nadir_pct": 5.0,
        "mean_hr_bpm": {"set": 3.0, "recovery_steady": 2},
        "rmssd_ms": {"recovery_steady": 1.2},
    }
    assert smallest_effects(sizes) == (
        "Saturation nadir 5 percentage points, "
        "Mean heart rate 3 bpm (set) and 2 bpm (recovery steady), "
        "RMSSD a ratio of 1.2 (recovery steady)"
    )


@pytest.mark.parametrize("large_bytes", [0, 1000])
@pytest.mark.parametrize("text", ["=2+2", "+cmd|x", "-none", "@sum", "'=quoted", "plain", "it's"])
def test_a_text_that_a_spreadsheet_would_carry_out_is_neutral_and_read_as_it_was(
    tmp_path, text, large_bytes, monkeypatch
):
    monkeypatch.setattr(tables, "LARGE_BYTES", large_bytes)
    written = pd.DataFrame({"exercise": [text, "squat"], "value": [-1.5, 2.0]})
    write_table(written, tmp_path / "table.tsv")
    first = (tmp_path / "table.tsv").read_text().splitlines()[1]
    assert first[0] not in "=+-@"
    assert first.endswith("\t-1.5")
    pd.testing.assert_frame_equal(read_table(tmp_path / "table.tsv"), written)
