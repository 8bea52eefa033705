"""What stands round the recordings of an archive: descriptions, dictionaries, licence, crate."""

import pandas as pd
import yaml

from archive.recordings import TASK
from archive.tables import BANDS
from recordings.writing import write_json, write_rows, write_text
from results.columns import TABLES as RESULT_TABLES
from results.manifest import sha256_of
from results.provenance import own_version
from study.plan import SETTINGS_FILE
from study.tables import TABLES, allowed_in, choices_of

BIDS_VERSION = "1.10.0"
DERIVED = f"derivatives/{'cuffstudy'}"

LICENCES = {
    "CC0-1.0": "https://creativecommons.org/publicdomain/zero/1.0/legalcode",
    "CC-BY-4.0": "https://creativecommons.org/licenses/by/4.0/legalcode",
    "CC-BY-SA-4.0": "https://creativecommons.org/licenses/by-sa/4.0/legalcode",
    "CC-BY-NC-4.0": "https://creativecommons.org/licenses/by-nc/4.0/legalcode",
    "PDDL-1.0": "https://opendatacommons.org/licenses/pddl/1-0/",
    "ODC-By-1.0": "https://opendatacommons.org/licenses/by/1-0/",
}

RECOGNISED = (
    "Raw electrocardiograms are in this archive: a person can be recognised by an "
    "electrocardiogram, so it is not anonymous."
)

# names of BIDS for what our tables call otherwise
_BIDS_COLUMN = {"onset_s": "onset", "duration_s": "duration"}

_KEYS = ("participant_id", "session_id")

# tables of the study that BIDS does not know; with them the archive is run again as it lies
_BESIDE_BIDS = ("study.yaml", "recordings.tsv", "sessions.tsv", "events.tsv", "occlusion.tsv",
    "titration.tsv", "edits.tsv", "harms.tsv", SETTINGS_FILE, "ro-crate-metadata.json")  # fmt: skip


def write_dataset(folder, tables, recordings, settings, *, heading=""):
    """Tables and settings of a study, as the workflow and as BIDS read them.

    tables : by name; recordings : rows of recordings.tsv; settings : what study.yaml
    states, below a heading
    """
    columns = [c for c in TABLES["recordings"].model_fields if any(c in r for r in recordings)]
    tables = tables | {"recordings": pd.DataFrame(recordings, columns=columns)}
    for name, table in tables.items():
        _write_table(table, folder / f"{name}.tsv")
    stated = yaml.safe_dump(settings, sort_keys=False, allow_unicode=True)
    write_text(heading + stated, folder / "study.yaml")
    write_text("".join(f"/{name}\n" for name in _BESIDE_BIDS), folder / ".bidsignore")
    write_json(_dictionary("participants", tables["participants"]), folder / "participants.json")
    events = tables.get("events", pd.DataFrame(columns=[*_KEYS, *_BIDS_COLUMN]))
    about = {c: d for c, d in _dictionary("events", events).items() if c not in _BIDS_COLUMN}
    write_json(
        {"TaskName": TASK, "TaskDescription": "Exercise with inflatable limb cuffs"} | about,
        folder / f"task-{TASK}_events.json",
    )
    of_sessions = tables["sessions"]
    write_json(_dictionary("sessions", of_sessions), folder / "sessions.json")
    for person, of_group in of_sessions.groupby("participant_id"):
        (folder / person).mkdir(exist_ok=True)
        _write_table(
            of_group.drop(columns="participant_id"), folder / person / f"{person}_sessions.tsv"
        )
    for (person, session), of_group in events.groupby([*_KEYS]):
        timed = of_group.dropna(subset=["onset_s", "duration_s"]).sort_values(
            "onset_s", kind="stable"
        )
        table = timed.drop(columns=[*_KEYS]).rename(columns=_BIDS_COLUMN)
        first = [*_BIDS_COLUMN.values()]
        table = table[[*first, *(c for c in table if c not in first)]]
        stem = f"{person}_{session}_task-{TASK}_events.tsv"
        _write_table(table, folder / person / session / "beh" / stem)


def write_descriptions(
    folder, *, title, about, licence=None, made_on=None, simulated=False, raw_ecg=False
):
    """README, CHANGES, LICENSE and dataset_description.json of an archive.

    about : paragraphs of the README behind the title; licence : one of LICENCES or None;
    made_on : day of the first release, where it has one
    """
    said = [RECOGNISED] if raw_ecg else []
    description = {
        "Name": title,
        "BIDSVersion": BIDS_VERSION,
        "DatasetType": "raw",
        **({"License": licence} if licence else {}),
        "GeneratedBy": [{"Name": "cuffstudy", "Version": own_version()}],
        **({"Simulated": "No person was measured."} if simulated else {}),
        **({"Caution": RECOGNISED} if raw_ecg else {}),
    }
    write_json(description, folder / "dataset_description.json")
    write_text("\n\n".join([f"# {title}", *said, *about]) + "\n", folder / "README.md")
    if made_on:
        write_text(f"1.0.0 {made_on}\n  - First release.\n", folder / "CHANGES")
    granted = (
        f"{title}\n\nLicensed under {licence} (SPDX identifier).\n{LICENCES[licence]}\n"
        if licence
        else f"{title}\n\nNo licence is granted yet: whoever holds the rights has not named one.\n"
    )
    write_text(granted, folder / "LICENSE")


def write_derived(folder, tables, title):
    """Result tables as a BIDS derivative, each with its dictionary.

    tables : (name, columns, rows as text) of each
    """
    derived = folder / DERIVED
    listed = []
    for name, columns, lines in tables:
        write_rows([columns, *lines], derived / f"{name}.tsv")
        declared = RESULT_TABLES[name].columns
        said = {c: declared.get(c, declared.get("<outcome>", "")) for c in columns}
        write_json({c: {"Description": str(d)} for c, d in said.items()}, derived / f"{name}.json")
        listed.append(f"- `{name}.tsv`: {RESULT_TABLES[name].row}")
    description = {
        "Name": f"{title}: outcomes and contrasts",
        "BIDSVersion": BIDS_VERSION,
        "DatasetType": "derivative",
        "GeneratedBy": [{"Name": "cuffstudy", "Version": own_version()}],
        "SourceDatasets": [{"URL": "../.."}],
    }
    write_json(description, derived / "dataset_description.json")
    write_text("*.tsv\n*.json\n", derived / ".bidsignore")
    text = "# Outcomes and contrasts\n\nA JSON beside each table says what its columns are.\n\n"
    write_text(text + "\n".join(listed) + "\n", derived / "README.md")


def write_crate(folder, *, title, description, licence, made_on):
    """RO-Crate 1.1 metadata: every file with its size and checksum."""
    from rocrate.model.contextentity import ContextEntity
    from rocrate.rocrate import ROCrate

    package = ROCrate(version="1.1")
    package.name, package.description = title, description
    package.root_dataset["datePublished"] = made_on
    if licence:
        properties = {"@type": "CreativeWork", "name": licence}
        named = ContextEntity(package, LICENCES[licence], properties=properties)
        package.license = package.add(named)
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not path.name.startswith("."):
            told = {"contentSize": str(path.stat().st_size), "sha256": sha256_of(path)}
            package.add_file(dest_path=path.relative_to(folder).as_posix(), properties=told)
    package.metadata.extra_terms["sha256"] = "https://w3id.org/ro/terms/workflow-run#sha256"
    write_json(package.metadata.generate(), folder / "ro-crate-metadata.json")


def _dictionary(name, table):
    about = {}
    for column, field in TABLES[name].model_fields.items():
        if column in table and column not in _KEYS:
            said = "; ".join(filter(None, [allowed_in(field), BANDS.get(column)]))
            about[column] = {"Description": said or column.replace("_", " ")}
            choices = choices_of(field.annotation)
            if choices:
                about[column]["Levels"] = {choice: choice for choice in choices}
    return about


def _write_table(table, path):
    lines = ([_cell(entry) for entry in row] for row in table.itertuples(index=False))
    write_rows([table.columns, *lines], path)


def _cell(entry):
    if isinstance(entry, bool):
        return "yes" if entry else "no"
    if isinstance(entry, str):
        return " ".join(entry.split())
    if entry is None or pd.isna(entry):
        return "n/a"
    return repr(float(entry)).removesuffix(".0")
