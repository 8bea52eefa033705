"""Which way a difference points, and that a ratio is compared as a ratio."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from comparison.alternatives import beside_main, changed_values
from comparison.conditions import Comparison, comparable_rows
from comparison.contrasts import Rules
from comparison.coupling import counts_beside_log
from comparison.planning import planning_table, power
from comparison.sensitivity import LEFT_OUT, leave_out_extremes, sensitivity_rows
from report.sentences import sentence_of_claim, sentence_of_contrast
from results.columns import columns_of
from study.plan import AS_PLANNED

CONDITIONS = ("none", "target")
KEY = ("rmssd_ms", "recovery_steady")


def outcomes(participants=6):
    """RMSSD of people in two conditions, half as high under target."""
    rng = np.random.default_rng(4)
    labels = {"outcome": KEY[0], "window": KEY[1], "status": "ok", "exercise": None}
    return pd.DataFrame(
        [
            labels
            | {
                "participant_id": f"sub-{n}",
                "session_id": f"ses-{visit}",
                "event_id": "e",
                "visit": visit,
                "condition": condition,
                "value": 40 * np.exp(rng.normal(0, 0.2)) / visit,
            }
            for n in range(participants)
            for visit, condition in enumerate(CONDITIONS, start=1)
        ]
    )


def comparison_of(table):
    return Comparison.of_rows(
        comparable_rows(table, {KEY[0]: "ratio"}, CONDITIONS),
        outcome=KEY[0],
        window=KEY[1],
        scale="ratio",
        conditions=CONDITIONS,
    )


def test_a_halving_moves_a_ratio_more_than_an_increase_by_three_quarters():
    row = dict.fromkeys(columns_of("sensitivity")) | {
        "analysis": LEFT_OUT,
        "contrast": "target - none",
        "scale": "ratio",
        "estimate": 1.0,
    }
    moved = {"sub-1": 0.5, "sub-2": 1.75}
    rows = [row | {"left_out": person, "difference": size} for person, size in moved.items()]
    assert leave_out_extremes(rows)["target - none"]["leave_out_most"] == "sub-1"


@pytest.mark.parametrize(("pairs", "withheld"), [(3, True), (4, False)])
def test_exactly_as_many_pairs_as_are_needed_give_a_p(pairs, withheld):
    row = {"contrast": "target - none", "estimate": 0.1, "se": 0.03, "df": 3.0, "p": 0.03}
    row |= {"n_pairs": pairs, "n_participants": pairs, "note": ""}
    main = pd.DataFrame([{"contrast": "target - none", "estimate": 1.0}])
    shown = sensitivity_rows(comparison_of(outcomes()), [row], main, Rules(0.95, 4, 0.8, 1))[0]
    assert (shown["p"] is None) == withheld


def test_contractions_counted_beyond_those_noted_are_a_positive_difference():
    keys = {"participant_id": "sub-1", "session_id": "ses-1", "event_id": "e"}
    labels = {"event_onset_s": 0.0, "exercise": "curl", "condition": "none", "bout": 1}
    sets = pd.DataFrame(
        [
            keys | labels | {"outcome": name, "value": value, "status": "ok"}
            for name, value in (("contraction_count", 13.0), ("reps_done", 12.0))
        ]
    )
    assert counts_beside_log(sets)["difference"].to_list() == [1.0]


def test_an_alternative_that_doubles_a_ratio_has_a_difference_of_two():
    labels = {"outcome": KEY[0], "window": KEY[1], "exercise": "all", "contrast": "target - none"}
    main = pd.DataFrame([labels | {"scale": "ratio", "estimate": 0.4}])
    numbers = dict.fromkeys(("ci_low", "ci_high", "p", "p_adjusted", "n_participants"), 1.0)
    now = pd.DataFrame([labels | numbers | {"estimate": 0.8, "claim": "no", "note": ""}])
    assert beside_main(now, main, pd.DataFrame(), [KEY])["difference"].to_list() == [2.0]


def test_values_that_went_are_changed_and_no_longer_given():
    before = outcomes()
    after = before.assign(value=before["value"].where(before.index > 0))
    counts = changed_values(before, after).loc[KEY]
    assert (counts["n_values"], counts["n_values_changed"]) == (len(before) - 1, 1)


def test_the_power_to_find_a_smallest_ratio_follows_from_its_logarithm():
    table = planning_table(
        comparison_of(outcomes()),
        participants=[12],
        fewest_participants=2,
        power_wanted=0.8,
        alpha=0.05,
        smallest_effect=1.3,
    )
    row = table.iloc[-1]
    expected = power(np.log(1.3) / row["se"], row["df"], alpha=0.05)
    assert row["power_at_smallest_effect"] == pytest.approx(expected)


def test_a_small_p_that_is_no_claim_is_not_told_as_a_difference():
    row = SimpleNamespace(
        **{"contrast": "target - none", "scale": "identity", "estimate": -2.0, "note": ""},
        **{"ci_low": -4.5, "ci_high": 0.5, "p": 0.03, "p_adjusted": 0.09, "claim": "no"},
        **{"reading": None, "smallest_effect": None},
    )
    text = sentence_of_contrast(row, "Saturation nadir", "%")
    assert "lower" not in text
    assert "No difference was shown; this does not show that there is none." in text


def test_the_reference_that_differs_is_higher_where_the_others_are_lower():
    claim = SimpleNamespace(
        **{"claim": "none differs from all other conditions", "verdict": "shown", "note": ""},
        **{"p_adjusted": 0.01, "parts": "", "plan": AS_PLANNED},
    )
    rows = pd.DataFrame(
        {"contrast": ["low - none", "target - none"], "estimate": [-3.0, -9.0], "scale": "identity"}
    )
    text = sentence_of_claim(claim, rows, "Saturation nadir")
    assert "higher with none than with both low and target" in text
