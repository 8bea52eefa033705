"""Measure every outcome in every window of one person, or refuse it with the reason."""

import pandas as pd

from engine.listings import outcome_modules
from engine.step import Input, Output, run
from heart.recovery import recovery_series
from measuring.cutting import asked_in
from measuring.measured_outcome import measure_outcome, quality_row
from measuring.person import Person, read_tables
from results.tables import stack, write
from study.settings import MeasureOutcomes, Protocol, QualityRule


def measure_outcomes(
    beats: Input,
    respiration: Input,
    saturation: Input,
    segments: Input,
    beat_quality: Input,
    sync: Input,
    outcomes: Output,
    window_quality: Output,
    recovery: Output,
    *,
    study: str,
    participant: str,
    settings: MeasureOutcomes,
    protocol: Protocol,
    quality_rules: dict[str, QualityRule],
    default_quality_rules: dict[str, QualityRule],
    recorded: list[str],
):
    tables = read_tables(
        beats=beats,
        respiration=respiration,
        saturation=saturation,
        segments=segments,
        beat_quality=beat_quality,
        sync=sync,
    )
    person = Person.of_study(study, participant, tables)
    changed = quality_rules != default_quality_rules
    default_rules = default_quality_rules if changed else quality_rules
    outcome_rows, verdicts, recovery_rows = [], [], []
    for window, inputs in person.windows(settings, protocol):
        labels = person.labels(inputs["event"])
        verdicts.append(quality_row(window, inputs, labels))
        recovery_rows += recovery_series(window, inputs, labels)
        for name, module in outcome_modules().items():
            if asked_in(window, module, recorded):
                asked = {"window": window.name, "outcome": name, "unit": module.UNIT}
                given = measure_outcome(name, module, window, inputs, quality_rules, default_rules)
                outcome_rows.append(labels | asked | given)
    write(pd.DataFrame(outcome_rows), "outcomes", outcomes)
    write(pd.DataFrame(verdicts), "quality", window_quality)
    write(stack([pd.DataFrame(recovery_rows)], "recovery_series"), "recovery_series", recovery)


if __name__ == "__main__":
    run(measure_outcomes)
