"""Every outcome measured in its windows, with verdict and reason."""

import pandas as pd

from heart.variability import NotEnough
from measuring.inputs import NO_HEART, Absent
from measuring.quality_rules import WORSE, verdict
from results.estimate import Estimate


def measure_outcome(name, module, window, inputs, rules, default_rules):
    """Value, standard error, status and reason of one outcome in one window."""
    refused = {"value": None, "status": "refused"}
    event = inputs["event"]
    if event.excluded:
        return refused | {"reason": event.excluded}
    if window.problem:
        return refused | {"reason": window.problem}
    judged = (name, module.FAMILY, window.name)
    status, reason = verdict(*judged, rules, inputs.property_of_window)
    if status == "refused":
        # no rule is the reason where nothing was recorded
        if inputs.lacks_heart(module.measure):
            return refused | {"status": "missing", "reason": NO_HEART}
        return refused | {"reason": reason}
    if rules is not default_rules:
        default, by_default = verdict(*judged, default_rules, inputs.property_of_window)
        if WORSE[default] > WORSE[status]:
            status, reason = "flagged", f"given only under a rule this study changed: {by_default}"
    try:
        measurement = inputs.call(module.measure)
    except Absent as absent:
        return refused | {"status": "missing", "reason": str(absent)}
    except NotEnough as not_enough:
        return refused | {"reason": str(not_enough)}
    cautions = [text for text in (event.supplied, caution_on_sensor(module, inputs)) if text]
    status = "flagged" if cautions else status
    if not isinstance(measurement, Estimate):
        return {
            "value": float(measurement),
            "status": status,
            "reason": "; ".join(filter(None, [reason, *cautions])),
        }
    if measurement.status == "refused":
        return refused | {"reason": measurement.reason}
    return {
        "value": measurement.value,
        "se": measurement.se,
        "ci_low": measurement.ci_low,
        "ci_high": measurement.ci_high,
        "status": "flagged" if "flagged" in (status, measurement.status) else "ok",
        "reason": "; ".join(filter(None, [reason, *cautions, measurement.reason])),
    }


def caution_on_sensor(module, inputs):
    """What speaks against the sensor that an outcome of saturation is read from."""
    segment = inputs["segment"]
    if module.FAMILY != "saturation" or segment is None or pd.isna(segment["reason"]):
        return ""
    return segment["reason"]


def quality_row(window, inputs, labels):
    """How well the beats cover one window."""
    kept = ("participant_id", "session_id", "event_id", "event_onset_s", "exercise")
    return {
        **{name: labels[name] for name in kept},
        "signal": "beats",
        "segment": window.name,
        "start_s": window.start_s,
        "end_s": window.end_s,
        "usable_pct": inputs.property_of_window("covered_pct"),
        "beats": inputs.property_of_window("beat_count"),
        "corrected_pct": inputs.property_of_window("corrected_pct"),
        "longest_repaired_run": inputs.property_of_window("longest_repaired_run"),
        "reason": window.problem or inputs["event"].supplied,
    }
