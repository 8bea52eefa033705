"""Steps of a titration: which were passed, and which were used in sets.

A step is passed where it was accepted, flow was heard, the refill lay within its limit and no stop
sign was noted. Convention of this project, from the stop signs of its cautions.
"""

import pandas as pd

from cuff.occlusion import difference, place_of
from cuff.signs import signs_of
from cuff.verdicts import SAME_PRESSURE_MMHG


def titration_table(titration, sets, settings, widths_cm):
    """Rows of titration.tsv with `passed`, the reason, and the sets at that pressure.

    `titration`: rows of the study's table; `sets`: sets of the sheet; `settings`: the section
    check_safety; `widths_cm`: width of each named cuff.
    """
    of_visit, rows = {}, []
    for event in sets.itertuples():
        of_visit.setdefault((event.participant_id, event.session_id), []).append(event)
    for step in titration.itertuples():
        reasons = list(why_not_passed(step, settings))
        place = place_of(step, widths_cm)
        of_step = of_visit.get((step.participant_id, step.session_id), [])
        used = sum(used_in(event, place, step.pressure_mmhg, widths_cm) for event in of_step)
        rows.append(
            {
                **{name: getattr(step, name) for name in NOTED},
                "passed": not reasons,
                "reason": "; ".join(reasons),
                "sets_at_pressure": used,
            }
        )
    return pd.DataFrame(rows)


NOTED = (
    *("participant_id", "session_id", "limb", "side", "posture", "cuff", "cuff_width_cm"),
    *("pressure_mmhg", "capillary_refill_s", "distal_flow", "skin_colour", "pain", "numbness"),
    *("smo2_pct", "accepted"),
)


def why_not_passed(step, settings):
    """Why a step of a titration was not passed; nothing for one that was."""
    if step.accepted is not True:
        yield "not accepted"
    if pd.isna(step.distal_flow):
        yield "flow was not noted"
    if pd.isna(step.capillary_refill_s):
        yield "refill was not noted"
    yield from signs_of(step, settings)


def used_in(event, place, pressure_mmhg, widths_cm):
    """Whether a set was done at the pressure and place of a step."""
    near = abs(event.cuff_pressure_mmhg - pressure_mmhg) <= SAME_PRESSURE_MMHG
    return bool(near and difference(place_of(event, widths_cm), place) == ([], []))


def passed_by_participant(titration, settings, widths_cm):
    """(place, pressure in mmHg) of every passed step, by participant."""
    of_each = {}
    for step in titration.itertuples():
        if not any(why_not_passed(step, settings)):
            passed = (place_of(step, widths_cm), step.pressure_mmhg)
            of_each.setdefault(step.participant_id, []).append(passed)
    return of_each


def against_titration(pressure_mmhg, place, steps, passed_steps):
    """The finding about a visit's highest pressure on a limb that was titrated and not passed.

    `steps`: (place, pressure in mmHg) of all steps of the participant, `passed_steps` of those
    that were passed.
    """
    if not pressure_mmhg or pd.isna(pressure_mmhg):
        return

    def of_day(tried):
        return [mmhg for at, mmhg in tried if difference(place, at) == ([], [])]

    if not of_day(steps):
        return
    passed = of_day(passed_steps)
    if any(abs(mmhg - pressure_mmhg) <= SAME_PRESSURE_MMHG for mmhg in passed):
        return
    highest = f"the highest passed is {max(passed):g} mmHg" if passed else "none was passed"
    yield f"{pressure_mmhg:g} mmHg is no passed step of the titration: {highest}"
