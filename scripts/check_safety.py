"""Pressures against measured occlusion pressures, symptoms, and checks that are missing.

This calculates and records; it does not prescribe, monitor or approve. Local rules take precedence.
"""

import pandas as pd

from cuff.checked import checked_tables
from engine.step import OfEach, Output, run
from results.tables import read_tables, write
from study.settings import CheckSafety, Protocol


def check_safety(
    checks_of_each: OfEach,
    safety: Output,
    cuff_checks: Output,
    titration: Output,
    harms: Output,
    *,
    study: str,
    conditions: list[str],
    harms_kept: bool,
    settings: CheckSafety,
    protocol: Protocol,
):
    checks = read_tables(checks_of_each) if checks_of_each else pd.DataFrame()
    write(checks, "cuff_checks", cuff_checks)
    tables = checked_tables(study, checks, conditions, settings, protocol, harms_kept=harms_kept)
    for file in (safety, titration, harms):
        write(tables[file.stem], file.stem, file)


if __name__ == "__main__":
    run(check_safety)
