"""Cuffs, their pressures and harms: names that are described, units, events that exist."""

from statistics import median

from results.words import counted, in_words
from study.units import KPA_IN_MMHG

# a share of the occlusion pressure that no condition is likely to have; convention
LEAST_SHARE = 0.12

# the highest pressure of a study in mmHg does not lie below this, that of one in kPa mostly does
LOWEST_HIGHEST_MMHG = 35.0

# a pressure in kPa lies this near to that of its condition
SAME_PRESSURE_SHARE = 0.15


def check_cuffs_are_described(study, problems):
    """A cuff that a table names is one of study.yaml, and as wide there as in the table."""
    cuffs = study.settings.check_safety.cuffs
    unknown = {}
    for table in ("occlusion", "titration", "events"):
        for row in study.tables[table]:
            if row.cuff is None:
                continue
            if row.cuff not in cuffs:
                unknown.setdefault(row.cuff, table)
                if cuffs:
                    problems.add_unknown(table, row, "cuff", list(cuffs))
                continue
            width_cm, described_cm = getattr(row, "cuff_width_cm", None), cuffs[row.cuff].width_cm
            if None not in (width_cm, described_cm) and width_cm != described_cm:
                problems.add(
                    f"{table}.tsv",
                    f"row {row.row_number}, column cuff_width_cm",
                    f"found {width_cm:g} for cuff {row.cuff!r}, whose width_cm in study.yaml is "
                    f"{described_cm:g}; correct one of the two",
                )
    if unknown and not cuffs:
        named = in_words([repr(name) for name in sorted(unknown)])
        problems.remarks.append(
            f"study.yaml describes no cuffs, the tables name {named}; write the width, the bladder "
            "and whether it is regulated under cuffs, each by its name."
        )


def check_no_cuff_has_no_pressure(study, problems):
    """The condition without cuff is not one whose sets mostly have a pressure."""
    name = study.settings.protocol.no_cuff_condition
    noted = [
        row
        for row in study.tables["events"]
        if row.trial_type == "set" and row.condition == name and row.cuff_pressure_mmhg is not None
    ]
    inflated = [row for row in noted if row.cuff_pressure_mmhg > 0]
    if len(inflated) > len(noted) / 2:
        problems.add_setting(
            ("protocol", "no_cuff_condition"),
            f"found {name!r}, but {counted(len(inflated), 'set')} of it have a cuff pressure, the "
            f"first in events.tsv, row {inflated[0].row_number}; name the condition without cuff, "
            "or write null where every condition has one",
        )


def check_pressures_are_mmhg(study, problems):
    """Cuff pressures that look like kPa are told: 12 where 90 mmHg are meant."""
    of_condition, noted = {}, [row for row in study.tables["events"] if row.cuff_pressure_mmhg]
    for row in noted:
        key = (row.participant_id, row.condition, row.limb)
        of_condition.setdefault(key, []).append(row.cuff_pressure_mmhg)
    told = {}
    for row in noted:
        typical = median(of_condition[row.participant_id, row.condition, row.limb])
        if abs(row.cuff_pressure_mmhg * KPA_IN_MMHG / typical - 1) < SAME_PRESSURE_SHARE:
            told.setdefault("beside the other rows of its condition", []).append(row)
        elif looks_like_kpa(row, study.tables["occlusion"], noted):
            told.setdefault(f"in condition {row.condition}", []).append(row)
    for where, low in told.items():
        first = low[0]
        further = f" and {len(low) - 1} further rows" if len(low) > 1 else ""
        problems.remarks.append(
            f"events.tsv, row {first.row_number}{further}, column cuff_pressure_mmhg: "
            f"{first.cuff_pressure_mmhg:g} mmHg {where} is little; noted in kPa it would be "
            f"{first.cuff_pressure_mmhg * KPA_IN_MMHG:.0f} mmHg: correct it if so."
        )


def looks_like_kpa(row, occlusion, noted):
    """Whether a pressure is too low in mmHg and likely in kPa, beside what is known of its limb."""
    known = [
        measured.occlusion_pressure_mmhg
        for measured in occlusion
        if measured.participant_id == row.participant_id and row.limb in (None, measured.limb)
    ]
    if known:
        share = row.cuff_pressure_mmhg / min(known)
        return share < LEAST_SHARE <= share * KPA_IN_MMHG
    return max(event.cuff_pressure_mmhg for event in noted) < LOWEST_HIGHEST_MMHG


def check_harms_name_events(study, problems):
    """A harm that names an event names one that exists, of its visit where it names one."""
    for row in study.tables["harms"]:
        if row.event_id is None:
            continue
        ids = [
            event.event_id
            for event in study.tables["events"]
            if event.participant_id == row.participant_id
            and row.session_id in (None, event.session_id)
        ]
        if row.event_id not in ids:
            problems.add_unknown("harms", row, "event_id", ids)
