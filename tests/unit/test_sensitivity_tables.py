"""Tables of the report that show how sensitive the contrasts are to what was assumed."""

import pandas as pd

from engine.listings import figure_modules
from report.sections.sensitivity import (
    chances,
    detectable,
    left_out_ranges,
    other_assumptions,
    other_settings,
    primary_missing,
    without_a_change,
    work,
)

PRIMARY = [("rpe", "set"), ("mean_hr_bpm", "set")]


def tried(says, estimate, **more):
    row = {
        "alternative": says.replace(" ", "_"),
        "says": says,
        "outcome": "rpe",
        "window": "set",
        "contrast": "low - none",
        "estimate": estimate,
        "ci_low": 1.0,
        "ci_high": 3.0,
        "n_values_changed": None,
        "concerns": None if says == "main analysis" else "yes",
    }
    return row | more


def contrast(outcome="rpe", **more):
    row = {
        "outcome": outcome,
        "window": "set",
        "exercise": "all",
        "contrast": "low - none",
        "method": "within person, CR2, visit",
        "n_pairs": 9,
        "estimate": 2.0,
        "ci_low": 1.0,
        "ci_high": 3.0,
        "p": 0.0004,
        "sign_flip_p": 0.03125,
        "leave_out_low": 1.5,
        "leave_out_high": 2.4,
        "leave_out_most": "sub-04",
    }
    return row | more


def test_only_alternatives_that_change_an_estimate_or_an_interval_have_a_row():
    table = pd.DataFrame(
        [
            tried("main analysis", 2.0),
            tried("another band", 2.0, n_values_changed=0.0),
            tried("another limit", 2.0, ci_low=0.8, n_values_changed=3.0),
        ]
    )
    alternatives = other_settings(table, PRIMARY)
    assert alternatives["setting"].to_list() == ["main analysis", "another limit"]
    assert alternatives["low - none"].to_list() == ["2.00 (1.00 to 3.00)", "2.00 (0.800 to 3.00)"]
    assert alternatives["values changed"].to_list() == ["", "3"]
    assert without_a_change(table) == [
        "These settings leave every contrast that they concern as it is: another band "
        "(Perceived exertion, set)."
    ]


def test_pairs_and_shares_stand_beside_every_setting():
    behind = {"n_pairs": 8, "flagged_pct": 25.0, "withheld_pct": 12.5}
    main = tried("main analysis", 2.0, **(behind | {"n_pairs": 9, "withheld_pct": 0.0}))
    table = pd.DataFrame([main, tried("another limit", 2.4, n_values_changed=3.0, **behind)])
    alternatives = other_settings(table, PRIMARY)
    assert alternatives["pairs"].to_list() == ["9", "8"]
    assert alternatives["flagged, %"].to_list() == ["25", "25"]
    assert alternatives["withheld, %"].to_list() == ["0", "12"]


def test_an_alternative_that_cannot_move_an_outcome_is_no_evidence_that_it_is_robust():
    table = pd.DataFrame(
        [
            tried("main analysis", 2.0),
            tried("main analysis", 70.0, outcome="mean_hr_bpm"),
            tried("nadir over 3 s", 2.0, concerns="no"),
            tried("nadir over 3 s", 70.0, outcome="mean_hr_bpm", concerns="no"),
            tried("another beat finder", 2.0, concerns="no"),
            tried("another beat finder", 70.0, outcome="mean_hr_bpm"),
            tried("refused above 10 %", 2.0, concerns="main setting"),
            tried("refused above 10 %", 70.0, outcome="mean_hr_bpm", concerns="main setting"),
        ]
    )
    same, elsewhere, main = without_a_change(table)
    assert same.endswith("as it is: another beat finder (Mean heart rate (bpm), set).")
    assert elsewhere == "These concern no primary outcome: nadir over 3 s."
    assert main == ("This is the main setting, which was not run again: refused above 10 %.")
    figure = figure_modules()["06_alternatives"]
    nadir = table[table["outcome"] == "rpe"]
    assert figure.unchanged_in(nadir, ["main_analysis"]) == []
    rate = table[table["outcome"] == "mean_hr_bpm"]
    assert figure.unchanged_in(rate, ["main_analysis"]) == ["another beat finder"]


def test_a_contrast_that_an_alternative_loses_is_a_change():
    table = pd.DataFrame(
        [
            tried("main analysis", 2.0),
            tried("stricter limit", None, ci_low=None, ci_high=None, n_values_changed=9.0),
        ]
    )
    assert other_settings(table, PRIMARY)["low - none"].to_list() == ["2.00 (1.00 to 3.00)", ""]
    assert without_a_change(table) == []


def test_the_primary_analysis_stands_first_and_the_others_below_it():
    columns = ("outcome", "window", "contrast", "analysis", "left_out")
    numbers = {"estimate": 2.1, "ci_low": 0.9, "ci_high": 3.3, "n_pairs": 8, "note": None}
    other = dict(zip(columns, ("rpe", "set", "low - none", "mixed model", None), strict=True))
    table = pd.DataFrame([other | numbers])
    alternatives = other_assumptions(pd.DataFrame([contrast()]), table, PRIMARY)
    assert alternatives["analysis"].to_list() == [
        "the primary analysis: within people, CR2",
        "mixed model",
    ]
    assert alternatives["low - none"].to_list() == ["2.00 (1.00 to 3.00)", "2.10 (0.900 to 3.30)"]
    assert alternatives["pairs"].to_list() == ["9", "8"]


def test_work_and_who_moves_a_contrast_most_are_shown():
    contrasts = pd.DataFrame([contrast(), contrast("reps_done"), contrast("to_failure")])
    # a yes or no has no difference of means
    assert work(contrasts)["p"].to_list() == ["< .001"]
    unknown = pd.DataFrame([contrast("reps_done", p=None)])
    assert work(unknown)["p"].to_list() == [""]
    assert work(contrasts)["sign-flip p"].to_list() == [".031"]
    assert left_out_ranges(contrasts, PRIMARY)["moved most by leaving out"].to_list() == ["sub-04"]


def test_a_study_without_contrasts_has_empty_tables():
    columns = [*contrast(), *tried("x", 1.0), "analysis", "left_out", "note", "primary", "status"]
    columns += ["condition", "reason", "n_values", "n_cells", "n_participants"]
    columns += ["n_in_sets_to_failure", "detectable_adjusted", "error", "claim", "assurance"]
    nothing = pd.DataFrame(columns=list(dict.fromkeys(columns)))
    for table in (
        left_out_ranges(nothing, PRIMARY),
        other_assumptions(nothing, nothing, PRIMARY),
        other_settings(nothing, PRIMARY),
        work(nothing),
        primary_missing(nothing),
        detectable(nothing, PRIMARY),
        chances(nothing, PRIMARY),
    ):
        assert table.empty
    assert without_a_change(nothing) == []


def test_planned_claims_stand_by_size_of_study_and_single_contrasts_do_not():
    row = {"outcome": "smo2_nadir_pct", "window": "set", "claim": "target differs from both"}
    planning = pd.DataFrame(
        [
            row
            | {"n_participants": 8, "detectable_adjusted": 4.5, "assurance": 0.61}
            | {"power_at_smallest_effect": 0.78},
            row
            | {"n_participants": 12, "detectable_adjusted": 3.16, "assurance": None}
            | {"power_at_smallest_effect": None},
            row | {"claim": None, "n_participants": 8, "detectable_adjusted": 2.0},
        ]
    )
    primary = [("smo2_nadir_pct", "set")]
    (shown,) = detectable(planning, primary).to_dict("records")
    assert (shown["n 8"], shown["n 12"]) == ("4.5", "3.16")
    (chance,) = chances(planning, primary).to_dict("records")
    assert chance["n 8"] == "78 (61)"
    assert "n 12" not in chance
