"""What the data do not allow to say, and why."""

from report.sentences import same_order
from report.words import label_of
from results.words import counted, words_of

ORDER = 30

TITLE = "What cannot be concluded"

NEEDS = ("outcomes", "contrasts")


def section(results):
    return {"limits": limits(results.outcomes, results.contrasts, results.settings)}


LOW_FREQUENCY = ("lf_power_ms2", "lf_hf_ratio")


def what_few_cannot_show(people, fewest, compared):
    """What a study of so few participants cannot test."""
    if people == 1:
        # said where the participant is described
        return []
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    pairs = people if leading["n_pairs"].isna().all() else int(leading["n_pairs"].min())
    if pairs >= fewest:
        return []
    return [
        f"A contrast of a primary outcome rests on {counted(pairs, 'participant')} with both "
        f"conditions; with fewer than {fewest} it is described and never claimed."
    ]


def limits(found, compared, settings):
    """What the data do not allow to say, from the tables."""
    sentences = []
    conditions = settings.study.conditions
    people = found[found["condition"].isin(conditions)]["participant_id"].nunique()
    sentences += what_few_cannot_show(
        people, settings.compare_conditions.fewest_participants, compared
    )
    if people > 1 and same_order(compared):
        sentences.append(
            "Everybody had the conditions in the same order: an effect of pressure cannot be told "
            "from an effect of time, and is not claimed."
        )
    withheld = found[found["status"].isin(["refused", "missing"])]
    for window, own in withheld.groupby("window"):
        spectral = own[own["outcome"].isin(LOW_FREQUENCY)]
        asked = found[(found["window"] == window) & found["outcome"].isin(LOW_FREQUENCY)]
        if len(spectral):
            reason = spectral["reason"].mode().iloc[0]
            sentences.append(
                f"Low-frequency power and LF/HF in {words_of(window)}: withheld in {len(spectral)} "
                f"of {len(asked)} values, those of both outcomes together ({reason})."
            )
    for outcome, window in settings.study.primary:
        own = found[(found["outcome"] == outcome) & (found["window"] == window)]
        missing = own[own["status"].isin(["refused", "missing"])]
        if len(missing):
            reasons = missing["reason"].value_counts()
            listed = "; ".join(f"{reason} ({n})" for reason, n in reasons.head(3).items())
            sentences.append(
                f"{label_of(outcome)} in {words_of(window)}: {len(missing)} of {len(own)} values "
                f"{'is' if len(missing) == 1 else 'are'} absent: {listed}."
            )
    sentences += [
        "LF/HF is reported for comparison only and is not an index of sympathetic activity.",
        "A fall in RMSSD or in respiratory modulation is consistent with reduced cardiac vagal "
        "modulation; sympathetic activity cannot be read from beat intervals.",
        "Saturation is the balance of delivery and use under the sensor: it is not blood flow, and "
        "levels are not compared between muscles, sensors or people.",
        "Conditions cannot be blinded, and sets to failure differ in repetitions: effects of "
        "pressure include effects of unequal work.",
    ]
    return sentences
