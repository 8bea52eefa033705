"""Figures, each with the numbers that it draws."""


rule draw_figure:
    """Draw one figure as SVG, PDF and PNG and write the numbers that it draws."""
    input:
        needs=STUDY.files_for_figure,
    output:
        svg=f"{RESULTS}/figures/{{figure}}.svg",
        pdf=f"{RESULTS}/figures/{{figure}}.pdf",
        png=f"{RESULTS}/figures/{{figure}}.png",
        numbers=f"{RESULTS}/figures/{{figure}}.tsv",
    log:
        f"{RESULTS}/logs/draw_figure/{{figure}}.log",
    params:
        settings=parameter(SETTINGS.draw_figures),
        protocol=parameter(SETTINGS.protocol),
        study=str(STUDY.folder),
        figure="{figure}",
        title=parameter(SETTINGS.study.title),
        conditions=parameter(SETTINGS.study.conditions),
        primary=parameter(SETTINGS.study.primary),
        rows=STUDY.all_rows("sessions", "events"),
        code=code_of("draw_figure", "figures/{figure}"),
    shell:
        command("draw_figure")
