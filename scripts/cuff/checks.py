"""Recorded pressure of every cuff and every set of the sheet against what was noted."""

import pandas as pd

from cuff.noted_pressures import planned_pressure, timed_events
from cuff.pressure import PressureLimits, check_cuff_pressure, held_pressure
from recordings.limbs import limb_in_words, same_limb

LABELS = ("session_id", "trial_type", "exercise", "bout", "condition", "limb", "side")


def check_table(events, sets, cuffs, settings, protocol):
    """Rows of cuff_checks.tsv of one person, session by session in order of time.

    `events`: the session sheet; `sets`: its sets with their times; `cuffs`: recordings of pressure.
    """
    checked, no_cuff = [], protocol.no_cuff_condition
    limits = PressureLimits(
        protocol.pressure_tolerance_mmhg, settings.inflated_mmhg, settings.pressure_settle_s
    )
    for session_id in sorted({cuff["session_id"] for cuff in cuffs}):
        of_session = [
            cuff | {"held": held_pressure(*cuff["trace"], smooth_s=settings.pressure_smooth_s)}
            for cuff in cuffs
            if cuff["session_id"] == session_id
        ]
        noted = events[(events["session_id"] == session_id) & (events["trial_type"] == "cuff")]
        noted = noted.assign(planned_mmhg=noted["cuff_pressure_mmhg"].astype(float))
        noted = noted.to_dict("records")
        done = timed_events(sets[sets["session_id"] == session_id])
        done = done.assign(planned_mmhg=planned_pressure(done, no_cuff))
        spans = sorted([*noted, *done.to_dict("records")], key=lambda span: span["onset_s"])
        for span in spans:
            checked += checked_span(span, of_session, noted, limits, no_cuff)
    return pd.DataFrame(checked)


def checked_span(span, cuffs, noted, limits, no_cuff):
    """One cuff or set against the recordings of its own limb, and those of other limbs."""
    agreement = [same_limb(span["limb"], span["side"], c["limb"], c["side"]) for c in cuffs]
    named = [cuff for cuff, agrees in zip(cuffs, agreement, strict=True) if agrees]
    unnamed = [cuff for cuff, agrees in zip(cuffs, agreement, strict=True) if agrees is None]
    elsewhere = [cuff for cuff, agrees in zip(cuffs, agreement, strict=True) if agrees is False]
    reason = ""
    if not named and not unnamed:
        where = " and ".join(limb_in_words(cuff) for cuff in cuffs)
        reason = f"pressure was recorded on the {where} only"
    elif not named and len(unnamed) > 1:
        reason = "several pressures were recorded and none names its limb or side"
    checked = [
        _against_plan(cuff, span, span["planned_mmhg"], limits) | {"file": cuff["file"]}
        for cuff in named or unnamed
    ]
    if reason:
        checked = [{"status": "missing", "reason": reason}]
    cautions = list(cautions_of_set(span, elsewhere, noted, limits, no_cuff))
    if cautions:
        checked = [
            row
            | {"status": "flagged", "reason": "; ".join(filter(None, [row["reason"], *cautions]))}
            for row in checked
        ]
    labels = {name: span[name] for name in (*LABELS, "onset_s", "duration_s", "planned_mmhg")}
    return [labels | row for row in checked]


def _against_plan(cuff, span, planned_mmhg, limits):
    return check_cuff_pressure(
        cuff["held"], span["onset_s"], span["duration_s"], planned_mmhg, limits
    )


def cautions_of_set(span, elsewhere, noted, limits, no_cuff):
    """What is wrong with a set beside the pressure on its own limb.

    `elsewhere`: recordings on other limbs; `noted`: cuffs of the sheet; `no_cuff`: the condition
    without cuff.
    """
    if span["trial_type"] != "set":
        return
    pressure = span["cuff_pressure_mmhg"]
    if span["condition"] == no_cuff and pressure > limits.inflated_mmhg:
        yield f"{pressure:.0f} mmHg noted in condition {no_cuff}"
    end_s = span["onset_s"] + span["duration_s"]
    during = [
        cuff
        for cuff in noted
        if cuff["onset_s"] < end_s and cuff["onset_s"] + cuff["duration_s"] > span["onset_s"]
    ]
    for cuff in elsewhere:
        meant = any(same_limb(n["limb"], n["side"], cuff["limb"], cuff["side"]) for n in during)
        verdict = _against_plan(cuff, span, 0.0, limits)
        if verdict["status"] == "flagged" and not meant:
            yield (
                f"the cuff on the {limb_in_words(cuff)} holds {verdict['actual_mmhg']:.0f} mmHg, "
                f"the set works the {limb_in_words(span)}"
            )
