"""What people read and what lets others check: tables, methods text, report, provenance."""

from engine.code import code_of
from engine.listings import header, names_in, needs_of
from engine.rules import command, of_everybody, parameter, patterns_of

SESSIONS = {"sessions": MEASURED.pages}


rule write_tables:
    """Write the tables for print as TSV, HTML and Word, and outcomes by person with a codebook."""
    input:
        tables=expand("<results>/{table}.tsv", table=header("report", "print_tables")["NEEDS"]),
    output:
        folder=directory("<results>/tables"),
    log:
        "<results>/logs/write_tables.log",
    resources:
        mem_mb=200,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        settings=parameter(SETTINGS),
        rows=STUDY.all_rows("participants", "sessions", "events", "edits"),
        code=code_of("write_tables", "outcomes/*"),
    shell:
        command("write_tables")


rule write_methods:
    """Write the methods text with its references, and the reporting checklists, from what ran."""
    input:
        template=f"{workflow.basedir}/workflow/templates/methods.md.jinja",
        literature=f"{workflow.basedir}/workflow/templates/references.yaml",
        tables=expand("<results>/{table}.tsv", table=header("report", "methods")["NEEDS"]),
    output:
        methods=report(
            "<results>/methods.md",
            caption="../report/methods.rst",
            category="Report",
        ),
        bibtex="<results>/references.bib",
        csl="<results>/references.json",
        checklists="<results>/checklists.md",
    log:
        "<results>/logs/write_methods.log",
    resources:
        mem_mb=200,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        rows=STUDY.all_rows("participants", "sessions", "occlusion", "recordings", "events"),
        code=code_of("write_methods", "outcomes/*"),
    shell:
        command("write_methods")


rule write_report:
    """Write the whole study on one page that opens offline."""
    input:
        templates=[
            f"{workflow.basedir}/workflow/templates/{name}"
            for name in (
                "report.html.jinja",
                "report.css",
                "report.js",
                "report/_table.html.jinja",
                *(f"report/{s}.html.jinja" for s in names_in("report/sections")),
            )
        ],
        tables=expand("<results>/{table}.tsv", table=needs_of("report/sections")),
        printed=rules.write_tables.output.folder,
        methods=rules.write_methods.output.methods,
        figures=[path for path in rules.draw_figures.output if path.endswith((".svg", ".tsv"))],
    output:
        report=report(
            "<results>/report.html",
            caption="../report/report.rst",
            category="Report",
        ),
    log:
        "<results>/logs/write_report.log",
    resources:
        mem_mb=300,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        unstated=parameter(STUDY.unstated),
        rows=STUDY.all_rows(
            *("participants", "sessions", "recordings", "events", "edits", "reviews")
        ),
        code=code_of(
            *("write_report", "report/sections/*", "outcomes/*", "figures/*", "windows/*"),
            *("measuring/inputs", "measuring/properties"),
        ),
    shell:
        command("write_report")


rule write_provenance:
    """Write down inputs with checksums, settings, software and the run as a research object."""
    input:
        STUDY.all_raw_files(),
        STUDY.table_files(),
        citation=f"{workflow.basedir}/CITATION.cff",
        lock=f"{workflow.basedir}/requirements.lock",
        snakefile=f"{workflow.basedir}/Snakefile",
        report=rules.write_report.output.report,
    output:
        inputs="<results>/provenance/inputs.tsv",
        settings="<results>/provenance/settings.yaml",
        changed="<results>/provenance/settings_changed.tsv",
        software="<results>/provenance/software.tsv",
        workflow="<results>/provenance/Snakefile",
        crate="<results>/provenance/ro-crate-metadata.json",
    log:
        "<results>/logs/write_provenance.log",
    resources:
        mem_mb=200,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        all_settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        code=code_of("write_provenance"),
    shell:
        command("write_provenance")


rule write_session_overview:
    """Show every session in small on one page, and where a look at a recording pays first."""
    input:
        **of_everybody(SESSIONS, STUDY.participants),
        templates=[
            f"{workflow.basedir}/workflow/templates/{name}"
            for name in ("sessions.html.jinja", "session.css")
        ],
    output:
        page="<results>/sessions/index.html",
    log:
        "<results>/logs/write_session_overview.log",
    resources:
        mem_mb=200,
        runtime=5,
    params:
        **patterns_of(SESSIONS),
        study=STUDY.folder.as_posix(),
        settings=parameter(SETTINGS.study),
        rows=STUDY.all_rows("edits"),
        code=code_of("write_session_overview"),
    shell:
        command("write_session_overview")


rule write_book:
    """Set figures, tables, methods, references and checklists as one book in PDF."""
    input:
        template=f"{workflow.basedir}/workflow/templates/book.typ",
        figures=[path for path in rules.draw_figures.output.figures if path.endswith(".svg")],
        printed=rules.write_tables.output.folder,
        methods=rules.write_methods.output.methods,
        checklists=rules.write_methods.output.checklists,
    output:
        book=report(
            "<results>/results.pdf",
            caption="../report/book.rst",
            category="Report",
        ),
    log:
        "<results>/logs/write_book.log",
    resources:
        mem_mb=800,
        runtime=5,
    params:
        about=parameter(SETTINGS.study),
        code=code_of("write_book"),
    shell:
        command("write_book")
