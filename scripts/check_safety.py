"""Pressures against measured occlusion pressures, symptoms, and checks that are missing.

This calculates and records; it does not prescribe, monitor or approve. Local rules take precedence.
"""

import pandas as pd

from cuff.harms import harms_table
from cuff.safety import Known, safety_table
from cuff.titration import titration_table
from engine.step import OfEach, Output, run
from results.tables import read_tables, write
from study.session_sheet import events_of, table_of
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
    visits, occlusion = table_of(study, "sessions"), table_of(study, "occlusion")
    steps, events = table_of(study, "titration"), events_of(study)
    sets = events[events["trial_type"] == "set"]
    known = Known.of_study(occlusion, steps, settings)
    checks = read_tables(checks_of_each) if checks_of_each else pd.DataFrame()
    write(checks, "cuff_checks", cuff_checks)
    write(safety_table(visits, events, known, checks, settings, protocol), "safety", safety)
    write(titration_table(known.steps, sets, known.widths_cm), "titration", titration)
    noted = table_of(study, "harms")
    write(harms_table(noted, sets, conditions, kept=harms_kept), "harms", harms)


if __name__ == "__main__":
    run(check_safety)
