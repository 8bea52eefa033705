"""Harms by condition beside the people and sets at risk, also when there were none."""

import pandas as pd
import pytest

from cuff.harms import exact_interval_pct, harms_table
from study.tables import TABLES

CONDITIONS = ["none", "target"]

SETS = pd.DataFrame(
    [
        {
            "participant_id": f"sub-0{person}",
            "session_id": f"ses-{visit}",
            "event_id": f"sub-0{person}_ses-{visit}_set-0{bout}",
            "condition": condition,
        }
        for person in (1, 2, 3)
        for visit, condition in enumerate(CONDITIONS, start=1)
        for bout in (1, 2)
    ]
)


def of(*harms, kept=True, sets=SETS):
    noted = pd.DataFrame(list(harms), columns=list(TABLES["harms"].model_fields), dtype=object)
    return harms_table(noted, sets, CONDITIONS, kept=kept).set_index(["condition", "what"])


def harm(person, session=None, **changed):
    return {
        "participant_id": f"sub-0{person}",
        "session_id": session,
        "what": "bruise",
        "grade": "mild",
    } | changed


def test_no_harm_in_people_and_sets_at_risk_is_not_the_same_as_no_table():
    none, not_kept = (of(kept=kept).loc[("target", "all")] for kept in (True, False))
    assert (none["harms"], none["people_at_risk"], none["sets_at_risk"]) == (0, 3, 6)
    assert none["note"] == "none"
    assert "harms" not in not_kept
    assert not_kept["note"] == "no harms table was kept"


def test_a_harm_belongs_to_the_condition_of_its_event_or_its_visit():
    table = of(
        harm(1, "ses-2", days_after=2.0, related="possible", resolved="yes"),
        harm(1, event_id="sub-01_ses-2_set-01", related="no", resolved="no"),
        harm(2, "ses-2", what="faintness", grade="severe"),
    )
    every = table.loc[("target", "all")]
    assert (every["harms"], every["people"]) == (3, 2)
    assert (every["related"], every["unresolved"], every["latest_days_after"]) == (1, 1, 2.0)
    assert table.loc[("target", "bruise"), "people"] == 1
    assert table.loc[("none", "all"), "harms"] == 0


def test_a_harm_that_names_no_visit_belongs_to_no_condition_where_there_were_several():
    table = of(harm(1))
    assert table.loc[("not attributed", "all"), "harms"] == 1
    assert table.loc[("target", "all"), "harms"] == 0
    assert table.loc[("not attributed", "all"), "people_at_risk"] == 3
    only_target = SETS[SETS["condition"] == "target"]
    assert of(harm(1), sets=only_target).loc[("target", "all"), "harms"] == 1


@pytest.mark.parametrize(
    ("n", "of_people", "low_pct", "high_pct"),
    [
        # from the closed form of no event, 1 - (0.05 / 2) ** (1 / 10)
        (0, 10, 0.0, 30.85),
        # R 4, binom.test(1, 10) and binom.test(10, 10), from memory
        (1, 10, 0.2529, 44.50),
        (10, 10, 69.15, 100.0),
    ],
)
def test_the_interval_of_people_with_a_harm_is_exact(n, of_people, low_pct, high_pct):
    assert exact_interval_pct(n, of_people) == pytest.approx((low_pct, high_pct), abs=0.005)


def test_nobody_at_risk_gives_no_interval():
    assert exact_interval_pct(0, 0) == (None, None)
