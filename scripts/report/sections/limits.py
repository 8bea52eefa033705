"""What the data do not allow to say: what is particular to this study, then what always holds."""

import pandas as pd

from comparison.window_lengths import UNEQUAL
from engine.listings import described, header
from measuring.recipes import recordings_behind
from report.origins import Origin, Told
from report.sentences import same_order
from report.words import label_of
from results.words import counted, in_words

ORDER = 30

TITLE = "What cannot be concluded"

NEEDS = ("outcomes", "contrasts")


def section(results):
    return {
        "limits": limits(
            of_recorded(results.outcomes, results.recordings), results.contrasts, results.settings
        ),
        "standing": list(of_what_was_measured(results.outcomes)),
    }


def of_recorded(outcomes, recordings):
    """Values of outcomes that stand on a recorded signal, or on none: of the others nothing more
    is to be said than that nobody recorded them."""
    signals = set(recordings["signal"])
    pairs = outcomes[["outcome", "window"]].drop_duplicates().itertuples(index=False)
    kept = set()
    for pair in map(tuple, pairs):
        needed = recordings_behind(*pair)
        if not needed or signals.intersection(needed):
            kept.add(pair)
    is_kept = [pair in kept for pair in zip(outcomes["outcome"], outcomes["window"], strict=True)]
    return outcomes[pd.Series(is_kept, outcomes.index, dtype=bool)]


def what_few_cannot_show(people, fewest, compared):
    """What a study of so few participants cannot test."""
    if people == 1:
        # said where the participant is described
        return []
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    # an outcome that nobody has is told as absent
    of_pairs = leading.loc[leading["n_pairs"] > 0, "n_pairs"]
    pairs = people if of_pairs.empty else int(of_pairs.min())
    if pairs >= fewest:
        return []
    return [
        f"A contrast of a primary outcome rests on {counted(pairs, 'participant')} with both "
        f"conditions. With fewer than {fewest} it is described and never claimed."
    ]


def limits(outcomes, compared, settings):
    """What this study in particular does not allow to say, from its tables."""
    sentences = []
    conditions = settings.study.conditions
    people = outcomes[outcomes["condition"].isin(conditions)]["participant_id"].nunique()
    if not people:
        sentences.append(
            "No set was done in a condition: nothing can be concluded about conditions."
        )
    else:
        sentences += what_few_cannot_show(
            people, settings.compare_conditions.fewest_participants, compared
        )
    if people > 1 and same_order(compared):
        sentences.append(
            "Everybody had the conditions in the same order: an effect of pressure cannot be told "
            "from an effect of time, and is not claimed."
        )
    sentences += of_whole_windows(outcomes)
    sentences += of_unequal_windows(compared)
    for outcome, window in settings.study.primary:
        of_outcome = outcomes[(outcomes["outcome"] == outcome) & (outcomes["window"] == window)]
        missing = of_outcome[of_outcome["status"].isin(["refused", "missing"])]
        if len(missing):
            reasons = missing["reason"].value_counts()
            listed = "; ".join(
                f"{reason} ({counted(n, 'value')})" if len(reasons) > 1 else reason
                for reason, n in reasons.head(3).items()
            )
            rest = len(missing) - int(reasons.head(3).sum())
            listed += f"; other reasons ({counted(rest, 'value')})" if rest else ""
            where = header("windows", window)["WHERE"]
            said = (
                f"{label_of(outcome)} {where}: {len(missing)} of {len(of_outcome)} values "
                f"{'is' if len(missing) == 1 else 'are'} absent: {listed}."
            )
            sentences.append(Told(said, Origin("outcomes", 0, outcome, window)))
    return sentences


def of_what_was_measured(outcomes):
    """What the kinds of values that this study has cannot show."""
    given = set(outcomes.loc[outcomes["value"].notna(), "outcome"])
    if "lf_hf_ratio" in given:
        yield "LF/HF is reported for comparison only and is not an index of sympathetic activity."
    if given & {"rmssd_ms", "hf_modulation"}:
        yield (
            "A fall in RMSSD or in respiratory modulation is consistent with reduced cardiac vagal "
            "modulation; sympathetic activity cannot be read from beat intervals."
        )
    if "smo2_nadir_pct" in given:
        yield (
            "Saturation is the balance of delivery and use under the sensor: it is not blood flow, "
            "and levels are not compared between muscles, sensors or people."
        )
    if outcomes["condition"].nunique() > 1:
        yield "People feel a cuff: conditions cannot be blinded."
    failed = outcomes[(outcomes["outcome"] == "to_failure") & (outcomes["value"] == 1)]
    if len(failed):
        yield (
            "Sets to failure differ in repetitions: effects of pressure include effects of unequal "
            "work."
        )


VERDICTS = {"refused": "withheld in every value", "flagged": "to be read with care in every value"}


def of_whole_windows(outcomes):
    """What stands on every value of outcomes in a window, as sentences about the windows."""
    by_reason = {}
    judged = outcomes[outcomes["status"].isin(["ok", "flagged", "refused"])]
    for (window, outcome), of_outcome in judged.groupby(["window", "outcome"], sort=False):
        given = of_outcome[of_outcome["status"] != "refused"]
        of_outcome = given if len(given) else of_outcome
        if (of_outcome["status"] == "ok").any():
            continue
        for reason in shared_reasons(of_outcome["reason"]):
            key = (of_outcome["status"].iloc[0], reason)
            by_reason.setdefault(key, {}).setdefault(outcome, []).append(window)
    for (status, reason), windows_of in by_reason.items():
        alike = {}
        for outcome, windows in windows_of.items():
            alike.setdefault(tuple(windows), []).append(described(outcome).LABEL)
        for windows, labels in alike.items():
            where = in_words([header("windows", window)["WHERE"] for window in windows])
            is_or_are = "is" if len(labels) == 1 else "are"
            yield Told(
                f"{where[0].upper()}{where[1:]}, {in_words(labels)} {is_or_are} "
                f"{VERDICTS[status]}: {reason}.",
                Origin("outcomes", 0),
            )


def shared_reasons(reasons):
    """Reasons that all values share, without the figures measured in single windows."""
    plain = reasons.fillna("").str.replace(r" \(here [^)]*\)", "", regex=True)
    parts = [text.split("; ") for text in plain.unique()]
    return [reason for reason in parts[0] if reason and all(reason in of_part for of_part in parts)]


def of_unequal_windows(compared):
    """Outcomes that grow with their window, where its length differs between conditions."""
    notes = compared[compared["exercise"] == "all"].assign(
        remark=compared["note"].fillna("").str.extract(f"({UNEQUAL}[^;]*)", expand=False)
    )
    told = notes.dropna(subset="remark").drop_duplicates(["outcome", "window", "remark"])
    for (window, remark), contrasts in told.groupby(["window", "remark"], sort=False):
        labels = in_words([described(name).LABEL for name in contrasts["outcome"]])
        yield Told(
            f"{labels} {header('windows', window)['WHERE']}: {remark}.",
            *Origin.of_each("contrasts", contrasts[:1]),
        )
