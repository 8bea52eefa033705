"""Inputs with checksums, software, and the run as a research object."""

import base64
import hashlib
import json
import tomllib
from datetime import UTC, datetime
from importlib.metadata import distributions

import yaml

from engine.code import SCRIPTS
from study.files import raw_files, table_files
from study.rows import rows_of

RUN_PROFILE = "https://w3id.org/ro/wfrun/workflow/0.5"

PROFILES = (
    "https://w3id.org/ro/wfrun/process/0.5",
    RUN_PROFILE,
    "https://w3id.org/workflowhub/workflow-ro-crate/1.0",
)


def own_version():
    """Version of this project."""
    declared = tomllib.loads((SCRIPTS.parent / "pyproject.toml").read_text(encoding="utf-8"))
    return declared["project"]["version"]


def inputs_of(study):
    """Every input with its size and checksum, by its path inside the study folder."""
    inputs = []
    recordings = rows_of(study, "recordings")
    told = _told_names(study, recordings)
    for path in [*table_files(study), *raw_files(study, recordings)]:
        content = path.read_bytes()
        inputs.append(
            {
                "file": told.get(path, path.relative_to(study).as_posix()),
                "bytes": len(content),
                "sha256": hashlib.sha256(content).hexdigest(),
            }
        )
    import pandas as pd

    return pd.DataFrame(inputs).sort_values("file", ignore_index=True)


def _told_names(study, recordings):
    """What results call each file that rows of recordings.tsv name, and the description beside."""
    told = {}
    for row in recordings:
        first, *beside = raw_files(study, [row])
        told[first] = row.file
        told |= {path: f"{row.file.removesuffix('.tsv.gz')}{path.suffix}" for path in beside}
    return told


def checksums_by_participant(study, listed):
    """(file, sha256) of each recording, by participant; `listed` are rows of inputs.tsv."""
    sha256 = {row["file"]: row["sha256"] for row in listed}
    of_each = {}
    recordings = rows_of(study, "recordings")
    told = _told_names(study, recordings)
    for row in recordings:
        for path in raw_files(study, [row]):
            name = told[path]
            of_each.setdefault(row.participant_id, {})[name] = sha256[name]
    return {participant: list(files.items()) for participant, files in of_each.items()}


def software_of(lock):
    """Name and version of everything installed, and the checksum of the lock it came from."""
    import pandas as pd

    told = (package.metadata for package in distributions())
    installed = sorted({(of_package["Name"].lower(), of_package["Version"]) for of_package in told})
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()
    software = [("cuffstudy", own_version()), *installed, ("requirements.lock", digest)]
    return pd.DataFrame(software, columns=["name", "version"])


def name_by_content(sha256):
    """The name of a file that is not shipped, from its checksum (RFC 6920, section 3)."""
    code = base64.urlsafe_b64encode(bytes.fromhex(sha256)).decode().rstrip("=")
    return f"ni:///sha-256;{code}"


def write_crate(path, project, listed, report, citation, *, title):
    """The run as a research object after the Workflow Run Crate profile 0.5.

    Its payload is the folder it stands in: `project` maps those files to their names, the workflow
    first. Recordings and report stay where they are and are named by their content.
    """
    from rocrate.model.contextentity import ContextEntity
    from rocrate.rocrate import ROCrate

    now = datetime.now(UTC).replace(microsecond=0).isoformat()
    cited = yaml.safe_load(citation.read_text(encoding="utf-8"))
    package = ROCrate(version="1.1")
    package.name = title
    package.description = "Inputs, settings and results of one run of the cuffstudy workflow"
    licence = f"https://spdx.org/licenses/{cited['license']}"
    package.license = package.add(
        ContextEntity(
            package, licence, properties={"@type": "CreativeWork", "name": cited["license"]}
        )
    )
    package.datePublished = datetime.fromisoformat(now)
    for profile in PROFILES:
        package.add(
            ContextEntity(package, profile, properties={"@type": "CreativeWork", "name": profile})
        )
    package.root_dataset["conformsTo"] = [{"@id": profile} for profile in PROFILES]
    workflow = _add_workflow(package, project)

    def elsewhere(name, size, sha256):
        return package.add_file(
            name_by_content(sha256),
            properties={"name": name, "contentSize": str(size), "sha256": sha256},
        )

    objects = [elsewhere(row.file, row.bytes, row.sha256) for row in listed.itertuples()]
    written = report.read_bytes()
    crate_report = elsewhere(report.name, len(written), hashlib.sha256(written).hexdigest())
    package.metadata.extra_terms["sha256"] = "https://w3id.org/ro/terms/workflow-run#sha256"
    run_action = package.add_action(
        workflow,
        identifier="#run",
        object=objects,
        result=[crate_report],
        properties={
            "name": "Run of cuffstudy",
            "description": "From the recordings and tables of the study to its report",
            "endTime": now,
        },
    )
    package.root_dataset["mentions"] = [run_action]
    path.write_text(json.dumps(package.metadata.generate(), indent=1), encoding="utf-8")


def _add_workflow(package, project):
    """The workflow as an entity of a crate, with its language and the files beside it."""
    from rocrate.model.computationalworkflow import ComputationalWorkflow
    from rocrate.model.contextentity import ContextEntity

    snakemake = {"name": "Snakemake", "url": "https://snakemake.github.io"}
    language = package.add(
        ContextEntity(package, "#snakemake", properties={"@type": "ComputerLanguage"} | snakemake)
    )
    main_file, *beside = project
    workflow = package.add(
        ComputationalWorkflow(
            package,
            dest_path=main_file.name,
            properties={"name": project[main_file], "version": own_version()},
        )
    )
    workflow["programmingLanguage"] = language
    package.mainEntity = workflow
    for file in beside:
        package.add_file(dest_path=file.name, properties={"name": project[file]})
    return workflow
