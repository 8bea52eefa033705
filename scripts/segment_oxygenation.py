"""Clean one person's saturation, find the sensor on the working muscle of every set, and compare
the log with what the recordings show of sets and cuffs."""

from engine.step import Input, Output, run
from muscle.segmentation import MUSCLE_SIGNALS, segmentation_of_person
from muscle.traces import write_traces
from recordings.store import read_stretches
from results.tables import write
from study.session_sheet import events_of, table_of
from study.settings import Protocol, SegmentOxygenation


def segment_oxygenation(
    signals: Input,
    saturation: Output,
    segments: Output,
    boundaries: Output,
    cuff_checks: Output,
    oxygenation_quality: Output,
    *,
    study: str,
    participant: str,
    settings: SegmentOxygenation,
    protocol: Protocol,
):
    segmented = segmentation_of_person(
        read_stretches(signals, MUSCLE_SIGNALS),
        events_of(study, participant),
        table_of(study, "edits", participant),
        table_of(study, "recordings", participant),
        participant,
        settings,
        protocol,
    )
    write_traces(segmented.traces, saturation)
    write(segmented.segments, "segments", segments)
    write(segmented.boundaries, "boundaries", boundaries)
    write(segmented.cuff_checks, "cuff_checks", cuff_checks)
    write(segmented.quality, "quality", oxygenation_quality)


if __name__ == "__main__":
    run(segment_oxygenation)
