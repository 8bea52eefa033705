"""A plan is written down before the values are seen, and a run says what it does otherwise."""

from datetime import UTC, datetime
from types import SimpleNamespace

import pandas as pd
import pytest
import yaml

from comparison.orders import not_as_allotted, unplanned_orders
from project import settings_with
from report.answer import plan_in_words
from study.plan import (
    against_plan,
    changed_after_freezing,
    checksum,
    excluded_after_freezing,
    planned_claims,
)
from study.problems import Problems, StudyError
from study.registration import freeze
from study.settings_files import read_settings

NOW = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)

STUDY = """# our study
study:
  title: Cuffs at two pressures
  conditions: ["none", "low", "target"]   # reference first
  primary_outcomes:
    - {outcome: smo2_nadir_pct, window: set}

plan:
  participants: 12
  baseline_adjusted: [rmssd_ms]

compare_conditions:
  smallest_effect: {smo2_nadir_pct: 5.0}
"""

PRIMARY = [("smo2_nadir_pct", "set")]


@pytest.fixture
def study(tmp_path):
    (tmp_path / "study.yaml").write_text(STUDY)
    return tmp_path


def settings_of(folder):
    problems = Problems()
    *_, settings = read_settings(folder, {}, problems)
    problems.stop()
    return settings, problems.remarks


def said_of(settings, *, people=12, sizes=None, departures=()):
    plan, sizes = settings.plan, sizes or settings.compare_conditions.smallest_effect
    (claim,) = planned_claims(plan, settings.study.primary, settings.study.conditions)
    return against_plan(plan, settings.study.primary, sizes, claim, people, departures)


def test_a_frozen_plan_holds_every_choice_and_the_run_is_as_planned(study):
    assert said_of(settings_of(study)[0]) == "nothing was frozen"
    freeze(study, NOW)
    settings, _ = settings_of(study)
    assert settings.plan.frozen_at == "2026-03-01T09:30:00Z"
    assert settings.plan.frozen_sha256 == checksum(settings.plan)
    assert [primary.outcome for primary in settings.plan.primary_outcomes] == ["smo2_nadir_pct"]
    assert settings.plan.smallest_effect == {"smo2_nadir_pct": 5.0}
    assert settings.plan.claims[0].condition == "target"
    assert said_of(settings) == "as planned"


def test_other_sections_of_the_study_stay_as_they_were_written(study):
    freeze(study, NOW)
    text = (study / "study.yaml").read_text()
    before, after = STUDY.split("plan:\n")
    assert text.startswith(before)
    assert after.split("\n\n")[1] in text
    assert text.count("\nplan:") == 1


def test_the_registration_says_the_plan_in_words(study):
    freeze(study, NOW)
    text = (study / "registration.md").read_text()
    for said in (
        "Participants planned: 12",
        "1. smo2_nadir_pct, set: target differs from all others",
        "- smo2_nadir_pct: 5",
        "Own baseline as covariate: rmssd_ms.",
        "Frozen on 2026-03-01T09:30:00Z, SHA-256",
    ):
        assert said in text


def test_a_plan_is_frozen_once(study):
    freeze(study, NOW)
    with pytest.raises(StudyError, match="was frozen on 2026-03-01T09:30:00Z already"):
        freeze(study, NOW)


def test_what_differs_from_the_frozen_plan_is_told(study):
    freeze(study, NOW)
    settings, _ = settings_of(study)
    assert said_of(settings, people=9) == "9 participants, planned 12"
    assert said_of(settings, sizes={"smo2_nadir_pct": 3.0}) == (
        "smallest effect of smo2_nadir_pct 3.0, planned 5.0"
    )
    path = study / "study.yaml"
    path.write_text(path.read_text().replace("across_claims: holm", "across_claims: in_order"))
    assert said_of(settings_of(study)[0]) == "the plan was changed after it was frozen"


def test_primary_outcomes_that_only_the_plan_names_are_those_of_the_study(tmp_path):
    (tmp_path / "study.yaml").write_text(
        "plan:\n  primary_outcomes: [{outcome: mean_hr_bpm, window: set}]\n"
        "  smallest_effect: {mean_hr_bpm: 3.0}\n"
    )
    settings, _ = settings_of(tmp_path)
    assert settings.study.primary == [("mean_hr_bpm", "set")]
    assert settings.compare_conditions.smallest_effect == {"mean_hr_bpm": 3.0}


def test_settings_that_no_longer_decide_anything_are_told_and_left_out(tmp_path):
    (tmp_path / "study.yaml").write_text(
        "compare_conditions: {error: contrast, adjustment: dunnett, largest_sd_ratio: 3.0}\n"
        "try_alternatives: {alternatives: {own_error: {says: own error, compare_conditions: "
        "{error: contrast}}}}\n"
    )
    settings, remarks = settings_of(tmp_path)
    assert settings.compare_conditions == settings_with().compare_conditions
    assert settings.try_alternatives.alternatives["own_error"] is None
    for name in ("error", "adjustment", "largest_sd_ratio"):
        assert any(f"compare_conditions.{name}: no longer decides" in line for line in remarks)
    assert any("alternative own_error" in line for line in remarks)


def test_a_plan_in_yaml_reads_back_with_the_same_checksum(study):
    frozen = freeze(study, NOW)
    written = yaml.safe_load((study / "study.yaml").read_text())["plan"]
    assert written["frozen_sha256"] == frozen.frozen_sha256
    assert checksum(settings_of(study)[0].plan) == frozen.frozen_sha256


def changed_by(study, section):
    """What is told of the settings after a section was written into study.yaml."""
    path = study / "study.yaml"
    path.write_text(path.read_text() + section)
    return changed_after_freezing(study, settings_of(study)[0])


def test_a_setting_that_moves_numbers_is_told_when_it_changes_after_the_plan_was_frozen(study):
    assert changed_after_freezing(study, settings_of(study)[0]) == []
    freeze(study, NOW)
    assert changed_after_freezing(study, settings_of(study)[0]) == []
    default = settings_of(study)[0].measure_outcomes.baseline_settle_s
    changed = changed_by(study, "\nmeasure_outcomes: {baseline_settle_s: 15.0}\n")
    assert changed == [
        f"setting measure_outcomes.baseline_settle_s 15.0, {default} when the plan was frozen"
    ]
    settings, _ = settings_of(study)
    assert said_of(settings, departures=changed) == changed[0]


@pytest.mark.parametrize(
    "section",
    [
        "\nquality_rules: {repaired_share: {refused_above: 20.0}}\n",
        "\nfind_beats: {quality_span_s: 7.0}\n",
    ],
)
def test_quality_rules_and_detection_are_watched_and_pictures_and_titles_are_not(study, section):
    freeze(study, NOW)
    assert changed_by(study, "\ndraw_figures: {course_of: [sub-01, ses-1]}\n") == []
    assert len(changed_by(study, section)) == 1


def test_settings_that_were_kept_elsewhere_or_altered_are_no_proof(study):
    freeze(study, NOW)
    settings, _ = settings_of(study)
    kept = study / "registration_settings.yaml"
    kept.write_text(kept.read_text().replace("confidence: 0.95", "confidence: 0.9"))
    (said,) = changed_after_freezing(study, settings)
    assert said.startswith("registration_settings.yaml was changed")
    kept.unlink()
    (said,) = changed_after_freezing(study, settings)
    assert said.startswith("registration_settings.yaml is not there")


def decision(action, when):
    return SimpleNamespace(action=action, edited_at=when)


def test_what_was_left_out_by_hand_after_freezing_is_counted(study):
    freeze(study, NOW)
    plan = settings_of(study)[0].plan
    before = [
        decision("exclude_event", "2026-03-01T09:00:00"),
        decision("move_onset", "2027-01-01"),
    ]
    assert excluded_after_freezing(plan, before) == []
    after = [
        decision("exclude_span", "2026-03-02T09:00:00+01:00"),
        decision("exclude_span", "later"),
    ]
    assert excluded_after_freezing(plan, [*before, *after]) == [
        "2 spans left out by hand after the plan was frozen (the plan names none)"
    ]
    stated = plan.model_copy(update={"exclusions": "movement; lost signal"})
    (said,) = excluded_after_freezing(stated, after)
    assert said.endswith("(the plan says: movement, lost signal)")
    assert excluded_after_freezing(plan.model_copy(update={"frozen_at": None}), after) == []


def test_orders_that_were_not_planned_or_not_allotted_are_told():
    done = pd.Series({"sub-01": "ABC", "sub-02": "BC", "sub-03": "CBA"})
    assert unplanned_orders(done, ["ABC", "CBA"]) == []
    assert unplanned_orders(done, []) == []
    assert unplanned_orders(done, ["ABC"]) == ["order CBA was not planned (sub-03)"]
    allotted = pd.Series({"sub-01": "ACB", "sub-02": "BAC"})
    assert not_as_allotted(done, allotted) == ["sub-01 did ABC, allotted ACB"]


def test_the_report_says_once_what_differs_from_the_plan(study):
    freeze(study, NOW)
    plan = settings_of(study)[0].plan
    as_planned = pd.DataFrame({"plan": ["as planned"] * 2})
    assert plan_in_words(as_planned, plan).endswith("2 of 2 claims are as planned.")
    departure = "9 participants, planned 12"
    differs = pd.DataFrame(
        {"plan": [departure, f"{departure}; order CBA was not planned (sub-03)"]}
    )
    said = plan_in_words(differs, plan)
    assert "0 of 2 claims are as planned." in said
    assert said.endswith(f"What differs: {departure}; order CBA was not planned (sub-03).")
