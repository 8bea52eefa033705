"""How saturation and the heart go together across sets, and whether counts agree with the log."""

import pandas as pd

from comparison.coupling import (
    AGREEMENT_COLUMNS,
    COUPLING_COLUMNS,
    agreements,
    counts_beside_log,
    couplings,
)
from engine.step import Input, Output, run
from results.tables import read_table, write_table


def relate_outcomes(
    outcomes: Input, coupling: Output, repetitions: Output, repetition_agreement: Output
):
    found = read_table(outcomes)
    sets = found[(found["trial_type"] == "set") & found["value"].notna()]
    write_table(pd.DataFrame(couplings(sets), columns=COUPLING_COLUMNS), coupling)
    counted = counts_beside_log(sets)
    write_table(counted, repetitions)
    write_table(pd.DataFrame(agreements(counted), columns=AGREEMENT_COLUMNS), repetition_agreement)


if __name__ == "__main__":
    run(relate_outcomes)
