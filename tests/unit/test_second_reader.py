"""What the report says to a second reader: sizes named, ratios as factors, no empty section."""

from types import SimpleNamespace

import pandas as pd
import pytest

from report.sections.second_reader import (
    f_tests,
    named_sizes,
    one_visit_each,
    repeatability,
    responses,
    section,
    variances,
)
from results.columns import columns_of

PRIMARY = [("rmssd_ms", "recovery_steady")]

ENDS = ("", "_low", "_high")

SIZES = pd.DataFrame(
    [
        {
            **{"outcome": "rmssd_ms", "window": "recovery_steady", "exercise": "all"},
            **{"contrast": "target - none", "scale": "ratio", "n_pairs": 9.0},
            **{"flagged_pct": 5.2, "withheld_pct": 0.0},
            **{"difference": -0.2, "difference_low": -0.3, "difference_high": -0.1},
            **{f"{name}{end}": v for name, v in (("d_av", 1.0), ("d_z", 2.0)) for end in ENDS},
            **{f"{name}{end}": v for name, v in (("g_av", 0.9), ("g_z", 1.8)) for end in ENDS},
            **{"individual_sd": 0.1, "individual_sd_low": 0.05, "individual_sd_high": 0.2},
            **{"bout_sd": 0.02, "note": None},
        }
    ]
)


def table(name, *rows):
    return pd.DataFrame(rows, columns=columns_of(name))


def test_every_effect_size_stands_under_its_own_name_and_none_is_called_d():
    shown = named_sizes(SIZES)
    assert {"raw", "d_av", "g_av", "d_z", "g_z"} <= set(shown)
    assert "d" not in shown
    assert shown["raw"].item() == "-0.200 (-0.300 to -0.100)"


def test_pairs_and_shares_flagged_and_withheld_stand_beside_every_effect_size():
    shown = named_sizes(SIZES)
    assert shown[["pairs", "flagged, %", "withheld, %"]].iloc[0].to_list() == ["9", "5", "0"]


def test_the_spread_of_true_responses_of_a_ratio_is_a_factor():
    shown = responses(SIZES)
    assert shown["SD between people"].item() == "\N{MULTIPLICATION SIGN} 1.11 (1.05 to 1.22)"
    assert shown["SD from bouts"].item() == "\N{MULTIPLICATION SIGN} 1.02"
    assert responses(SIZES.assign(bout_sd=float("nan"))).empty


def test_f_tests_come_with_both_degrees_of_freedom_and_a_zero_variance_is_called_so():
    labels = {"outcome": "rmssd_ms", "window": "recovery_steady"}
    models = table(
        "models",
        labels | {"term": "F test of condition", "F": 21.4, "df_num": 2, "df": 15.1, "p": 0.0001},
        labels | {"term": "variance of participant Intercept", "estimate": 0.0},
        labels | {"term": "variance of residual", "estimate": 0.2, "ci_low": 0.1, "ci_high": 0.4},
    ).astype({"F": float, "estimate": float, "ci_low": float, "ci_high": float})
    tests = f_tests(models, PRIMARY)
    assert tests[["F", "df", "p"]].iloc[0].to_list() == ["21.4", "2, 15.1", "< .001"]
    row = variances(models, PRIMARY).iloc[0]
    assert row["participant"] == "estimated as zero"
    assert row["residual"] == "0.200 (0.100 to 0.400)"


@pytest.mark.parametrize(("sessions", "one_each"), [(("a", "b"), True), (("a", "a2"), False)])
def test_visits_are_said_to_be_in_the_spread_only_where_each_condition_was_one(sessions, one_each):
    outcomes = pd.DataFrame(
        {
            "participant_id": "sub-01",
            "session_id": sessions,
            "condition": ["none", "target" if one_each else "none"],
        }
    )
    assert one_visit_each(outcomes, ("none", "target")) == one_each


def test_repeatability_names_its_form_and_gives_factors_on_ratio_scales():
    labels = {"outcome": "rmssd_ms", "window": "baseline", "of": "baselines", "form": "ICC(2,1)"}
    numbers = {"n_participants": 9, "icc": 0.83, "icc_low": 0.58, "icc_high": 0.95}
    errors = {"sem": 1.1, "sem_low": 1.07, "sem_high": 1.16, "detectable_change": 1.3}
    rows = table("repeatability", labels | numbers | errors | {"scale": "ratio"})
    shown = repeatability(rows, PRIMARY).iloc[0]
    assert shown["ICC"] == "0.83 (0.58 to 0.95)"
    assert shown["form"] == "ICC(2,1)"
    assert shown["smallest detectable change"] == "\N{MULTIPLICATION SIGN} 1.3"


def test_a_study_with_nothing_for_a_second_reader_has_no_such_section():
    results = SimpleNamespace(
        effect_sizes=SIZES[:0], repeatability=table("repeatability"), primary=PRIMARY
    )
    assert section(results) is None
