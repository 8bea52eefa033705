"""Rows of safety.tsv: verdicts on pressures, symptoms, findings and checks that are missing.

A row is all sets of a visit on one limb, side and posture (`visit`), one of these sets (`set`), or
another event at which something was found (`event`).
"""

from dataclasses import dataclass

import pandas as pd

from cuff.blood_pressure import above_stop_limits
from cuff.log import planned_pressure
from cuff.occlusion import measured_by_participant, place_of
from cuff.signs import CHECKS, missing_checks, signs_of, symptoms
from cuff.titration import against_titration, passed_by_participant
from cuff.verdicts import at_occlusion_in_words, gravest, judged, lowest_known
from recordings.limbs import limb_in_words, same_limb
from study.session_sheet import exercise_and_bout

VISIT, SET, EVENT = "visit", "set", "event"


@dataclass(frozen=True)
class Known:
    """What is known of the limbs of everybody, by participant."""

    occlusion: dict
    steps: dict
    passed_steps: dict
    widths_cm: dict

    @classmethod
    def of_study(cls, occlusion, titration, settings):
        """From the tables occlusion and titration and the section check_safety."""
        widths_cm = {name: cuff.width_cm for name, cuff in settings.cuffs.items()}
        steps = {}
        for step in titration.itertuples():
            tried = (place_of(step, widths_cm), step.pressure_mmhg)
            steps.setdefault(step.participant_id, []).append(tried)
        return cls(
            measured_by_participant(occlusion, widths_cm),
            steps,
            passed_by_participant(titration, settings, widths_cm),
            widths_cm,
        )


def safety_table(visits, events, known, checks, settings, protocol):
    """Rows of safety.tsv of everybody.

    `visits`, `events`: tables of the study; `known`: occlusion pressures and titrations; `checks`:
    cuff_checks.tsv of everybody, which may be empty; `settings`, `protocol`: the sections
    check_safety and protocol.
    """
    of_visit = dict(list(events.groupby(["participant_id", "session_id"])))
    return pd.DataFrame(
        [
            labels(visit) | row
            for visit in visits.itertuples()
            for row in rows_of_visit(
                of_visit.get((visit.participant_id, visit.session_id), events[:0]),
                visit.note,
                known,
                of_same_visit(checks, visit),
                settings,
                protocol,
            )
        ]
    )


def labels(visit):
    return {
        "participant_id": visit.participant_id,
        "session_id": visit.session_id,
        "visit": visit.visit,
    }


def of_same_visit(checks, visit):
    if checks.empty:
        return checks
    return checks[
        (checks["participant_id"] == visit.participant_id)
        & (checks["session_id"] == visit.session_id)
    ]


def rows_of_visit(events, note, known, checks, settings, protocol):
    """Rows of the table of safety for one visit, without the names of the visit."""
    noted = events[events["trial_type"] == "cuff"]
    sets = events[events["trial_type"] == "set"].astype({"limb": object})
    sets = sets.assign(cuff_pressure_mmhg=planned_pressure(sets, protocol.no_cuff_condition))
    if sets.empty:
        yield {"scope": VISIT, "findings": note or "no set was noted"}
    for (limb, side, posture), limb_sets in sets.groupby(["limb", "side", "posture"], dropna=False):
        cuffs = of_limb(noted, limb)
        own_checks = of_limb(checks, limb)
        rows = [
            row_of_set(event, cuffs, own_checks, known, settings, protocol)
            for event in limb_sets.itertuples()
        ]
        yield row_of_limb(limb_sets, rows, noted, own_checks, known, settings, protocol) | {
            "limb": limb,
            "side": side,
            "posture": posture,
        }
        yield from rows
    yield from rows_of_other_events(events, sets, known, settings)


def row_of_limb(sets, rows, noted, checks, known, settings, protocol):
    """All sets of a visit on one limb, side and posture; `rows` are those of the single sets."""
    first = next(sets.itertuples())
    place = place_of(first, known.widths_cm)
    cuffs = of_limb(noted, first.limb)
    highest_mmhg = sets["cuff_pressure_mmhg"].max()
    one = judgement(highest_mmhg, place, first.participant_id, known, settings)
    verdicts = [row["verdict"] for row in rows]
    row = {
        "scope": VISIT,
        "condition": "; ".join(dict.fromkeys(sets["condition"])),
        "cuff": "; ".join(dict.fromkeys(sets["cuff"].dropna())) or None,
        "sets": len(sets),
        **one.share,
        "highest_pressure_mmhg": highest_mmhg,
        "verdict": gravest(verdicts),
        "verdict_reason": verdicts_in_words(verdicts),
        **restriction(cuffs),
        "stopped_early": sum(stopped is True for stopped in sets["stopped_early"]),
        "symptoms": symptoms(sets, settings),
        "missing_checks": missing_checks(sets),
        "systolic_mmhg": sets["systolic_mmhg"].max(),
        "diastolic_mmhg": sets["diastolic_mmhg"].max(),
    }
    findings = [
        *one.findings,
        *without_release(row, settings),
        *misplaced(sets, noted),
        *above_noted(cuffs, sets, protocol.pressure_tolerance_mmhg),
        *recorded_otherwise(checks),
        *above_stop_limits(sets, settings),
        *against_titration(
            highest_mmhg,
            place,
            known.steps.get(first.participant_id, ()),
            known.passed_steps.get(first.participant_id, ()),
        ),
        *(finding for found in rows for finding in found["only_of_set"]),
    ]
    for found in rows:
        del found["only_of_set"]
    return row | {"findings": "; ".join(dict.fromkeys(findings)) or "none"}


def row_of_set(event, cuffs, checks, known, settings, protocol):
    """The row of one set; `only_of_set` holds what its limb's row does not find by itself."""
    pressure_mmhg, source = applied_pressure(event, cuffs, checks, protocol)
    place = place_of(event, known.widths_cm)
    one = judgement(pressure_mmhg, place, event.participant_id, known, settings)
    own = pd.DataFrame([event._asdict()])
    in_no_cuff = []
    if event.condition == protocol.no_cuff_condition and pressure_mmhg:
        in_no_cuff = [f"{pressure_mmhg:.0f} mmHg {source} in condition {event.condition}"]
    findings = [*one.findings, *in_no_cuff, *above_stop_limits(own, settings)]
    beyond_noted = one.findings if source != NOTED else ()
    return {
        "scope": SET,
        "event_id": event.event_id,
        "event_onset_s": event.onset_s,
        "exercise": event.exercise,
        "bout": event.bout,
        "condition": event.condition,
        "limb": event.limb,
        "side": event.side,
        "posture": event.posture,
        "cuff": event.cuff,
        **one.share,
        "pressure_source": source,
        "verdict": one.verdict,
        "verdict_reason": one.reason,
        "pressure_counts": one.counts,
        "symptoms": symptoms(own, settings),
        "missing_checks": "; ".join(n for n in CHECKS if pd.isna(getattr(event, n))) or "none",
        "systolic_mmhg": event.systolic_mmhg,
        "diastolic_mmhg": event.diastolic_mmhg,
        "findings": "; ".join(findings) or "none",
        "only_of_set": [
            f"{finding} ({exercise_and_bout(event)})" for finding in (*beyond_noted, *in_no_cuff)
        ],
    }


def judgement(pressure_mmhg, place, participant, known, settings):
    return judged(
        None if pressure_mmhg is None or pd.isna(pressure_mmhg) else float(pressure_mmhg),
        place,
        known.occlusion.get(participant, []),
        known.passed_steps.get(participant, []),
        highest_share_pct=settings.highest_share_pct,
    )


NOTED, OF_CUFF, RECORDED = "noted", "noted for the cuff", "recorded"


def applied_pressure(event, cuffs, checks, protocol):
    """The pressure that a verdict is about, in mmHg, and where it stands.

    The one noted for the set. A cuff row during the set or a recording on its limb counts instead
    where it is higher by more than the tolerance, or where nothing was noted. None where unknown.
    """
    noted = event.cuff_pressure_mmhg
    candidates = [(None if pd.isna(noted) else float(noted), NOTED)]
    if len(cuffs):
        during = cuffs[
            (cuffs["onset_s"] < event.onset_s + event.duration_s)
            & (cuffs["onset_s"] + cuffs["duration_s"] > event.onset_s)
        ]
        during = [
            cuff.cuff_pressure_mmhg
            for cuff in during.itertuples()
            if same_limb(event.limb, event.side, cuff.limb, cuff.side) is not False
        ]
        candidates += [(float(p), OF_CUFF) for p in during if pd.notna(p)]
    if len(checks):
        recorded = checks[(checks["trial_type"] == SET) & (checks["onset_s"] == event.onset_s)][
            "actual_mmhg"
        ]
        candidates += [(float(p), RECORDED) for p in recorded if pd.notna(p)]
    pressure_mmhg, source = candidates[0]
    for other_mmhg, other in candidates[1:]:
        none_known = pressure_mmhg is None
        if none_known or other_mmhg > pressure_mmhg + protocol.pressure_tolerance_mmhg:
            pressure_mmhg, source = other_mmhg, other
    return pressure_mmhg, source


def verdicts_in_words(verdicts):
    """How many sets got which verdict: `2 within; 1 above limit`."""
    known = [verdict for verdict in verdicts if verdict is not None]
    order = sorted(set(known), key=known.index)
    said = [f"{known.count(verdict)} {verdict}" for verdict in order]
    without = len(verdicts) - len(known)
    return "; ".join([*said, *([f"{without} without cuff pressure"] if without else [])])


def rows_of_other_events(events, sets, known, settings):
    """Baselines, rests, recoveries and inflations at which something was found."""
    for event in events[events["trial_type"] != "set"].itertuples():
        own = pd.DataFrame([event._asdict()])
        findings = [*above_stop_limits(own, settings), *occluding(event, sets, known)]
        signs = list(signs_of(event, settings))
        if findings or signs:
            yield {
                "scope": EVENT,
                "event_id": event.event_id,
                "event_onset_s": event.onset_s,
                "condition": event.condition,
                "limb": event.limb,
                "side": event.side,
                "posture": event.posture,
                "cuff": event.cuff,
                "highest_pressure_mmhg": event.cuff_pressure_mmhg,
                "symptoms": "; ".join(signs) or "none noted",
                "systolic_mmhg": event.systolic_mmhg,
                "diastolic_mmhg": event.diastolic_mmhg,
                "findings": "; ".join(findings) or "none",
            }


def occluding(event, sets, known):
    """An inflation at or above an occlusion pressure of its limb, and above that of its sets."""
    pressure_mmhg = event.cuff_pressure_mmhg
    if pd.isna(pressure_mmhg) or not pressure_mmhg:
        return
    during = sets[
        (sets["onset_s"] < event.onset_s + event.duration_s)
        & (sets["onset_s"] + sets["duration_s"] > event.onset_s)
    ]
    told = [
        s
        for s in during.itertuples()
        if same_limb(event.limb, event.side, s.limb, s.side) is not False
    ]
    place = place_of(event, known.widths_cm)
    reached = lowest_known(place, known.occlusion.get(event.participant_id, []))
    if reached is not None and pressure_mmhg >= reached.occlusion_mmhg and not told:
        said = at_occlusion_in_words(pressure_mmhg, reached)
        yield f"at or above occlusion pressure: {said} ({event.trial_type})"


def of_limb(table, limb):
    """Rows that may be of a limb: those of it, and those that name none."""
    if table.empty or pd.isna(limb):
        return table
    return table[table["limb"].eq(limb) | table["limb"].isna()]


def restriction(cuffs):
    """Total and longest unbroken time under the cuff, in minutes."""
    inflated = cuffs[cuffs["cuff_pressure_mmhg"].astype(float).fillna(1) > 0]
    minutes = inflated["duration_s"] / 60
    return {
        "restriction_min": minutes.sum(),
        "longest_restriction_min": minutes.max() if len(minutes) else 0.0,
    }


def without_release(row, settings):
    """Unbroken restriction longer than the limit of the settings."""
    if row["longest_restriction_min"] > settings.longest_restriction_min:
        longest_min = settings.longest_restriction_min
        yield f"cuff inflated for more than {longest_min:g} min without release"


def misplaced(sets, noted):
    """Sets with a pressure during which the sheet has inflated cuffs on other limbs only."""
    inflated = noted[~(noted["cuff_pressure_mmhg"] == 0)]
    for event in sets[sets["cuff_pressure_mmhg"] > 0].itertuples():
        during = inflated[
            (inflated["onset_s"] < event.onset_s + event.duration_s)
            & (inflated["onset_s"] + inflated["duration_s"] > event.onset_s)
        ]
        apart = [
            same_limb(event.limb, event.side, cuff.limb, cuff.side) is False
            for cuff in during.itertuples()
        ]
        if apart and all(apart):
            yield (
                "cuff noted on another limb than the working one: "
                f"{event.exercise}, cuff on the {limb_in_words(during.iloc[0])}"
            )


def above_noted(cuffs, sets, tolerance_mmhg):
    """A cuff that was noted with more pressure than the sets that it served."""
    excess_mmhg = cuffs["cuff_pressure_mmhg"].max() - sets["cuff_pressure_mmhg"].max()
    if excess_mmhg > tolerance_mmhg:
        yield f"cuff {excess_mmhg:.0f} mmHg above the pressure noted for the sets"


def recorded_otherwise(checks):
    """Where the recorded cuff pressure departs from the noted one, each departure once.

    A cuff and its set often tell the same.
    """
    if checks.empty:
        return []
    departing = checks[checks["status"] != "ok"].sort_values("trial_type", kind="stable")
    return dict.fromkeys(
        f"recorded pressure: {check.reason} ({exercise_and_bout(check)})"
        for check in departing.itertuples()
    )
