"""Figures, each with the numbers that it draws."""

from engine.code import code_of
from engine.listings import header, needs_of
from engine.rules import command, of_everybody, parameter, patterns_of

DRAWN = {
    "beats": MEASURED.beats,
    "saturation": MEASURED.saturation,
    "signals": MEASURED.signals,
    "segments": MEASURED.segments,
}


rule draw_figures:
    """Draw every figure as SVG, PDF and PNG, and write the numbers that it draws."""
    input:
        **of_everybody(DRAWN, STUDY.participants),
        tables=expand(
            "<results>/{table}.tsv",
            table=sorted({*needs_of("figures")} - {*DRAWN}),
        ),
    output:
        figures=[
            *report(
                expand("<results>/figures/{figure}.svg", figure=STUDY.figures),
                caption="../report/figures.rst",
                category="Figures",
            ),
            *expand(
                "<results>/figures/{figure}.{suffix}",
                figure=STUDY.figures,
                suffix=["pdf", "png", "tsv"],
            ),
        ],
        slides=[
            f"<results>/figures/slides/{figure}.png"
            for figure in STUDY.figures
            if header("figures", figure).get("SLIDE")
        ],
        unmade="<results>/figures/undrawn.tsv",
    log:
        "<results>/logs/draw_figures.log",
    resources:
        mem_mb=550,
        runtime=5,
    params:
        **patterns_of(DRAWN),
        study=STUDY.folder.as_posix(),
        settings=parameter(SETTINGS),
        rows=STUDY.all_rows("sessions", "events", "edits"),
        code=code_of("draw_figures", "figures/*"),
    shell:
        command("draw_figures")
