"""What the template of a section says of a study that has something, and of one that has not."""

from functools import cache

import pandas as pd
import pytest

from engine.code import SCRIPTS
from report.every_sentence import every_sentence, is_said, plain
from report.page import shown_table, templates_of

ROWS, NONE = (shown_table(pd.DataFrame({"a": values}), "A table") for values in ([1.0], []))

TEXT, NO_TEXT = "Something.", ""


def person(**changes):
    tables = {"bouts": ROWS, "differences": ROWS, "against": [TEXT], "said": [("Rest", TEXT)]}
    return {"name": "sub-01", "order": TEXT, "drawing": TEXT, "shaded": True} | tables | changes


OUTCOME = {"name": "rmssd_ms", "label": "RMSSD", "recipe": TEXT, "windows": []}

NO_SIGNALS = {"signals": ""}

PART = dict.fromkeys(("name", "strip", "estimate", "interval", "level", "pairs", "shares"), "")
CLAIM = {"verdict": "shown", "sentence": TEXT, "unit": "bpm", "axis": "", "matters": TEXT}
NO_PARTS = {"verdict": "not tested", "sentence": TEXT, "parts": [], "plan": ""}

# of each section: what a study with everything gives, with nothing, and what lies between
CASES = {
    "answer": (
        {"done": TEXT, "pressures": TEXT, "findings": [TEXT], "plan": TEXT}
        | {"claims": [CLAIM | {"parts": [PART], "plan": TEXT}, NO_PARTS]}
        | {"alone": False, "pictures": []},
        {"done": TEXT, "pressures": NO_TEXT, "findings": [], "claims": [], "alone": False}
        | {"plan": TEXT, "pictures": []},
        {"done": TEXT, "pressures": NO_TEXT, "findings": [], "claims": [], "alone": True}
        | {"plan": TEXT, "pictures": [], "told_set_by_set": True},
        {"done": TEXT, "pressures": NO_TEXT, "findings": [], "claims": [], "alone": True}
        | {"plan": TEXT, "pictures": [], "told_set_by_set": False},
    ),
    "coupling": (
        {"coupling_in_words": [TEXT], "coupling": ROWS, "repetitions": ROWS}
        | {"boundaries_in_words": [TEXT], "boundaries": ROWS},
        {"coupling_in_words": [], "coupling": NONE, "repetitions": NONE}
        | {"boundaries_in_words": [], "boundaries": NONE},
    ),
    "crossover": (
        {"one_visit": False, "days": TEXT, "by_sequence": [ROWS], "letters": TEXT}
        | {"first_visit": ROWS, "steps": ROWS, "power_pct": 80.0, "weak": TEXT},
        {"one_visit": True},
        {"one_visit": False, "days": NO_TEXT, "by_sequence": [], "letters": TEXT}
        | {"first_visit": NONE, "steps": NONE, "power_pct": 80.0, "weak": NO_TEXT},
    ),
    "failure": (
        {"absent": NO_TEXT, "depth": [TEXT], "marks": [TEXT], "rates": [TEXT], "failure": ROWS},
        {"absent": TEXT, "depth": [], "marks": [], "rates": [], "failure": None},
    ),
    "figures": ({"figures": [], "not_drawn": [TEXT]}, {"figures": [], "not_drawn": []}),
    "findings": (
        {"estimand": [("In", TEXT)], "findings": [([TEXT], [TEXT])], "n_primary": 3}
        | {"n_secondary": 40},
        {"estimand": [], "findings": [], "n_primary": 3, "n_secondary": 0},
        {"estimand": [], "findings": [([], [TEXT])], "n_primary": 3, "n_secondary": 0},
    ),
    "heart": (
        {"absent": NO_TEXT, "by_exercise": ROWS, "interactions": [TEXT], "delays": TEXT}
        | {"sentences": [TEXT]},
        {"absent": TEXT},
        {"absent": NO_TEXT, "by_exercise": NONE, "interactions": [], "delays": NO_TEXT}
        | {"sentences": []},
    ),
    "left_out": (
        {"flow": ROWS, "decisions": TEXT, "decided": ROWS, "exclusions": ROWS},
        {"flow": ROWS, "decisions": NO_TEXT, "decided": NONE, "exclusions": NONE},
    ),
    "limits": ({"limits": [TEXT], "standing": [TEXT]}, {"limits": [], "standing": []}),
    "numbers": (
        {"example": {"event_id": "a", "outcome": "rmssd_ms", "window": "set"}, "windows": []}
        | {
            "outcomes": [
                OUTCOME
                | {"ratio": True, "functions": ["f"], "settings": [TEXT]}
                | {"signals": "ECG"}
            ]
        },
        {"example": None, "windows": []}
        | {"outcomes": [OUTCOME | {"ratio": False, "functions": [], "settings": []} | NO_SIGNALS]},
    ),
    "safety": tuple(
        {"findings": told, "in_full": None, "cautions": [TEXT], "said": [TEXT], "by_limb": None}
        | {"outside": None, "harms_said": [], "harms": None, "titration": None}
        | {"titration_said": NO_TEXT, "pressures": ROWS}
        for told in ([TEXT], [])
    ),
    "second_reader": (
        dict.fromkeys(("sizes", "for_meta_analysis", "tests", "variances"), ROWS)
        | {"responses": ROWS, "repeatability": ROWS, "one_visit": True},
        dict.fromkeys(("sizes", "for_meta_analysis", "tests", "variances"), NONE)
        | {"responses": NONE, "repeatability": NONE, "one_visit": False},
        dict.fromkeys(("sizes", "for_meta_analysis", "tests", "variances"), NONE)
        | {"responses": ROWS, "repeatability": NONE, "one_visit": False},
    ),
    "sensitivity": (
        dict.fromkeys(("left_out_ranges", "assumptions", "alternatives", "work", "missing"), ROWS)
        | {"planning": ROWS, "chances": ROWS, "unchanged": [], "n_claims": 3, "power_pct": 80.0},
        dict.fromkeys(("left_out_ranges", "assumptions", "alternatives", "work", "missing"), NONE)
        | {"planning": NONE, "chances": NONE, "unchanged": [], "n_claims": 1, "power_pct": 80.0},
        dict.fromkeys(("left_out_ranges", "assumptions", "alternatives", "work", "missing"), NONE)
        | {"planning": ROWS, "chances": NONE, "unchanged": [], "n_claims": 1, "power_pct": 80.0},
    ),
    "settings": ({"changed": ROWS}, {"changed": NONE}),
    "single_case": (
        {"alone": True, "people": [person()]},
        {"alone": False, "people": [person(drawing="", shaded=False, differences=NONE)]},
        {"alone": False, "people": [person(shaded=False)]},
    ),
    "state_of_visits": ({"states": ROWS, "expected": TEXT}, {"states": None, "expected": TEXT}),
}


@pytest.fixture(scope="module")
def page():
    made = templates_of(SCRIPTS.parent / "workflow" / "templates")
    made.globals["folder"] = "results/my_study"
    return made


@cache
def conditional():
    """Sentences of templates that have a condition, by section."""
    by_section = {}
    for place, sentences in every_sentence():
        section = place.rpartition("/")[2].removesuffix(".html.jinja")
        told = [
            text
            for text, where in sentences
            # a command is no sentence
            if any(not c.startswith("for each") for c in where) and not text.startswith("python3")
        ]
        if place.endswith(".jinja") and told:
            by_section[section] = told
    return by_section


def test_every_section_with_a_conditional_sentence_has_cases():
    assert set(conditional()) == set(CASES)


@pytest.mark.parametrize("section", CASES)
def test_a_conditional_sentence_of_a_template_is_said_of_one_study_and_not_of_another(
    page, section
):
    template = page.get_template(f"report/{section}.html.jinja")
    said = [plain(template.render(case)) for case in CASES[section]]
    for sentence in conditional()[section]:
        sides = {is_said(sentence, text) for text in said}
        assert sides == {True, False}, sentence


def test_a_study_without_limits_decisions_or_findings_is_told_so(page):
    def told(section, case):
        return plain(page.get_template(f"report/{section}.html.jinja").render(CASES[section][case]))

    for section, sentence in (
        ("left_out", "Nothing was left out by any rule or by hand."),
        ("limits", "The tables of this study set no limits of their own."),
        ("safety", "No safety finding in what was noted and recorded."),
        ("settings", "All settings are the defaults of config/config.yaml."),
        ("findings", "No contrast between conditions could be estimated."),
    ):
        assert sentence in told(section, 1) and sentence not in told(section, 0)
