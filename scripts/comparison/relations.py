"""How saturation goes with failure, pressure and heart across sets; counts against the log."""

import pandas as pd

from comparison.coupling import agreement_rows, counts_beside_log, couplings
from comparison.dose_table import dose_rows, doses_of
from comparison.failure_table import failure_rows


def related_tables(outcomes, events, safety, cuff_checks, protocol, about):
    """The tables of relate_outcomes by name, from result tables and the session sheet.

    `protocol` and `about` are the sections of the settings on the protocol and on the study.
    """
    band_pct = protocol.failure_band_pct
    failures = failure_rows(
        outcomes, conditions=about.conditions, band_pct=band_pct, seed=about.seed
    )
    doses = doses_of(events, safety, cuff_checks, protocol)
    sets = outcomes[(outcomes["trial_type"] == "set") & outcomes["value"].notna()]
    counted = counts_beside_log(sets)
    return {
        "failure": pd.DataFrame(failures),
        "dose": pd.DataFrame(dose_rows(outcomes, doses, primary=about.primary, band_pct=band_pct)),
        "coupling": pd.DataFrame(couplings(sets)),
        "repetitions": counted,
        "repetition_agreement": pd.DataFrame(agreement_rows(counted)),
    }
