"""Beats of one session, from an ECG or from intervals, with people's edits and their quality."""

import numpy as np
import pandas as pd

from heart.beat_amplitude import beat_amplitudes
from heart.beat_edits import BeatEditError, accept_spans, apply_beat_edits, excluded_spans_s
from heart.breathing import Repetitions, respiration_from_beats, respiration_from_belt
from heart.detection.detector import detect_beats
from heart.detection.disturbances import undisturbed_pieces
from heart.detection.other_detectors import detect_with
from heart.quality import quality_by_span
from heart.repair.intervals import repair_intervals
from heart.repair.rounding import FEWEST_INTERVALS, interval_rounding
from heart.repair.series import (
    corrected_pct,
    longest_repaired_run,
    with_beginnings,
    with_differences,
)
from heart.variability import NotEnough, rmssd_ms
from recordings.store import joined
from results.tables import stack
from study.problems import StudyError
from study.session_sheet import noted_cadence_hz

BEAT_ACTIONS = ("remove_beat", "add_beat", "move_beat", "exclude_span", "accept_span")

HEART_SIGNALS = ("ecg", "rr", "respiration")

FROM_BEATS = "from the beats: the recording of breathing shows no rate"


def beats_of_person(stretches, edits, events, participant, settings):
    """Beats, breathing and quality of all sessions of a person, as three result tables.

    `stretches` are those of HEART_SIGNALS, `edits` the person's rows of edits.tsv, `events` the
    person's session sheets, `settings` those of find_beats. StudyError where an edit meets no beat.
    """
    edits = edits[edits["signal"].isin(["ecg", "rr"]) & edits["action"].isin(BEAT_ACTIONS)]
    beats, breathing, verdicts = [], [], []
    for session_id in sorted({stretch.session_id for stretch in stretches}):
        of_session = [stretch for stretch in stretches if stretch.session_id == session_id]
        session_edits = edits[edits["session_id"] == session_id]
        ecg = [stretch for stretch in of_session if stretch.signal == "ecg"]
        intervals = [stretch for stretch in of_session if stretch.signal == "rr"]
        if ecg:
            detected, spans = beats_of_ecg(ecg, settings.detector, settings.quality_span_s)
        elif intervals:
            detected, spans = beats_of_intervals(intervals)
        else:
            continue
        try:
            repaired = with_edits(detected, session_edits, settings)
            spans = accept_spans(spans, session_edits)
        except BeatEditError as error:
            raise StudyError(f"edits.tsv, {participant} {session_id}: {error}") from None
        unedited = repaired
        if len(session_edits):
            unedited = with_edits(detected, session_edits[:0], settings)
        beats.append(repaired.assign(session_id=session_id))
        sets = repetitions_of(events[events["session_id"] == session_id])
        shown = breathing_of(of_session, detected, repaired, sets)
        breathing.append(shown.assign(session_id=session_id))
        labels = {
            "participant_id": participant,
            "session_id": session_id,
            "signal": "ecg" if ecg else "rr",
            "file": (ecg or intervals)[0].file,
        }
        verdicts.append(whole_recording(repaired, unedited, detected).assign(**labels))
        verdicts.append(spans.assign(**labels))
    return (
        stack(beats, "beats"),
        stack(breathing, "respiration"),
        stack(verdicts, "quality"),
    )


def beats_of_ecg(ecg, detector, quality_span_s):
    """Beats of all stretches of the ECG of one session, and the quality of its spans."""
    time_s, ecg_mv = joined(first_channel(ecg))
    pieces = undisturbed_pieces(time_s, ecg_mv)
    beats = detect_beats(time_s, ecg_mv, pieces=pieces)
    spans = quality_by_span(time_s, ecg_mv, beats, pieces=pieces, span_s=quality_span_s)
    if detector != "own":
        other_s = detect_with(detector, time_s, ecg_mv)
        beats = pd.DataFrame({"time_s": other_s, "template_correlation": np.nan, "shape": "normal"})
    beats = beats.assign(amplitude=beat_amplitudes(time_s, ecg_mv, beats["time_s"]))
    if parted_s := beats.attrs.get("parted_s"):
        beats.attrs["reason"] = parting_said(parted_s)
    spans = spans.assign(segment="span", usable_pct=100 * spans["quality"])
    spans = spans[["segment", "start_s", "end_s", "usable_pct", "verdict", "reason"]]
    return beats, spans


def parting_said(parted_s):
    """What became of an ECG whose electrode moved so that one point of the beat cannot be followed.

    >>> parting_said([151.2])
    'the ECG shows the beat from another side from 151 s on: no interval is formed there'
    """
    moments = ", ".join(f"{moment_s:.0f}" for moment_s in parted_s)
    return (
        f"the ECG shows the beat from another side from {moments} s on: no interval is formed there"
    )


def first_channel(ecg):
    """The stretches of the first declared lead: one lead of a session is analysed."""
    first = (ecg[0].file, ecg[0].channel)
    return [stretch for stretch in ecg if (stretch.file, stretch.channel) == first]


def beats_of_intervals(intervals):
    """Beats of interval text; no waveform can confirm them, and that is said."""
    times = np.concatenate([stretch.time_s for stretch in intervals])
    interval_ms = np.concatenate([stretch.value for stretch in intervals])
    detected = pd.DataFrame({"time_s": np.unique(times)})
    reasons = ["beat intervals without a waveform: no ECG can confirm a beat"]
    known = interval_ms[np.isfinite(interval_ms)]
    if len(known) >= FEWEST_INTERVALS:
        rounding = interval_rounding(known)
        detected.attrs["timing_step_ms"] = rounding.step_ms
        reasons.append(rounding.sentence)
    detected.attrs["reason"] = "; ".join(reasons)
    return detected, pd.DataFrame(columns=["segment"])


def with_edits(detected, edits, settings):
    """The beat table of one session, with the decisions of people replayed on it."""
    listed = apply_beat_edits(detected["time_s"].to_numpy(), edits)
    return repair_intervals(
        listed["time_s"].to_numpy(),
        origin=listed["origin"].to_numpy(),
        origin_reason=listed["reason"].to_numpy(),
        shape=_beside(detected, listed, "shape"),
        correlation=_beside(detected, listed, "template_correlation"),
        breaks_s=[
            *excluded_spans_s(edits),
            *((moment_s, moment_s) for moment_s in detected.attrs.get("parted_s", ())),
        ],
        clear_correlation=settings.clear_correlation,
        clear_deviation=settings.clear_deviation,
    )


def _beside(detected, listed, column):
    """What was found at each listed beat; a beat that a person added or moved has no waveform."""
    if column not in detected:
        return None
    at_beat = dict(zip(detected["time_s"], detected[column], strict=True))
    absent = "normal" if column == "shape" else np.nan
    return np.array([at_beat.get(time, absent) for time in listed["time_s"]])


def repetitions_of(events):
    """Sets of one session of which the sheet tells times and cadence."""
    sets = events[(events["trial_type"] == "set") & events["onset_s"].notna()]
    noted = ((one_set, noted_cadence_hz(one_set)) for one_set in sets.itertuples())
    return [
        Repetitions(one_set.onset_s, one_set.onset_s + one_set.duration_s, cadence_hz)
        for one_set, cadence_hz in noted
        if cadence_hz > 0
    ]


def breathing_of(stretches, detected, repaired, repetitions=()):
    """Breathing rate from a belt, and where that shows none or there is none, from the beats."""
    belt = [stretch for stretch in stretches if stretch.signal == "respiration"]
    by_belt = respiration_from_belt(*joined(belt)) if belt else None
    if by_belt is not None and (by_belt["status"] == "known").all():
        return by_belt
    used = repaired[repaired["nn_time_s"].notna()]
    height = None
    if "amplitude" in detected:
        seen = detected.loc[detected["shape"] == "normal"].set_index("time_s")["amplitude"]
        height = seen.reindex(used["time_s"]).to_numpy()
    by_beats = respiration_from_beats(used["nn_time_s"].to_numpy(), height, repetitions=repetitions)
    return by_beats if by_belt is None else with_beats_beside(by_belt, by_beats)


def with_beats_beside(by_belt, by_beats):
    """Breathing by the belt, and by the beats at moments at which they alone know it."""
    beside = by_beats.set_index("time_s").reindex(by_belt["time_s"]).reset_index()
    only_beats = (by_belt["status"] != "known") & (beside["status"] == "known")
    return by_belt.mask(only_beats, beside.assign(reason=FROM_BEATS))


def whole_recording(repaired, unedited, detected):
    """One row on a whole recording, with and without the decisions of people."""
    start_s, end_s = detected["time_s"].min(), detected["time_s"].max() + 1e-6
    reasons = [detected.attrs.get("reason", "")]
    row = {"segment": "recording", "start_s": start_s, "end_s": end_s, "beats": len(detected)}
    if len(detected) > 1:
        row |= {
            "usable_pct": 100 * repaired["nn_ms"].sum() / 1000 / (end_s - start_s),
            "corrected_pct": corrected_pct(repaired, start_s, end_s),
            "longest_repaired_run": longest_repaired_run(repaired, start_s, end_s),
            "corrected_pct_without_edits": corrected_pct(unedited, start_s, end_s),
            "rmssd_ms": _rmssd_ms(repaired),
            "rmssd_ms_without_edits": _rmssd_ms(unedited),
        }
    else:
        reasons.append("no beats were found")
    row["timing_step_ms"] = detected.attrs.get("timing_step_ms", 0.0)
    row["verdict"] = "accepted" if len(detected) > 1 else "rejected"
    row["reason"] = "; ".join(reason for reason in reasons if reason)
    return pd.DataFrame([row])


def _rmssd_ms(repaired):
    """RMSSD of a whole recording, to show what an edit moved; NaN where no difference is formed."""
    series = with_differences(with_beginnings(repaired.assign(session_id="")))
    try:
        return rmssd_ms(series["difference_ms"].dropna())
    except NotEnough:
        return float("nan")
