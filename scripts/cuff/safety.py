"""Rows of safety.tsv: verdicts on pressures, symptoms, findings and checks that are missing.

A row is all sets of a visit on one limb, side and posture (`visit`), one of these sets (`set`), or
another event at which something was found (`event`).
"""

from dataclasses import dataclass

import pandas as pd

from cuff.blood_pressure import above_stop_limits
from cuff.occlusion import measured_by_participant, placement_of
from cuff.signs import CHECKS, CUFF_TIMES, missing_checks, signs_of, symptoms
from cuff.titration import against_titration, passed_of, steps_by_participant
from cuff.verdicts import at_occlusion_in_words, gravest, judge_pressure, lowest_known
from recordings.limbs import limb_in_words, same_limb
from study.session_sheet import exercise_and_bout

VISIT, SET, EVENT, TITRATION = "visit", "set", "event", "titration"


@dataclass(frozen=True)
class Known:
    """What is known of the limbs of everybody, by participant, and what the study states.

    `settings` and `protocol` are the sections check_safety and protocol.
    """

    occlusion: dict
    steps: dict
    widths_cm: dict
    settings: object
    protocol: object

    @classmethod
    def of_study(cls, occlusion, titration, settings, protocol):
        """From the tables occlusion and titration."""
        widths_cm = {name: cuff.width_cm for name, cuff in settings.cuffs.items()}
        measured = measured_by_participant(occlusion, widths_cm)
        steps = steps_by_participant(titration, measured, settings, widths_cm)
        return cls(measured, steps, widths_cm, settings, protocol)

    def occlusion_of(self, participant):
        """Occlusion pressures of a participant."""
        return self.occlusion.get(participant, [])

    def steps_of(self, participant):
        """Steps of the titrations of a participant."""
        return self.steps.get(participant, [])

    def judged(self, pressure_mmhg, placement, participant):
        """The verdict on a pressure of a participant, in mmHg or None: `cuff.verdicts.Judged`."""
        return judge_pressure(
            None if pressure_mmhg is None or pd.isna(pressure_mmhg) else float(pressure_mmhg),
            placement,
            self.occlusion_of(participant),
            passed_of(self.steps_of(participant)),
            highest_share_pct=self.settings.highest_share_pct,
        )


def safety_table(visits, events, known, checks):
    """Rows of safety.tsv of everybody.

    `visits`, `events`: tables of the study; `checks`: cuff_checks.tsv of everybody, which may be
    empty.
    """
    # a column that nobody filled in holds no numbers
    events = events.astype(dict.fromkeys(("onset_s", "duration_s", "cuff_pressure_mmhg"), float))
    events, checks = by_visit(events), by_visit(checks)
    return pd.DataFrame(
        [
            visit_labels(visit) | row
            for visit in visits.itertuples()
            for row in visit_rows(
                events.get((visit.participant_id, visit.session_id), []),
                visit.note,
                known,
                checks.get((visit.participant_id, visit.session_id), []),
            )
        ]
        + [
            {"participant_id": step.row.participant_id, "session_id": step.row.session_id} | row
            for steps in known.steps.values()
            for step in steps
            for row in titration_rows(step)
        ]
    )


def titration_rows(step):
    """The row of a step of a titration at or above an occlusion pressure of its limb."""
    if step.occluding:
        yield {
            "scope": TITRATION,
            "limb": step.row.limb,
            "side": step.row.side,
            "posture": step.row.posture,
            "cuff": step.row.cuff,
            "highest_pressure_mmhg": step.pressure_mmhg,
            "symptoms": "; ".join(step.signs) or "none noted",
            "findings": "; ".join(step.occluding),
        }


def by_visit(table):
    """Rows of a table by participant and session."""
    of_visit = {}
    for row in table.itertuples():
        of_visit.setdefault((row.participant_id, row.session_id), []).append(row)
    return of_visit


def visit_labels(visit):
    """Columns that name a visit in safety.tsv."""
    return {
        "participant_id": visit.participant_id,
        "session_id": visit.session_id,
        "visit": visit.visit,
    }


def visit_rows(events, note, known, checks):
    """Rows of the table of safety for one visit, without the names of the visit.

    `events`, `checks`: rows of the session sheet and of cuff_checks.tsv.
    """
    noted = [event for event in events if event.trial_type == "cuff"]
    sets = [
        with_planned_pressure(event, known.protocol) for event in events if event.trial_type == SET
    ]
    if not sets:
        yield {"scope": VISIT, "findings": note or "no set was noted"}
    for limb_sets in sets_by_placement(sets):
        limb = limb_sets[0].limb
        cuffs, checks_of_limb = on_limb(noted, limb), on_limb(checks, limb)
        set_rows = [set_row_of(event, cuffs, checks_of_limb, known) for event in limb_sets]
        yield limb_row_of(limb_sets, set_rows, noted, checks_of_limb, known)
        yield from set_rows
    yield from event_rows(events, sets, checks, known)


def with_planned_pressure(event, protocol):
    """A set with the pressure that was planned: none in the condition without cuff."""
    if pd.isna(event.cuff_pressure_mmhg) and event.condition == protocol.no_cuff_condition:
        return event._replace(cuff_pressure_mmhg=0.0)
    return event


def sets_by_placement(sets):
    """Sets of one limb, side and posture together, those that name none last."""
    of_each = {}
    for event in sets:
        placement = (event.limb, event.side, event.posture)
        key = tuple((pd.isna(name), "" if pd.isna(name) else name) for name in placement)
        of_each.setdefault(key, []).append(event)
    return [of_each[key] for key in sorted(of_each)]


def limb_row_of(sets, set_rows, noted, checks, known):
    """All sets of a visit on one limb, side and posture; `set_rows`: of the single sets."""
    highest = max(sets, key=lambda event: _or_less(event.cuff_pressure_mmhg))
    placement = placement_of(highest, known.widths_cm)
    person = highest.participant_id
    cuffs = on_limb(noted, highest.limb)
    of_highest = known.judged(highest.cuff_pressure_mmhg, placement, person)
    verdicts = [set_row["verdict"] for set_row in set_rows]
    n_untimed = sum(1 for _ in sets_without_cuff_times(sets, cuffs))
    limb_row = {
        "scope": VISIT,
        "condition": "; ".join(dict.fromkeys(event.condition for event in sets)),
        "limb": highest.limb,
        "side": highest.side,
        "posture": highest.posture,
        "cuff": "; ".join(dict.fromkeys(e.cuff for e in sets if pd.notna(e.cuff))) or None,
        "sets": len(sets),
        **of_highest.share,
        "verdict": gravest(verdicts),
        "verdict_reason": verdicts_in_words(verdicts),
        **(restriction(cuffs) if not n_untimed else {}),
        "stopped_early": sum(event.stopped_early is True for event in sets),
        "symptoms": symptoms(sets, known.settings),
        "missing_checks": missing_checks(sets, n_untimed),
        "systolic_mmhg": highest_of(event.systolic_mmhg for event in sets),
        "diastolic_mmhg": highest_of(event.diastolic_mmhg for event in sets),
    }
    findings = [
        *of_highest.findings,
        *without_release(cuffs, known.settings),
        *cuffs_on_another_limb(sets, noted),
        *cuff_above_sets(cuffs, sets, known.protocol.pressure_tolerance_mmhg),
        *recorded_departures(checks),
        *above_stop_limits(sets, known.settings),
        *against_titration(highest.cuff_pressure_mmhg, placement, known.steps_of(person)),
        *(finding for set_row in set_rows for finding in set_row.pop("only_of_set")),
    ]
    return limb_row | {"findings": "; ".join(dict.fromkeys(findings)) or "none"}


def _or_less(pressure_mmhg):
    return -1.0 if pd.isna(pressure_mmhg) else pressure_mmhg


def highest_of(pressures_mmhg):
    """The highest of some pressures; None where none is known."""
    return max(filter(pd.notna, pressures_mmhg), default=None)


def set_row_of(event, cuffs, checks, known):
    """The row of one set; `only_of_set` holds what its limb's row does not find by itself."""
    pressure_mmhg, source = applied_pressure(event, cuffs, checks, known.protocol)
    placement = placement_of(event, known.widths_cm)
    peak_mmhg = recorded_peak(event, checks)
    if reaches_occlusion(peak_mmhg, pressure_mmhg, placement, event.participant_id, known):
        pressure_mmhg, source = peak_mmhg, PEAK
    of_set = known.judged(pressure_mmhg, placement, event.participant_id)
    in_no_cuff = []
    if event.condition == known.protocol.no_cuff_condition and pressure_mmhg:
        in_no_cuff = [f"{pressure_mmhg:.0f} mmHg {source} in condition {event.condition}"]
    findings = [*of_set.findings, *in_no_cuff, *above_stop_limits([event], known.settings)]
    beyond_noted = of_set.findings if source != NOTED else ()
    lacking = [check for check in CHECKS if pd.isna(getattr(event, check))]
    lacking += [CUFF_TIMES for _ in sets_without_cuff_times([event], cuffs)]
    return {
        "scope": SET,
        **event_labels(event),
        "exercise": event.exercise,
        "bout": event.bout,
        **of_set.share,
        "pressure_source": source,
        "verdict": of_set.verdict,
        "verdict_reason": of_set.reason,
        "pressure_counts": of_set.counts,
        "symptoms": symptoms([event], known.settings),
        "missing_checks": "; ".join(lacking) or "none",
        "systolic_mmhg": event.systolic_mmhg,
        "diastolic_mmhg": event.diastolic_mmhg,
        "findings": "; ".join(findings) or "none",
        "only_of_set": [
            f"{finding} ({exercise_and_bout(event)})" for finding in (*beyond_noted, *in_no_cuff)
        ],
    }


def event_labels(event):
    """Columns that name an event and its placement in safety.tsv."""
    return {
        "event_id": event.event_id,
        "event_onset_s": event.onset_s,
        "condition": event.condition,
        "limb": event.limb,
        "side": event.side,
        "posture": event.posture,
        "cuff": event.cuff,
    }


NOTED, OF_CUFF, RECORDED = "noted", "noted for the cuff", "recorded"

PEAK = "highest recorded"


def applied_pressure(event, cuffs, checks, protocol):
    """The pressure that a verdict is about, in mmHg, and where it stands.

    The one noted for the set. A cuff row during the set or a recording on its limb counts instead
    where it is higher by more than the tolerance, or where nothing was noted. None where unknown.
    """
    noted = event.cuff_pressure_mmhg
    pressure_mmhg, source = (None if pd.isna(noted) else float(noted)), NOTED
    other_pressures = [
        (cuff.cuff_pressure_mmhg, OF_CUFF)
        for cuff in overlapping(event, cuffs)
        if same_limb(event.limb, event.side, cuff.limb, cuff.side) is not False
    ]
    other_pressures += [
        (check.actual_mmhg, RECORDED)
        for check in checks
        if check.trial_type == SET and check.onset_s == event.onset_s
    ]
    for other_mmhg, stage in other_pressures:
        if pd.isna(other_mmhg):
            continue
        if pressure_mmhg is None or other_mmhg > pressure_mmhg + protocol.pressure_tolerance_mmhg:
            pressure_mmhg, source = float(other_mmhg), stage
    return pressure_mmhg, source


def recorded_peak(event, checks):
    """Highest pressure recorded during an event, contractions averaged out; None without one."""
    return highest_of(
        check.highest_mmhg
        for check in checks
        if check.trial_type == event.trial_type and check.onset_s == event.onset_s
    )


def reaches_occlusion(peak_mmhg, held_mmhg, placement, participant, known):
    """Whether a recorded peak, beyond the tolerance of what was held, reaches occlusion."""
    reached = lowest_known(placement, known.occlusion_of(participant))
    if None in (peak_mmhg, reached):
        return False
    beyond = peak_mmhg > (held_mmhg or 0.0) + known.protocol.pressure_tolerance_mmhg
    return beyond and peak_mmhg >= reached.occlusion_mmhg


def overlapping(event, candidates):
    """Those of other events that overlap one in time."""
    return [
        candidate
        for candidate in candidates
        if candidate.onset_s < event.onset_s + event.duration_s
        and candidate.onset_s + candidate.duration_s > event.onset_s
    ]


def verdicts_in_words(verdicts):
    """How many sets got which verdict: `2 within; 1 above limit`."""
    known = [verdict for verdict in verdicts if verdict is not None]
    said = [f"{known.count(verdict)} {verdict}" for verdict in dict.fromkeys(known)]
    without = len(verdicts) - len(known)
    return "; ".join([*said, *([f"{without} without cuff pressure"] if without else [])])


def event_rows(events, sets, checks, known):
    """Baselines, rests, recoveries and inflations at which something was found."""
    for event in events:
        if event.trial_type == SET:
            continue
        findings = [
            *above_stop_limits([event], known.settings),
            *inflation_at_occlusion(event, recorded_peak(event, checks), sets, known),
        ]
        signs = list(signs_of(event, known.settings))
        if findings or signs:
            yield {
                "scope": EVENT,
                **event_labels(event),
                "highest_pressure_mmhg": event.cuff_pressure_mmhg,
                "symptoms": "; ".join(signs) or "none noted",
                "systolic_mmhg": event.systolic_mmhg,
                "diastolic_mmhg": event.diastolic_mmhg,
                "findings": "; ".join(findings) or "none",
            }


def inflation_at_occlusion(event, peak_mmhg, sets, known):
    """An inflation at or above an occlusion pressure of its limb, as noted or as recorded.

    What is noted during a set is told by the verdict of the set.
    """
    pressure_mmhg = highest_of((event.cuff_pressure_mmhg, peak_mmhg))
    if not pressure_mmhg:
        return
    told = pressure_mmhg == event.cuff_pressure_mmhg and any(
        same_limb(event.limb, event.side, worked.limb, worked.side) is not False
        for worked in overlapping(event, sets)
    )
    placement = placement_of(event, known.widths_cm)
    reached = lowest_known(placement, known.occlusion_of(event.participant_id))
    if reached is not None and pressure_mmhg >= reached.occlusion_mmhg and not told:
        said = at_occlusion_in_words(pressure_mmhg, reached)
        yield f"at or above occlusion pressure: {said} ({event.trial_type})"


def on_limb(of_person, limb):
    """Rows that may be of a limb: those of it, and those that name none."""
    if pd.isna(limb):
        return of_person
    return [row for row in of_person if pd.isna(row.limb) or row.limb == limb]


def restriction(cuffs):
    """Total and longest unbroken time under the cuff, in minutes."""
    # at an unknown pressure a cuff may be inflated
    minutes = [cuff.duration_s / 60 for cuff in cuffs if cuff.cuff_pressure_mmhg != 0]
    return {
        "restriction_min": sum(minutes),
        "longest_restriction_min": max(minutes, default=0.0),
    }


def sets_without_cuff_times(sets, cuffs):
    """Sets with a cuff of which nobody noted when it was inflated and released."""
    for event in sets:
        is_timed = pd.notna(event.onset_s + event.duration_s)
        if event.cuff_pressure_mmhg != 0 and not (overlapping(event, cuffs) if is_timed else cuffs):
            yield event


def without_release(cuffs, settings):
    """Unbroken restriction longer than the limit of the settings."""
    longest_min = settings.longest_restriction_min
    if restriction(cuffs)["longest_restriction_min"] > longest_min:
        yield f"cuff inflated for more than {longest_min:g} min without release"


def cuffs_on_another_limb(sets, noted):
    """Sets with a pressure during which the sheet has inflated cuffs on other limbs only."""
    inflated = [cuff for cuff in noted if cuff.cuff_pressure_mmhg != 0]
    for event in sets:
        if not _or_less(event.cuff_pressure_mmhg) > 0:
            continue
        cuffs = overlapping(event, inflated)
        apart = [same_limb(event.limb, event.side, c.limb, c.side) is False for c in cuffs]
        if apart and all(apart):
            where = limb_in_words({"side": cuffs[0].side, "limb": cuffs[0].limb})
            yield (
                "cuff noted on another limb than the working one: "
                f"{event.exercise}, cuff on the {where}"
            )


def cuff_above_sets(cuffs, sets, tolerance_mmhg):
    """A cuff that was noted with more pressure than the sets that it served."""
    of_cuffs, of_sets = (
        highest_of(event.cuff_pressure_mmhg for event in events) for events in (cuffs, sets)
    )
    if None not in (of_cuffs, of_sets) and of_cuffs - of_sets > tolerance_mmhg:
        yield f"cuff {of_cuffs - of_sets:.0f} mmHg above the pressure noted for the sets"


def recorded_departures(checks):
    """Where the recorded cuff pressure departs from the noted one, each departure once.

    A cuff and its set often tell the same.
    """
    departing = [check for check in checks if check.status != "ok"]
    return dict.fromkeys(
        f"recorded pressure: {check.reason} ({exercise_and_bout(check)})"
        for check in sorted(departing, key=lambda check: check.trial_type)
    )
