"""Write the invented demo study: `python3.11 scripts/launch.py demo-data`."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from demo import safety, study
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
from demo.study import EQUIPMENT, EXERCISES, PlannedSet, PlannedVisit, SimulatedVisit
from recordings.writing import write_gzip, write_text

CHANNELS = {
    "vastus lateralis": "SmO2 VL",
    "gastrocnemius": "SmO2 GAS",
    "triceps brachii": "SmO2 TRI",
    "biceps brachii": "SmO2 BIC",
}

COLUMNS = {
    "vastus lateralis": "smo2_vastus",
    "gastrocnemius": "smo2_gastrocnemius",
    "triceps brachii": "smo2_triceps",
    "biceps brachii": "smo2_biceps",
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
        simulated = study.simulate_visit(visit, seed)
        files = write_recordings(folder, visit, simulated)
        recordings += files
        clocks += clock_rows(visit, simulated, files)
        edits += edit_rows(folder, visit, simulated, files)
        set_truth.append(simulated.set_truth)
        visit_truth.append(simulated.visit_truth)
        of_session = simulated.beats.assign(session_id=visit.session_id)
        beats.setdefault(visit.participant_id, []).append(
            of_session[["session_id", "time_s", "kind"]]
        )

    write_table(study.participants_table(visits), folder / "participants.tsv")
    sessions = safety.with_states(study.sessions_table(visits), visits, seed)
    events = safety.with_cuffs_and_signs(study.events_table(visits), visits, seed)
    write_table(sessions, folder / "sessions.tsv")
    write_table(safety.with_cuffs(study.occlusion_table(visits)), folder / "occlusion.tsv")
    write_table(recordings, folder / "recordings.tsv", RECORDING_COLUMNS)
    write_table(events, folder / "events.tsv")
    write_table(safety.titration_table(visits, seed), folder / "titration.tsv")
    write_table(safety.harms_table(visits), folder / "harms.tsv")
    if edits:
        numbered = [{"edit_id": n, **edit} for n, edit in enumerate(edits, start=1)]
        write_table(numbered, folder / "edits.tsv")
    write_text(study_yaml(seed), folder / "study.yaml")

    truth = folder / "truth"
    write_table(study.effects_table(), truth / "effects.tsv")
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
    heart = EQUIPMENT[visit.participant_id].heart
    writers: dict[str, Callable[..., list[dict[str, object]]]] = {
        "edf": write_one_edf,
        "physio": write_physio_and_saturation,
        "intervals": write_intervals_and_saturation,
    }
    recordings = writers[heart](folder, stem, visit, simulated)
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
        ("cuff_pressure", "Cuff", study.CUFF_CHANNEL_RATE_HZ, simulated.cuff_pressure_mmhg),
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


def write_physio_and_saturation(
    folder: Path, stem: str, visit: PlannedVisit, simulated: SimulatedVisit
) -> list[dict[str, object]]:
    """Write the electrocardiogram as BIDS physiology and the saturations as delimited text."""
    about = f"Chest electrocardiogram. {INVENTED}"
    rate_hz = EQUIPMENT[visit.participant_id].ecg_rate_hz
    stem_of_ecg = f"{stem}_task-cuff_recording-ecg_physio"
    file = write_physio(folder, stem_of_ecg, simulated.ecg_uv, rate_hz, about)
    ecg = {"signal": "ecg", "file": file, "channel": "cardiac", "unit": "uV"}
    ecg |= {"sync_marks_s": marks(simulated.heart_marks_s)}
    return [ecg, *write_saturation(folder, stem, visit, simulated)]


def write_intervals_and_saturation(
    folder: Path, stem: str, visit: PlannedVisit, simulated: SimulatedVisit
) -> list[dict[str, object]]:
    """Write beat intervals, one per line, and the saturations as delimited text."""
    unit = EQUIPMENT[visit.participant_id].interval_unit
    file = f"{stem}_intervals.txt"
    write_intervals(folder / file, simulated.intervals_s, unit=unit, about=INVENTED)
    intervals = {"signal": "rr", "file": file, "unit": unit}
    intervals |= {"sync_marks_s": marks(simulated.heart_marks_s)}
    return [intervals, *write_saturation(folder, stem, visit, simulated)]


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
        shown = (
            [f"{v / 100.0:.3f}" for v in saturation_pct]
            if equipment.fraction
            else [f"{v:.1f}" for v in saturation_pct]
        )
        columns[COLUMNS[muscle]] = shown
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
        shared | sensor(muscle) | {"channel": COLUMNS[muscle], "unit": unit}
        for muscle in simulated.saturation_pct
    ]
    if simulated.haemoglobin_g_dl is not None:
        haemoglobin = sensor(EXERCISES[0].muscle) | {"signal": "total_haemoglobin"}
        recordings.append(shared | haemoglobin | {"channel": HAEMOGLOBIN_COLUMN, "unit": "g_dl"})
    return recordings


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
    checksum = hashlib.sha256((folder / file).read_bytes()).hexdigest()
    return [
        {
            **visit.key,
            "signal": signal,
            "action": action,
            "time_s": round(start_s, 3),
            "new_time_s": None,
            "end_s": None if end_s is None else round(end_s, 3),
            "event_onset_s": None,
            "file_sha256": checksum,
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
    troubles = [row for visit in visits for row in visit_trouble(visit)]
    columns = ["participant_id", "session_id", "start_s", "end_s", "trouble", "what_it_is"]
    return pd.DataFrame(troubles, columns=columns)


def visit_trouble(visit: PlannedVisit) -> list[dict[str, object]]:
    """Return the deliberate faults of one visit."""
    key = (visit.participant_id, visit.visit)
    in_condition = (visit.participant_id, visit.condition)
    troubles: list[tuple[str, str, tuple[float, float] | None]] = []
    if visit.participant_id == study.ECTOPIC_PARTICIPANT:
        text = "one wide premature beat in 45 to 140 beats, each with a full pause"
        troubles.append(("ectopic_beats", text, None))
    if key == study.MOTION_NOISE:
        for planned in visit.sets:
            if planned.exercise.name in study.MOTION_NOISE_EXERCISES:
                text = f"ECG, {set_name(planned)}: bursts at the cadence"
                troubles.append(("motion_noise", text, (planned.onset_s, planned.end_s)))
        text = "edits.tsv excludes a span of this ECG"
        troubles.append(("edit_exclude_span", text, excluded_span_s(visit)))
    if visit.participant_id == study.DRIFTING_PARTICIPANT:
        text = (
            f"the ECG recorder's clock runs slow: {study.DRIFT_PPM:+g} ppm; three marks, read to "
            "some ms"
        )
        troubles.append(("clock_drift", text, None))
    if key == study.FALSE_BEAT:
        near_s = study.FALSE_BEAT_NEAR_S
        text = "one beat too many; edits.tsv removes it"
        troubles.append(("false_beat", text, (near_s - 2.0, near_s + 2.0)))
    if key == study.DROPOUT:
        text = f"{study.dropout_muscle()}: zeros"
        troubles.append(("dropout", text, study.dropout_s(visit)))
    if key == study.MISSED_BEATS:
        near = ", ".join(f"{time_s:.0f}" for time_s in study.missed_near_s(visit))
        text = f"single beats joined over (`missed` in truth/beats), near {near} s"
        troubles.append(("missed_beats", text, None))
        text = "intervals not written: their sum falls short of the time between the sync marks"
        troubles.append(("lost_intervals", text, study.lost_stretch_s(visit)))
    if in_condition == study.STOPPED_EARLY[:2]:
        stopped = study.find_set(visit, *study.STOPPED_EARLY[2:])
        text = f"{set_name(stopped)}: numbness marked, cuff released at once"
        troubles.append(("stopped_early", text, (stopped.onset_s, stopped.end_s)))
    if key == study.SINGLE_SYNC:
        text = "the closing mark was forgotten: offset known, drift unknown"
        troubles.append(("single_sync_mark", text, None))
    if key == study.MISCOUNTED[:2]:
        wrong = study.find_set(visit, *study.MISCOUNTED[2:])
        text = f"{set_name(wrong)}: {wrong.reps_done} done, {wrong.reps_logged} in the log"
        troubles.append(("miscounted_repetitions", text, (wrong.onset_s, wrong.end_s)))
    if in_condition == study.SUPINE_OCCLUSION[:2]:
        text = f"occlusion.tsv, {study.SUPINE_OCCLUSION[2]}: measured supine, used seated"
        troubles.append(("wrong_posture", text, None))
    if in_condition == study.ESTIMATED_OCCLUSION[:2]:
        text = f"occlusion.tsv, {study.ESTIMATED_OCCLUSION[2]}: estimated, not measured by Doppler"
        troubles.append(("estimated_occlusion", text, None))
    missing_participant, missing_visit = study.MISSING_VISIT
    if key == (missing_participant, missing_visit - 1):
        text = (
            f"ses-{missing_visit} did not take place: it has no row in any table, and the note "
            "of this visit says so"
        )
        troubles.append(("missing_visit", text, None))
    return [
        {
            **visit.key,
            "start_s": None if span is None else round(span[0], 1),
            "end_s": None if span is None else round(span[1], 1),
            "trouble": trouble,
            "what_it_is": text,
        }
        for trouble, text, span in troubles
    ]


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
    """Return the README of the study folder."""
    fault_lines = "\n".join(
        f"| {row.participant_id} {row.session_id} | {span_in_words(row.start_s, row.end_s)} "
        f"| {row.trouble} | {row.what_it_is} |"
        for row in trouble.itertuples()
    )
    share = {c: f"{100 * s:.0f} %" for c, s in study.SHARE_OF_OCCLUSION_PRESSURE.items()}
    nadir, rate = study.SMO2_NADIR_EFFECT_PCT, study.MEAN_HR_EFFECT_BPM
    modulation = study.MODULATION_RATIO
    return f"""\
# The demo study: invented from beginning to end

No person was measured. People, pressures, effects and faults come from `scripts/demo/make.py`
from one seed ({seed}). This writes every file of the folder again, byte for byte on one kind of
machine:

    python3.11 scripts/launch.py demo-data

**The pressures here are invented and are no advice.** Inflatable cuffs can injure. A pressure is
valid only for the limb, side, posture, cuff width and day on which the occlusion pressure was
measured. Use cuffs only under an ethics approval, by trained people, under your local rules.

## The scenario

Ten people come for three visits some days apart, with one condition per visit in one of the six
possible orders (`sequence`: A = none, B = low, C = target). `low` is {share["low"]} and `target` is
{share["target"]} of the occlusion pressure measured before that visit, with a cuff of \
{study.CUFF_WIDTH_CM["leg"]} cm on the right
thigh and one of {study.CUFF_WIDTH_CM["arm"]} cm on the right upper arm. \
Everything is done seated. \
A visit lasts about
34 minutes:

| part | length |
|---|---|
| baseline, quiet | 6 min |
| knee extension, calf raise, elbow extension, band row: two bouts each | 40 to 60 s a bout, \
3 to 4 s a repetition |
| cuff | inflated 25 s before each set, released 5 s after its end; `none` visits keep the times |
| rest | 75 to 84 s from the end of a set to the next inflation |
| recovery | 7 min from the end of the last set |

Four saturation sensors lie below the cuffs, one on the working muscle of each exercise: vastus
lateralis (knee extension), gastrocnemius (calf raise), triceps brachii (elbow extension), biceps
brachii (band row). `study.yaml` holds this mapping.

Before the sets of a `target` visit the pressure was looked for in three steps of each limb
(`titration.tsv`), but for the arm of sub-08 and the leg of sub-10, where the faults below lie.
`harms.tsv` holds one mild harm, told a day after its visit. Blood pressure stands at baseline and
after the last set, with stop limits in `study.yaml`; `sessions.tsv` holds sleep, caffeine,
exercise, the room and which condition the person believed to have. All of it is invented, the
limits too.

| participants | heart | saturation |
|---|---|---|
| sub-01, sub-02 | EDF+, ECG 250 Hz | in the same EDF+, 10 Hz; cuff pressure 2 Hz |
| sub-03, sub-04 | BIDS physiology, ECG 130 Hz | 2 Hz, semicolons and decimal commas |
| sub-05 | intervals, ms | 1 Hz, commas; total haemoglobin |
| sub-06 | intervals, ms | 1 Hz, tabs |
| sub-07 | intervals, ms | 1 Hz, commas, five lines before the header; total haemoglobin |
| sub-08 | intervals, s | 1 Hz, commas, byte order mark, CRLF |
| sub-09 | intervals, ms | 1 Hz, tabs, fraction instead of percent |
| sub-10 | intervals, ms | 0.5 Hz, commas, no time column |

The zero of an interval file is its first beat: the first number is the interval that ends at the
second beat. At 0.5 Hz, repetitions of 3 to 4 s are at or beyond half the sampling rate: they
cannot be counted in sub-10. Dates are shifted to before 1925, as BIDS asks.

## What is built in

Only tests read `truth/`.

| file | what |
|---|---|
| `effects.tsv` | the condition effects. Saturation nadir in sets: {nadir["low"]:+.0f} (low) and \
{nadir["target"]:+.0f} (target) percentage points. Mean heart rate in sets: {rate["low"]:+.0f} \
and {rate["target"]:+.0f} bpm. RMSSD in the steady recovery: times {modulation["low"]:g} and \
{modulation["target"]:g}. Everything at baseline: none |
| `sets.tsv` | per set: saturation baseline, nadir, half-time and overshoot of the course without \
noise and contraction ripple; mean heart rate; repetitions really done |
| `visits.tsv` | per visit: mean heart rate and RMSSD of the true beats at baseline and in the \
steady recovery (from 60 s after the last set), respiratory rate, amplitudes of the modulations \
of the interval |
| `clocks.tsv` | per file: offset and drift; in the file with lost intervals, times after them lie \
behind by the length of what was lost |
| `beats/` | every beat: `normal`, `ectopic`, and for interval files `missed` (joined over), \
`lost` (nothing written), `extra` (no heart beat) |
| `trouble.tsv` | the table below |

The response to a condition differs between people: by {study.SMO2_NADIR_DEVIATION_SD_PCT:g} \
percentage points (nadir),
{study.MEAN_HR_DEVIATION_SD_BPM:g} bpm (heart rate in sets) and \
{100 * study.LOG_RMSSD_DEVIATION_SD:.0f} % (RMSSD; its change from rest by \
{100 * study.LOG_MODULATION_DEVIATION_SD:.0f} %), as standard deviations. The deviations are
centred over the people within each condition, and are zero for sub-09, who lacks a visit: the
effects above are true among these ten people, not only where they were drawn from.

Deep sets end in failure: where the planned nadir, with a spread of \
{study.FAILURE_SPREAD_PCT:g} points, lies below {study.FAILURE_BELOW_PCT:g} %, \
{study.REPS_LOST_TO_FAILURE}
repetitions are not done.

## Deliberate trouble

Times in seconds on the session clock.

| where | when | trouble | what it is |
|---|---|---|---|
{fault_lines}
"""


def span_in_words(start_s: float | None, end_s: float | None) -> str:
    """Return a span of time as the README shows it."""
    if start_s is None or math.isnan(start_s):
        return "whole visit"
    return f"{start_s:.1f} to {end_s:.1f}"


if __name__ == "__main__":
    run_writer(write_demo, __doc__, seed=study.DEMO_SEED)
