"""Findings, verdicts on pressures, checks, harms, titration, and what to be careful of."""

from cuff.cautions import CAUTIONS
from report.origins import Origin, Told
from report.page import read_text_table, shown_table
from report.pressures import BY_VISIT, BY_VISIT_CAPTION
from report.print_tables import CAPTIONS, PRESSURES, origins_of
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
)

ORDER = 50

TITLE = "Pressures and safety"

NEEDS = ("safety", "titration", "harms")


def section(results):
    settings, default = (s.check_safety for s in (results.settings, results.default_settings))
    safety, titration, harms = results.safety, results.titration, results.harms
    changed = settings.highest_share_pct != default.highest_share_pct
    by_limb, by_visit = (
        read_text_table(results.path(f"tables/{name}.tsv")) for name in (PRESSURES, BY_VISIT)
    )
    return {
        "findings": told_from("safety", safety_findings(safety, harms)),
        "in_full": table_or_none(findings_table(safety), "Findings and symptoms in full", "safety"),
        "cautions": CAUTIONS,
        "said": [
            *told_from(
                "safety",
                [
                    *verdicts_in_words(safety, settings.highest_share_pct, by_study=changed),
                    missing_in_words(safety),
                ],
            ),
            blood_pressure_in_words(results.events, settings),
        ],
        "by_limb": table_or_none(by_limb, CAPTIONS[PRESSURES], "safety"),
        "outside": table_or_none(
            outside_table(safety), "Sets whose pressure does not count", "safety"
        ),
        "harms_said": told_from("harms", harms_in_words(harms)),
        "harms": table_or_none(harms_table(harms), "Harms by condition", "harms", by_row=True),
        "titration_said": Told(titration_in_words(titration), Origin("titration", 0)),
        "titration": table_or_none(
            titration_table(titration), "Steps of the titration", "titration", by_row=True
        ),
        "pressures": shown_table(by_visit, BY_VISIT_CAPTION, origins_of(BY_VISIT, results)),
    }


def told_from(table, sentences):
    """Sentences marked with the table that they count."""
    return [Told(sentence, Origin(table, 0)) for sentence in sentences]


def table_or_none(table, caption, of, *, by_row=False):
    """A table to show, or None where it has no rows.

    of : result table behind it; by_row : whether each row is one of that table, with its index
    """
    if table is None or table.empty:
        return None
    origins = Origin.of_each(of, table) if by_row else [Origin(of, 0)] * len(table)
    return shown_table(table, caption, origins)
