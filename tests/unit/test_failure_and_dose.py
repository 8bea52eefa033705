"""What a study may say of failure, pressure applied and coupling, and what it may not."""

import numpy as np
import pandas as pd
import pytest

from comparison.coupling import couplings
from comparison.dose_table import RATIO, SLOPE, TAU, dose_rows, doses_of
from comparison.failure_table import (
    ALL_SETS,
    AREA,
    BEST_THRESHOLD,
    DIFFERENCE,
    NADIR,
    SHARE,
    WITHIN_CONDITION,
    failure_rows,
)
from outcomes.to_failure import measure
from project import settings_with
from report.sections.coupling import coupling_in_words, coupling_of
from report.sections.dose import doses_in_words
from report.sections.failure import marks, rates
from session_example import sheet

CONDITIONS = ["none", "target"]

PROTOCOL = settings_with().protocol


def outcomes_of(people=8, *, fails=True, noted=True, seed=1):
    """Outcomes of two visits of four sets: under the target deep sets fail, others do not."""
    rng = np.random.default_rng(seed)
    rows = []
    for person in range(people):
        for condition in CONDITIONS:
            for bout in range(1, 5):
                nadir = 60 - 40 * (condition == "target") + 4 * rng.normal() - bout
                failed = fails and condition == "target" and nadir + 3 * rng.normal() < 18
                values = {NADIR: nadir, "smo2_end_pct": nadir + 1, "reps_done": 12.0 - 4 * failed}
                values |= {"smo2_drop_pct": 70 - nadir, "mean_hr_bpm": 90 - nadir / 4}
                if noted:
                    values["to_failure"] = float(failed)
                rows += [
                    {
                        "participant_id": f"sub-{person:02}",
                        "session_id": f"ses-{condition}",
                        "event_id": f"set-{bout}",
                        "trial_type": "set",
                        "window": "set",
                        "exercise": "squat",
                        "condition": condition,
                        "bout": bout,
                        "outcome": name,
                        "value": value,
                    }
                    for name, value in values.items()
                ]
    return pd.DataFrame(rows)


def failure_of(outcomes):
    failures = failure_rows(outcomes, conditions=CONDITIONS, band_pct=[0.0, 15.0], seed=3)
    columns = ["marker", "measure", "stratum", "n_sets", "n_failed", "n_participants", "value"]
    return pd.DataFrame(failures).reindex(
        columns=[*columns, "ci_low", "ci_high", "p", "p_people", "note"]
    )


def test_a_marker_is_judged_within_condition_before_over_all():
    failure = failure_of(outcomes_of())
    within, _, over_all, warning = marks(failure, [0.0, 15.0])[:4]
    assert within.startswith("Of two sets of one condition")
    assert over_all.startswith("Of two sets of any person and condition")
    assert warning.startswith(
        "This number over all does not measure the marker: no set failed with none"
    )
    area = failure[failure["marker"].eq(NADIR) & failure["measure"].eq(AREA)].set_index("stratum")
    assert area.loc[ALL_SETS, "value"] > area.loc[WITHIN_CONDITION, "value"]
    assert area.loc[WITHIN_CONDITION, "n_sets"] == 32


@pytest.mark.parametrize(
    ("outcomes", "reason"),
    [
        (outcomes_of(fails=False), "no set with the marker was to failure"),
        (outcomes_of(noted=False), "whether sets were to failure was not noted"),
        (outcomes_of()[:0], "the study has no set"),
    ],
)
def test_where_nobody_failed_what_marks_failure_cannot_be_told(outcomes, reason):
    failure = failure_of(outcomes)
    told = marks(failure, [0.0, 15.0])
    assert told == [f"Whether saturation marks failure cannot be told from this study: {reason}."]
    assert rates(failure, CONDITIONS) == []


def test_conditions_in_which_all_pairs_ended_alike_are_not_given_a_p():
    outcomes = outcomes_of()
    again = outcomes[outcomes["condition"] == "none"].assign(condition="low", session_id="ses-low")
    failures = failure_rows(
        pd.concat([outcomes, again]),
        conditions=["none", "low", "target"],
        band_pct=[0.0, 15.0],
        seed=3,
    )
    alike, differing, _ = rates(pd.DataFrame(failures), ["none", "low", "target"])[1:]
    assert alike == (
        "Low against none, 32 matched pairs of sets: every pair ended alike, which leaves nothing "
        "to test."
    )
    assert "McNemar" in differing


def test_one_person_gets_values_and_no_interval():
    failure = failure_of(outcomes_of(people=1))
    assert failure["value"].notna().any()
    assert failure["ci_low"].isna().all()
    assert failure[["p", "p_people"]].isna().all(axis=None)
    told = marks(failure, [0.0, 15.0])
    assert sum("no interval" in sentence for sentence in told) == 1
    # of one person nothing is said of other people, and no stratum is told twice
    text = " ".join(map(str, told))
    assert "people" not in text
    assert text.count("Of two sets") == 2
    assert not failure["measure"].str.contains("other people").any()
    of_two = failure_of(outcomes_of(people=2))
    assert of_two["measure"].str.contains("other people").any()
    assert "One person" not in " ".join(map(str, marks(of_two, [0.0, 15.0])))


def test_where_one_person_of_eight_failed_no_number_lacks_its_interval_without_a_reason():
    outcomes = outcomes_of()
    spared = (outcomes["outcome"] == "to_failure") & (outcomes["participant_id"] != "sub-00")
    outcomes.loc[spared, "value"] = 0.0
    rows = pd.DataFrame(failure_rows(outcomes, conditions=CONDITIONS, band_pct=[0.0, 15.0], seed=3))
    rows = rows[rows["value"].notna() & rows["ci_low"].isna() & (rows["measure"] != DIFFERENCE)]
    assert BEST_THRESHOLD in set(rows["measure"])
    assert rows["note"].str.contains("no interval").all()


def test_a_share_of_none_has_no_interval_of_nought():
    failure = failure_of(outcomes_of())
    of_none = failure[(failure["measure"] == SHARE) & (failure["stratum"] == "none")].iloc[0]
    assert of_none["value"] == 0
    assert np.isnan(of_none["ci_low"])


def test_people_and_not_sets_carry_the_test_between_conditions():
    # one person of eight fails in all four sets: four pairs that differ, one person who does
    outcomes = outcomes_of(fails=False)
    one = (outcomes["participant_id"] == "sub-00") & (outcomes["condition"] == "target")
    outcomes.loc[one & (outcomes["outcome"] == "to_failure"), "value"] = 1.0
    failure = failure_of(outcomes)
    row = failure[failure["measure"] == DIFFERENCE].iloc[0]
    assert row["n_sets"] == 32
    assert row["p"] == pytest.approx(2 * 0.5**4)
    assert row["p_people"] == 1.0


@pytest.mark.parametrize(
    ("to_failure", "stop_reason", "failed"),
    [
        (None, "volitional failure", 1.0),
        (None, "pain", 0.0),
        (None, "planned end", 0.0),
        (True, None, 1.0),
        (False, None, 0.0),
    ],
)
def test_why_a_set_ended_says_whether_it_failed(to_failure, stop_reason, failed):
    event = sheet({"to_failure": to_failure, "stop_reason": stop_reason}).iloc[0]
    assert measure(event, ["volitional failure"]) == failed


def events_of_study(outcomes, target_mmhg=90.0):
    keys = ["participant_id", "session_id", "event_id", "exercise", "condition", "bout"]
    events = outcomes[keys].drop_duplicates()
    pressure = np.where(events["condition"] == "target", target_mmhg, np.nan)
    return events.assign(
        trial_type="set", excluded=None, limb="leg", side="right", posture="seated",
        cuff_pressure_mmhg=pressure,
    )  # fmt: skip


def safety_of(events, method="doppler", occlusion_mmhg=150.0):
    return events[["participant_id", "session_id", "event_id"]].assign(
        scope="set",
        occlusion_pressure_mmhg=occlusion_mmhg,
        occlusion_method=method,
        share_reason=None,
    )


def dose_of(outcomes, events, safety, recorded=None):
    doses = doses_of(events, safety, pd.DataFrame() if recorded is None else recorded, PROTOCOL)
    coupled = dose_rows(outcomes, doses, primary=[(NADIR, "set")], band_pct=[0.0, 15.0])
    columns = [
        "outcome",
        "window",
        "scale",
        "measure",
        "n_participants",
        "n_values",
        "value",
        "ci_low",
    ]
    return pd.DataFrame(coupled).reindex(columns=[*columns, "ci_high", "df", "p", "note"])


def test_the_dose_is_the_pressure_recorded_and_not_the_one_noted():
    outcomes = outcomes_of()
    events = events_of_study(outcomes)
    noted = dose_of(outcomes, events, safety_of(events)).iloc[0]
    under_cuff = events[events["condition"] == "target"].assign(actual_mmhg=45.0)
    recorded = dose_of(outcomes, events, safety_of(events), under_cuff).iloc[0]
    # half the pressure for the same fall of saturation: twice the slope
    assert recorded["value"] == pytest.approx(2 * noted["value"])
    assert noted["measure"] == SLOPE
    assert noted["ci_low"] < -40 / 6 < noted["ci_high"]


def test_a_cuff_that_was_inflated_where_none_was_noted_gives_no_dose():
    outcomes = outcomes_of()
    events = events_of_study(outcomes)
    under_cuff = events[events["condition"] == "none"].assign(actual_mmhg=45.0)
    table = dose_of(outcomes, events, safety_of(events), under_cuff)
    assert table["value"].isna().all()
    assert "32 values (a cuff pressure was recorded where none was noted)" in table["note"].iloc[0]


def test_an_estimated_occlusion_pressure_gives_no_dose_and_says_so():
    outcomes = outcomes_of()
    events = events_of_study(outcomes)
    table = dose_of(outcomes, events, safety_of(events, method="estimated"))
    assert table["value"].isna().all()
    assert "32 values (the occlusion pressure was estimated, not measured)" in table["note"].iloc[0]
    (said,) = doses_in_words(table)
    assert said.startswith("Nothing can be said of the pressure applied")


def test_a_study_without_pressures_says_why_it_has_no_dose():
    outcomes = outcomes_of()
    events = events_of_study(outcomes, target_mmhg=np.nan)
    table = dose_of(outcomes, events, safety_of(events, occlusion_mmhg=np.nan, method=None))
    assert table["value"].isna().all()
    assert "no cuff pressure was noted or recorded" in table["note"].iloc[0]


def test_the_dose_of_one_person_has_no_interval_and_says_so_once():
    outcomes = outcomes_of(people=1)
    events = events_of_study(outcomes)
    table = dose_of(outcomes, events, safety_of(events))
    assert table["ci_low"].isna().all()
    said = doses_in_words(table)
    assert sum("no interval" in sentence for sentence in said) == 1


def test_a_ratio_outcome_is_compared_by_ratios():
    outcomes = outcomes_of()
    doubled = outcomes[outcomes["outcome"] == NADIR].assign(
        outcome="rmssd_ms", window="recovery_first_60_s"
    )
    doubled["value"] = np.where(doubled["condition"] == "target", 40.0, 20.0)
    events = events_of_study(outcomes)
    table = dose_of(pd.concat([outcomes, doubled]), events, safety_of(events))
    (value,) = table.loc[table["measure"] == RATIO, "value"].dropna()
    # 60 % of the occlusion pressure doubles it
    assert value == pytest.approx(2 ** (1 / 6))


def test_a_rating_goes_with_the_dose_by_rank_and_has_no_slope_in_points():
    outcomes = outcomes_of()
    rated = outcomes[outcomes["outcome"] == NADIR].assign(outcome="rpe")
    rated["value"] = np.where(rated["condition"] == "target", 9.0, 4.0)
    events = events_of_study(outcomes)
    doses = doses_of(events, safety_of(events), pd.DataFrame(), PROTOCOL)
    coupled = pd.DataFrame(dose_rows(rated, doses, primary=[("rpe", "set")], band_pct=[0, 15]))
    of_rating = coupled[coupled["outcome"] == "rpe"]
    assert of_rating["measure"].tolist() == [TAU]
    assert of_rating["value"].tolist() == [1.0]
    # whatever names the categories carry, as long as their order stays
    renamed = rated.assign(value=np.where(rated["value"] > 5, 6.0, 5.0))
    again = pd.DataFrame(dose_rows(renamed, doses, primary=[("rpe", "set")], band_pct=[0, 15]))
    assert again.loc[again["outcome"] == "rpe", "value"].tolist() == [1.0]
    (said,) = (s for s in doses_in_words(coupled) if s.startswith("Perceived exertion"))
    assert "Kendall's tau 1.00" in said
    assert "no slope in points" in said
    (of_nadir,) = doses_in_words(dose_of(outcomes, events, safety_of(events)))[:1]
    assert "10 % more of the occlusion pressure" in of_nadir
    assert "no slope" not in of_nadir


def test_a_recovery_has_the_mean_dose_of_its_visit():
    outcomes = outcomes_of()
    after = outcomes[(outcomes["outcome"] == NADIR) & (outcomes["bout"] == 1)].assign(
        outcome="mean_hr_bpm", window="recovery_steady", trial_type="recovery", event_id="rec-1"
    )
    after["value"] = np.where(after["condition"] == "target", 82.0, 70.0)
    events = events_of_study(outcomes)
    doses = doses_of(events, safety_of(events), pd.DataFrame(), PROTOCOL)
    rows = dose_rows(after, doses, primary=[("mean_hr_bpm", "recovery_steady")], band_pct=[0, 15])
    first = next(rows)
    # 60 % of the occlusion pressure in every set: 12 bpm more
    assert first["value"] == pytest.approx(2.0)
    assert first["n_values"] == 16
    assert "mean over its sets" in first["note"]


def test_levels_that_are_one_by_design_are_said_to_be_so():
    pairs = pd.DataFrame(couplings(outcomes_of()))
    given = pairs[(pairs["saturation"] == "smo2_drop_pct") & (pairs["heart"] == "mean_hr_bpm")]
    by_level = given.set_index("level")
    assert len(by_level) == 4
    assert "each session has one condition" in by_level.loc["within person and condition", "note"]
    assert by_level.loc["within session", "r"] == pytest.approx(1.0)


def test_the_report_shows_no_level_twice_and_says_why():
    pairs = pd.DataFrame(couplings(outcomes_of()))
    table = coupling_of(pairs)
    assert "within session" in table
    assert "within person and condition" not in table
    (_, said) = coupling_in_words(pairs)
    assert said.startswith("Each visit had one condition")


def test_coupling_of_one_person_has_no_interval_and_says_so_once():
    pairs = pd.DataFrame(couplings(outcomes_of(people=1)))
    assert pairs["ci_low"].isna().all()
    assert pairs["note"].notna().all()
    said = coupling_in_words(pairs)
    assert sum("no interval" in sentence for sentence in said) == 1
    assert "people" not in " ".join(said)
    of_two = coupling_in_words(pd.DataFrame(couplings(outcomes_of(people=2))))
    assert "people about each other" in of_two[0]
    assert "ewer than 4 people: no interval" in of_two[-1]
    assert "between people" not in coupling_of(pairs)
