"""Pressures against measured occlusion pressures, symptoms, and checks that are missing.

This calculates and records; it does not prescribe, monitor or approve. Local rules take precedence.
"""

import pandas as pd

from cuff.safety import safety_table
from engine.step import OfEach, Output, run
from results.tables import read_tables, write
from study.session_sheet import events_of, table_of
from study.settings import CheckSafety, Protocol


def check_safety(
    checks_of_each: OfEach,
    safety: Output,
    cuff_checks: Output,
    *,
    study: str,
    settings: CheckSafety,
    protocol: Protocol,
):
    visits, occlusion = table_of(study, "sessions"), table_of(study, "occlusion")
    checks = read_tables(checks_of_each) if checks_of_each else pd.DataFrame()
    table = safety_table(visits, events_of(study), occlusion, checks, settings, protocol)
    write(checks, "cuff_checks", cuff_checks)
    write(table, "safety", safety)


if __name__ == "__main__":
    run(check_safety)
