"""Findings, verdicts on pressures, checks, harms, titration, and what to be careful of."""

from cuff.cautions import CAUTIONS
from report.page import read_text_table, shown_table
from report.print_tables import CAPTIONS, PRESSURES
from report.safety import (
    blood_pressure_in_words,
    findings_table,
    harms_in_words,
    harms_table,
    missing_in_words,
    outside_table,
    safety_findings,
    titration_in_words,
    titration_table,
    verdicts_in_words,
    verdicts_table,
)

ORDER = 50

TITLE = "Pressures and safety"

NEEDS = ("safety", "titration", "harms")


def section(results):
    settings, default = (s.check_safety for s in (results.settings, results.default_settings))
    safety, titration, harms = results.safety, results.titration, results.harms
    changed = settings.highest_share_pct != default.highest_share_pct
    printed = read_text_table(results.path(f"tables/{PRESSURES}.tsv"))
    return {
        "findings": safety_findings(safety, harms),
        "in_full": table_or_none(findings_table(safety), "Findings and symptoms in full"),
        "cautions": CAUTIONS,
        "said": [
            *verdicts_in_words(safety, settings.highest_share_pct, by_study=changed),
            missing_in_words(safety),
            blood_pressure_in_words(results.events, settings),
        ],
        "verdicts": table_or_none(
            verdicts_table(safety, results.conditions), "Sets by condition and verdict"
        ),
        "outside": table_or_none(outside_table(safety), "Sets whose pressure does not count"),
        "harms_said": harms_in_words(harms),
        "harms": table_or_none(harms_table(harms), "Harms by condition"),
        "titration_said": titration_in_words(titration),
        "titration": table_or_none(titration_table(titration), "Steps of the titration"),
        "pressures": shown_table(printed, CAPTIONS[PRESSURES]),
    }


def table_or_none(table, caption):
    """A table to show, or None where it has no rows."""
    return shown_table(table, caption) if table is not None and len(table) else None
