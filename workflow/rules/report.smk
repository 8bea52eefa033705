"""What people read and what lets others check: tables, methods text, report, provenance."""


rule write_tables:
    """Write the publication tables as TSV, HTML and DOCX."""
    input:
        outcomes=f"{RESULTS}/outcomes.tsv",
        contrasts=f"{RESULTS}/contrasts.tsv",
        safety=f"{RESULTS}/safety.tsv",
    output:
        folder=directory(f"{RESULTS}/tables"),
    log:
        f"{RESULTS}/logs/write_tables.log",
    params:
        study=str(STUDY.folder),
        title=parameter(SETTINGS.study.title),
        conditions=parameter(SETTINGS.study.conditions),
        primary=parameter(SETTINGS.study.primary),
        rows=STUDY.all_rows("participants", "sessions"),
        code=code_of("write_tables", "outcomes/*"),
    shell:
        command("write_tables")


rule write_methods:
    """Write the methods paragraph from the settings that ran."""
    input:
        template=f"{workflow.basedir}/workflow/templates/methods.md.jinja",
        sync=f"{RESULTS}/sync.tsv",
        quality=f"{RESULTS}/quality.tsv",
        models=f"{RESULTS}/models.tsv",
        outcomes=f"{RESULTS}/outcomes.tsv",
        sensitivity=f"{RESULTS}/sensitivity.tsv",
        planning=f"{RESULTS}/planning.tsv",
        coupling=f"{RESULTS}/coupling.tsv",
        repetition_agreement=f"{RESULTS}/repetition_agreement.tsv",
        boundaries=f"{RESULTS}/boundaries.tsv",
    output:
        methods=f"{RESULTS}/methods.md",
    log:
        f"{RESULTS}/logs/write_methods.log",
    params:
        study=str(STUDY.folder),
        settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        rows=STUDY.all_rows("participants", "sessions", "occlusion", "recordings", "events"),
        code=code_of("write_methods", "outcomes/*"),
    shell:
        command("write_methods")


rule write_report:
    """Write the whole study on one page that opens offline."""
    input:
        template=f"{workflow.basedir}/workflow/templates/report.html.jinja",
        outcomes=f"{RESULTS}/outcomes.tsv",
        contrasts=f"{RESULTS}/contrasts.tsv",
        models=f"{RESULTS}/models.tsv",
        missing=f"{RESULTS}/missing.tsv",
        sensitivity=f"{RESULTS}/sensitivity.tsv",
        planning=f"{RESULTS}/planning.tsv",
        alternatives=f"{RESULTS}/alternatives.tsv",
        exclusions=f"{RESULTS}/exclusions.tsv",
        quality=f"{RESULTS}/quality.tsv",
        sync=f"{RESULTS}/sync.tsv",
        safety=f"{RESULTS}/safety.tsv",
        boundaries=f"{RESULTS}/boundaries.tsv",
        coupling=f"{RESULTS}/coupling.tsv",
        repetition_agreement=f"{RESULTS}/repetition_agreement.tsv",
        methods=f"{RESULTS}/methods.md",
        tables=f"{RESULTS}/tables",
        figures=expand(f"{RESULTS}/figures/{{figure}}.svg", figure=STUDY.figures),
    output:
        report=f"{RESULTS}/report.html",
    log:
        f"{RESULTS}/logs/write_report.log",
    params:
        study=str(STUDY.folder),
        settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        unstated=parameter(STUDY.unstated),
        rows=STUDY.all_rows("participants", "sessions", "recordings", "events"),
        code=code_of("write_report", "outcomes/*", "figures/*"),
    shell:
        command("write_report")


rule write_session_pages:
    """Write a page for every session of one person, to be opened in a browser."""
    input:
        signals=f"{RESULTS}/signals/{{participant}}.parquet",
        beats=f"{RESULTS}/beats/{{participant}}.tsv",
        respiration=f"{RESULTS}/participants/{{participant}}/respiration.tsv",
        saturation=f"{RESULTS}/signals/{{participant}}_oxygenation.parquet",
        segments=f"{RESULTS}/participants/{{participant}}/segments.tsv",
        outcomes=f"{RESULTS}/participants/{{participant}}/outcomes.tsv",
        beat_quality=f"{RESULTS}/participants/{{participant}}/beat_quality.tsv",
        window_quality=f"{RESULTS}/participants/{{participant}}/window_quality.tsv",
        templates=[
            f"{workflow.basedir}/workflow/templates/{name}"
            for name in (
                "session.html.jinja",
                "session.css",
                "session.js",
                "vendor/uplot/uPlot.iife.min.js",
                "vendor/uplot/uPlot.min.css",
            )
        ],
    output:
        folder=directory(f"{RESULTS}/sessions/{{participant}}"),
    log:
        f"{RESULTS}/logs/write_session_pages/{{participant}}.log",
    params:
        study=str(STUDY.folder),
        participant="{participant}",
        title=parameter(SETTINGS.study.title),
        protocol=parameter(SETTINGS.protocol),
        rows=STUDY.rows("sessions", "events", "edits"),
        code=code_of("write_session_pages", "outcomes/*"),
    shell:
        command("write_session_pages")


rule write_provenance:
    """Write down inputs with checksums, settings, software and the run as a research object."""
    input:
        raw=STUDY.all_raw_files(),
        tables=STUDY.table_files(),
        citation=f"{workflow.basedir}/CITATION.cff",
        lock=f"{workflow.basedir}/requirements.lock",
        snakefile=f"{workflow.basedir}/Snakefile",
        report=f"{RESULTS}/report.html",
    output:
        inputs=f"{RESULTS}/provenance/inputs.tsv",
        settings=f"{RESULTS}/provenance/settings.yaml",
        changed=f"{RESULTS}/provenance/settings_changed.tsv",
        software=f"{RESULTS}/provenance/software.tsv",
        workflow=f"{RESULTS}/provenance/Snakefile",
        crate=f"{RESULTS}/provenance/ro-crate-metadata.json",
    log:
        f"{RESULTS}/logs/write_provenance.log",
    params:
        study=str(STUDY.folder),
        all_settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        code=code_of("write_provenance"),
    shell:
        command("write_provenance")
