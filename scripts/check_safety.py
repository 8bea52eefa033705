"""Pressures against measured occlusion pressures, symptoms, and checks that are missing.

This calculates and records; it does not prescribe, monitor or approve. Local rules take precedence.
"""

import pandas as pd

from cuff.log import planned_pressure
from cuff.safety import (
    findings,
    labels,
    missing_checks,
    recorded_findings,
    restriction,
    share_of_occlusion,
    symptoms,
)
from engine.step import OfEach, Output, run
from results.tables import read_tables, write
from study.session_sheet import events_of, table_of
from study.settings import CheckSafety, Protocol


def check_safety(
    checks_of_each: OfEach,
    safety: Output,
    cuff_checks: Output,
    *,
    study: str,
    settings: CheckSafety,
    protocol: Protocol,
):
    events = events_of(study)
    occlusion = table_of(study, "occlusion")
    checks = read_tables(checks_of_each) if checks_of_each else pd.DataFrame()
    write(checks, "cuff_checks", cuff_checks)
    rows = []
    for visit in table_of(study, "sessions").itertuples():
        own = events[
            (events["participant_id"] == visit.participant_id)
            & (events["session_id"] == visit.session_id)
        ]
        sets = own[own["trial_type"] == "set"].astype({"limb": object})
        sets = sets.assign(cuff_pressure_mmhg=planned_pressure(sets, protocol.no_cuff_condition))
        if sets.empty:
            rows.append({**labels(visit), "findings": visit.note or "no set was noted"})
        for (limb, side, posture), limb_sets in sets.groupby(
            ["limb", "side", "posture"], dropna=False
        ):
            cuffs = own[(own["trial_type"] == "cuff") & (own["limb"].eq(limb) | own["limb"].isna())]
            share = share_of_occlusion(limb_sets, limb, side, posture, occlusion)
            row = {
                **labels(visit),
                "condition": "; ".join(dict.fromkeys(limb_sets["condition"])),
                "limb": limb,
                "side": side,
                "posture": posture,
                "sets": len(limb_sets),
                **share,
                **restriction(cuffs),
                "stopped_early": int((limb_sets["stopped_early"] == True).sum()),  # noqa: E712
                "symptoms": symptoms(limb_sets, settings.slow_refill_s),
                "missing_checks": missing_checks(limb_sets),
            }
            row["findings"] = findings(
                row,
                cuffs,
                limb_sets,
                own[own["trial_type"] == "cuff"],
                settings.highest_share_pct,
                protocol.pressure_tolerance_mmhg,
                settings.longest_restriction_min,
            )
            recorded = recorded_findings(checks, visit, limb)
            row["findings"] = "; ".join([row["findings"], *recorded]).removeprefix("none; ")
            rows.append(row)
    write(pd.DataFrame(rows), "safety", safety)


if __name__ == "__main__":
    run(check_safety)
