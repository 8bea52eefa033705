"""What contrasts of a heart outcome may be called evidence of.

`none`: indices that do not tell one branch of the autonomic nervous system from the other
(Billman 2013, Front Physiol 4:26; Reyes del Paso et al. 2013, Psychophysiology 50:477).
`vagal`: indices that fall when cardiac vagal modulation falls. `beyond vagal`: a heart rate above
the upper limit of the intrinsic rate for the age (Jose & Collison 1970, Cardiovasc Res 4:160),
which vagal withdrawal alone cannot produce.
"""

import pandas as pd

from report.sentences import SAME_ORDER_CLAIM, basis_of_all, is_comparison, size_of, verdict_of
from results.words import in_words

NO_CLAIM = {
    "same": "no difference in size that matters",
    "not shown": "no difference was shown",
    "described": "described only, for too few pairs",
}

# what a difference that was shown may be called, by tier and direction
MEANING = {
    ("vagal", "lower"): "consistent with reduced cardiac vagal modulation",
    ("vagal", "higher"): "consistent with more cardiac vagal modulation",
    ("beyond vagal", "lower"): "a rate less far above the intrinsic limit",
    ("beyond vagal", "higher"): "a rate further above the intrinsic limit",
}


def sentence_of_evidence(
    contrasts: pd.DataFrame,
    label: str,
    tier: str,
    unit: str,
    *,
    same_order: bool = False,
) -> str:
    """What the tier permits to say of one outcome's contrasts (rows of contrasts.tsv).

    Only a primary outcome is adjusted and may claim; any other is described with its intervals.
    """
    if tier == "none":
        return (
            f"{label}: does not tell vagal from sympathetic drive; not an index of sympathetic "
            "activity."
        )
    estimated = contrasts[is_comparison(contrasts)]
    if estimated.empty:
        alone = (
            "n_pairs" in contrasts
            and (contrasts.loc[contrasts["estimate"].notna(), "n_pairs"] == 1).any()
        )
        why = "one participant only: no comparison" if alone else "no contrast could be estimated"
        return f"{label}: {why}."
    if not (estimated["primary"] == "yes").all():
        sizes = "; ".join(
            f"{row.contrast.replace(' - ', ' against ')} {size_of(row, unit)}"
            for row in estimated.itertuples()
        )
        behind = basis_of_all(estimated)
        behind = f" ({behind})" if behind else ""
        return f"{label}, not adjusted and so without a claim: {sizes}{behind}."
    shown, said = {}, []
    for row in estimated.itertuples():
        condition, reference = row.contrast.split(" - ")
        shown.setdefault((condition, verdict_of(row)), []).append(reference)
    # what was shown before what was not
    for (condition, verdict), outcomes in shown.items():
        if verdict not in NO_CLAIM:
            meaning = MEANING[tier, verdict]
            said.append(f"{verdict} with {condition} than with {in_words(outcomes)}, {meaning}")
    for without, words in NO_CLAIM.items():
        pairs = [
            f"{condition} against {in_words(outcomes)}"
            for (condition, verdict), outcomes in shown.items()
            if verdict == without
        ]
        if pairs:
            said.append(f"{words}: {', '.join(pairs)}")
    claims = any(verdict not in NO_CLAIM for _, verdict in shown)
    order = f" {SAME_ORDER_CLAIM}" if same_order and claims else ""
    return f"{label}: {'; '.join(said)}.{order}"


def sentence_above_intrinsic(above_limit: pd.DataFrame, conditions: list[str]) -> str:
    """In how many participants heart rate exceeded the upper limit of the intrinsic rate.

    `above_limit`: hr_above_intrinsic_bpm of sets with participant_id, condition and value (bpm).
    One sentence over all conditions, of the participants who have them all, so that a count is
    never read as a comparison; empty where nobody has.
    """
    wide = above_limit.groupby(["participant_id", "condition"])["value"].mean().unstack()
    whole = wide.reindex(columns=conditions).dropna()
    if whole.empty:
        return ""
    margins = whole.mean(axis=1)
    above, n = int((margins > 0).sum()), len(margins)
    if n == 1:
        alone = above_limit["participant_id"].nunique() == 1
        whose = "" if alone else " of the one participant with all conditions"
        return _one_above_intrinsic(float(margins.iloc[0]), whose)
    if not above:
        return (
            f"None of the {n} participants with all conditions had a mean heart rate in sets above "
            "the upper limit of the intrinsic rate for the age (the nearest lay "
            f"{-margins.max():.0f} bpm below), so that vagal withdrawal alone may account for it."
        )
    had = f"{above} of the {n} participants with all conditions had"
    return (
        f"{had} a mean heart rate in sets above the upper limit of the "
        f"intrinsic rate for the age, by up to {margins.max():.0f} bpm: there, adrenergic or other "
        "drive may contribute. This compares no conditions."
    )


def _one_above_intrinsic(margin_bpm: float, whose: str) -> str:
    where = "above" if margin_bpm > 0 else "below"
    said = (
        f"Over all conditions, the mean heart rate in sets{whose} lay {abs(margin_bpm):.0f} bpm "
        f"{where} the upper limit of the intrinsic rate for the age"
    )
    if margin_bpm > 0:
        return f"{said}: adrenergic or other drive may contribute. This compares no conditions."
    return f"{said}, so that vagal withdrawal alone may account for it."
