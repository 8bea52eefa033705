"""Tables of results made again, a row of them looked up by its number.

Everything behind outcomes.tsv is made again by the functions that made it: the comparison, the
alternatives, what goes with pressure and failure, safety, and who and what was left out.
"""

from engine.step import is_unmade
from measuring.person import files_of
from results.tables import as_read, stack
from study.rows import participants_of, rows_of
from study.session_sheet import events_of, table_of

FROM_RECORDINGS = (
    "This table comes from the recordings themselves, before any outcome: the command "
    "launch.py verify makes it again from them."
)

# files of a person with what was judged in the recordings
JUDGED = ("beat_quality", "oxygenation_quality", "window_quality")


def row_again(finished, name, number):
    """A row of one of MADE_AGAIN made again, None where no such row comes out.

    number : as a spreadsheet numbers it, the first row below the header is 2
    """
    position = number - 2
    if name == "alternatives":
        table = finished.table(name)
        of_alternative = table.index[table["alternative"] == table.at[position, "alternative"]]
        position = of_alternative.get_loc(position)
        again = _alternative(finished, table.at[number - 2, "alternative"])
    else:
        again = _table(finished, name)
    return again.iloc[position] if position < len(again) else None


def _table(finished, name):
    """A table made again, with all that are made together with it."""
    (make,) = (make for make, names in MADE_TOGETHER.items() if name in names)
    tables = finished.kept(make, lambda: make(finished))
    return as_read(tables[name], name)


def _comparison(finished):
    from comparison.outcome_tables import Plan, compare
    from study.plan import changed_after_freezing, excluded_after_freezing

    settings, study = finished.settings, finished.study
    departures = [
        *changed_after_freezing(study, settings),
        *excluded_after_freezing(settings.plan, rows_of(study, "edits")),
    ]
    plan = Plan(
        settings.compare_conditions,
        settings.study.conditions,
        settings.study.primary,
        settings.study.seed,
        settings.plan,
        departures,
    )
    made_from = finished.table("outcomes"), table_of(study, "sessions"), finished.table("quality")
    return {name: stack(made, name) for name, made in compare(*made_from, plan).items()}


def _alternative(finished, name):
    """The rows of alternatives.tsv of one alternative."""
    from comparison.alternatives import (
        MAIN,
        alternative_rows,
        changes_asked,
        main_rows,
        outcomes_asked,
    )
    from comparison.outcome_tables import rows_of_outcomes
    from comparison.outside_pressures import ALTERNATIVE, rows_without_outside
    from measuring.measured_again import Recorded

    settings = finished.settings
    wanted = outcomes_asked(settings)
    outcomes = rows_of_outcomes(finished.table("outcomes"), wanted)
    main = rows_of_outcomes(finished.table("contrasts"), settings.study.primary)

    def make():
        if name == MAIN:
            return main_rows(main)
        if name == ALTERNATIVE:
            return rows_without_outside(outcomes, finished.table("safety"), main, settings)
        change = changes_asked(settings)[name]
        rules = finished.default_settings.quality_rules
        measured = [
            Recorded(
                finished.study,
                person,
                **files_of(finished.results, person),
                signals=finished.results / "signals" / f"{person}.parquet",
            ).measured_again(change, wanted, rules)
            for person in _people(finished)
        ]
        measured = stack(measured, "outcomes")
        return alternative_rows(name, change, outcomes, measured, main, settings)

    return finished.kept(
        ("alternative", name), lambda: as_read(stack([make()], "alternatives"), "alternatives")
    )


def _people(finished):
    """Everybody with a recording of whom everything could be made, in order."""
    everybody = participants_of(finished.study)
    return [person for person in everybody if not is_unmade(person, finished.results)]


def _related(finished):
    from comparison.relations import related_tables

    settings = finished.settings
    measured = finished.table("safety"), finished.table("cuff_checks")
    return related_tables(
        finished.table("outcomes"),
        events_of(finished.study),
        *measured,
        settings.protocol,
        settings.study,
    )


def _checked(finished):
    from cuff.checked import checked_tables
    from study.table_forms import files_of_table

    settings = finished.settings
    return checked_tables(
        finished.study,
        finished.table("cuff_checks"),
        settings.study.conditions,
        settings.check_safety,
        settings.protocol,
        harms_kept=bool(files_of_table(finished.study, "harms")),
    )


def _left_out(finished):
    from comparison.sensitivity import missing_values
    from results.decisions import ledger
    from results.exclusions import exclusion_table, unused_recordings

    study, results, asked = finished.study, finished.results, finished.settings.study
    people = _people(finished)
    beats_of = {person: results / "beats" / f"{person}.tsv" for person in people}
    of_person = [results / "participants" / person for person in people]
    judged = [folder / f"{kind}.tsv" for kind in JUDGED for folder in of_person]
    measured = [folder / "outcomes.tsv.gz" for folder in of_person]
    return {
        "missing": missing_values(finished.table("outcomes"), asked.conditions, asked.primary),
        "exclusions": exclusion_table(study, finished.table("unmade"), judged, measured),
        "unused": unused_recordings(finished.table("sync")),
        "decisions": ledger(study, beats_of, results / "quality.tsv"),
    }


# tables by what makes them together
MADE_TOGETHER = {
    _comparison: (
        *("contrasts", "claims", "joint_tests", "crossover", "models", "sensitivity"),
        *("single_case", "effect_sizes", "individual_responses", "repeatability", "planning"),
        "diagnostics",
    ),
    _related: ("failure", "dose", "coupling", "repetitions", "repetition_agreement"),
    _checked: ("safety", "titration", "harms"),
    _left_out: ("missing", "exclusions", "unused", "decisions"),
}

MADE_AGAIN = ("alternatives", *(name for names in MADE_TOGETHER.values() for name in names))
