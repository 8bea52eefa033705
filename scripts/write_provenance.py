"""Write down the inputs with checksums, the settings, the software and the run.

This is the only step whose result names times; it names no host and no absolute path.
"""

from pathlib import Path

import pandas as pd
import yaml

from engine.step import Input, Output, run
from results.columns import columns_of
from results.provenance import inputs_of, software_of, write_crate
from results.tables import write
from study.settings import Settings
from study.settings_files import changed_settings


def write_provenance(
    citation: Input,
    lock: Input,
    snakefile: Input,
    report: Input,
    inputs: Output,
    settings_ran: Output,
    changed: Output,
    software: Output,
    workflow: Output,
    crate: Output,
    *,
    study: str,
    all_settings: Settings,
    default_settings: Settings,
):
    listed = inputs_of(Path(study))
    write(listed, "inputs", inputs)
    ran = yaml.safe_dump(all_settings.model_dump(), sort_keys=False, allow_unicode=True)
    settings_ran.write_text(ran, "utf-8")
    differing = changed_settings(default_settings, all_settings)
    table = pd.DataFrame(differing, columns=columns_of("settings_changed"))
    write(table.astype(str), "settings_changed", changed)
    write(software_of(lock), "software", software)
    workflow.write_bytes(snakefile.read_bytes())
    written = {
        workflow: "cuffstudy",
        inputs: "Inputs with their checksums",
        settings_ran: "Settings of the run",
        changed: "Settings that differ from the usual ones",
        software: "Versions of all software",
    }
    write_crate(crate, written, listed, report, citation, title=all_settings.study.title)


if __name__ == "__main__":
    run(write_provenance)
