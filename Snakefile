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

from engine.whole_run import WholeRun
from study.loading import study_or_exit

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


RUN = WholeRun(workflow, STUDY, config)


onstart:
    RUN.begins()


onsuccess:
    RUN.succeeded()


onerror:
    RUN.failed()
