"""How saturation and the heart go together across sets, and whether counts agree with the log."""

import pandas as pd

from comparison.coupling import (
    agreements,
    counts_beside_log,
    couplings,
)
from engine.step import Input, Output, run
from results.tables import read_table, write


def relate_outcomes(
    outcomes: Input, coupling: Output, repetitions: Output, repetition_agreement: Output
):
    found = read_table(outcomes)
    sets = found[(found["trial_type"] == "set") & found["value"].notna()]
    write(pd.DataFrame(couplings(sets)), "coupling", coupling)
    counted = counts_beside_log(sets)
    write(counted, "repetitions", repetitions)
    write(pd.DataFrame(agreements(counted)), "repetition_agreement", repetition_agreement)


if __name__ == "__main__":
    run(relate_outcomes)
