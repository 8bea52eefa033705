"""Tables of results made again, a row of them looked up by its number.

Everything behind outcomes.tsv is made again by the functions that made it: the comparison, the
alternatives, what goes with pressure and failure, safety, and who and what was left out.
"""

import pandas as pd

from engine.step import is_unmade
from measuring.person import FILES
from results.tables import as_read, stack
from study.rows import participants_of, rows_of
from study.session_sheet import events_of, table_of

# of the comparison of conditions
COMPARED = (
    *("contrasts", "claims", "joint_tests", "crossover", "models", "sensitivity", "single_case"),
    *("effect_sizes", "individual_responses", "repeatability", "planning", "diagnostics"),
)

RELATED = ("failure", "dose", "coupling", "repetitions", "repetition_agreement")

OF_PRESSURES = ("safety", "titration", "harms")

LEFT_OUT = ("missing", "exclusions", "unused", "decisions")

MADE_AGAIN = (*COMPARED, "alternatives", *RELATED, *OF_PRESSURES, *LEFT_OUT)

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
    def make():
        if name in COMPARED:
            made = stack(finished.kept("comparison", lambda: _comparison(finished))[name], name)
        else:
            made = MAKERS[name](finished)
        return as_read(made, name)

    return finished.kept(("made again", name), make)


def _comparison(finished):
    from comparison.outcome_tables import Plan, compare
    from study.plan import changed_after_freezing, excluded_after_freezing

    settings, study = finished.settings, finished.study
    departures = [
        *changed_after_freezing(study, settings),
        *excluded_after_freezing(settings.plan, rows_of(study, "edits")),
    ]
    plan = Plan.of(
        settings.compare_conditions,
        settings.study.conditions,
        settings.study.primary,
        settings.study.seed,
        settings.plan,
        departures,
    )
    made_from = finished.table("outcomes"), table_of(study, "sessions"), finished.table("quality")
    return compare(*made_from, plan)


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
                **{kind: finished.results / path.format(person) for kind, path in FILES.items()},
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


def _failure(finished):
    from comparison.failure_table import failure_rows

    settings = finished.settings
    return pd.DataFrame(
        failure_rows(
            finished.table("outcomes"),
            conditions=settings.study.conditions,
            band_pct=settings.protocol.failure_band_pct,
            seed=settings.study.seed,
        )
    )


def _dose(finished):
    from comparison.dose_table import dose_rows, doses_of

    settings = finished.settings
    noted = finished.table("safety"), finished.table("cuff_checks")
    doses = doses_of(events_of(finished.study), *noted, settings.protocol)
    return pd.DataFrame(
        dose_rows(
            finished.table("outcomes"),
            doses,
            primary=settings.study.primary,
            band_pct=settings.protocol.failure_band_pct,
        )
    )


def _values_of_sets(finished):
    outcomes = finished.table("outcomes")
    return outcomes[(outcomes["trial_type"] == "set") & outcomes["value"].notna()]


def _coupling(finished):
    from comparison.coupling import couplings

    return pd.DataFrame(couplings(_values_of_sets(finished)))


def _repetitions(finished):
    from comparison.coupling import counts_beside_log

    return counts_beside_log(_values_of_sets(finished))


def _agreement(finished):
    from comparison.coupling import agreement_rows

    return pd.DataFrame(agreement_rows(_repetitions(finished)))


def _known_pressures(finished):
    from cuff.safety import Known

    study = finished.study
    noted = table_of(study, "occlusion"), table_of(study, "titration")
    return Known.of_study(*noted, finished.settings.check_safety)


def _safety(finished):
    from cuff.safety import safety_table

    study, settings = finished.study, finished.settings
    noted = table_of(study, "sessions"), events_of(study), _known_pressures(finished)
    checks = finished.table("cuff_checks")
    return safety_table(*noted, checks, settings.check_safety, settings.protocol)


def _sets(finished):
    events = events_of(finished.study)
    return events[events["trial_type"] == "set"]


def _titration(finished):
    from cuff.titration import titration_table

    known = _known_pressures(finished)
    return titration_table(known.steps, _sets(finished), known.widths_cm)


def _harms(finished):
    from cuff.harms import harms_table
    from study.table_forms import files_of_table

    noted = table_of(finished.study, "harms")
    kept = bool(files_of_table(finished.study, "harms"))
    return harms_table(noted, _sets(finished), finished.settings.study.conditions, kept=kept)


def _missing(finished):
    from comparison.sensitivity import missing_values

    asked = finished.settings.study
    return missing_values(finished.table("outcomes"), asked.conditions, asked.primary)


def _exclusions(finished):
    from results.exclusions import exclusion_table

    of_person = [finished.results / "participants" / person for person in _people(finished)]
    judged = [folder / f"{kind}.tsv" for kind in JUDGED for folder in of_person]
    measured = [folder / "outcomes.tsv.gz" for folder in of_person]
    return exclusion_table(finished.study, finished.table("unmade"), judged, measured)


def _unused(finished):
    from results.exclusions import unused_recordings

    return unused_recordings(finished.table("sync"))


def _decisions(finished):
    from results.decisions import ledger

    beats_of = {
        person: finished.results / "beats" / f"{person}.tsv" for person in _people(finished)
    }
    return ledger(finished.study, beats_of, finished.results / "quality.tsv")


MAKERS = {
    "failure": _failure,
    "dose": _dose,
    "coupling": _coupling,
    "repetitions": _repetitions,
    "repetition_agreement": _agreement,
    "safety": _safety,
    "titration": _titration,
    "harms": _harms,
    "missing": _missing,
    "exclusions": _exclusions,
    "unused": _unused,
    "decisions": _decisions,
}
