"""From the files of the recorders to the outcomes of one person, in one process."""

from engine.code import code_of
from engine.rules import command, parameter

STEPS_OF_PARTICIPANT = (
    "read_recordings",
    "find_beats",
    "segment_oxygenation",
    "measure_outcomes",
    "write_session_pages",
)


rule measure_participant:
    """Read one person's recordings, find beats, follow saturation, measure outcomes, draw."""
    input:
        raw=STUDY.raw_files,
        templates=expand(
            f"{workflow.basedir}/workflow/templates/{{name}}",
            name=[
                "session.html.jinja",
                "session.css",
                "session.js",
                "review.js",
                "unpack.js",
                "vendor/uplot/uPlot.iife.min.js",
                "vendor/uplot/uPlot.min.css",
            ],
        ),
    output:
        signals="<results>/signals/{participant}.parquet",
        sync="<results>/participants/{participant}/sync.tsv",
        beats="<results>/beats/{participant}.tsv",
        respiration="<results>/participants/{participant}/respiration.tsv.gz",
        beat_quality="<results>/participants/{participant}/beat_quality.tsv",
        saturation="<results>/signals/{participant}_oxygenation.parquet",
        segments="<results>/participants/{participant}/segments.tsv",
        boundaries="<results>/participants/{participant}/boundaries.tsv",
        cuff_checks="<results>/participants/{participant}/cuff_checks.tsv",
        oxygenation_quality="<results>/participants/{participant}/oxygenation_quality.tsv",
        outcomes="<results>/participants/{participant}/outcomes.tsv.gz",
        window_quality="<results>/participants/{participant}/window_quality.tsv",
        recovery="<results>/participants/{participant}/recovery.tsv",
        pages=directory("<results>/sessions/{participant}"),
        unmade="<results>/participants/{participant}/unmade.tsv",
    log:
        "<results>/logs/measure_participant/{participant}.log",
    resources:
        mem_mb=500,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        participant="{participant}",
        read_recordings=parameter(SETTINGS.read_recordings),
        find_beats=parameter(SETTINGS.find_beats),
        segment_oxygenation=parameter(SETTINGS.segment_oxygenation),
        measure_outcomes=parameter(SETTINGS.measure_outcomes),
        title=parameter(SETTINGS.study.title),
        protocol=parameter(SETTINGS.protocol),
        quality_rules=parameter(SETTINGS.quality_rules),
        default_quality_rules=parameter(STUDY.default_settings.quality_rules),
        recorded=parameter(STUDY.recorded),
        rows=STUDY.participant_rows("participants", "sessions", "recordings", "events", "edits"),
        code=code_of(*STEPS_OF_PARTICIPANT, "outcomes/*", "windows/*"),
    shell:
        command(*STEPS_OF_PARTICIPANT, goes_on=True)


MEASURED = rules.measure_participant.output
