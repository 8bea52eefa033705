"""Find, classify and repair one person's beats, follow breathing, judge the ECG span by span."""

from engine.step import Input, Output, run
from heart.beat_edits import BeatEditError
from heart.beats import (
    BEAT_ACTIONS,
    beats_of_ecg,
    beats_of_intervals,
    breathing_of,
    whole_recording,
    with_edits,
)
from recordings.store import read_stretches
from results.tables import stack, write
from study.problems import StudyError
from study.session_sheet import table_of
from study.settings import FindBeats


def find_beats(
    signals: Input,
    beats: Output,
    respiration: Output,
    beat_quality: Output,
    *,
    study: str,
    participant: str,
    settings: FindBeats,
):
    edits = table_of(study, "edits", participant)
    edits = edits[edits["signal"].isin(["ecg", "rr"]) & edits["action"].isin(BEAT_ACTIONS)]
    stretches = read_stretches(signals, ["ecg", "rr", "respiration"])
    beat_tables, breathing, verdicts = [], [], []
    for session_id in sorted({s.session_id for s in stretches}):
        recorded = [s for s in stretches if s.session_id == session_id]
        ecg = [s for s in recorded if s.signal == "ecg"]
        intervals = [s for s in recorded if s.signal == "rr"]
        of_session = edits[edits["session_id"] == session_id]
        if ecg:
            detected, spans = beats_of_ecg(ecg, settings.detector, settings.quality_span_s)
        elif intervals:
            detected, spans = beats_of_intervals(intervals)
        else:
            continue
        try:
            repaired = with_edits(detected, of_session, settings)
        except BeatEditError as error:
            raise StudyError(f"edits.tsv, {participant} {session_id}: {error}") from None
        unedited = with_edits(detected, of_session[:0], settings) if len(of_session) else repaired
        beat_tables.append(repaired.assign(session_id=session_id))
        breathing.append(breathing_of(recorded, detected, repaired).assign(session_id=session_id))
        labels = {
            "participant_id": participant,
            "session_id": session_id,
            "signal": "ecg" if ecg else "rr",
            "file": (ecg or intervals)[0].file,
        }
        verdicts.append(whole_recording(repaired, unedited, detected).assign(**labels))
        verdicts.append(spans.assign(**labels))
    write(stack(beat_tables, "beats"), "beats", beats)
    write(stack(breathing, "respiration"), "respiration", respiration)
    write(stack(verdicts, "quality"), "quality", beat_quality)


if __name__ == "__main__":
    run(find_beats)
