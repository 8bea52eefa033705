"""One value of outcomes.tsv, from its words down to its samples, and measured again from them."""

import numpy as np
import pandas as pd

from engine.listings import outcome_modules
from explaining.run import as_declared, cells_of
from heart.variability import NotEnough
from measuring.inputs import MAKERS, Intervals, parameters_of
from measuring.measured_outcome import measure_outcome
from measuring.person import Person, files_of, read_tables
from measuring.quality_rules import rules_that_judge
from measuring.recipes import (
    SETTINGS,
    asked_for,
    functions_behind,
    meaning_of_window,
    recipe_of,
    recordings_behind,
    said_of_function,
    settings_behind,
)
from muscle.contractions import Contractions
from results.estimate import Estimate
from results.tables import as_read, number

DECLARED_AS = {"beat_quality": "quality"}

# columns of outcomes.tsv that say what was measured, not where
MEASURED = ("value", "status", "reason", "se", "ci_low", "ci_high")


def inputs_of(finished, row):
    """Window and everything known about it of one row of outcomes.tsv."""
    files = files_of(finished.results, row["participant_id"])

    def person_of_files():
        for name, path in files.items():
            if path.suffix == ".tsv":
                as_declared(path, DECLARED_AS.get(name, name))
        return Person.of_study(finished.study, row["participant_id"], read_tables(**files))

    person = finished.kept(row["participant_id"], person_of_files)
    settings = finished.settings
    for window, inputs in person.windows(
        settings.measure_outcomes, settings.protocol, {row["window"]}
    ):
        if inputs["event"].event_id == row["event_id"]:
            return person, window, inputs
    raise LookupError(f"no event {row['event_id']} in the study: it changed after the run")


def measured_again(finished, row):
    """The same value measured again from what the run left, as a row of outcomes.tsv, with its
    window and its inputs."""
    person, window, inputs = inputs_of(finished, row)
    module = outcome_modules()[row["outcome"]]
    rules, default_rules = (s.quality_rules for s in (finished.settings, finished.default_settings))
    measurement = measure_outcome(row["outcome"], module, window, inputs, rules, default_rules)
    labels = person.labels(inputs["event"])
    asked = {"window": window.name, "outcome": row["outcome"], "unit": module.UNIT}
    table = as_read(pd.DataFrame([labels | asked | measurement]), "outcomes")
    return table.iloc[0], window, inputs


def differences(name, row, again, columns=None):
    """Cells in which two rows of a table differ, as (column, in the table, measured again)."""
    before, now = cells_of(name, row), cells_of(name, again)
    return [
        (column, before[column], now[column])
        for column in columns or before
        if before[column] != now[column]
    ]


def chain(finished, number_of_row, row, again, window, inputs):
    """Lines from the value down to its samples, each block with its heading."""
    settings, outcome = finished.settings, row["outcome"]
    yield (
        "Value",
        [
            f"{outcome} of {row['event_id']}, {row['participant_id']} {row['session_id']}, "
            f"window {row['window']}: {_value_in_words(row)}",
            f"outcomes.tsv, row {number_of_row}",
        ],
    )
    yield "Definition", [recipe_of(outcome, settings)]
    yield (
        "Window",
        [
            meaning_of_window(window.name, settings),
            f"here from {number(window.start_s, 'event_onset_s')} to "
            f"{number(window.end_s, 'event_onset_s')} s on the clock of the session"
            if np.isfinite(window.start_s)
            else f"here without limits: {window.problem}",
        ],
    )
    yield (
        "Functions",
        [
            *(f"{name}: {said_of_function(name)}" for name in functions_behind(outcome)),
            f"called by scripts/outcomes/{outcome}.py",
        ],
    )
    yield "Settings", list(settings_in_words(finished, outcome, window.name)) or ["none"]
    yield "Rules", list(rules_in_words(settings, outcome, window, inputs)) or ["none"]
    yield (
        "Recordings",
        list(recordings_in_words(finished, row, window, inputs))
        or ["none: the value is noted on the session sheet"],
    )
    yield "Made from", list(ingredients(outcome_modules()[outcome].measure, inputs)) or ["nothing"]
    yield "Samples", list(samples_in_words(samples(outcome, window, inputs))) or ["none"]


def _value_in_words(row):
    shown = "n/a" if pd.isna(row["value"]) else number(row["value"])
    unit = row["unit"] if isinstance(row["unit"], str) else ""
    reason = f": {row['reason']}" if isinstance(row["reason"], str) else ""
    return f"{' '.join(filter(None, [shown, unit]))}, {row['status']}{reason}"


def settings_in_words(finished, outcome, window):
    """Every setting behind an outcome with its value, and its default where that is another."""
    for name in settings_behind(outcome, window):
        for section in ("measure_outcomes", "protocol"):
            here = getattr(getattr(finished.settings, section), name, None)
            if name in type(getattr(finished.settings, section)).model_fields:
                default = getattr(getattr(finished.default_settings, section), name)
                differs = "" if here == default else f" (default {default})"
                yield f"{section}.{name} = {here}{differs}"


def rules_in_words(settings, outcome, window, inputs):
    """Every quality rule that judges the value, its limits, and what is measured here."""
    family = outcome_modules()[outcome].FAMILY
    for rule in rules_that_judge(outcome, family, window.name, settings.quality_rules):
        measured = inputs.property_of_window(rule.measured)
        limits = [
            f"{status} {limits}"
            for status in ("flagged", "refused")
            if (limits := rule.limits_in_words(status))
        ]
        here = "not known here" if measured is None else f"here {measured:.4g}"
        yield f"{rule.measured}, {here}; {', '.join(limits)} ({rule.says}; {rule.source})"


def recordings_in_words(finished, row, window, inputs):
    """Every recording behind the value: file, checksum, place on the clock of the session."""
    signals = recordings_behind(row["outcome"], row["window"])
    table = finished.table("sync")
    of_session = table[
        (table["participant_id"] == row["participant_id"])
        & (table["session_id"] == row["session_id"])
        & table["signal"].isin(signals)
    ]
    segment = inputs["segment"]
    if segment is not None and "muscle_oxygen" in signals:
        yield (
            f"sensor: {segment['site']}, {segment['position']}, channel {segment['channel']} of "
            f"{segment['file']}"
        )
    for clock in of_session.drop_duplicates(["signal", "file"]).itertuples():
        scale = 1 + clock.drift_ppm * 1e-6
        limits = [(limit - clock.offset_s) / scale for limit in (window.start_s, window.end_s)]
        sha256 = finished.checksums.get(clock.file, "checksum not known")
        yield (
            f"{clock.signal}: {clock.file} (SHA-256 {sha256[:16]}...), offset "
            f"{clock.offset_s:.6f} s, drift {clock.drift_ppm:g} ppm; the window is "
            f"{limits[0]:.3f} to {limits[1]:.3f} s of the file; {clock.status}"
        )


def ingredients(function, inputs, depth=0, told=None):
    """What a function asks for, what each thing is here, and what it is made from in turn."""
    told = set() if told is None else told
    for parameter in parameters_of(function):
        name = parameter.name
        if name in told or name in SETTINGS:
            continue
        told.add(name)
        try:
            shown = _shown(inputs[name])
        except NotEnough as reason:
            shown = f"not there: {reason}"
        if shown:
            yield f"{'  ' * depth}{name}: {shown}"
        if name in MAKERS:
            yield from ingredients(MAKERS[name], inputs, depth + bool(shown), told)


def _shown(quantity):
    """A thing in a line; empty for what only carries others."""
    if isinstance(quantity, Estimate):
        error = "" if np.isnan(quantity.se) else f", standard error {quantity.se:.4g}"
        where = "" if np.isnan(quantity.at_s) else f", at {quantity.at_s:.6g} s"
        reason = f": {quantity.reason}" if quantity.reason else ""
        return f"{quantity.value:.7g}{error}{where}, {quantity.status}{reason}"
    if isinstance(quantity, Intervals):
        return f"{quantity.time_s.size} intervals, {int(quantity.normal.sum())} of them normal"
    if isinstance(quantity, Contractions):
        return f"{_shown(quantity.count)}; rate {_shown(quantity.rate_hz)}"
    if isinstance(quantity, np.ndarray):
        if not quantity.size:
            return "no values"
        first, last = (f"{float(sample):.7g}" for sample in (quantity[0], quantity[-1]))
        return f"{quantity.size} values, {first} to {last}"
    if isinstance(quantity, pd.DataFrame):
        return f"table of {len(quantity)} rows"
    if isinstance(quantity, float | np.floating):
        return f"{quantity:.7g}"
    if hasattr(quantity, "start_s") and hasattr(quantity, "end_s"):
        return f"{quantity.start_s:.6f} to {quantity.end_s:.6f} s"
    if hasattr(quantity, "event_id"):
        onset = f"{quantity.trial_type}, onset {quantity.onset_s:g} s"
        return f"{onset}, duration {quantity.duration_s:g} s"
    if isinstance(quantity, int | bool | str) or quantity is None:
        return "not known" if quantity is None else str(quantity)
    return ""


def samples(outcome, window, inputs):
    """The readings or intervals behind a value: span, time (s) and value; empty for noted values.

    Readings of saturation of the window, of the set where the window follows one, and of the rest
    before it where the resting level is used; intervals that lie in the window, and for falls of
    heart rate those of the end of the set.
    """
    asked = asked_for(outcome, window.name)
    event = inputs["event"]
    spans = {"window": (window.start_s, window.end_s)}
    follows_set = window.trial_type == "set" and window.name != "set"
    set_span = (event.onset_s, event.onset_s + event.duration_s)
    tables = []
    try:
        if "trace" in asked:
            if follows_set and "smo2_nadir" in asked:
                spans["set"] = set_span
            if "smo2_baseline" in asked:
                end_s = inputs["baseline_end_s"]
                spans["rest"] = (end_s - inputs["saturation_baseline_s"], end_s)
            trace = inputs["trace"]
            tables.append(("smo2_pct", trace["time_s"].to_numpy(), trace["value"].to_numpy()))
        elif "concentrations" in asked:
            recorded = outcome_modules()[outcome].RECORDED
            recording = inputs["concentrations"][recorded]
            end_s = inputs["baseline_end_s"]
            spans["rest"] = (end_s - inputs["saturation_baseline_s"], end_s)
            if not isinstance(recording, str):
                tables.append((recorded, *recording))
        elif "session_nn" in asked:
            spans["end of the set"] = (set_span[1] - inputs["end_rate_window_s"], set_span[1])
            tables.append(("nn_ms", *inputs["session_nn"]))
        elif "nn" in asked:
            intervals = inputs["nn"]
            tables.append(("nn_ms", intervals.time_s, intervals.ms))
    except NotEnough:
        tables = []
    columns = ["span", "quantity", "time_s", "value"]
    parts = [
        pd.DataFrame(
            dict(zip(columns, (span, quantity, time_s[inside], readings[inside]), strict=True))
        )
        for quantity, time_s, readings in tables
        for span, (start_s, end_s) in spans.items()
        for inside in [(time_s >= start_s - 2e-3) & (time_s <= end_s + 2e-3)]
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def samples_in_words(table):
    """How many samples there are in each span, the first and the last."""
    for (span, quantity), samples in table.groupby(["span", "quantity"], sort=False):
        first, last = samples.iloc[0], samples.iloc[-1]
        missing = int(samples["value"].isna().sum())
        without = f", {missing} of them without a usable value" if missing else ""
        yield (
            f"{span}: {len(samples)} of {quantity}{without}; first {first['value']:.6g} at "
            f"{first['time_s']:.3f} s, last {last['value']:.6g} at {last['time_s']:.3f} s"
        )
