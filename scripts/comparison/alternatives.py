"""Primary outcomes measured and compared again under other settings."""

import inspect
import shutil
import tempfile
from pathlib import Path

import pandas as pd

from comparison.conditions import usable
from comparison.outcome_tables import (
    Plan,
    comparisons_of,
    declared,
    outcome_contrasts,
    rows_of,
)
from engine.listings import families
from results.decided import as_decided
from results.tables import number, stack
from study.settings import by_name
from study.settings_files import changed_settings

KEYS = ["participant_id", "session_id", "event_id", "window", "outcome"]

# what a step makes that outcomes ask for
MADE_BY = {
    "find_beats": {"beats", "respiration", "step_of_beat_times_ms", "ecg_spans"},
    "segment_oxygenation": {"traces", "segment"},
}

# facts of the protocol by which the saturation is cut and the cuffs are checked
SEGMENTING = {"slowest_cadence_hz", "fastest_cadence_hz", "samples_per_contraction"}


def measured_again(found, files, study, primary, settings, changed, default_rules, edits):
    """Rows of outcomes that the change reaches, measured again; the others are as they were."""
    upstream = steps_made_again(settings, changed)
    reached = [
        (outcome, window)
        for outcome, window in primary
        if upstream or reaches(outcome, window, settings, changed)
    ]
    everybody = sorted(found["participant_id"].unique())
    decided = people_with_edits(study) if edits == "ignored" else set()
    tables = []
    with tempfile.TemporaryDirectory() as folder:
        for person in everybody:
            wanted = primary if person in decided else reached
            if not wanted:
                continue
            own = {name: file_of(person, paths) for name, paths in files.items()}
            place = study
            if person in decided:
                place = copy_without_edits(study, Path(folder) / "study")
            own = found_again(
                own, Path(folder), place, person, changed, upstream, person in decided
            )
            tables.append(outcomes_of(own, place, person, wanted, changed, default_rules))
    return pd.concat(tables, ignore_index=True) if tables else found[:0]


def steps_made_again(settings, changed):
    """Steps before the outcomes whose results a change reaches."""
    steps = {
        name
        for name in ("find_beats", "segment_oxygenation")
        if getattr(settings, name) != getattr(changed, name)
    }
    names = {name for name, value in settings.protocol if value != getattr(changed.protocol, name)}
    return steps | ({"segment_oxygenation"} if names & SEGMENTING else set())


def reaches(outcome, window, settings, changed):
    """Whether an outcome, its window or a rule that judges it asks for a setting that changed."""
    before, after = (by_name(s.measure_outcomes, s.protocol) for s in (settings, changed))
    names = {name for name in before if before[name] != after[name]}
    judged = rules_on(outcome, window, changed)
    if judged != rules_on(outcome, window, settings):
        return True
    return bool(names and names & asked_for(outcome, window, judged))


def rules_on(outcome, window, settings):
    """The quality rules that judge an outcome in a window."""
    from measuring.quality_rules import rules_that_judge

    return rules_that_judge(outcome, families()[outcome], window, settings.quality_rules)


def asked_for(outcome, window, rules):
    """Everything that an outcome, its window and the rules that judge it are made from."""
    from engine.listings import outcome_modules, window_modules
    from measuring.inputs import needed_for

    asked = [
        *inspect.signature(outcome_modules()[outcome].measure).parameters,
        *inspect.signature(window_modules()[window].cut).parameters,
        *(rule.measured for rule in rules),
    ]
    return frozenset().union(*(needed_for(name) for name in asked))


def concerned(outcome, window, settings, changed, found, table):
    """Whether an alternative can move the contrasts of an outcome in a window.

    It can where the comparison changed, where the outcome or a rule that judges it is made from
    what changed, and where a value or a verdict did move (`found` before, `table` after).
    """
    if settings.compare_conditions != changed.compare_conditions:
        return True
    if reaches(outcome, window, settings, changed):
        return True
    rules = rules_on(outcome, window, changed)
    made_again = [MADE_BY[name] for name in steps_made_again(settings, changed)]
    if made_again and asked_for(outcome, window, rules) & set().union(*made_again):
        return True

    def verdicts(rows):
        own = rows_of(rows, [(outcome, window)]).sort_values(KEYS, kind="stable")
        return own[[*KEYS, "value", "status"]].reset_index(drop=True)

    return not verdicts(found).equals(verdicts(table))


def people_with_edits(study):
    """Participants about whose recordings a person decided something."""
    from study.session_sheet import table_of

    return set(table_of(study, "edits")["participant_id"])


def file_of(person, paths):
    """The one file of a participant among those of everybody; None where there is none."""
    names = (person, f"{person}_oxygenation")
    own = [p for p in map(Path, paths) if p.stem in names or p.parent.name == person]
    return own[0] if own else None


def copy_without_edits(study, folder):
    """The tables of a study without edits.tsv, in a folder that is thrown away."""
    if not folder.exists():
        folder.mkdir()
        for table in study.glob("*.tsv"):
            if table.name != "edits.tsv":
                shutil.copy(table, folder)
    return folder


def found_again(own, folder, study, person, changed, upstream, without_edits):
    """Files of beats and saturation, made again where the change reaches them."""
    if "find_beats" in upstream or without_edits:
        from find_beats import find_beats

        made = {n: folder / f"{person}_{n}.tsv" for n in ("beats", "respiration", "beat_quality")}
        find_beats(
            own["signals"],
            *made.values(),
            study=study,
            participant=person,
            settings=changed.find_beats,
        )
        own = own | made
    if "segment_oxygenation" in upstream or without_edits:
        from segment_oxygenation import segment_oxygenation

        made = {
            "saturation": folder / f"{person}_oxygenation.parquet",
            "segments": folder / f"{person}_segments.tsv",
        }
        beside = [folder / f"{person}_{n}.tsv" for n in ("boundaries", "checks", "quality")]
        segment_oxygenation(
            own["signals"],
            *made.values(),
            *beside,
            study=study,
            participant=person,
            settings=changed.segment_oxygenation,
            protocol=changed.protocol,
        )
        own = own | made
    return own


def outcomes_of(own, study, person, wanted, changed, default_rules):
    """Outcomes of one participant in the windows asked for, as measure_outcomes gives them."""
    from engine.listings import outcome_modules
    from measuring.cutting import asked_in
    from measuring.person import Person
    from measuring.values import measured

    settings = changed.measure_outcomes
    known = Person(
        study,
        person,
        *(own[n] for n in ("beats", "respiration", "saturation", "segments", "beat_quality")),
        own["sync"],
    )
    rows = []
    for window, inputs in known.windows(settings, changed.protocol):
        for outcome, name in wanted:
            module = outcome_modules()[outcome]
            if name == window.name and asked_in(window, module):
                result = measured(
                    outcome, module, window, inputs, changed.quality_rules, default_rules
                )
                rows.append(
                    known.labels(inputs["event"])
                    | {"window": name, "outcome": outcome, "unit": module.UNIT, **result}
                )
    return pd.DataFrame([row | {"value": as_written(row["value"])} for row in rows])


def as_written(value):
    """A number as a table of the main analysis holds it: the same value is the same number."""
    return float("nan") if pd.isna(value) else float(number(value))


def with_values(found, measured):
    """The outcomes with what was measured again in the place of what was there before."""
    if measured.empty:
        return found
    again = set(
        zip(measured["participant_id"], measured["outcome"], measured["window"], strict=True)
    )
    before = zip(found["participant_id"], found["outcome"], found["window"], strict=True)
    kept = found[[key not in again for key in before]]
    table = pd.concat(
        [part.dropna(axis=1, how="all") for part in (kept, measured) if len(part)],
        ignore_index=True,
    )
    return table.reindex(columns=found.columns)


def changes_of(before, after):
    """Number of values, and of those that changed or came or went, by outcome and window."""

    def values(table):
        return table["value"].set_axis(pd.MultiIndex.from_frame(table[KEYS])).dropna()

    one, other = values(before).align(values(after))
    changed = (one != other).groupby(level=["outcome", "window"]).sum()
    given = other.notna().groupby(level=["outcome", "window"]).sum()
    return pd.DataFrame({"n_values": given, "n_values_changed": changed})


def contrasts_again(table, primary, changed):
    """Marginal contrasts of the primary outcomes, the result that decides in the main columns."""
    conditions = changed.study.conditions
    values = usable(table, declared("SCALE"), conditions)
    plan = Plan.of(changed.compare_conditions, conditions, primary, changed.study.seed)
    tables = [
        outcome_contrasts(comparison, plan)
        for comparison in comparisons_of(values, conditions, primary).values()
    ]
    found = stack(tables, "contrasts")
    if found.empty:
        return found
    found = as_decided(found[found["exercise"] == "all"])
    numbers = found.select_dtypes("number").columns
    return found.assign(**{name: [as_written(v) for v in found[name]] for name in numbers})


def beside_main(compared, main, changes, primary):
    """Each contrast of the main analysis with the one of the alternative and their difference."""
    main = main[main["exercise"] == "all"]
    keys = ["outcome", "window", "contrast"]
    rows = []
    for outcome, window in primary:
        for before in main[(main["outcome"] == outcome) & (main["window"] == window)].itertuples():
            row = {key: getattr(before, key) for key in (*keys, "scale")}
            row["main_estimate"] = before.estimate
            if (outcome, window) in changes.index:
                row |= changes.loc[(outcome, window)].to_dict()
            after = compared
            for key in keys:
                after = after[after[key] == row[key]] if len(after) else after
            if len(after):
                now = after.iloc[0]
                columns = ("estimate", "ci_low", "ci_high", "p", "p_adjusted", "deciding")
                row |= {name: now[name] for name in (*columns, "n_participants")}
                ratio = row["scale"] == "ratio"
                row["difference"] = (
                    now["estimate"] / before.estimate
                    if ratio
                    else now["estimate"] - before.estimate
                )
                row["note"] = now["note"]
            else:
                row["note"] = "no contrast under this alternative"
            rows.append(row)
    return pd.DataFrame(rows)


def in_words(settings, changed, edits):
    """What differs from the main analysis: every setting with its value before and now."""
    found = [
        f"{path}: {before} to {now}" for path, before, now in changed_settings(settings, changed)
    ]
    if edits == "ignored":
        found.append("the decisions of edits.tsv are not carried out")
    return "; ".join(found) or "nothing: the same settings as in the main analysis"


MAIN = "main analysis"
