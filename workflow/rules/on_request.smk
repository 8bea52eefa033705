"""What is made only where it is asked for by name, and belongs to no run."""

from engine.code import code_of
from engine.rules import command, parameter


rule draw_session:
    """Draw the course of one session: session_figures/sub-01/ses-1.pdf, .svg or .png."""
    input:
        beats=MEASURED.beats,
        saturation=MEASURED.saturation,
        signals=MEASURED.signals,
    output:
        figure="<results>/session_figures/{participant}/{session}.{form}",
    log:
        "<results>/logs/draw_session/{participant}_{session}_{form}.log",
    wildcard_constraints:
        session=STUDY.any_of("sessions"),
        form="pdf|svg|png",
    resources:
        mem_mb=400,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        participant="{participant}",
        session="{session}",
        settings=parameter(SETTINGS),
        rows=STUDY.participant_rows("sessions", "events", "edits"),
        code=code_of("draw_session", "figures/01_session_course"),
    shell:
        command("draw_session")
