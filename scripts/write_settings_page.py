"""Write config/SETTINGS.md from the declarations: every setting and every column of every table.

python scripts/write_settings_page.py
"""

from pathlib import Path

import yaml

from declarations.settings import Settings
from declarations.tables import REQUIRED, TABLES, allowed_in

# settings too long for a cell of the table
WHERE = {"gates": "see below", "alternatives": "see config.yaml"}
CONFIG = Path(__file__).resolve().parents[1] / "config"


def settings_page():
    """The page as text."""
    values = yaml.safe_load((CONFIG / "config.yaml").read_text(encoding="utf-8"))
    lines = [
        "# Settings and tables",
        "",
        "Written by `scripts/write_settings_page.py` from `scripts/declarations/`; do not edit by "
        "hand. A study changes a setting in its own `study.yaml`, under the name of its section.",
        "",
    ]
    for name, field in Settings.model_fields.items():
        section = field.annotation
        lines += [f"## {name}", "", _one_line(section.__doc__), ""]
        lines += ["| setting | usual value | what it does | source |", "|---|---|---|---|"]
        for key, setting in section.model_fields.items():
            shown = WHERE.get(key) or f"`{values[name][key]}`"
            source = setting.json_schema_extra["source"]
            lines.append(f"| {key} | {shown} | {_cell(setting.description)} | {_cell(source)} |")
        lines.append("")
    lines += _gates(values["measure_outcomes"]["gates"])
    for name, table in TABLES.items():
        required = "" if name in REQUIRED else " Optional."
        lines += [f"## {name}.tsv", "", f"{_one_line(table.__doc__)}{required}", ""]
        lines += ["| column | required | what is allowed |", "|---|---|---|"]
        for column, field in table.model_fields.items():
            needed = "yes" if field.is_required() or column in table.needed else ""
            lines.append(f"| {column} | {needed} | {_cell(allowed_in(field))} |")
        lines.append("")
    return "\n".join(lines)


def _gates(gates):
    """The table of rules that refuse or flag an outcome."""
    lines = [
        "## Rules that flag or refuse an outcome (measure_outcomes.gates)",
        "",
        "A study changes one limit by the rule's name, as "
        "`gates: {repaired_share: {refused_above: 20.0}}`; the methods text then says so.",
        "",
        "| rule | measured | flagged | refused | windows | outcomes | source |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, gate in gates.items():
        limits = {
            status: ", ".join(
                f"{side} {gate[f'{status}_{side}']:g}"
                for side in ("below", "above")
                if gate.get(f"{status}_{side}") is not None
            )
            for status in ("flagged", "refused")
        }
        lines.append(
            f"| {name} | {gate['measured']} | {limits['flagged']} | {limits['refused']} | "
            f"{', '.join(gate['windows'])} | {', '.join(gate['outcomes'])} | {gate['source']} |"
        )
    return [*lines, ""]


def _one_line(text):
    return " ".join(text.split())


def _cell(text):
    return _one_line(text or "").replace("|", "\\|")


if __name__ == "__main__":
    (CONFIG / "SETTINGS.md").write_text(settings_page(), encoding="utf-8")
