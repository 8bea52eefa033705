"""What a run left: included last, so that it knows what all other rules make."""

from engine.code import code_of
from engine.origins import everything, origins
from engine.rules import command

EVERYTHING = everything(workflow.rules, STUDY.participants)


rule write_manifest:
    """Stop where private text stands in a result; else write down every result and its origin."""
    input:
        EVERYTHING,
        inputs=rules.write_report.output.inputs,
    output:
        manifest="<results>/manifest.tsv",
    log:
        "<results>/logs/write_manifest.log",
    resources:
        mem_mb=200,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        results=STUDY.results,
        origins=origins(workflow.rules, STUDY.results, workflow.basedir),
        code=code_of("find_private_text", "write_manifest"),
    shell:
        command("find_private_text", "write_manifest")
