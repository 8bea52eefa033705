"""How saturation goes with failure, pressure and heart across sets; counts against the log."""

import pandas as pd

from comparison.coupling import agreement_rows, counts_beside_log, couplings
from comparison.dose_table import dose_rows, doses_of
from comparison.failure_table import failure_rows
from engine.step import Input, Output, run
from results.tables import read_table, write
from study.session_sheet import events_of
from study.settings import Protocol, StudySection


def relate_outcomes(
    outcomes: Input,
    safety: Input,
    cuff_checks: Input,
    failure: Output,
    dose: Output,
    coupling: Output,
    repetitions: Output,
    repetition_agreement: Output,
    *,
    study: str,
    protocol: Protocol,
    about: StudySection,
):
    measured = read_table(outcomes)
    related = failure_rows(
        measured,
        conditions=about.conditions,
        band_pct=protocol.failure_band_pct,
        seed=about.seed,
    )
    write(pd.DataFrame(related), "failure", failure)
    doses = doses_of(events_of(study), read_table(safety), read_table(cuff_checks), protocol)
    related = dose_rows(measured, doses, primary=about.primary, band_pct=protocol.failure_band_pct)
    write(pd.DataFrame(related), "dose", dose)
    sets = measured[(measured["trial_type"] == "set") & measured["value"].notna()]
    write(pd.DataFrame(couplings(sets)), "coupling", coupling)
    counted = counts_beside_log(sets)
    write(counted, "repetitions", repetitions)
    write(pd.DataFrame(agreement_rows(counted)), "repetition_agreement", repetition_agreement)


if __name__ == "__main__":
    run(relate_outcomes)
