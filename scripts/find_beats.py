"""Find, classify and repair one person's beats, follow breathing, judge the ECG span by span."""

from engine.step import Input, Output, run
from heart.beats import HEART_SIGNALS, beats_of_person
from recordings.store import read_stretches
from results.tables import write
from study.session_sheet import events_of, table_of
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
    stretches = read_stretches(signals, HEART_SIGNALS)
    edits = table_of(study, "edits", participant)
    events = events_of(study, participant)
    of_person, breathing, quality = beats_of_person(stretches, edits, events, participant, settings)
    write(of_person, "beats", beats)
    write(breathing, "respiration", respiration)
    write(quality, "quality", beat_quality)


if __name__ == "__main__":
    run(find_beats)
