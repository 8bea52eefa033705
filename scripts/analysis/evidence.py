"""What a contrast of a heart outcome may be called evidence of.

`none`: indices that do not tell one branch of the autonomic nervous system from the other
(Billman 2013, Front Physiol 4:26; Reyes del Paso et al. 2013, Psychophysiology 50:477).
`vagal`: indices that fall when cardiac vagal modulation falls. `beyond vagal`: a heart rate above
the upper limit of the intrinsic rate for the age (Jose & Collison 1970, Cardiovasc Res 4:160),
which vagal withdrawal alone cannot produce.
"""

import pandas as pd

TIERS = ("none", "vagal", "beyond vagal")
ALPHA = 0.05


def sentence_of_evidence(row, label: str, tier: str) -> str:
    """The sentence that a tier permits for one contrast (a row of contrasts.tsv).

    An unadjusted difference is described as such; nothing is claimed where none was shown.
    """
    one, other = row.contrast.split(" - ")
    if tier == "none":
        return f"{label}: reported for comparison only; not an index of sympathetic activity."
    if pd.isna(row.p) or pd.isna(row.estimate):
        return f"{label}, {one} against {other}: described only."
    p = row.p if pd.isna(row.p_adjusted) else row.p_adjusted
    if p >= ALPHA:
        return f"{label}, {one} against {other}: no difference was shown."
    neutral = 1.0 if row.scale == "ratio" else 0.0
    lower = row.estimate < neutral
    secondary = "" if pd.notna(row.p_adjusted) else " (secondary, not adjusted)"
    if tier == "vagal":
        direction = "lower" if lower else "higher"
        meaning = "reduced" if lower else "more"
        return (
            f"{label} was {direction} with {one} than with {other}{secondary}: consistent with "
            f"{meaning} cardiac vagal modulation."
        )
    direction = "less far above" if lower else "further above"
    return (
        f"Heart rate lay {direction} the intrinsic limit with {one} than with {other}{secondary}."
    )


def sentence_above_intrinsic(values: pd.DataFrame, condition: str) -> str:
    """How many participants exceeded the upper limit of the intrinsic rate in a condition.

    `values`: rows of hr_above_intrinsic_bpm of sets with participant_id and value.
    """
    people = values.groupby("participant_id")["value"].mean()
    above = int((people > 0).sum())
    if not above:
        return (
            f"Condition {condition}: no participant's mean heart rate in sets exceeded the upper "
            "limit of the intrinsic rate for the age, so that vagal withdrawal alone could "
            "account for it."
        )
    return (
        f"Condition {condition}: in {above} of {len(people)} participants the mean heart rate in "
        "sets exceeded the upper limit of the intrinsic rate for the age: vagal withdrawal alone "
        "cannot produce this rate; adrenergic or other drive must contribute."
    )
