"""Measure every outcome in every window of one person, or refuse it with the reason."""

import pandas as pd

from engine.listings import outcome_modules
from engine.step import Input, Output, run
from heart.recovery import RECOVERY_COLUMNS, recovery_series
from results.tables import write_table
from windows.measuring import OUTCOME_COLUMNS, QUALITY_COLUMNS, measured, quality_row
from windows.person import Person

FILES = {
    *("beats", "respiration", "saturation", "segments", "beat_quality", "sync"),
    *("outcomes", "quality", "recovery"),
}


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
    baseline_settle_s: float,
    recovery_steady_from_s: float,
    shortest_steady_s: float,
    low_frequency_hz: list,
    high_frequency_hz: list,
    resampling_hz: float,
    detrending_regularisation: float,
    spectrum_method: str,
    peak_window_s: float,
    end_rate_window_s: float,
    recovery_rate_window_s: float,
    saturation_baseline_s: float,
    nadir_window_s: float,
    slope_window_s: float,
    end_window_s: float,
    failure_band_pct: list,
    failure_band_hysteresis_pct: float,
    half_time_to: str,
    slowest_cadence_hz: float,
    fastest_cadence_hz: float,
    samples_per_contraction: float,
    longest_recovery_delay_s: float,
    smallest_recovery_r2: float,
    largest_tau_error: float,
    smallest_usable_pct: float,
    gates: dict,
    usual_gates: dict,
):
    settings = {name: value for name, value in locals().items() if name not in FILES}
    person = Person(
        study, participant, beats, respiration, saturation, segments, beat_quality, sync
    )
    rows, verdicts, series = [], [], []
    for window, inputs in person.windows(settings):
        labels = person.labels(inputs["event"])
        verdicts.append(quality_row(window, inputs, labels))
        series.append(recovery_series(window, inputs, labels))
        for name, module in outcome_modules().items():
            if f"{window.trial_type}/{window.name}" in module.ASKED_OF:
                found = measured(name, module, window, inputs, gates, usual_gates)
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
