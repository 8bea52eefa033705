"""The invented demo study keeps its word: same seed, same bytes, and its truth was built in.

No expected number here comes from outside: they are the study's own plan (invented, data_demo's
README), arithmetic of the models, or limits of common practice named beside the number.
"""

import gzip
import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from demo import make, signals, study

DEMO = Path(__file__).parents[2] / "data_demo"
TABLES = (
    "participants.tsv",
    "sessions.tsv",
    "occlusion.tsv",
    "titration.tsv",
    "harms.tsv",
    "recordings.tsv",
    "events.tsv",
    "truth/sets.tsv",
    "truth/visits.tsv",
    "truth/clocks.tsv",
    "truth/trouble.tsv",
)


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / name, sep="\t", keep_default_na=False, na_values=["n/a"])


def content(path: Path) -> bytes:
    # Compressed bytes depend on the zlib of the machine, their content does not.
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


def person_means(outcome: str, rows: pd.DataFrame) -> pd.DataFrame:
    return rows.pivot_table(index="participant_id", columns="condition", values=outcome)


@pytest.mark.parametrize("participant", ["sub-02", "sub-03", "sub-06"])
def test_a_participant_made_again_alone_has_the_same_bytes(tmp_path, participant):
    make.write_demo(tmp_path, participants=[participant])
    committed = sorted(DEMO.glob(f"raw/{participant}/*"))
    assert [p.name for p in committed] == [p.name for p in sorted(tmp_path.glob("raw/*/*"))]
    for path in [*committed, DEMO / f"truth/beats/{participant}.tsv.gz"]:
        assert content(tmp_path / path.relative_to(DEMO)) == content(path), path.name
    for name in TABLES:
        header, *lines = (DEMO / name).read_text().splitlines()
        of_person = [row for row in lines if row.startswith(f"{participant}\t")]
        assert (tmp_path / name).read_text().splitlines() == [header, *of_person], name


def test_another_seed_is_another_study():
    first, second = (study.plan_study(seed)[0] for seed in (1, 2))
    assert first.sets[0].rep_boundaries_s != second.sets[0].rep_boundaries_s


def test_what_was_built_in_is_what_the_sets_hold():
    sets, effects = table("truth/sets.tsv"), table("truth/effects.tsv")
    in_sets = effects[effects["window"] == "set"]
    assert set(in_sets["outcome"]) == {"smo2_nadir_pct", "mean_hr_bpm"}
    for effect in in_sets.itertuples():
        above, below = effect.contrast.split(" - ")
        means = person_means(effect.outcome, sets)
        for people in (means, means.dropna()):
            # Within people: one person lacks one condition, so plain means would mix in levels.
            difference = (people[above] - people[below]).mean()
            # The lowest point of a course and a mean over whole beats are not the planned number
            # itself; a tenth of a point or beat is what that costs over the study.
            assert difference == pytest.approx(effect.true_value, abs=0.15), effect


def test_effects_on_rmssd_and_on_nothing_at_baseline_are_those_of_the_true_beats():
    visits, effects = table("truth/visits.tsv"), table("truth/effects.tsv")
    for effect in effects[effects["outcome"] == "rmssd_ms"].itertuples():
        above, below = effect.contrast.split(" - ")
        log_rmssd = np.log(person_means(f"rmssd_{effect.window}_ms", visits).dropna())
        ratio = np.exp((log_rmssd[above] - log_rmssd[below]).mean())
        assert ratio == pytest.approx(effect.true_value, abs=0.01), effect
    baseline_hr = person_means("mean_hr_baseline_bpm", visits).dropna()
    assert baseline_hr.mean().max() - baseline_hr.mean().min() < 0.2
    smo2 = person_means("smo2_baseline_pct", table("truth/sets.tsv")).dropna()
    assert smo2.mean().max() - smo2.mean().min() < 0.05


def test_people_respond_differently_to_a_condition():
    for outcome, planned_sd in (
        ("smo2_nadir_pct", study.SMO2_NADIR_DEVIATION_SD_PCT),
        ("mean_hr_bpm", study.MEAN_HR_DEVIATION_SD_BPM),
    ):
        means = person_means(outcome, table("truth/sets.tsv")).dropna()
        spread = (means["target"] - means["none"]).std()
        # A difference of two deviations: sqrt(2) of one, within a factor of two for nine people.
        assert 0.5 < spread / (np.sqrt(2.0) * planned_sd) < 2.0


def test_true_heart_rates_are_those_of_people_who_sit_and_exercise_lightly():
    visits, sets = table("truth/visits.tsv"), table("truth/sets.tsv")
    # 50 to 90 bpm seated at rest, below 130 in light sets: common practice, no source.
    assert visits["mean_hr_baseline_bpm"].between(50, 90).all()
    assert sets["mean_hr_bpm"].between(65, 130).all()
    recovery = visits["mean_hr_recovery_steady_bpm"] - visits["mean_hr_baseline_bpm"]
    assert recovery.between(-2, 4).all()


def test_true_intervals_are_possible_and_their_rmssd_is_the_one_in_the_truth():
    beats = pd.read_csv(DEMO / "truth/beats/sub-08.tsv.gz", sep="\t")
    visits = table("truth/visits.tsv").set_index(["participant_id", "session_id"])
    for session, of_session in beats.groupby("session_id"):
        assert np.diff(of_session["time_s"]).min() > 0.4
        window = of_session["time_s"].between(20.0, 380.0)
        differences_ms = 1000.0 * np.diff(of_session.loc[window, "time_s"], n=2)
        truth_ms = visits.loc[("sub-08", session), "rmssd_baseline_ms"]
        # Beats are kept to 0.1 ms.
        assert np.sqrt(np.mean(differences_ms**2)) == pytest.approx(truth_ms, abs=0.05)


def test_cuff_pressures_are_the_condition_s_share_of_what_was_measured_that_day():
    events, occlusion, sets = table("events.tsv"), table("occlusion.tsv"), table("truth/sets.tsv")
    assert occlusion["occlusion_pressure_mmhg"].between(120, 220).all()
    key = ["participant_id", "session_id", "limb"]
    done = events[events["trial_type"] == "set"].merge(occlusion, on=key, suffixes=("", "_cuff"))
    assert len(done) == len(sets)
    share = done["cuff_pressure_mmhg"] / done["occlusion_pressure_mmhg"]
    planned = done["condition"].map(study.SHARE_OF_OCCLUSION_PRESSURE)
    # A gauge is set to whole mmHg.
    assert (share - planned).abs().max() <= 0.5 / 120
    wrong = occlusion[(occlusion["posture"] != "seated") | (occlusion["method"] != "doppler")]
    assert list(wrong["participant_id"]) == ["sub-08", "sub-10"]


def test_every_order_of_conditions_is_used_and_every_visit_follows_its_sequence():
    sessions, sets = table("sessions.tsv"), table("truth/sets.tsv")
    assert set(sessions["sequence"]) == set(study.SEQUENCES)
    assert sessions.groupby("participant_id").size().to_dict()["sub-09"] == 2
    assert len(sessions) == 29
    done = sets.groupby(["participant_id", "session_id"])["condition"].agg(["first", "nunique"])
    assert (done["nunique"] == 1).all()
    for row in sessions.itertuples():
        expected = study.condition_of(row.sequence, row.visit)
        assert done.loc[(row.participant_id, row.session_id), "first"] == expected


def test_a_minute_of_reperfusion_lies_between_release_and_next_inflation():
    for visit in study.plan_study():
        for planned, following in zip(visit.sets, visit.sets[1:], strict=False):
            assert following.inflation_s - planned.release_s >= 60.0
            assert planned.onset_s - planned.inflation_s == pytest.approx(25.0)


def test_repetitions_fall_from_the_first_bout_to_the_second():
    sets = table("truth/sets.tsv")
    first, second = (sets[sets["bout"] == bout]["reps_done"].to_numpy() for bout in (1, 2))
    assert (second <= first).all()
    assert (second < first).mean() > 0.9
    logged = table("events.tsv").query("trial_type == 'set'")["reps_done"].to_numpy()
    assert (sets["reps_done"].to_numpy() != logged).sum() == 1


def test_lost_intervals_leave_the_file_short_of_the_time_between_the_marks():
    recordings = table("recordings.tsv").query("participant_id == 'sub-06' and signal == 'rr'")
    marks = table("events.tsv").query("participant_id == 'sub-06' and trial_type == 'sync'")
    for row in recordings.itertuples():
        elapsed_s = np.ptp(marks.loc[marks["session_id"] == row.session_id, "onset_s"])
        on_file_s = np.ptp([float(mark) for mark in row.sync_marks_s.split(";")])
        if row.session_id == "ses-2":
            assert 11.0 < elapsed_s - on_file_s < 14.0
        else:
            # At most 9 ppm of some 2000 s: the drift of a sound recorder.
            assert abs(elapsed_s - on_file_s) < 0.03


def test_the_sync_marks_show_the_drift_of_the_recorder():
    recordings = table("recordings.tsv").query("participant_id == 'sub-04' and signal == 'ecg'")
    marks = table("events.tsv").query("participant_id == 'sub-04' and trial_type == 'sync'")
    for row in recordings.itertuples():
        session_s = marks.loc[marks["session_id"] == row.session_id, "onset_s"].to_numpy()
        file_s = np.array([float(mark) for mark in row.sync_marks_s.split(";")])
        drift_ppm = 1e6 * (np.ptp(session_s) / np.ptp(file_s) - 1.0)
        # Marks read to 2 ms each, some 2000 s apart: 1.4 ppm standard deviation.
        assert drift_ppm == pytest.approx(study.DRIFT_PPM, abs=4.2)


def test_edits_stand_on_the_bytes_of_their_raw_files():
    recordings = table("recordings.tsv")
    edits = table("edits.tsv")
    assert set(edits["action"]) == {"remove_beat", "exclude_span"}
    for edit in edits.itertuples():
        same = (recordings["signal"] == edit.signal) & (
            recordings["participant_id"] == edit.participant_id
        )
        file = recordings[same & (recordings["session_id"] == edit.session_id)]["file"].iloc[0]
        assert hashlib.sha256((DEMO / file).read_bytes()).hexdigest() == edit.file_sha256


def test_the_removed_beat_is_the_false_one():
    edit = table("edits.tsv").query("action == 'remove_beat'").iloc[0]
    beats = pd.read_csv(DEMO / f"truth/beats/{edit['participant_id']}.tsv.gz", sep="\t")
    extra = beats[beats["kind"] == "extra"]
    assert list(extra["session_id"]) == [edit["session_id"]]
    assert extra["time_s"].iloc[0] == pytest.approx(edit["time_s"], abs=0.0005)


def test_the_readme_names_every_fault_and_gives_no_advice():
    text = (DEMO / "README.md").read_text()
    for fault in table("truth/trouble.tsv").itertuples():
        assert f"| {fault.participant_id} {fault.session_id} |" in text
        assert f"| {fault.trouble} | {fault.what_it_is} |" in text
    assert "invented and are no advice" in text


def test_the_folder_is_small_enough_to_travel_with_the_code():
    size = {path: path.stat().st_size for path in DEMO.rglob("*") if path.is_file()}
    assert sum(size.values()) < 12e6
    assert sum(size[path] for path in size if DEMO / "truth" in path.parents) < 1.5e6


def test_a_constant_period_gives_evenly_spaced_beats():
    times_s = np.arange(0.0, 60.0, 0.01)
    beats_s = signals.pulse_times(times_s, np.full(times_s.size, 0.8))
    assert beats_s == pytest.approx(0.8 * np.arange(1, beats_s.size + 1))
    assert beats_s.size == 74


def test_a_rise_planned_for_a_mean_has_that_mean():
    plateau = signals.plateau_for_mean(95.0, value_at_onset=70.0, duration_s=50.0, tau_s=15.0)
    times_s = np.arange(0.0, 50.0, 0.001)
    step = signals.Step(0.0, plateau, 15.0)
    course = signals.first_order_course(times_s, initial=70.0, steps=[step])
    assert course.mean() == pytest.approx(95.0, abs=0.01)


def test_without_overshoot_the_half_time_is_delay_plus_tau_ln_2():
    muscle_set = signals.MuscleSet(
        inflation_s=0.0,
        onset_s=25.0,
        end_s=75.0,
        release_s=80.0,
        resting_cuff_drop_pct=3.0,
        nadir_pct=35.0,
        fall_tau_s=12.0,
        recovery_delay_s=4.0,
        recovery_tau_s=20.0,
        overshoot_pct=0.0,
    )
    times_s = np.arange(0.0, 200.0, 0.01)
    course_pct = signals.saturation_course(times_s, baseline_pct=65.0, sets=[muscle_set])
    assert course_pct.min() == pytest.approx(35.0)
    half_time_s = signals.half_time_s(
        times_s, course_pct, start_s=80.0, nadir_pct=35.0, baseline_pct=65.0
    )
    assert half_time_s == pytest.approx(4.0 + 20.0 * np.log(2.0), abs=0.01)


def test_an_early_beat_is_followed_by_a_full_pause():
    beats_s = np.arange(0.0, 10.0, 1.0)
    moved_s = signals.premature(beats_s, np.array([4]), share=0.32)
    assert np.diff(moved_s)[3:5] == pytest.approx([0.68, 1.32])
    assert beats_s[4] == 4.0
