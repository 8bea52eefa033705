"""Write config/SETTINGS.md and results/README.md from the declarations: every setting, window and
outcome, and every column of every table that goes in or comes out.

python3.11 scripts/launch.py pages
"""

import re
from pathlib import Path

import yaml

from cuff.cautions import CAUTION
from engine.listings import families, outcome_modules, window_modules, windows_of
from results import columns as results
from study.settings import QualityRule, setting_sections
from study.tables import REQUIRED, TABLES, allowed_in

# settings too long for a cell of the table
WHERE = {"alternatives": "see config.yaml"}

PROJECT = Path(__file__).resolve().parents[2]
CONFIG = PROJECT / "config"

# what no column says by itself, below the table that it is about
REMARKS = {
    "participants": "Further columns are allowed and kept out of the analysis; only a name that "
    "looks like a misspelt column of this table is refused.",
    "sessions": "A visit that did not take place has no row in any table: say why in the `note` of "
    "another visit of the participant, which exclusions.tsv quotes beside the condition that was "
    "not done. A visit of which nothing was recorded keeps its row here, with the reason in "
    "`note`, and has none in recordings.tsv: exclusions.tsv quotes that note, too.",
    "occlusion": CAUTION,
    "titration": CAUTION + " A step is passed where it was accepted, flow was heard, refill lay "
    "within its limit and no stop sign was noted.",
}


def settings_page():
    """config/SETTINGS.md as text."""
    defaults = yaml.safe_load((CONFIG / "config.yaml").read_text(encoding="utf-8"))
    lines = [
        "# Settings and tables",
        "",
        "Written by `scripts/study/reference_pages.py` from `scripts/study/`; do not edit by "
        "hand. A study changes a setting in its own `study.yaml`, under the name of its section.",
        "",
    ]
    for name, section in setting_sections().items():
        lines += [f"## {name}", "", _one_line(section.__doc__), ""]
        lines += ["| setting | default | what it does | source |", "|---|---|---|---|"]
        for key, setting in section.model_fields.items():
            shown = WHERE.get(key) or f"`{defaults[name][key]}`"
            source, formerly = (setting.json_schema_extra[n] for n in ("source", "formerly"))
            said = setting.description + (f" Earlier: `{formerly}`." if formerly else "")
            lines.append(f"| {key} | {shown} | {_cell(said)} | {_cell(source)} |")
        lines.append("")
    lines += _quality_rules()
    lines += _windows_and_outcomes()
    for name, table in TABLES.items():
        required = "" if name in REQUIRED else " Optional."
        lines += [f"## {name}.tsv", "", f"{_one_line(table.__doc__)}{required}", ""]
        lines += ["| column | required | what is allowed |", "|---|---|---|"]
        for column, field in table.model_fields.items():
            needed = "yes" if field.is_required() or column in table.needed else ""
            lines.append(f"| {column} | {needed} | {_cell(allowed_in(field))} |")
        lines += ["", *([REMARKS[name], ""] if name in REMARKS else [])]
    return "\n".join(lines)


def results_page():
    """results/README.md as text."""
    lines = [
        "# Results",
        "",
        "Results are built here, one folder per study, and never committed. "
        "`python3.11 scripts/launch.py` makes `data_demo/report.html`.",
        "",
        "Below is every column of every table of a study, written by "
        "`scripts/study/reference_pages.py` from `scripts/results/columns.py`; do not edit by "
        "hand. Tables are tab-separated text, `n/a` is a missing value. Windows and outcomes are "
        "explained in [config/SETTINGS.md](../config/SETTINGS.md#windows-and-outcomes). Not listed "
        "are `figures/`, where each figure has its numbers beside it and some a slide, `tables/`, "
        "which repeats parts of these tables for print and holds `outcomes_by_person.csv` with its "
        "codebook for statistics programs, `outcomes_by_condition.tsv` and "
        "`pressures_by_visit.tsv`, which are too long for a page, and `participants/`, which holds "
        "what one step hands to the next. `methods.md`, `references.bib`, `references.json`, "
        "`checklists.md` and the book `results.pdf` are for whoever writes a paper.",
        "",
        CAUTION,
        "",
    ]
    for name, table in results.TABLES.items():
        lines += [
            f"## `{table.file or f'{name}.tsv'}`",
            "",
            table.row,
            "",
            "| column | meaning |",
            "|---|---|",
        ]
        lines += [f"| `{column}` | {_cell(meaning)} |" for column, meaning in table.columns.items()]
        lines.append("")
    return "\n".join(lines)


def _windows_and_outcomes():
    """The windows, and the outcomes with the windows in which each is asked."""
    lines = [
        "## Windows and outcomes",
        "",
        "`primary_outcomes` and `smallest_effect` name outcomes and windows as they stand here. "
        "Windows follow from the rows of events.tsv. What is asked in a window may be refused "
        "there, see the rules above.",
        "",
        "| window | what it is |",
        "|---|---|",
        *(f"| {name} | {_cell(module.SAYS)} |" for name, module in window_modules().items()),
        "",
        "Conditions are compared on the scale `identity`, by differences in the unit, `ratio`, by "
        "differences of logarithms given back as ratios, or `ordinal`, by ranks; `yes or no` is "
        "compared by exact tests of rates in failure.tsv.",
        "",
        "| outcome | label | unit | asked in | scale | what it is | how it is made |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, module in outcome_modules().items():
        said = _one_line(module.__doc__.split("\n\n")[0]).removesuffix(".")
        lines.append(
            f"| {name} | {module.LABEL} | {module.UNIT} | {', '.join(windows_of(name))} | "
            f"{module.SCALE} | {_cell(said)} | {_cell(_with_names(module.RECIPE))} |"
        )
    return [*lines, ""]


def _quality_rules():
    """The table of rules that refuse or flag an outcome."""
    written = yaml.safe_load((CONFIG / "quality_rules.yaml").read_text(encoding="utf-8"))
    of_family = families()
    lines = [
        "## quality_rules",
        "",
        "Rules that flag or refuse an outcome, from `config/quality_rules.yaml`. A rule holds for "
        "whole families of outcomes, and so for every new outcome of theirs, and for those named "
        "beside them. A study changes one limit by the rule's name, as "
        "`quality_rules: {repaired_share: {refused_above: 20.0}}`; the methods text then says so.",
        "",
        "| rule | measured | flagged | refused | windows | families and outcomes | source |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, fields in written.items():
        rule = QualityRule.model_validate(fields)
        flagged, refused = map(rule.limits_in_words, ("flagged", "refused"))
        windows = fields["windows"] if fields["windows"] == "all" else ", ".join(rule.windows)
        judged = ", ".join([*(f"all of {family}" for family in rule.families), *rule.outcomes])
        judged += f" without {', '.join(rule.without)}" if rule.without else ""
        lines.append(
            f"| {name} | {rule.measured} | {flagged} | {refused} | "
            f"{windows} | {judged} | {rule.source} |"
        )
    lines += ["", "| family | outcomes |", "|---|---|"]
    for family in dict.fromkeys(of_family.values()):
        names = [name for name in of_family if of_family[name] == family]
        lines.append(f"| {family} | {', '.join(names)} |")
    return [*lines, ""]


def _with_names(recipe):
    """A recipe with the names of its settings where a run prints their values."""
    return re.sub(r"\{(\w+)[^}]*\}", r"`\1`", recipe)


def _one_line(text):
    return " ".join(text.split())


def _cell(text):
    return _one_line(text or "").replace("|", "\\|")


if __name__ == "__main__":
    (CONFIG / "SETTINGS.md").write_text(settings_page(), encoding="utf-8")
    (PROJECT / "results" / "README.md").write_text(results_page(), encoding="utf-8")
