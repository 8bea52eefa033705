"""Write the invented demo study: `python3.11 scripts/launch.py demo-data`."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from demo import safety, sensors, sheets, study
from demo.raw_files import (
    INVENTED,
    RECORDING_COLUMNS,
    marks,
    run_writer,
    sensor,
    text_of_columns,
    tsv,
    write_edf,
    write_intervals,
    write_physio,
    write_table,
)
from demo.sensors import SimulatedVisit
from demo.study import EQUIPMENT, EXERCISES, PlannedSet, PlannedVisit
from demo.truth import effects_table, true_sets, true_visit
from recordings.writing import write_gzip, write_text
from results.manifest import sha256_of

CHANNELS = {
    "vastus lateralis": "SmO2 VL",
    "gastrocnemius": "SmO2 GAS",
    "triceps brachii": "SmO2 TRI",
    "biceps brachii": "SmO2 BIC",
}

HAEMOGLOBIN_COLUMN = "thb_vastus"


def write_demo(
    folder: Path, *, seed: int = study.DEMO_SEED, participants: Sequence[str] = study.PARTICIPANTS
) -> None:
    """Write the study folder, or the part of it that belongs to some participants."""
    visits = [v for v in study.plan_study(seed) if v.participant_id in participants]
    recordings: list[dict[str, object]] = []
    clocks: list[dict[str, object]] = []
    edits: list[dict[str, object]] = []
    set_truth: list[pd.DataFrame] = []
    visit_truth: list[dict[str, object]] = []
    beats: dict[str, list[pd.DataFrame]] = {}
    for visit in visits:
        simulated = sensors.simulate_visit(visit, seed)
        files = write_recordings(folder, visit, simulated)
        recordings += files
        clocks += clock_rows(visit, simulated, files)
        edits += edit_rows(folder, visit, simulated, files)
        set_truth.append(true_sets(visit, simulated.of_heart))
        visit_truth.append(true_visit(visit, simulated.of_heart, simulated.amplitudes_ms))
        of_session = simulated.beats.assign(session_id=visit.session_id)
        beats.setdefault(visit.participant_id, []).append(
            of_session[["session_id", "time_s", "kind"]]
        )

    write_table(sheets.participants_table(visits), folder / "participants.tsv")
    write_table(sheets.sessions_table(visits, seed), folder / "sessions.tsv")
    write_table(sheets.occlusion_table(visits), folder / "occlusion.tsv")
    write_table(recordings, folder / "recordings.tsv", RECORDING_COLUMNS)
    write_table(sheets.events_table(visits, seed), folder / "events.tsv")
    write_table(safety.titration_table(visits, seed), folder / "titration.tsv")
    write_table(safety.harms_table(visits), folder / "harms.tsv")
    if edits:
        numbered = [{"edit_id": n, **edit} for n, edit in enumerate(edits, start=1)]
        write_table(numbered, folder / "edits.tsv")
    write_text(study_yaml(seed), folder / "study.yaml")

    truth = folder / "truth"
    write_table(effects_table(), truth / "effects.tsv")
    write_table(pd.concat(set_truth), truth / "sets.tsv")
    write_table(visit_truth, truth / "visits.tsv")
    write_table(clocks, truth / "clocks.tsv")
    trouble = trouble_table(visits)
    write_table(trouble, truth / "trouble.tsv")
    for participant, tables in beats.items():
        text = tsv(pd.concat(tables), float_format="%.4f")
        write_gzip(text, truth / "beats" / f"{participant}.tsv.gz")
    write_text(readme(trouble, seed), folder / "README.md")


def write_recordings(
    folder: Path, visit: PlannedVisit, simulated: SimulatedVisit
) -> list[dict[str, object]]:
    """Write the files of one visit and return their rows of recordings.tsv."""
    stem = f"raw/{visit.participant_id}/{visit.participant_id}_{visit.session_id}"
    if EQUIPMENT[visit.participant_id].heart == "edf":
        recordings = write_one_edf(folder, stem, visit, simulated)
    else:
        heart = write_heart(folder, stem, visit, simulated)
        recordings = [heart, *write_saturation(folder, stem, visit, simulated)]
    return [visit.key | row for row in recordings]


def write_one_edf(
    folder: Path, stem: str, visit: PlannedVisit, simulated: SimulatedVisit
) -> list[dict[str, object]]:
    """Write one EDF+ with the electrocardiogram, four saturations and the cuff's pressure."""
    equipment = EQUIPMENT[visit.participant_id]
    file = f"{stem}.edf"
    channels = [
        ("ecg", "ECG II", equipment.ecg_rate_hz, simulated.ecg_uv),
        *(
            ("muscle_oxygen", CHANNELS[muscle], equipment.oxygen_rate_hz, saturation_pct)
            for muscle, saturation_pct in simulated.saturation_pct.items()
        ),
        ("cuff_pressure", "Cuff", sensors.CUFF_CHANNEL_RATE_HZ, simulated.cuff_pressure_mmhg),
    ]
    about, marks_s = INVENTED.split(), simulated.heart_marks_s
    write_edf(folder / file, channels, about=about, marks_s=marks_s)
    shared = {"file": file, "sync_marks_s": marks(simulated.heart_marks_s)}
    return [
        shared | {"signal": "ecg", "channel": "ECG II", "unit": "uV"},
        *(
            shared | sensor(muscle) | {"channel": CHANNELS[muscle], "unit": "pct"}
            for muscle in simulated.saturation_pct
        ),
        shared | {"signal": "cuff_pressure", "channel": "Cuff", "unit": "mmHg"},
    ]


def write_heart(
    folder: Path, stem: str, visit: PlannedVisit, simulated: SimulatedVisit
) -> dict[str, object]:
    """Write the electrocardiogram as BIDS physiology, or beat intervals, one per line."""
    equipment = EQUIPMENT[visit.participant_id]
    if equipment.heart == "physio":
        about = f"Chest electrocardiogram. {INVENTED}"
        stem_of_ecg = f"{stem}_task-cuff_recording-ecg_physio"
        file = write_physio(folder, stem_of_ecg, simulated.ecg_uv, equipment.ecg_rate_hz, about)
        row = {"signal": "ecg", "file": file, "channel": "cardiac", "unit": "uV"}
    else:
        file, unit = f"{stem}_intervals.txt", equipment.interval_unit
        write_intervals(folder / file, simulated.intervals_s, unit=unit, about=INVENTED)
        row = {"signal": "rr", "file": file, "unit": unit}
    return row | {"sync_marks_s": marks(simulated.heart_marks_s)}


def write_saturation(
    folder: Path, stem: str, visit: PlannedVisit, simulated: SimulatedVisit
) -> list[dict[str, object]]:
    """Write the saturations of a visit in the dialect of the participant's recorder."""
    equipment = EQUIPMENT[visit.participant_id]
    columns: dict[str, list[str]] = {}
    n_samples = next(iter(simulated.saturation_pct.values())).size
    if equipment.time_column:
        times_s = np.arange(n_samples) / equipment.oxygen_rate_hz
        digits = 0 if equipment.oxygen_rate_hz <= 1.0 else 1
        columns[equipment.time_column] = [f"{t:.{digits}f}" for t in times_s]
    for muscle, saturation_pct in simulated.saturation_pct.items():
        columns[column_of(muscle)] = [
            f"{v / 100.0:.3f}" if equipment.fraction else f"{v:.1f}" for v in saturation_pct
        ]
    if simulated.haemoglobin_g_dl is not None:
        columns[HAEMOGLOBIN_COLUMN] = [f"{v:.2f}" for v in simulated.haemoglobin_g_dl]

    preamble = [
        f"# {INVENTED}",
        f"# recording of {visit.participant_id} {visit.session_id}",
        "# muscle oxygen saturation in percent, total haemoglobin in g/dl",
        f"# {equipment.oxygen_rate_hz:g} samples per second",
        "#",
    ]
    text = text_of_columns(
        columns,
        separator=equipment.separator,
        decimal=equipment.decimal,
        newline=equipment.newline,
        above=preamble[: equipment.preamble_lines],
    )
    file = f"{stem}_saturation{equipment.suffix}"
    write_text(text, folder / file, encoding="utf-8-sig" if equipment.byte_order_mark else "utf-8")

    shared = {
        "file": file,
        "time_column": equipment.time_column,
        "sampling_rate_hz": None if equipment.time_column else f"{equipment.oxygen_rate_hz:g}",
        "sync_marks_s": marks(simulated.oxygen_marks_s),
    }
    unit = "fraction" if equipment.fraction else "pct"
    recordings = [
        shared | sensor(muscle) | {"channel": column_of(muscle), "unit": unit}
        for muscle in simulated.saturation_pct
    ]
    if simulated.haemoglobin_g_dl is not None:
        haemoglobin = sensor(EXERCISES[0].muscle) | {"signal": "total_haemoglobin"}
        recordings.append(shared | haemoglobin | {"channel": HAEMOGLOBIN_COLUMN, "unit": "g_dl"})
    return recordings


def column_of(muscle: str) -> str:
    """Return the column of a muscle's saturation in delimited text."""
    return f"smo2_{muscle.split()[0]}"


def edit_rows(
    folder: Path,
    visit: PlannedVisit,
    simulated: SimulatedVisit,
    files: Sequence[Mapping[str, object]],
) -> list[dict[str, object]]:
    """Return the human decisions about one visit, bound to the bytes of their raw file."""
    key = (visit.participant_id, visit.visit)
    if key not in (study.FALSE_BEAT, study.MOTION_NOISE):
        return []
    if key == study.FALSE_BEAT:
        signal, action, end_s = "rr", "remove_beat", None
        beats = simulated.beats
        start_s = float(beats.loc[beats["kind"] == "extra", "time_s"].iloc[0])
        reason = "two short intervals that sum to a normal one: a false beat"
    else:
        signal, action = "ecg", "exclude_span"
        start_s, end_s = excluded_span_s(visit)
        reason = "QRS not visible under motion noise"
    file = next(str(row["file"]) for row in files if row["signal"] == signal)
    return [
        {
            **visit.key,
            "signal": signal,
            "action": action,
            "time_s": round(start_s, 3),
            "new_time_s": None,
            "end_s": None if end_s is None else round(end_s, 3),
            "event_onset_s": None,
            "file_sha256": sha256_of(folder / file),
            "editor": "invented editor",
            "edited_at": "1921-12-01T10:00:00",
            "reason": reason,
        }
    ]


def clock_rows(
    visit: PlannedVisit, simulated: SimulatedVisit, files: Sequence[Mapping[str, object]]
) -> list[dict[str, object]]:
    """Return the true clock of every file of a visit."""
    clocks = {}
    for recording in files:
        heart = recording["signal"] in ("ecg", "rr")
        clock = simulated.heart_clock if heart else visit.oxygen_clock
        clocks.setdefault(
            recording["file"],
            {
                **visit.key,
                "file": recording["file"],
                "offset_s": f"{clock.offset_s:.4f}",
                "drift_ppm": clock.drift_ppm,
                "n_marks": len(visit.sync_s),
            },
        )
    return list(clocks.values())


def trouble_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return every deliberate fault with its place, times on the session clock."""
    troubles = []
    for visit in visits:
        for trouble, text, span in faults_of(visit):
            start_s, end_s = (None, None) if span is None else (round(at_s, 1) for at_s in span)
            of_span = {"start_s": start_s, "end_s": end_s}
            troubles.append(visit.key | of_span | {"trouble": trouble, "what_it_is": text})
    columns = ["participant_id", "session_id", "start_s", "end_s", "trouble", "what_it_is"]
    return pd.DataFrame(troubles, columns=columns)


def faults_of(visit: PlannedVisit) -> Iterator[tuple[str, str, tuple[float, float] | None]]:
    """Yield the deliberate faults of one visit: name, what it is, and the span or None."""
    visit_number = (visit.participant_id, visit.visit)
    in_condition = (visit.participant_id, visit.condition)
    if visit.participant_id == study.ECTOPIC_PARTICIPANT:
        text = "one wide premature beat in 45 to 140 beats, each with a full pause"
        yield "ectopic_beats", text, None
    if visit_number == study.MOTION_NOISE:
        for planned in visit.sets:
            if planned.exercise.name in study.MOTION_NOISE_EXERCISES:
                text = f"ECG, {set_name(planned)}: bursts at the cadence"
                yield "motion_noise", text, planned.span_s
        yield "edit_exclude_span", "edits.tsv excludes a span of this ECG", excluded_span_s(visit)
    if visit.participant_id == study.DRIFTING_PARTICIPANT:
        text = f"the ECG recorder's clock runs slow: {study.DRIFT_PPM:+g} ppm; three marks, read to"
        yield "clock_drift", f"{text} some ms", None
    if visit_number == study.FALSE_BEAT:
        near_s = study.FALSE_BEAT_NEAR_S
        text = "one beat too many; edits.tsv removes it"
        yield "false_beat", text, (near_s - 2.0, near_s + 2.0)
    if visit_number == study.DROPOUT:
        yield "dropout", f"{study.dropout_muscle()}: zeros", study.dropout_s(visit)
    if visit_number == study.MISSED_BEATS:
        near = ", ".join(f"{time_s:.0f}" for time_s in study.missed_near_s(visit))
        text = f"single beats joined over (`missed` in truth/beats), near {near} s"
        yield "missed_beats", text, None
        text = "intervals not written: their sum falls short of the time between the sync marks"
        yield "lost_intervals", text, study.lost_stretch_s(visit)
    if in_condition == study.STOPPED_EARLY[:2]:
        stopped = study.find_set(visit, *study.STOPPED_EARLY[2:])
        text = f"{set_name(stopped)}: numbness marked, cuff released at once"
        yield "stopped_early", text, stopped.span_s
    if visit_number == study.SINGLE_SYNC:
        text = "the closing mark was forgotten: offset known, drift unknown"
        yield "single_sync_mark", text, None
    if visit_number == study.MISCOUNTED[:2]:
        wrong = study.find_set(visit, *study.MISCOUNTED[2:])
        text = f"{set_name(wrong)}: {wrong.reps_done} done, {wrong.reps_logged} in the log"
        yield "miscounted_repetitions", text, wrong.span_s
    if in_condition == study.SUPINE_OCCLUSION[:2]:
        text = f"occlusion.tsv, {study.SUPINE_OCCLUSION[2]}: measured supine, used seated"
        yield "wrong_posture", text, None
    if in_condition == study.ESTIMATED_OCCLUSION[:2]:
        text = f"occlusion.tsv, {study.ESTIMATED_OCCLUSION[2]}: estimated, not measured by Doppler"
        yield "estimated_occlusion", text, None
    missing_participant, missing_visit = study.MISSING_VISIT
    if visit_number == (missing_participant, missing_visit - 1):
        text = (
            f"ses-{missing_visit} did not take place: it has no row in any table, and the note "
            "of this visit says so"
        )
        yield "missing_visit", text, None


def set_name(planned: PlannedSet) -> str:
    """Return a set by exercise and bout."""
    return f"{planned.exercise.name} bout {planned.bout}"


def excluded_span_s(visit: PlannedVisit) -> tuple[float, float]:
    """Return the span of noisy electrocardiogram that the editor excluded."""
    start_s = study.find_set(visit, study.MOTION_NOISE_EXERCISES[0], 1).onset_s + 10.0
    return start_s, start_s + 12.0


def study_yaml(seed: int) -> str:
    """Return study.yaml."""
    exercises = ", ".join(exercise.name for exercise in EXERCISES)
    muscles = "".join(f"    {e.name}: {e.muscle}\n" for e in EXERCISES)
    return f"""\
# Only what differs from config/config.yaml. Everything in this folder is invented.
study:
  title: "Invented demo study: knee, calf, elbow and row exercise with and without limb cuffs"
  conditions: ["none", "low", "target"]   # A, B, C in the sequence column of sessions.tsv
  exercises: [{exercises}]
  primary_outcomes:
    - {{outcome: smo2_nadir_pct, window: set}}
    - {{outcome: mean_hr_bpm, window: set}}
    - {{outcome: rmssd_ms, window: recovery_steady}}
  rpe_scale: CR10
  seed: {seed}

segment_oxygenation:
  # The sensor that sits on the working muscle of each exercise (site in recordings.tsv).
  working_muscle:
{muscles}
{safety.settings_of_safety()}
compare_conditions:
  # Stated before anybody looked, as everything here invented: a smaller difference does not matter.
  smallest_effect: {{smo2_nadir_pct: 5.0, mean_hr_bpm: 3.0, rmssd_ms: 1.2}}   # points, bpm, ratio
"""


def readme(trouble: pd.DataFrame, seed: int) -> str:
    """Return the README of the study folder, whose text stands in readme.md beside this file."""
    fault_lines = "\n".join(
        f"| {row.participant_id} {row.session_id} | {span_in_words(row.start_s, row.end_s)} "
        f"| {row.trouble} | {row.what_it_is} |"
        for row in trouble.itertuples()
    )
    return (Path(__file__).with_name("readme.md").read_text(encoding="utf-8")).format(
        seed=seed,
        study=study,
        share={c: f"{100 * s:.0f} %" for c, s in study.SHARE_OF_OCCLUSION_PRESSURE.items()},
        width=study.CUFF_WIDTH_CM,
        nadir=study.SMO2_NADIR_EFFECT_PCT,
        rate=study.MEAN_HR_EFFECT_BPM,
        modulation=study.MODULATION_RATIO,
        rmssd_sd_pct=100 * study.LOG_RMSSD_DEVIATION_SD,
        modulation_sd_pct=100 * study.LOG_MODULATION_DEVIATION_SD,
        fault_lines=fault_lines,
    )


def span_in_words(start_s: float | None, end_s: float | None) -> str:
    """Return a span of time as the README shows it."""
    if start_s is None or math.isnan(start_s):
        return "whole visit"
    return f"{start_s:.1f} to {end_s:.1f}"


if __name__ == "__main__":
    run_writer(write_demo, __doc__, seed=study.DEMO_SEED)
