"""Cuff pressures for print: planned and actual by condition and limb, and of every visit."""

import pandas as pd

from cuff.noted_pressures import planned_pressure, with_recorded
from cuff.verdicts import GRAVEST_FIRST
from report.safety import lacking_checks, short_findings
from report.words import span_of
from results.format import decimals
from results.words import words_of

LIMB = ["condition", "limb", "side", "posture"]

# a file beside the tables for print: too long for a page
BY_VISIT = "pressures_by_visit"

BY_VISIT_CAPTION = (
    "Pressures of every visit with verdict, findings and symptoms, shares of occlusion pressure "
    "and checks that are missing"
)


def planned_and_actual(safety, events, cuff_checks, no_cuff):
    """Sets of safety.tsv with planned_mmhg, as noted, and recorded_mmhg, NaN where unknown.

    safety, cuff_checks : result tables of these names; events : rows of the session sheet
    no_cuff : the condition without cuff
    """
    sets = events[events["trial_type"] == "set"]
    noted = sets[["event_id"]].assign(planned_mmhg=planned_pressure(sets, no_cuff))
    known = safety[safety["scope"] == "set"].merge(noted, on="event_id", how="left")
    return with_recorded(known, cuff_checks)


def pressures_by_limb(sets, visits, conditions):
    """A row for each condition and limb, in the order of the conditions.

    sets : as `planned_and_actual` gives them
    visits : rows of safety.tsv of whole visits
    """
    limbs = []
    alike = sets.groupby(LIMB, sort=False, dropna=False)
    for key, of_limb in sorted(alike, key=lambda part: conditions.index(part[0][0])):
        of_visits = visits[_has(visits, key)]
        with_cuff = of_limb[of_limb["verdict"].notna()]
        stopped = int(of_visits["stopped_early"].fillna(0).sum())
        differences = (of_limb["recorded_mmhg"] - of_limb["planned_mmhg"]).dropna()
        methods = sorted(set("; ".join(of_visits["occlusion_method"].dropna()).split("; ")))
        limbs.append(
            {
                "condition": key[0],
                "limb": limb_in_words(*key[1:]),
                "participants": of_limb["participant_id"].nunique(),
                "sets": len(of_limb),
                "occlusion pressure mmhg": span_of(of_limb["occlusion_pressure_mmhg"]),
                "occlusion method": methods_in_words("; ".join(methods)),
                "planned mmhg": span_of(of_limb["planned_mmhg"]),
                "sets recorded": len(differences),
                "actual mmhg": span_of(of_limb["recorded_mmhg"]),
                "difference mmhg": with_range(differences),
                "share pct": span_of(of_limb["share_pct"]),
                "verdicts": verdicts_of(of_limb["verdict"]),
                "findings and symptoms": "; ".join(short_findings(of_visits)) or "none noted",
                "stopped early": stopped,
                "checks not noted": (lacking_checks(with_cuff) or "none") if len(with_cuff) else "",
            }
        )
    return pd.DataFrame(limbs)


def _has(table, key):
    """Which rows have the values of LIMB; a missing one is one of them."""
    of_limb = pd.Series(True, index=table.index)
    for name, sought in zip(LIMB, key, strict=True):
        of_limb &= table[name].isna() if pd.isna(sought) else table[name].eq(sought)
    return of_limb


def with_range(differences):
    """Mean difference with its range, `+0.1 (-0.2 to +0.3)`; empty without one."""
    if differences.empty:
        return ""
    told = (differences.mean(), differences.min(), differences.max())
    # what is rounded to zero has no sign
    mean, low, high = (f"{figure:+.1f}" if abs(figure) >= 0.05 else "0.0" for figure in told)
    return f"{mean} ({low} to {high})"


def verdicts_of(verdicts):
    """How many sets have which verdict, the gravest first; empty where none had a cuff."""
    return ", ".join(
        f"{(verdicts == verdict).sum()} {verdict}"
        for verdict in GRAVEST_FIRST
        if (verdicts == verdict).any()
    )


def pressures_by_visit(visits, sets):
    """Verdict, findings, pressures, their share and symptoms, one row per visit and limb.

    visits, sets : as in `pressures_by_limb`
    """
    columns = [
        *("participant_id", "session_id", "condition", "limb", "side", "posture"),
        *("verdict_reason", "findings", "symptoms", "missing_checks"),
        *("cuff_width_cm", "occlusion_pressure_mmhg", "occlusion_method"),
        *("highest_pressure_mmhg", "share_pct", "share_status", "share_reason"),
        "restriction_min",
    ]
    table = visits[columns].copy()
    keys = ["participant_id", "session_id", *LIMB]
    means = sets.groupby(keys, dropna=False)[["planned_mmhg", "recorded_mmhg"]].mean()
    of_visit = visits[keys].merge(means.reset_index(), on=keys, how="left")
    at = table.columns.get_loc("highest_pressure_mmhg")
    table.insert(at, "planned_mmhg", [decimals(number, 0) for number in of_visit["planned_mmhg"]])
    actual = [decimals(number, 1) for number in of_visit["recorded_mmhg"]]
    table.insert(at + 1, "actual_mmhg", actual)
    for name in ("occlusion_pressure_mmhg", "highest_pressure_mmhg", "share_pct"):
        table[name] = [decimals(number, 0) for number in table[name]]
    table["restriction_min"] = [decimals(number, 1) for number in table["restriction_min"]]
    sides, postures = table.pop("side"), table.pop("posture")
    of_limb = zip(table["limb"], sides, postures, strict=True)
    table["limb"] = [limb_in_words(*placed) for placed in of_limb]
    table["occlusion_method"] = [methods_in_words(method) for method in table["occlusion_method"]]
    table["missing_checks"] = table["missing_checks"].map(words_of, na_action="ignore")
    return table.rename(columns={"verdict_reason": "verdict"}).rename(columns=words_of)


def limb_in_words(limb, side, posture):
    """`right arm, seated`, of what was noted."""
    placed = " ".join(word for word in (side, limb) if not pd.isna(word))
    return ", ".join(word for word in (placed, posture) if word and not pd.isna(word))


def methods_in_words(methods):
    """How occlusion pressures were found; an estimate is called what it is."""
    if pd.isna(methods):
        return ""
    return "; ".join(words_of(method) for method in methods.split("; "))
