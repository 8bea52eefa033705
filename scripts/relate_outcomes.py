"""How saturation goes with failure and heart across sets, and whether counts agree with the log."""

import pandas as pd

from comparison.coupling import agreements, counts_beside_log, couplings
from comparison.failure_table import failure_rows
from engine.step import Input, Output, run
from results.tables import read_table, write
from study.settings import Protocol, StudySection


def relate_outcomes(
    outcomes: Input,
    failure: Output,
    coupling: Output,
    repetitions: Output,
    repetition_agreement: Output,
    *,
    protocol: Protocol,
    about: StudySection,
):
    values = read_table(outcomes)
    rows = failure_rows(
        values,
        conditions=about.conditions,
        band_pct=protocol.failure_band_pct,
        seed=about.seed,
    )
    write(pd.DataFrame(rows), "failure", failure)
    sets = values[(values["trial_type"] == "set") & values["value"].notna()]
    write(pd.DataFrame(couplings(sets)), "coupling", coupling)
    counted = counts_beside_log(sets)
    write(counted, "repetitions", repetitions)
    write(pd.DataFrame(agreements(counted)), "repetition_agreement", repetition_agreement)


if __name__ == "__main__":
    run(relate_outcomes)
