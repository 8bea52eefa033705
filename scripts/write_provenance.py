"""Write down the inputs with checksums, the settings, the software and the run.

This is the only step whose result names times; it names no host and no absolute path.
"""

import hashlib
import json
from datetime import UTC, datetime
from importlib.metadata import distributions
from pathlib import Path

import pandas as pd
import yaml

from step import Input, Inputs, Output, run
from tabular import write_table
from write_methods import own_version

RUN_PROFILE = "https://w3id.org/ro/wfrun/workflow/0.5"
PROFILES = (
    "https://w3id.org/ro/wfrun/process/0.5",
    RUN_PROFILE,
    "https://w3id.org/workflowhub/workflow-ro-crate/1.0",
)


def write_provenance(
    raw: Inputs,
    tables: Inputs,
    citation: Input,
    lock: Input,
    report: Input,
    inputs: Output,
    settings: Output,
    changed: Output,
    software: Output,
    crate: Output,
    *,
    study: str,
    all_settings: dict,
    changed_settings: list,
):
    listed = inputs_of(Path(study), [*tables, *raw])
    write_table(listed, inputs)
    settings.write_text(yaml.safe_dump(all_settings, sort_keys=False, allow_unicode=True), "utf-8")
    columns = ["setting", "usual", "here"]
    write_table(pd.DataFrame(changed_settings, columns=columns).astype(str), changed)
    write_table(software_of(lock), software)
    write_crate(crate, listed, report, citation, all_settings)


def inputs_of(study, files):
    """Every input with its size and checksum, by its path inside the study folder."""
    rows = []
    for path in files:
        content = path.read_bytes()
        rows.append(
            {
                "file": path.relative_to(study).as_posix(),
                "bytes": len(content),
                "sha256": hashlib.sha256(content).hexdigest(),
            }
        )
    return pd.DataFrame(rows).sort_values("file", ignore_index=True)


def software_of(lock):
    """Name and version of everything installed, and the checksum of the lock it came from."""
    found = sorted({(d.metadata["Name"].lower(), d.version) for d in distributions()})
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()
    rows = [("cuffstudy", own_version()), *found, ("requirements.lock", digest)]
    return pd.DataFrame(rows, columns=["name", "version"])


def write_crate(path, listed, report, citation, all_settings):
    """The run as a research object after the Workflow Run Crate profile 0.5."""
    from rocrate.model.computationalworkflow import ComputationalWorkflow
    from rocrate.model.contextentity import ContextEntity
    from rocrate.rocrate import ROCrate

    now = datetime.now(UTC).replace(microsecond=0).isoformat()
    cited = yaml.safe_load(citation.read_text(encoding="utf-8"))
    package = ROCrate(version="1.1")
    package.name = all_settings["study"]["title"]
    package.description = "Inputs, settings and results of one run of the cuffstudy workflow"
    package.license = cited["license"]
    package.datePublished = datetime.fromisoformat(now)
    for profile in PROFILES:
        package.add(
            ContextEntity(package, profile, properties={"@type": "CreativeWork", "name": profile})
        )
    package.root_dataset["conformsTo"] = [{"@id": profile} for profile in PROFILES]
    language = package.add(
        ContextEntity(
            package,
            "#snakemake",
            properties={
                "@type": "ComputerLanguage",
                "name": "Snakemake",
                "url": "https://snakemake.github.io",
            },
        )
    )
    workflow = package.add(
        ComputationalWorkflow(
            package,
            dest_path="Snakefile",
            properties={"name": "cuffstudy", "version": own_version()},
        )
    )
    workflow["programmingLanguage"] = language
    package.mainEntity = workflow
    objects = [
        package.add_file(
            dest_path=row.file,
            properties={"contentSize": str(row.bytes), "sha256": row.sha256},
            validate_url=False,
        )
        for row in listed.itertuples()
    ]
    result = package.add_file(
        dest_path=report.name,
        properties={"name": "Report", "sha256": hashlib.sha256(report.read_bytes()).hexdigest()},
    )
    package.metadata.extra_terms["sha256"] = "https://w3id.org/ro/terms/workflow-run#sha256"
    package.add_action(
        workflow,
        identifier="#run",
        object=objects,
        result=[result],
        properties={"name": "Run of cuffstudy", "endTime": now},
    )
    path.write_text(json.dumps(package.metadata.generate(), indent=1), encoding="utf-8")


if __name__ == "__main__":
    run(write_provenance)
