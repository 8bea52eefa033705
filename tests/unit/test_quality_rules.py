"""Quality rules decide what may be given in a window; they join outcomes by family."""

import pytest

from engine.listings import families
from measuring.quality_rules import rules_that_judge, verdict
from project import write_tiny_study
from study.loading import Study
from study.problems import StudyError
from study.settings import QualityRule

RMSSD = ("rmssd_ms", "heart period", "set")


def rule(**stated):
    default = {
        "families": ["heart period"],
        "windows": ["set"],
        "measured": "duration_s",
        "says": "too short",
        "source": "convention",
    }
    return QualityRule(**default | stated)


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01",))


def add_settings(study, text):
    path = study / "study.yaml"
    written = path.read_text(encoding="utf-8").partition("measure_outcomes:")[0]
    path.write_text(written + text, encoding="utf-8")
    return study


def test_a_value_at_its_limit_passes_and_one_beyond_it_does_not():
    rules = {"time": rule(refused_below=30.0, flagged_below=60.0)}
    assert verdict(*RMSSD, rules, lambda _: 60.0) == ("ok", "")
    assert verdict(*RMSSD, rules, lambda _: 59.0) == ("flagged", "too short (here 59 s)")
    assert verdict(*RMSSD, rules, lambda _: 30.0) == ("flagged", "too short (here 30 s)")
    assert verdict(*RMSSD, rules, lambda _: 29.0) == ("refused", "too short (here 29 s)")


def test_an_upper_limit_is_one_above_which_an_outcome_is_flagged_or_refused():
    rules = {
        "share": rule(
            flagged_above=5.0, refused_above=10.0, says="repaired", measured="corrected_pct"
        )
    }
    assert verdict(*RMSSD, rules, lambda _: 5.0)[0] == "ok"
    assert verdict(*RMSSD, rules, lambda _: 5.1) == ("flagged", "repaired (here 5.1 %)")
    assert verdict(*RMSSD, rules, lambda _: 10.0)[0] == "flagged"
    assert verdict(*RMSSD, rules, lambda _: 11.0) == ("refused", "repaired (here 11 %)")


@pytest.mark.parametrize(
    ("measured", "here"),
    [
        ("covered_pct", "here 7.5 %"),
        ("heart_rate_slope_bpm_per_min", "here 7.5 bpm per min"),
        ("duration_s", "here 7.5 s"),
        ("timing_step_ms", "here 7.5 ms"),
        ("breathing_hz", "here 7.5 Hz"),
        ("sensor_drift_ppm", "here 7.5 ppm"),
        ("normal_beats", "here 7.5"),
    ],
)
def test_a_reason_gives_what_was_measured_with_its_unit(measured, here):
    rules = {"a": rule(refused_above=5.0, measured=measured)}
    assert verdict(*RMSSD, rules, lambda _: 7.5) == ("refused", f"too short ({here})")


def test_a_rule_of_another_window_or_family_does_not_count():
    rules = {"time": rule(refused_below=30.0)}
    assert verdict("rmssd_ms", "heart period", "baseline", rules, lambda _: 1.0)[0] == "ok"
    assert verdict("pain", "work", "set", rules, lambda _: 1.0)[0] == "ok"
    assert verdict(*RMSSD, rules, lambda _: 1.0)[0] == "refused"


def test_a_rule_adds_an_outcome_of_another_family_and_leaves_out_one_of_its_own():
    rules = {"time": rule(outcomes=["hf_modulation"], without=["sd1_ms"], refused_below=30.0)}
    assert verdict("hf_modulation", "breathing", "set", rules, lambda _: 1.0)[0] == "refused"
    assert verdict("sd1_ms", "heart period", "set", rules, lambda _: 1.0)[0] == "ok"


def test_the_worst_rule_decides_and_only_its_reasons_are_given():
    rules = {
        "a": rule(flagged_below=60.0, says="short"),
        "b": rule(refused_below=40.0, says="far too short"),
        "c": rule(refused_below=35.0, says="hopeless"),
    }
    status, reason = verdict(*RMSSD, rules, lambda _: 30.0)
    assert status == "refused"
    assert reason == "far too short (here 30 s); hopeless (here 30 s)"


def test_what_cannot_be_measured_lets_a_rule_pass():
    assert verdict(*RMSSD, {"a": rule(refused_below=30.0)}, lambda _: None)[0] == "ok"


def test_a_new_outcome_of_the_heart_is_under_the_rules_of_its_family(study):
    rules = Study(study).settings.quality_rules
    judged = [r.says for r in rules_that_judge("shortest_nn_ms", "heart period", "set", rules)]
    assert "heart rate is not steady here" in judged
    assert "too large a share of the beats was repaired" in judged
    of_rate = rules_that_judge("median_hr_bpm", "heart rate", "set", rules)
    assert [r.refused_above for r in of_rate if r.measured == "corrected_pct"] == [20.0]


@pytest.mark.parametrize("family", ["heart rate", "heart period", "spectrum", "breathing"])
def test_every_outcome_of_the_heart_is_flagged_where_its_recording_cannot_be_trusted(study, family):
    rules = Study(study).settings.quality_rules
    names = [name for name, of in families().items() if of == family]
    assert names
    for name in names:
        assert rules_that_judge(name, family, "recovery_steady", rules) or name.startswith("hrr_")


def test_a_study_changes_a_limit_by_the_name_of_the_rule_in_the_new_form_and_in_the_first(study):
    for text in (
        "quality_rules: {repaired_share: {refused_above: 7.0}}\n",
        "measure_outcomes: {gates: {repaired_share: {refused_above: 7.0}}}\n",
    ):
        before = (study / "study.yaml").read_text(encoding="utf-8")
        known = Study(add_settings(study, text))
        (study / "study.yaml").write_text(before, encoding="utf-8")
        changed = known.settings.quality_rules["repaired_share"]
        assert changed.refused_above == 7.0
        assert changed.families == ["heart period", "spectrum"]
        assert known.default_settings.quality_rules["repaired_share"].refused_above == 10.0


def test_a_list_of_outcomes_in_the_first_form_is_the_whole_list(study):
    text = "measure_outcomes: {gates: {repaired_share: {outcomes: [rmssd_ms]}}}\n"
    rules = Study(add_settings(study, text)).settings.quality_rules
    assert rules["repaired_share"].holds_for("rmssd_ms", "heart period", "set")
    assert not rules["repaired_share"].holds_for("sdnn_ms", "heart period", "set")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "quality_rules: {repaired_share: {families: [heart periods]}}\n",
            "quality_rules.repaired_share: 'heart periods' is not a family of outcomes, allowed: ",
        ),
        (
            "quality_rules: {repaired_share: {without: [rmsd_ms]}}\n",
            "quality_rules.repaired_share: 'rmsd_ms' is not an outcome; did you mean 'rmssd_ms'?",
        ),
        (
            "quality_rules: {repaired_share: {refuse_above: 7.0}}\n",
            "quality_rules.repaired_share.refuse_above: is not a setting; did you mean",
        ),
        (
            "measure_outcomes: {gates: {repaired_share: {refused_above: seven}}}\n",
            "measure_outcomes.gates.repaired_share.refused_above: found 'seven'",
        ),
        (
            "quality_rules: {repaired_share: {measured: corected_pct}}\n",
            "quality_rules.repaired_share.measured: found 'corected_pct'",
        ),
    ],
)
def test_a_rule_that_cannot_be_meant_is_named_with_its_line(study, text, said):
    with pytest.raises(StudyError) as raised:
        Study(add_settings(study, text))
    assert "study.yaml, line 4, " + said in str(raised.value)
