"""Cuff sessions, from raw recordings to figures, tables, methods text and report.

snakemake --cores 2                              the demo study
snakemake --cores 2 --config study=path/to/study your own, to results/study
                             results=path/to/results to another place
"""

import sys
from pathlib import Path

from snakemake.utils import min_version

min_version("9.0")

sys.path.insert(0, str(Path(workflow.basedir) / "scripts"))

from engine.code import code_of
from engine.listings import header, names_in, needs_of
from engine.origins import everything, made_by, origins
from engine.problems import say_problems_last, say_what_is_missing
from engine.progress import tell_progress
from engine.rules import check_steps, command, of_everybody, parameter, patterns_of, prepare_jobs
from engine.transaction import Transaction
from study.check import check_before_run
from study.loading import study_or_exit

prepare_jobs()

STUDY = study_or_exit(config)
SETTINGS = STUDY.settings


report: "workflow/report/workflow.rst"


pathvars:
    results=STUDY.results,


wildcard_constraints:
    participant=STUDY.any_of("participants"),


include: "workflow/rules/participants.smk"
include: "workflow/rules/outcomes.smk"
include: "workflow/rules/comparison.smk"
include: "workflow/rules/figures.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/manifest.smk"
include: "workflow/rules/on_request.smk"


rule all:
    """The whole study: every file of every rule."""
    default_target: True
    input:
        EVERYTHING,
        rules.write_manifest.output,


check_steps(workflow.rules)


RUN = Transaction(
    STUDY.results,
    made_by(workflow.rules, STUDY.participants),
    recordings=STUDY.participants_by_raw_file,
    tables=STUDY.table_files,
)
RUN.begin_with(workflow)


onstart:
    print(STUDY.notes(), end="")
    check_before_run(STUDY, config)
    STUDY.claim_results()
    tell_progress(workflow)


onsuccess:
    RUN.succeeded()
    say_what_is_missing(STUDY.results)


onerror:
    RUN.failed()
    say_problems_last(
        f"{STUDY.results}/logs", keep_going=workflow.execution_settings.keep_going
    )
