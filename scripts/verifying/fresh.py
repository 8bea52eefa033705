"""A study run from nothing in a temporary place, beside the results that stand."""

import subprocess
import sys
from pathlib import Path

import yaml

from engine.code import SCRIPTS
from results.comparing import read_cells
from results.manifest import read_manifest
from study.problems import StudyError
from study.settings_files import differences

PROJECT = SCRIPTS.parent


def run_afresh(study, folder, *, cores=2, settings=None, targets=()):
    """Run a study in a temporary place; gives its results and whether all could be made.

    settings : changed settings by section, as in study.yaml
    targets : names of results, of which only what they need is made
    """
    folder, study = Path(folder), Path(study).resolve()
    results = f"results/{study.name}"
    words = [
        *(str(Path(sys.executable).with_name("snakemake")), "--quiet", "all"),
        *("--snakefile", str(PROJECT / "Snakefile"), "--cores", str(cores)),
        *("--workflow-profile", str(PROJECT / "workflow" / "profiles" / "default")),
        *("--config", f"study={study}", f"results={results}"),
    ]
    if settings:
        changed = folder / "changed.yaml"
        changed.write_text(yaml.safe_dump(settings), encoding="utf-8")
        words += ["--configfile", str(changed)]
    words += ["--", *(f"{results}/{target}" for target in targets)]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True)
    made = folder / results
    if not all((made / target).exists() for target in targets or ("manifest.tsv",)):
        raise StudyError("The study could not be run:\n" + (done.stderr or done.stdout)[-2000:])
    return made, done.returncode == 0


def changed_settings(old, new):
    """(setting, old value, new value) between the settings that two runs wrote down."""
    read = [
        yaml.safe_load((Path(folder) / "provenance" / "settings.yaml").read_text(encoding="utf-8"))
        for folder in (old, new)
    ]
    return list(differences(*read))


def changed_software(old, new):
    """(package, old version, new version) between two runs."""
    first, then = (
        dict(read_cells(Path(folder) / "provenance" / "software.tsv")[1]) for folder in (old, new)
    )
    return [
        (name, first.get(name, "absent"), then.get(name, "absent"))
        for name in sorted(first | then)
        if first.get(name) != then.get(name)
    ]


def manifest_of(results):
    """The manifest of a finished run."""
    entries = read_manifest(results)
    if entries is None:
        raise StudyError(f"{results} holds no manifest.tsv: run the study to its end first.")
    return entries
