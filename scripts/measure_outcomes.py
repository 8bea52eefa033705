"""Measure every outcome in every window of one person, or refuse it with the reason."""

import pandas as pd

from engine.listings import outcome_modules
from engine.step import Input, Output, run
from heart.recovery import RECOVERY_COLUMNS, recovery_series
from results.tables import write_table
from study.settings import Gate, MeasureOutcomes, Protocol
from windows.measuring import OUTCOME_COLUMNS, QUALITY_COLUMNS, measured, quality_row
from windows.person import Person


def measure_outcomes(
    beats: Input,
    respiration: Input,
    saturation: Input,
    segments: Input,
    beat_quality: Input,
    sync: Input,
    outcomes: Output,
    quality: Output,
    recovery: Output,
    *,
    study: str,
    participant: str,
    settings: MeasureOutcomes,
    protocol: Protocol,
    usual_gates: dict[str, Gate],
):
    person = Person(
        study, participant, beats, respiration, saturation, segments, beat_quality, sync
    )
    rows, verdicts, series = [], [], []
    for window, inputs in person.windows(settings, protocol):
        labels = person.labels(inputs["event"])
        verdicts.append(quality_row(window, inputs, labels))
        series.append(recovery_series(window, inputs, labels))
        for name, module in outcome_modules().items():
            if f"{window.trial_type}/{window.name}" in module.ASKED_OF:
                found = measured(name, module, window, inputs, settings.gates, usual_gates)
                rows.append(
                    {**labels, "window": window.name, "outcome": name, "unit": module.UNIT, **found}
                )
    write_table(pd.DataFrame(rows, columns=OUTCOME_COLUMNS), outcomes)
    write_table(pd.DataFrame(verdicts, columns=QUALITY_COLUMNS), quality)
    filled = [table for table in series if len(table)]
    found = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    write_table(found.reindex(columns=RECOVERY_COLUMNS), recovery)


if __name__ == "__main__":
    run(measure_outcomes)
