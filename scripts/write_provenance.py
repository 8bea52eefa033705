"""Write down the inputs with checksums, the settings, the software and the run.

This is the only step whose result names times; it names no host and no absolute path.
"""

from pathlib import Path

import pandas as pd
import yaml

from engine.step import Input, Inputs, Output, run
from results.provenance import inputs_of, software_of, write_crate
from results.tables import write_table


def write_provenance(
    raw: Inputs,
    tables: Inputs,
    citation: Input,
    lock: Input,
    snakefile: Input,
    report: Input,
    inputs: Output,
    settings: Output,
    changed: Output,
    software: Output,
    workflow: Output,
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
    workflow.write_bytes(snakefile.read_bytes())
    own = {
        workflow: "cuffstudy",
        inputs: "Inputs with their checksums",
        settings: "Settings of the run",
        changed: "Settings that differ from the usual ones",
        software: "Versions of all software",
    }
    write_crate(crate, own, listed, report, citation, title=all_settings["study"]["title"])


if __name__ == "__main__":
    run(write_provenance)
