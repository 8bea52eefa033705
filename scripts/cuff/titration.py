"""Steps of a titration: which were passed, and which were used in sets.

A step is passed where it was accepted, flow was heard, the refill lay within its limit, no stop
sign was noted at its pressure and no known occlusion pressure of the limb was reached. Convention
of this project, from the stop signs of its cautions.
"""

from dataclasses import dataclass, replace

import pandas as pd

from cuff.occlusion import Placement, placement_difference, placement_of
from cuff.signs import signs_of
from cuff.verdicts import SAME_PRESSURE_MMHG, at_occlusion_in_words, lowest_known


@dataclass(frozen=True)
class Step:
    """A pressure that was tried, and why it was not passed."""

    row: tuple
    placement: Placement
    pressure_mmhg: float
    signs: tuple[str, ...]
    occluding: tuple[str, ...]
    reasons: tuple[str, ...]

    @property
    def passed(self):
        """Whether nothing speaks against the step."""
        return not self.reasons

    def is_at(self, pressure_mmhg, placement):
        """Whether a set was done at the pressure and placement of the step."""
        near = abs(pressure_mmhg - self.pressure_mmhg) <= SAME_PRESSURE_MMHG
        return bool(near and placement_difference(placement, self.placement) == ([], []))


def steps_by_participant(titration, measured, settings, widths_cm):
    """Steps of titration.tsv in order, judged, by participant.

    `measured`: occlusion pressures by participant; `settings`: the section check_safety;
    `widths_cm`: width of each named cuff.
    """
    by_participant = {}
    for row in titration.itertuples():
        known = measured.get(row.participant_id, [])
        step = step_of(row, placement_of(row, widths_cm), known, settings)
        by_participant.setdefault(row.participant_id, []).append(step)
    return {
        person: [with_signs_of_same_pressure(step, steps) for step in steps]
        for person, steps in by_participant.items()
    }


def step_of(row, placement, measured, settings):
    """One step with what was noted against it."""
    signs = tuple(signs_of(row, settings))
    reached = lowest_known(placement, measured)
    occluding = ()
    if reached is not None and row.pressure_mmhg >= reached.occlusion_mmhg:
        said = at_occlusion_in_words(row.pressure_mmhg, reached)
        occluding = (f"at or above occlusion pressure: {said}",)
    unnoted = {
        "not accepted": row.accepted is not True,
        "flow was not noted": pd.isna(row.distal_flow),
        "refill was not noted": pd.isna(row.capillary_refill_s),
    }
    reasons = (*(words for words, lacks in unnoted.items() if lacks), *signs, *occluding)
    return Step(row, placement, row.pressure_mmhg, signs, occluding, reasons)


def with_signs_of_same_pressure(step, steps):
    """A step with a stop sign that another row notes at its pressure and placement."""
    told = dict.fromkeys(
        sign
        for beside in steps
        if beside.is_at(step.pressure_mmhg, step.placement)
        for sign in beside.signs
    )
    beyond = tuple(f"{sign} in another row" for sign in told if sign not in step.signs)
    return replace(step, reasons=(*step.reasons, *beyond))


NOTED = (
    *("participant_id", "session_id", "limb", "side", "posture", "cuff", "cuff_width_cm"),
    *("pressure_mmhg", "capillary_refill_s", "distal_flow", "skin_colour", "pain", "numbness"),
    *("smo2_pct", "accepted"),
)


def titration_table(steps, sets, widths_cm):
    """Rows of titration.tsv with `passed`, the reason, and the sets at that pressure.

    `steps`: judged steps by participant; `sets`: sets of the sheet.
    """
    of_person, verdicts = {}, []
    for event in sets.itertuples():
        at = event.cuff_pressure_mmhg, placement_of(event, widths_cm)
        of_person.setdefault(event.participant_id, []).append(at)
    for person, of_each in steps.items():
        verdicts += [
            {
                **{name: getattr(step.row, name) for name in NOTED},
                "passed": step.passed,
                "reason": "; ".join(step.reasons),
                "sets_at_pressure": sum(step.is_at(*at) for at in of_person.get(person, ())),
            }
            for step in of_each
        ]
    return pd.DataFrame(verdicts)


def passed_of(steps):
    """(placement, pressure in mmHg) of the steps that were passed."""
    return [(step.placement, step.pressure_mmhg) for step in steps if step.passed]


def against_titration(pressure_mmhg, placement, steps):
    """The finding about a visit's highest pressure on a limb that was titrated and not passed.

    `steps`: judged steps of the participant.
    """
    if not pressure_mmhg or pd.isna(pressure_mmhg):
        return
    of_day = [step for step in steps if placement_difference(placement, step.placement) == ([], [])]
    if not of_day or any(s.passed and s.is_at(pressure_mmhg, placement) for s in of_day):
        return
    passed = [step.pressure_mmhg for step in of_day if step.passed]
    highest = f"the highest passed is {max(passed):g} mmHg" if passed else "none was passed"
    yield f"{pressure_mmhg:g} mmHg is no passed step of the titration: {highest}"
