"""What people read and what lets others check: tables, methods text, report, provenance."""

from engine.code import code_of
from engine.listings import header, names_in, needs_of
from engine.rules import command, of_everybody, parameter, patterns_of

SESSIONS = {"sessions": MEASURED.pages}

TEMPLATES = f"{workflow.basedir}/workflow/templates"

STEPS_OF_WRITING = (
    "write_session_overview",
    "write_tables",
    "write_methods",
    "write_report",
    "write_book",
    "write_provenance",
)


rule write_report:
    """Write printed tables, methods text, the report, the book, all sessions and provenance."""
    input:
        STUDY.all_raw_files(),
        STUDY.table_files(),
        **of_everybody(SESSIONS, STUDY.participants),
        templates=[
            f"{TEMPLATES}/{name}"
            for name in (
                "report.html.jinja",
                "report.css",
                "report.js",
                "report/_table.html.jinja",
                *(f"report/{s}.html.jinja" for s in names_in("report/sections")),
                "sessions.html.jinja",
                "session.css",
            )
        ],
        methods_template=f"{TEMPLATES}/methods.md.jinja",
        literature=f"{TEMPLATES}/references.yaml",
        book_template=f"{TEMPLATES}/book.typ",
        tables=expand(
            "<results>/{table}.tsv",
            table=sorted(
                {
                    *header("report", "print_tables")["NEEDS"],
                    *header("report", "methods")["NEEDS"],
                    *needs_of("report/sections"),
                }
            ),
        ),
        figures=[path for path in rules.draw_figures.output if path.endswith((".svg", ".tsv"))],
        citation=f"{workflow.basedir}/CITATION.cff",
        lock=f"{workflow.basedir}/requirements.lock",
        snakefile=f"{workflow.basedir}/Snakefile",
    output:
        page="<results>/sessions/index.html",
        printed=directory("<results>/tables"),
        methods=report(
            "<results>/methods.md",
            caption="../report/methods.rst",
            category="Report",
        ),
        bibtex="<results>/references.bib",
        csl="<results>/references.json",
        checklists="<results>/checklists.md",
        report=report(
            "<results>/report.html",
            caption="../report/report.rst",
            category="Report",
        ),
        book=report(
            "<results>/results.pdf",
            caption="../report/book.rst",
            category="Report",
        ),
        inputs="<results>/provenance/inputs.tsv",
        settings_ran="<results>/provenance/settings.yaml",
        changed="<results>/provenance/settings_changed.tsv",
        software="<results>/provenance/software.tsv",
        workflow="<results>/provenance/Snakefile",
        crate="<results>/provenance/ro-crate-metadata.json",
    log:
        "<results>/logs/write_report.log",
    resources:
        mem_mb=800,
        runtime=5,
    params:
        **patterns_of(SESSIONS),
        study=STUDY.folder.as_posix(),
        about=parameter(SETTINGS.study),
        all_settings=parameter(SETTINGS),
        default_settings=parameter(STUDY.default_settings),
        unstated=parameter(STUDY.unstated),
        rows=STUDY.all_rows(
            *("participants", "sessions", "recordings", "occlusion", "events", "edits", "reviews")
        ),
        code=code_of(
            *(*STEPS_OF_WRITING, "report/sections/*", "outcomes/*", "figures/*", "windows/*"),
            *("measuring/inputs", "measuring/properties"),
        ),
    shell:
        command(*STEPS_OF_WRITING)
