"""Numbers of the report lead to their rows; who was left out is named; reservations fit a study."""

import re

import pandas as pd
from jinja2 import Environment
from markupsafe import escape

from project import settings_with
from report.flow import flow_of, named
from report.origins import Origin, Told, marked
from report.page import shown_table, with_reachable_marks
from report.sections.limits import limits, of_what_was_measured

NOTHING = float("nan")


def test_a_told_number_carries_a_mark_that_names_table_and_row():
    told = Told("-5.2 % <b>", Origin("contrasts", 14, "smo2_nadir_pct", "set"))
    page = Environment(autoescape=True, finalize=marked)
    printed = page.from_string("{{ told }}").render(told=told)
    assert printed.startswith("-5.2 % &lt;b&gt; <a ")
    assert 'href="#from-smo2_nadir_pct-set"' in printed
    assert 'title="contrasts.tsv, row 14"' in printed
    assert page.from_string("{{ told }}").render(told="plain") == "plain"


def test_a_row_that_begins_with_an_empty_cell_is_marked_at_the_first_that_holds_anything():
    table = pd.DataFrame({"participant_id": [None], "rule": ["refused"]})
    shown = shown_table(table, "A table", [Origin("exclusions", 5)])
    assert shown["rows"][0][1].origins == (Origin("exclusions", 5),)
    assert "exclusions.tsv, row 5" in marked(shown["rows"][0][1])


def test_an_empty_cell_has_no_mark():
    assert marked(Told("", Origin("contrasts", 14))) == ""


def test_a_row_of_a_table_is_numbered_as_a_spreadsheet_numbers_it():
    table = pd.DataFrame({"outcome": ["a", "b", "c"], "window": "set", "value": 1.0})
    origins = Origin.of_each("dose", table[table["outcome"] == "b"])
    assert [(o.row, o.outcome, o.anchor) for o in origins] == [(3, "b", "from-b-set")]
    shown = shown_table(table[1:2], "A table", origins)
    assert shown["rows"][0][0].origins == (origins[0],)
    assert marked(shown["rows"][0][1]) == escape("set")


def test_a_mark_of_what_is_explained_nowhere_leads_to_how_any_row_is_explained():
    def marks(*ids):
        text = '<a href="#from-rmssd_ms-set"></a><a href="#from-pain-set"></a><a href="#numbers">'
        parts = [{"id": name, "text": ""} for name in ids] + [{"id": "dose", "text": text}]
        parts[0]["text"] += '<dt id="from-pain-set">'
        return re.findall(r'href="#([^"]+)"', with_reachable_marks(parts)[-1]["text"])

    assert marks("numbers") == ["numbers", "from-pain-set", "numbers"]
    assert marks("answer") == ["answer", "from-pain-set", "answer"]


def test_a_number_without_outcome_leads_to_how_any_row_is_explained():
    assert Origin("coupling", 7).anchor == "numbers"


def exclusions(*reasons):
    columns = ["scope", "participant_id", "session_id", "reason", "n_before", "n_after"]
    return pd.DataFrame(reasons, columns=columns)


def outcomes(*rows):
    columns = ["event_id", "outcome", "window", "value", "status", "reason"]
    return pd.DataFrame(rows, columns=columns)


EVENTS = pd.DataFrame(
    {
        "trial_type": ["baseline", "set", "set", "set"],
        "participant_id": ["sub-01", "sub-01", "sub-01", "sub-02"],
        "condition": ["none", "none", "low", "none"],
        "stop_reason": None,
        "to_failure": [None, "no", "no", "no"],
    }
)
RECORDINGS = pd.DataFrame(
    {"participant_id": ["sub-01", "sub-02"], "session_id": "ses-1", "signal": ["rr", "rr"]}
)


def test_the_flow_names_people_visits_and_sets_that_were_left_out_with_the_reason():
    table = flow_of(
        exclusions(
            ("participant", "sub-03", None, "no recording", 3, 2),
            ("session", "sub-02", "ses-2", "did not come", 3, 2),
            ("condition", "sub-02", None, "no set in condition low", 2, 1),
        ),
        outcomes(
            ("set-01", "mean_hr_bpm", "set", 90.0, "ok", None),
            ("set-02", "mean_hr_bpm", "set", NOTHING, "refused", "too few beats"),
        ),
        EVENTS,
        RECORDINGS,
        [("mean_hr_bpm", "set")],
        ["none", "low"],
    ).set_index("step")
    assert table.loc["people"].to_list() == ["3", "2", "sub-03: no recording"]
    assert table.loc["visits", "left out, and why"] == "sub-02 ses-2: did not come"
    low = table.loc["people with sets under low (1 set of 3)"]
    assert low.to_list() == ["2", "1", "sub-02: no set in condition low"]
    assert table.loc["people with sets under none (2 sets of 3)", "left out, and why"] == "nobody"
    values = table.loc["values of Mean heart rate (bpm), set"]
    assert values.to_list() == ["2", "1", "set-02: too few beats"]


def test_whoever_has_no_set_in_a_condition_is_named_where_no_rule_says_why():
    table = flow_of(
        exclusions(), outcomes(), EVENTS, RECORDINGS, [], ["none", "low", "target"]
    ).set_index("step")["left out, and why"]
    assert table["people with sets under none (2 sets of 3)"] == "nobody"
    assert table["people with sets under low (1 set of 3)"] == "sub-02: no set"
    assert table["people with sets under target (0 sets of 3)"] == "sub-01, sub-02: no set"


def test_many_who_were_left_out_for_one_reason_are_counted_behind_the_first():
    rows = pd.DataFrame({"event_id": [f"set-{n}" for n in range(15)], "reason": "short"})
    assert named(rows).endswith("set-11 and 3 more: short")


def settings(**study):
    return settings_with(study={"conditions": ["none", "low"]} | study)


def in_sets(*conditions):
    of_sets = outcomes(*[("e", "to_failure", "set", 0.0, "ok", None) for _ in conditions])
    return of_sets.assign(condition=conditions)


def test_blinding_is_told_where_two_conditions_were_done_and_nowhere_else():
    def told(results):
        return any("blinded" in sentence for sentence in of_what_was_measured(results))

    assert told(in_sets("none", "low"))
    assert not told(in_sets("none", "none"))


def test_absent_values_of_a_primary_outcome_are_counted_with_every_reason():
    chosen = settings(primary_outcomes=[{"outcome": "mean_hr_bpm", "window": "set"}])
    absent = outcomes(
        *[("e", "mean_hr_bpm", "set", NOTHING, "refused", f"reason {n}") for n in range(4)],
        ("e", "mean_hr_bpm", "set", NOTHING, "refused", "reason 0"),
        ("e", "mean_hr_bpm", "set", 90.0, "ok", None),
    ).assign(condition="other", participant_id="sub-01")
    compared = pd.DataFrame(
        columns=["outcome", "window", "primary", "exercise", "n_pairs", "note"], dtype=object
    )
    of_no_set, said = limits(absent, compared, chosen)
    assert of_no_set.startswith("No set was done in a condition")
    assert "5 of 6 values are absent: reason 0 (2 values)" in said
    assert re.search(r"other reasons \(1 value\)", said)
