"""Figures, each with the numbers that it draws."""


rule draw_figures:
    """Draw every figure as SVG, PDF and PNG, and write the numbers that it draws."""
    input:
        tables=expand(
            f"{RESULTS}/{{table}}.tsv",
            table=sorted({*needs_of("figures")} - {"beats", "saturation"}),
        ),
        beats=expand(f"{RESULTS}/beats/{{participant}}.tsv", participant=STUDY.participants),
        saturation=expand(
            f"{RESULTS}/signals/{{participant}}_oxygenation.parquet",
            participant=STUDY.participants,
        ),
    output:
        figures=expand(
            f"{RESULTS}/figures/{{figure}}.{{suffix}}",
            figure=STUDY.figures,
            suffix=["svg", "pdf", "png", "tsv"],
        ),
    log:
        f"{RESULTS}/logs/draw_figures.log",
    params:
        study=str(STUDY.folder),
        settings=parameter(SETTINGS),
        rows=STUDY.all_rows("sessions", "events", "edits"),
        code=code_of("draw_figures", "figures/*"),
    shell:
        command("draw_figures")
