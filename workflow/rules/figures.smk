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


rule draw_sessions:
    """Draw a page for every session of one person: pressure, saturation, heart, breathing, ECG."""
    input:
        signals=f"{RESULTS}/signals/{{participant}}.parquet",
        beats=f"{RESULTS}/beats/{{participant}}.tsv",
        respiration=f"{RESULTS}/participants/{{participant}}/respiration.tsv",
        saturation=f"{RESULTS}/signals/{{participant}}_oxygenation.parquet",
        segments=f"{RESULTS}/participants/{{participant}}/segments.tsv",
        outcomes=f"{RESULTS}/participants/{{participant}}/outcomes.tsv",
        beat_quality=f"{RESULTS}/participants/{{participant}}/beat_quality.tsv",
        window_quality=f"{RESULTS}/participants/{{participant}}/window_quality.tsv",
    output:
        folder=directory(f"{RESULTS}/figures/sessions/{{participant}}"),
    log:
        f"{RESULTS}/logs/draw_sessions/{{participant}}.log",
    params:
        study=str(STUDY.folder),
        participant="{participant}",
        title=parameter(SETTINGS.study.title),
        protocol=parameter(SETTINGS.protocol),
        rows=STUDY.rows("sessions", "events", "edits"),
        code=code_of("draw_sessions", "outcomes/*"),
    shell:
        command("draw_sessions")
