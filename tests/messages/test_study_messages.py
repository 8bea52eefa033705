"""What a person reads when a table, a setting or a file is wrong: where, what, what to do."""

import hashlib

import pytest

from engine.problems import problems
from project import change, copy_of_project, message_of, snakemake, write_tiny_study
from study.loading import Study
from study.settings_files import under_alternative


def write_edit(study, sha256):
    """A decision about a beat of the first visit, made on a file with this checksum."""
    header = (
        "edit_id\tparticipant_id\tsession_id\tsignal\taction\ttime_s\tfile_sha256\teditor\t"
        "edited_at\treason\n"
    )
    row = f"1\tsub-01\tses-1\trr\tremove_beat\t12.0\t{sha256}\tA. B.\t2031-01-01\tfalse beat\n"
    (study / "edits.tsv").write_text(header + row)


def sha256_of(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_sound_study_passes(study):
    assert Study(study).participants == ["sub-01"]


def test_all_problems_are_named_at_once(study):
    change(study, "events.tsv", "\tlow\t", "\tlo\t")
    change(study, "sessions.tsv", "ses-2\t2", "ses-2\ttwo")
    change(study, "recordings.tsv", "raw/sub-01_ses-1_intervals.txt", "raw/gone.txt")
    text = message_of(study)
    assert text.startswith("3 problems")
    assert "events.tsv, row 9, column condition: found 'lo'" in text
    assert "did you mean 'low'?" in text
    assert "sessions.tsv, row 3, column visit: found 'two'" in text
    assert "recordings.tsv, row 2, column file: raw/gone.txt does not exist" in text


def test_a_decimal_comma_in_a_table_is_explained(study):
    change(study, "events.tsv", "\t160.0\t", "\t160,0\t")
    text = message_of(study)
    assert "column onset_s: found '160,0'" in text
    assert "write a point as decimal mark" in text


def test_a_unit_that_does_not_belong_to_its_signal_is_refused(study):
    change(
        study,
        "recordings.tsv",
        "\trr\traw/sub-01_ses-1_intervals.txt\tms",
        "\trr\traw/sub-01_ses-1_intervals.txt\tmV",
    )
    assert "column unit: found 'mV', allowed: rr is recorded in ms or s" in message_of(study)


def test_a_missing_column_is_named_with_the_one_that_was_probably_meant(study):
    change(study, "participants.tsv", "participant_id", "participantid")
    text = message_of(study)
    assert "participants.tsv, row 1: column participant_id is missing" in text
    assert "found 'participantid': rename it" in text


def test_a_table_saved_with_commas_is_recognised(study):
    path = study / "participants.tsv"
    path.write_text(path.read_text().replace("\t", ","), encoding="utf-8")
    assert message_of(study).startswith("1 problem ")
    assert "columns are separated by tabs" in message_of(study)


def test_a_table_without_its_header_is_one_problem(study):
    path = study / "sessions.tsv"
    path.write_text("\n".join(path.read_text().splitlines()[1:]) + "\n")
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert "sessions.tsv, row 1: columns are missing: participant_id, session_id, visit" in text
    assert "row 1 must name the columns, found 'sub-01', 'ses-1', '1'" in text


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("participants.tsv", "participants.tsv: the table is missing"),
        ("sessions.tsv", "sessions.tsv: the table is missing"),
        ("recordings.tsv", "recordings.tsv: the table is missing"),
    ],
)
def test_a_missing_table_is_one_problem_and_not_one_for_every_row_that_refers_to_it(
    study, table, said
):
    write_edit(study, sha256_of(study / "raw" / "sub-01_ses-1_intervals.txt"))
    (study / table).unlink()
    assert message_of(study).startswith("1 problem ")
    assert said in message_of(study)


def test_a_session_sheet_that_cannot_be_read_is_one_problem(study):
    change(study, "events.tsv", "duration_s", "length")
    change(study, "recordings.tsv", "unit", "sync_marks_s\tunit")
    path = study / "recordings.tsv"
    header, *lines = path.read_text().splitlines()
    marked = ["\t".join([*row.split("\t")[:4], "5.0", *row.split("\t")[4:]]) for row in lines]
    path.write_text("\n".join([header, *marked]) + "\n")
    with (study / "study.yaml").open("a") as settings:
        settings.write("segment_oxygenation:\n  working_muscle: {curtsy: elsewhere}\n")
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert "events.tsv, row 1: column duration_s is missing" in text


def test_a_table_with_a_header_alone_is_one_problem(study):
    path = study / "participants.tsv"
    path.write_text(path.read_text().splitlines()[0] + "\n")
    assert message_of(study).startswith("1 problem ")
    assert "participants.tsv: holds a header and no rows" in message_of(study)


def test_one_mistake_in_many_rows_is_one_line(study):
    path = study / "events.tsv"
    path.write_text(path.read_text().replace("\tlow\t", "\tlo\t"))
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert "row 9, column condition: found 'lo'" in text
    assert text.endswith("(also in rows 10, 11, 12)")


def test_conditions_that_study_yaml_never_named_are_asked_for(study):
    (study / "study.yaml").unlink()
    path = study / "events.tsv"
    path.write_text(path.read_text().replace("\tlow\t", "\tmild\t"))
    text = message_of(study)
    assert "found 'mild', allowed: none, low, target; study.yaml names no conditions" in text


def test_a_set_without_condition_says_so(study):
    change(study, "events.tsv", "\tset\tlow", "\tset\tn/a") if "\tset\tlow" in (
        study / "events.tsv"
    ).read_text() else change(study, "events.tsv", "\tlow\tcurtsy", "\tn/a\tcurtsy")
    assert "column condition: found 'n/a', allowed: required on a set" in message_of(study)


def test_sets_that_overlap_are_found(study):
    change(study, "events.tsv", "\t300.0\t", "\t180.0\t")
    assert "the set begins at 180 s, before the set of row" in message_of(study)


def test_an_unknown_session_is_named_with_the_nearest(study):
    change(study, "events.tsv", "ses-3", "ses-4")
    text = message_of(study)
    assert "column session_id: found 'ses-4'" in text
    assert "ses-3, or a visit that you add to sessions.tsv; did you mean 'ses-3'?" in text


def test_a_row_that_stands_twice_is_found(study):
    path = study / "participants.tsv"
    path.write_text(path.read_text() + "sub-01\t30\n")
    assert "participants.tsv, row 3: sub-01 stands already in row 2" in message_of(study)


def test_an_edit_of_another_file_stops_the_run(study):
    write_edit(study, "0" * 64)
    assert "edits.tsv, row 2, column file_sha256: edit 1 was made on another file" in message_of(
        study
    )
    write_edit(study, sha256_of(study / "raw" / "sub-01_ses-1_intervals.txt"))
    assert Study(study).tables["edits"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "find_beats:\n  detctor: own\n",
            "line 2, find_beats.detctor: is not a setting; did you mean 'detector'?",
        ),
        (
            "find_beat:\n  detector: own\n",
            "find_beat: is not a setting; did you mean 'find_beats'?",
        ),
        (
            "study:\n  conditions: [no, low]\n",
            "found False, allowed: text; YAML reads an unquoted no",
        ),
        ("study:\n  title: a\n  title: b\n", "study.yaml, line 3: 'title' stands twice; keep one"),
        ("study: [\n", "study.yaml, line 2: cannot be read"),
        ("find_beats:\n  quality_span_s: ten\n", "line 2, find_beats.quality_span_s: found 'ten'"),
        (
            "study:\n  primary_outcomes:\n    - {outcome: rmsd_ms, window: set}\n",
            "'rmsd_ms' is not an outcome; did you mean 'rmssd_ms'?",
        ),
        (
            "study:\n  primary_outcomes:\n    - {outcome: hrr_60_bpm, window: set}\n",
            "line 3, study.primary_outcomes.0: hrr_60_bpm is not measured in window 'set', "
            "allowed: recovery_first_60_s",
        ),
        (
            "compare_conditions:\n  smallest_effect: {smo2_nadr_pct: 5.0}\n",
            "line 2, compare_conditions.smallest_effect: 'smo2_nadr_pct' is not an outcome; did "
            "you mean 'smo2_nadir_pct'?",
        ),
        (
            "compare_conditions:\n  smallest_effect: {mean_hr_bpm: {recovery: 5.0}}\n",
            "line 2, compare_conditions.smallest_effect.mean_hr_bpm.recovery: mean_hr_bpm is not "
            "measured in window 'recovery', allowed: baseline, set, recovery_first_60_s, rest, "
            "recovery_steady; did you mean 'recovery_steady'?",
        ),
        (
            "compare_conditions:\n  smallest_effect: {smo2_nadir_pct: {baseline: 5.0}}\n",
            "smo2_nadir_pct is not measured in window 'baseline', allowed: set",
        ),
        (
            "compare_conditions:\n  smallest_effect: {mean_hr_bpm: {set: 0}}\n",
            "line 2, compare_conditions.smallest_effect.mean_hr_bpm: found {'set': 0}, allowed: a "
            "number above 0, or one for each window",
        ),
        (
            "compare_conditions:\n  smallest_effect: {mean_hr_bpm: {no: 2.0}}\n",
            "study.yaml, line 2: 'no' is no text for YAML",
        ),
        (
            "compare_conditions:\n  smallest_effect: {mean_hr_bpm: -2}\n",
            "smallest_effect.mean_hr_bpm: found -2, allowed: a number above 0",
        ),
        (
            "try_alternatives:\n  alternatives:\n    other: {compare_conditions: {smallest_effect: "
            "{smo2_nadir_pct: {rest: 5.0}}}}\n",
            "alternatives.other.compare_conditions.smallest_effect.smo2_nadir_pct.rest: "
            "smo2_nadir_pct is not measured in window 'rest'",
        ),
        (
            "try_alternatives:\n  alternatives:\n    other: {compare_conditions: {smallest_effect: "
            "5.0}}\n",
            "alternative other, compare_conditions.smallest_effect: found 5.0",
        ),
        (
            "compare_conditions:\n  smallest_effect: {rmssd_ms: {recovery_steady: 1}}\n",
            "rmssd_ms is compared as a ratio: a ratio of 1 is no effect",
        ),
        (
            "segment_oxygenation:\n  working_muscle: {curtsey: muscle}\n",
            "line 2, segment_oxygenation.working_muscle.curtsey: 'curtsey' is not an exercise of "
            "events.tsv; did you mean 'curtsy'?",
        ),
        (
            "segment_oxygenation:\n  working_muscle: {curtsy: Muscle}\n",
            "line 2, segment_oxygenation.working_muscle.curtsy: no sensor lies on 'Muscle' in "
            "sessions with curtsy; did you mean 'muscle'?",
        ),
        (
            "try_alternatives:\n  alternatives:\n    other: {segment_oxygenation: {working_muscle: "
            "{pull: musscle}}}\n",
            "line 3, try_alternatives.alternatives.other.segment_oxygenation.working_muscle.pull: "
            "no sensor lies on 'musscle'",
        ),
        (
            "segment_oxygenation:\n  no_cuff_condition: noen\n",
            "line 2, segment_oxygenation.no_cuff_condition: found 'noen', allowed: none, low, "
            "target; did you mean 'none'?",
        ),
        (" \n", "study.yaml: is empty; write what differs"),
        (
            "check_safety:\n  highest_share_pct: 95.0\n",
            "check_safety.highest_share_pct: found 95.0",
        ),
    ],
)
def test_a_wrong_setting_is_named_with_its_line(study, text, expected):
    (study / "study.yaml").write_text(text, encoding="utf-8")
    assert expected in message_of(study)


def test_tables_written_by_a_spreadsheet_are_accepted(study):
    path = study / "participants.tsv"
    text = path.read_text().replace("sub-01\t25", " sub-01 \t25 ").replace("\n", "\r\n")
    path.write_bytes(b"\xef\xbb\xbf" + text.encode() + b"\r\n\t\r\n\r\n")
    assert Study(study).participants == ["sub-01"]


def test_labels_stay_text(study):
    path = study / "participants.tsv"
    path.write_text("participant_id\tcohort\nsub-01\t007\n")
    assert Study(study).tables["participants"][0].model_extra["cohort"] == "007"


@pytest.mark.engine
def test_bad_input_stops_snakemake_and_harms_nothing(tmp_path):
    folder = copy_of_project(tmp_path / "project")
    study = write_tiny_study(folder / "tiny", participants=("sub-01",))
    earlier = folder / "results" / "tiny" / "report.html"
    earlier.parent.mkdir(parents=True)
    earlier.write_text("an earlier report")
    raw = {p: p.read_bytes() for p in (study / "raw").iterdir()}
    change(study, "events.tsv", "\tlow\t", "\tlo\t")
    printed, status = snakemake(folder, "--config", "study=tiny")
    assert status != 0
    assert "events.tsv, row 9, column condition: found 'lo'" in printed
    assert "Traceback" not in printed
    assert "Snakefile" not in printed
    assert printed.startswith("1 problem to mend before anything runs:")
    assert earlier.read_text() == "an earlier report"
    assert all(path.read_bytes() == content for path, content in raw.items())


@pytest.mark.engine
def test_broken_recordings_are_all_named_last_and_each_once_and_the_report_is_made(tmp_path):
    folder = copy_of_project(tmp_path / "project")
    study = write_tiny_study(folder / "tiny", participants=("sub-01", "sub-02", "sub-03"))
    recordings = (study / "recordings.tsv").read_text().splitlines()
    # a file that two rows name is broken once
    again = [line for line in recordings if "sub-02_ses-1_saturation.csv" in line]
    again = [
        line.replace("muscle_oxygen", "total_haemoglobin").replace("pct", "au") for line in again
    ]
    (study / "recordings.tsv").write_text("\n".join([*recordings, *again]) + "\n")
    broken = {
        "raw/sub-01_ses-1_intervals.txt": lambda text: text.replace("\n", "\nlost\n", 1),
        "raw/sub-01_ses-2_intervals.txt": in_seconds,
        "raw/sub-01_ses-3_saturation.csv": lambda text: "0       " + text[:200],
        "raw/sub-02_ses-1_saturation.csv": lambda text: text.replace("\n9,5;", "\n9,5 stop;", 1),
    }
    for file, broken_off in broken.items():
        (study / file).write_text(broken_off((study / file).read_text()))
    printed, status = snakemake(folder, "--config", "study=tiny", cores=1)
    assert status != 0
    _, _, last = printed.partition("What could not be made, and why:\n")
    assert "WorkflowError" not in last
    assert all(last.count(file) == 1 for file in broken)
    assert "looks like s" in last
    assert "tiny/raw" not in last
    row = next(n for n, line in enumerate(recordings, start=1) if "sub-02_ses-1_sat" in line)
    assert f"recordings.tsv, rows {row} and {len(recordings) + 1}: raw/sub-02_ses-1_sat" in last
    assert last.count("to do:") == 4
    assert "Traceback" not in printed
    assert "The report is made without it and says so." in last
    results = folder / "results" / "tiny"
    report = (results / "report.html").read_text()
    assert "2 participants of 3 could not be measured" in report
    assert "sub-03" in (results / "outcomes.tsv").read_text()
    assert "sub-01" not in (results / "outcomes.tsv").read_text()
    assert (results / "exclusions.tsv").read_text().count("could not be measured") == 2
    # nothing stands for what could not be made
    assert [p.name for p in (results / "beats").iterdir()] == ["sub-03.tsv"]
    assert "beats/sub-01.tsv" not in (results / "manifest.tsv").read_text()


def in_seconds(intervals_ms):
    return "\n".join(f"{int(line) / 1000:.3f}" for line in intervals_ms.split()) + "\n"


def test_a_fault_of_the_program_keeps_its_traceback_in_the_log_and_off_the_screen(tmp_path):
    (tmp_path / "find_beats").mkdir()
    log = tmp_path / "find_beats" / "sub-01.log"
    fault = "ERROR find_beats: a fault of the program, not of your recordings"
    log.write_text(f"INFO no ERROR so far\n{fault}\nTraceback (most recent call last):\n  File\n")
    (tmp_path / "sound.log").write_text("INFO an ERROR is only what begins a line\n")
    assert problems(tmp_path).splitlines() == [
        "",
        "Why this run stopped:",
        "  find_beats: a fault of the program, not of your recordings",
        f"  [{log}]",
    ]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("intervals", "rr"),
        ("RR", "rr"),
        ("RR intervals", "rr"),
        ("ibi", "rr"),
        ("SmO2", "muscle_oxygen"),
        ("smo2", "muscle_oxygen"),
        ("saturation", "muscle_oxygen"),
        ("TSI", "muscle_oxygen"),
        ("THb", "total_haemoglobin"),
        ("pressure", "cuff_pressure"),
        ("breathing", "respiration"),
        ("EKG", "ecg"),
        ("ecg1", "ecg"),
        ("ECG II", "ecg"),
    ],
)
def test_the_usual_words_for_a_signal_lead_to_its_name(study, written, meant):
    change(study, "recordings.tsv", "\trr\t", f"\t{written}\t")
    assert (
        f"column signal: found {written!r}, allowed: ecg, rr, muscle_oxygen, "
        "oxy_haemoglobin, deoxy_haemoglobin, total_haemoglobin, "
        f"cuff_pressure, respiration; did you mean {meant!r}?"
    ) in message_of(study)


def test_saturation_of_a_finger_is_not_taken_for_that_of_muscle(study):
    change(study, "recordings.tsv", "\tmuscle_oxygen\t", "\tSpO2\t")
    text = message_of(study)
    assert "column signal: found 'SpO2', allowed: ecg, rr" in text
    assert "did you mean" not in text


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Ultrasound", "doppler"),
        ("pulse oximetry", "photoplethysmography"),
        ("automated", "oscillometric"),
        ("formula", "estimated"),
    ],
)
def test_the_usual_words_for_how_an_occlusion_pressure_was_found_lead_to_its_name(
    study, written, meant
):
    change(study, "occlusion.tsv", "\tdoppler", f"\t{written}")
    assert (
        f"column method: found {written!r}, allowed: doppler, photoplethysmography, "
        f"oscillometric, palpation, estimated; did you mean {meant!r}?"
    ) in message_of(study)


@pytest.mark.parametrize(
    ("written", "meant"),
    [("msec", "ms"), ("MS", "ms"), ("%", "pct"), ("mmhg", "mmHg"), ("g/dl", "g_dl"), ("µV", "uV")],
)
def test_the_usual_ways_to_write_a_unit_lead_to_its_name(study, written, meant):
    change(study, "recordings.tsv", "\tms\t", f"\t{written}\t")
    assert f"did you mean {meant!r}?" in message_of(study)


def test_a_missing_value_or_column_says_what_is_allowed(study):
    change(study, "recordings.tsv", "\trr\t", "\t\t")
    assert (
        "recordings.tsv, row 2, column signal: is empty, a value is required: ecg, rr, "
        "muscle_oxygen, oxy_haemoglobin, deoxy_haemoglobin, total_haemoglobin, cuff_pressure, "
        "respiration"
    ) in message_of(study)
    change(study, "recordings.tsv", "\tsignal\t", "\tkind\t")
    change(study, "occlusion.tsv", "posture", "position")
    text = message_of(study)
    assert "column signal is missing; allowed in signal: ecg, rr, muscle_oxygen" in text
    assert "column posture is missing" in text
    assert "allowed in posture: supine, seated, standing" in text


def test_a_missing_value_without_a_fixed_set_says_what_it_is(study):
    change(study, "sessions.tsv", "\t1\t", "\t\t")
    assert (
        "sessions.tsv, row 2, column visit: is empty, a value is required: the number of the "
        "visit in the order actually done"
    ) in message_of(study)


@pytest.mark.parametrize(
    ("written", "meant"), [("cuff_pressure", "cuff_pressure_mmhg"), ("reps_dones", "reps_done")]
)
def test_an_optional_column_that_is_nearly_known_does_not_vanish_silently(study, written, meant):
    change(study, "events.tsv", meant, written)
    text = message_of(study)
    assert f"events.tsv, row 1: column {written!r} is not known; did you mean {meant!r}?" in text


def test_a_column_of_ones_own_is_no_problem(study):
    change(study, "participants.tsv", "age_years", "dominant_hand")
    assert Study(study).participants == ["sub-01"]


@pytest.mark.parametrize("kind", ["set", "recovery"])
def test_an_event_that_stands_twice_is_found_and_not_called_an_overlap(study, kind):
    path = study / "events.tsv"
    lines = path.read_text(encoding="utf-8").splitlines()
    twice = next(line for line in lines if f"\t{kind}\t" in line)
    path.write_text("\n".join([*lines, twice]) + "\n", encoding="utf-8")
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert f"stands already in row {lines.index(twice) + 1}" in text


def test_conditions_of_other_names_need_no_condition_without_cuff(study):
    path = study / "events.tsv"
    path.write_text(path.read_text().replace("\tnone\t", "\tfree\t"))
    text = (study / "study.yaml").read_text()
    (study / "study.yaml").write_text(text.replace('"none"', '"free"'))
    assert Study(study).settings.protocol.no_cuff_condition == "none"


def test_a_muscle_on_which_no_sensor_lies_is_a_note_and_no_hindrance(study):
    with (study / "study.yaml").open("a") as settings:
        settings.write(
            "segment_oxygenation:\n  working_muscle: {curtsy: elsewhere, jump: muscle}\n"
        )
    notes = Study(study).notes().splitlines()
    setting = "Note: segment_oxygenation.working_muscle"
    assert f"{setting}.curtsy: no sensor lies on 'elsewhere' in sessions with curtsy." in notes
    assert f"{setting}.jump: 'jump' is not an exercise of events.tsv." in notes


def test_a_muscle_without_a_sensor_can_be_said(study):
    with (study / "study.yaml").open("a") as settings:
        settings.write("segment_oxygenation:\n  working_muscle: {curtsy: n/a, pull: muscle}\n")
    assert Study(study).participants == ["sub-01"]


def test_a_set_that_was_refused_is_not_missed_by_the_settings(study):
    path = study / "events.tsv"
    lines = path.read_text().splitlines()
    path.write_text(
        "\n".join(
            line.replace("\t12", "\ttwelve") if "\tcurtsy\t" in line else line for line in lines
        )
        + "\n"
    )
    with (study / "study.yaml").open("a") as settings:
        settings.write("segment_oxygenation:\n  working_muscle: {curtsy: muscle}\n")
    text = message_of(study)
    assert "column reps_done: found 'twelve'" in text
    assert "is not an exercise" not in text


def test_a_study_without_study_yaml_is_called_after_its_folder_and_says_what_it_leaves_open(study):
    (study / "study.yaml").unlink()
    unnamed = Study(study)
    assert unnamed.settings.study.title == "Untitled cuff study: tiny"
    assert unnamed.unstated == ["title", "conditions", "primary outcomes"]
    assert "names no title, conditions and primary outcomes" in unnamed.notes()


def test_a_study_that_says_everything_gets_no_note(study):
    (study / "study.yaml").write_text(
        'study:\n  title: a\n  conditions: ["none", "low", "target"]\n'
        "  primary_outcomes: [{outcome: rmssd_ms, window: recovery_steady}]\n"
    )
    assert Study(study).notes() == ""


def missing_file_message(study, *beside):
    """What is said about an interval file of the first visit that is gone, with others beside."""
    (study / "raw" / "sub-01_ses-1_intervals.txt").unlink()
    for name in beside:
        (study / "raw" / name).write_text("800\n")
    return message_of(study)


def test_a_missing_file_never_suggests_one_that_another_row_names(study):
    text = missing_file_message(study)
    assert "raw/sub-01_ses-1_intervals.txt does not exist" in text
    assert "did you mean" not in text


def test_a_missing_file_suggests_the_same_visit_before_the_same_person(study):
    text = missing_file_message(
        study, "sub-01_ses-9_intervals.txt", "sub-01_ses-1_intervals_copy.txt"
    )
    assert "did you mean 'raw/sub-01_ses-1_intervals_copy.txt'?" in text


def test_a_missing_file_never_suggests_that_of_another_person(study):
    path = study / "participants.tsv"
    path.write_text(path.read_text() + "sub-02\t30\n")
    assert "did you mean" not in missing_file_message(study, "sub-02_ses-1_intervals.txt")


def test_an_empty_recording_is_found_before_the_run(study):
    (study / "raw" / "sub-01_ses-2_intervals.txt").write_bytes(b"")
    text = message_of(study)
    assert "column file: raw/sub-01_ses-2_intervals.txt is empty (0 bytes)" in text


def test_one_file_for_two_visits_is_refused(study):
    change(study, "recordings.tsv", "sub-01_ses-2_intervals.txt", "sub-01_ses-1_intervals.txt")
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert (
        "recordings.tsv, row 4, column file: raw/sub-01_ses-1_intervals.txt is named for sub-01 "
        "ses-2 and, in row 2, for sub-01 ses-1; name each session's own file"
    ) in text


def test_a_copy_of_a_file_for_another_visit_is_refused(study):
    raw = study / "raw"
    (raw / "sub-01_ses-2_saturation.csv").write_bytes(
        (raw / "sub-01_ses-1_saturation.csv").read_bytes()
    )
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert "(the same content as raw/sub-01_ses-1_saturation.csv) is named for sub-01 ses-2" in text


def test_one_file_may_hold_a_column_for_each_visit_and_several_of_one_visit(study):
    path = study / "recordings.tsv"
    lines = path.read_text().splitlines()
    for visit in (1, 2, 3):
        file = f"sub-01_ses-{visit}_saturation.csv"
        lines = [
            line.replace(file, "sub-01_ses-1_saturation.csv").replace("smo2", f"visit_{visit}")
            if file in line and "smo2" in line
            else line
            for line in lines
        ]
    text = "\n".join(lines)
    path.write_text(text)
    header, *rows = text.splitlines()
    path.write_text("\n".join([header, *rows, rows[1].replace("visit_1", "calf")]) + "\n")
    assert Study(study).participants == ["sub-01"]
    change(study, "recordings.tsv", "visit_2", "visit_1")
    assert "is named for sub-01 ses-2 and, in row 3, for sub-01 ses-1" in message_of(study)


def test_a_missing_file_and_a_doubled_row_say_what_to_do(study):
    text = missing_file_message(study)
    assert "does not exist; copy the file there, correct the path, or take out the row" in text
    path = study / "events.tsv"
    lines = path.read_text().splitlines()
    twice = next(line for line in lines if "\tset\t" in line)
    path.write_text("\n".join([*lines, twice]) + "\n")
    assert "correct or take out one of the two" in message_of(study)


def without_pressures(study, condition, instead):
    """Rename the condition without cuff and take its pressures out of the session sheet."""
    path = study / "events.tsv"
    header, *rows = [line.split("\t") for line in path.read_text().splitlines()]
    pressure, kind = header.index("cuff_pressure_mmhg"), header.index("trial_type")
    of_visit = header.index("condition")
    kept = []
    for row in rows:
        if row[of_visit] == condition:
            row[of_visit], row[pressure] = instead, "n/a"
        if not (row[of_visit] == instead and row[kind] == "cuff"):
            kept.append(row)
    path.write_text("\n".join("\t".join(row) for row in [header, *kept]) + "\n")
    text = (study / "study.yaml").read_text()
    (study / "study.yaml").write_text(text.replace(f'"{condition}"', f'"{instead}"'))


def test_a_condition_without_cuff_of_another_name_is_asked_for(study):
    without_pressures(study, "none", "control")
    text = message_of(study)
    assert text.startswith("1 problem ")
    assert (
        "study.yaml, protocol.no_cuff_condition: is not stated, and the default 'none' is not "
        "among the conditions, but sets in control have no noted pressure"
    ) in text
    assert "allowed: control, low, target, or null where every condition has a cuff" in text


@pytest.mark.parametrize("said", ["control", "null"])
def test_a_condition_without_cuff_can_be_named_or_denied(study, said):
    without_pressures(study, "none", "control")
    with (study / "study.yaml").open("a") as settings:
        settings.write(f"protocol:\n  no_cuff_condition: {said}\n")
    protocol = Study(study).settings.protocol
    assert protocol.no_cuff_condition == (None if said == "null" else said)


def test_a_setting_stands_where_an_earlier_study_had_it_or_where_it_belongs_now(study):
    formerly = "  failure_band_pct: [0.0, 20.0]\n"
    with (study / "study.yaml").open("a") as settings:
        settings.write(formerly)
    assert Study(study).settings.protocol.failure_band_pct == [0.0, 20.0]
    with (study / "study.yaml").open("a") as settings:
        settings.write("protocol:\n  failure_band_pct: [0.0, 10.0]\n")
    said = message_of(study)
    assert said.startswith("1 problem ")
    assert "line 6, measure_outcomes.failure_band_pct: found [0.0, 20.0], but line 8, " in said
    assert "protocol.failure_band_pct says [0.0, 10.0]" in said
    assert "keep that one and take out this one" in said


def test_a_setting_with_another_name_is_understood_in_an_earlier_study(study):
    with (study / "study.yaml").open("a") as settings:
        settings.write("find_beats:\n  gate_correlation: 0.7\n")
    assert Study(study).settings.find_beats.clear_correlation == 0.7


def test_a_fault_in_a_setting_that_moved_is_named_where_the_study_wrote_it(study):
    with (study / "study.yaml").open("a") as settings:
        settings.write("  failure_band_pct: [0.0, low]\n")
    assert "measure_outcomes.failure_band_pct.1: found 'low'" in message_of(study)
    text = (study / "study.yaml").read_text().replace("  failure_band_pct: [0.0, low]\n", "")
    (study / "study.yaml").write_text(
        text + "try_alternatives:\n  alternatives:\n    wide: {measure_outcomes: "
        "{failure_band_pct: [0.0, 25.0]}}\n"
    )
    under = under_alternative(Study(study).settings, "wide")
    assert under.protocol.failure_band_pct == [0.0, 25.0]


def test_a_study_without_any_cuff_need_not_say_so(study):
    for condition in ("low", "target"):
        without_pressures(study, condition, f"{condition}_load")
    without_pressures(study, "none", "control")
    assert Study(study).participants == ["sub-01"]


def test_an_exercise_misspelt_in_study_yaml_is_not_blamed_on_the_session_sheet(study):
    text = (study / "study.yaml").read_text()
    text = text.replace("measure_outcomes", "  exercises: [curtsey, pull]\nmeasure_outcomes")
    (study / "study.yaml").write_text(text)
    said = message_of(study)
    assert said.startswith("1 problem ")
    assert "study.yaml, line 4, study.exercises.0: found 'curtsey', which no row of" in said
    assert "6 rows in 3 sessions have 'curtsy': write the same name in both" in said


def test_an_exercise_misspelt_in_one_session_is_blamed_on_the_session_sheet(study):
    text = (study / "study.yaml").read_text()
    (study / "study.yaml").write_text(
        text.replace("measure_outcomes", "  exercises: [curtsy, pull]\nmeasure_outcomes")
    )
    change(study, "events.tsv", "\tcurtsy\t", "\tcurtsey\t", count=2)
    said = message_of(study)
    assert said.startswith("1 problem ")
    assert "column exercise: found 'curtsey', allowed: curtsy, pull; did you mean 'curtsy'?" in said


@pytest.mark.parametrize(
    ("to_failure", "stop_reason", "failures"),
    [
        ("yes", "planned end", "volitional failure"),
        ("no", "volitional failure", "volitional failure"),
        ("no", "pain", "volitional failure or pain"),
    ],
)
def test_a_set_does_not_end_in_failure_and_for_another_reason(
    study, to_failure, stop_reason, failures
):
    note_failure(study, to_failure, stop_reason)
    chosen = ", ".join(failures.split(" or "))
    with (study / "study.yaml").open("a") as settings:
        settings.write(f"protocol: {{failure_stop_reasons: [{chosen}]}}\n")
    text = message_of(study)
    assert f"found '{stop_reason}' beside to_failure {to_failure}; failure is {failures}" in text
    assert "correct one of the two, or state protocol: failure_stop_reasons" in text


def test_a_set_that_ended_in_failure_says_so_in_both_columns(study):
    note_failure(study, "yes", "volitional failure")
    assert Study(study).participants == ["sub-01"]


def note_failure(study, to_failure, stop_reason):
    """Both columns in the session sheet, filled in its first set."""
    header, *lines = (study / "events.tsv").read_text(encoding="utf-8").splitlines()
    columns = header.split("\t")
    rows = [line.split("\t") for line in lines]
    if "to_failure" not in columns:
        columns.append("to_failure")
        rows = [[*row, "n/a"] for row in rows]
    first_set = next(row for row in rows if row[columns.index("trial_type")] == "set")
    first_set[columns.index("to_failure")] = to_failure
    written = ["\t".join([*columns, "stop_reason"])]
    written += ["\t".join([*row, stop_reason if row is first_set else "n/a"]) for row in rows]
    (study / "events.tsv").write_text("\n".join(written) + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        ("/etc/hostname", "lies outside of the study folder"),
        ("../elsewhere.txt", "lies outside of the study folder"),
        ("raw", "is a folder"),
        ("raw/link.txt", "lies outside of the study folder"),
        ("raw/loop.txt", "is a link that leads back to itself"),
        ("raw/pipe.txt", "is a pipe"),
        ("raw/" + "x" * 300, "cannot be opened (File name too long)"),
        ("raw/{participant}.txt", "without curly braces"),
        ("raw/a\0b.txt", "holds the control sign U+0000"),
    ],
)
def test_a_raw_file_is_a_regular_file_inside_the_study(study, file, expected):
    import os

    raw = study / "raw"
    (study.parent / "elsewhere.txt").write_text("800\n")
    (raw / "link.txt").symlink_to(study.parent / "elsewhere.txt")
    (raw / "loop.txt").symlink_to("loop.txt")
    os.mkfifo(raw / "pipe.txt")
    change(study, "recordings.tsv", "raw/sub-01_ses-1_intervals.txt", file)
    text = message_of(study)
    assert "recordings.tsv, row 2" in text
    assert expected in text


def test_a_set_that_no_figure_can_open_is_named_with_how_to_name_one(study):
    with (study / "study.yaml").open("a", encoding="utf-8") as file:
        file.write("\ndraw_figures:\n  closeups: [[sub-01, ses-1, set-9]]\n  course_of: [sub-07]\n")
    text = message_of(study)
    assert "draw_figures.closeups: found ['sub-01', 'ses-1', 'set-9']" in text
    assert "events.tsv has no such set; write it as ['sub-01', 'ses-1', " in text
    assert "draw_figures.course_of: found ['sub-07']" in text
