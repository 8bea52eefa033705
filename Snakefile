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
from engine.listings import needs_of
from engine.problems import say_problems_last
from engine.rules import parameter, check_steps, command, prepare_jobs
from study.loading import load_study
from study.problems import StudyError

prepare_jobs()

try:
    STUDY = load_study(config)
except StudyError as problem:
    # an exception of Snakemake would add lines about this file, in which there is nothing to mend
    sys.exit(str(problem))

RESULTS = STUDY.results
SETTINGS = STUDY.settings


wildcard_constraints:
    participant=STUDY.any_of("participants"),
    alternative=STUDY.any_of("alternatives"),


include: "workflow/rules/recordings.smk"
include: "workflow/rules/outcomes.smk"
include: "workflow/rules/comparison.smk"
include: "workflow/rules/figures.smk"
include: "workflow/rules/report.smk"


rule all:
    """The whole study: report, figures, tables, methods text, provenance."""
    default_target: True
    input:
        f"{RESULTS}/report.html",
        f"{RESULTS}/provenance/ro-crate-metadata.json",
        expand(f"{RESULTS}/sessions/{{participant}}", participant=STUDY.participants),
        STUDY.lost_results(workflow.rules),


check_steps(workflow.rules)


onstart:
    print(STUDY.notes(), end="")
    STUDY.claim_results()


onerror:
    say_problems_last(f"{RESULTS}/logs", keep_going=workflow.execution_settings.keep_going)
