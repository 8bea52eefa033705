"""Tables for publication, as TSV, HTML and DOCX."""

import math
import zipfile

import pandas as pd

from cuff.cautions import CAUTION
from cuff.verdicts import COUNTING
from engine.listings import names_in
from report.words import label_of, with_interval
from results.format import decimals, p_value
from results.words import in_words, words_of

NEEDS = ("outcomes", "contrasts", "safety", "harms")

CONTRASTS = "3_contrasts"

PRESSURES = "4_pressures"

HARMS = "5_harms"

CAPTIONS = {
    "1_participants": "Participants",
    "2_outcomes": "Outcomes by condition, mean (SD) over participants; what follows a set counts "
    "from its end or cuff release, whichever is later",
    CONTRASTS: "Contrasts of the primary outcomes",
    PRESSURES: "Pressures with verdict, findings and symptoms, shares of occlusion pressure and "
    "checks that are missing",
    HARMS: "Harms by condition, with the people and sets at risk",
}

# below a table
NOTES = {
    PRESSURES: f"Verdicts of the sets of a visit on one limb; a pressure counts as that of its "
    f"condition where it is {in_words(list(COUNTING), 'or')}. {CAUTION}",
    HARMS: "People with a harm with the exact 95 % interval of their share (Clopper and Pearson "
    f"1934). {CAUTION}",
}

NO_DATE = (1980, 1, 1, 0, 0, 0)


def participants(people):
    """Number, mean, SD and range of what the study holds per person."""
    rows = [{"characteristic": "participants", "n": len(people), "summary": ""}]
    for name in ("age_years", "body_mass_kg", "stature_cm"):
        values = people[name].dropna().astype(float)
        if len(values):
            spread = f" (SD {values.std():.1f})" if len(values) > 1 else ""
            summary = f"{values.mean():.1f}{spread}, {values.min():g} to {values.max():g}"
            rows.append({"characteristic": words_of(name), "n": len(values), "summary": summary})
    for sex, count in people["sex"].value_counts().sort_index().items():
        rows.append({"characteristic": f"sex: {sex}", "n": int(count), "summary": ""})
    return pd.DataFrame(rows)


def outcomes_by_condition(found, conditions):
    """Mean and SD over participants, with how many values were given, flagged and withheld.

    Of an outcome that is measured in or after sets, only these: the minute after the last set is
    the first of the whole recovery as well and counts once, as in the contrasts.
    """
    in_condition = found[found["condition"].isin(conditions)]
    rows = []
    for (outcome, window), own in in_condition.groupby(["outcome", "window"], sort=False):
        if own["value"].isna().all():
            continue
        if own["exercise"].notna().any():
            own = own[own["exercise"].notna()]
        row = {"outcome": label_of(outcome), "window": words_of(window)}
        for condition in conditions:
            values = own[own["condition"] == condition]
            people = values.dropna(subset="value").groupby("participant_id")["value"].mean()
            row[condition] = mean_and_sd(people)
        row["given"] = int(own["value"].notna().sum())
        row["flagged"] = int((own["status"] == "flagged").sum())
        row["withheld"] = int(own["status"].isin(["refused", "missing"]).sum())
        rows.append(row)
    order = {label_of(name): n for n, name in enumerate(names_in("outcomes"))}
    return (
        pd.DataFrame(rows).sort_values("outcome", key=lambda c: c.map(order), kind="stable")
        if rows
        else pd.DataFrame(columns=["outcome", "window"])
    )


def mean_and_sd(values):
    """Mean and SD with the decimals that the SD supports, two of its digits at least (convention).

    Without spread the mean alone with four digits.
    """
    if values.empty:
        return ""
    sd = values.std()
    if not sd > 0:
        return f"{values.mean():.4g}, n {len(values)}"
    decimals = max(0, 1 - math.floor(math.log10(sd)))
    return f"{values.mean():.{decimals}f} ({sd:.{decimals}f}), n {len(values)}"


def contrasts_of(compared, primary):
    """Estimate, interval and p of every contrast of the primary outcomes."""
    rows = []
    for outcome, window in primary:
        own = compared[(compared["outcome"] == outcome) & (compared["window"] == window)]
        for row in own.itertuples():
            rows.append(
                {
                    "outcome": label_of(outcome),
                    "window": words_of(window),
                    "exercise": words_of(row.exercise),
                    "contrast": row.contrast,
                    "estimate": with_interval(row),
                    "df": decimals(row.df, 1),
                    "p": p_value(row.p),
                    "p adjusted": p_value(row.p_adjusted),
                    "claim": row.claim,
                    "pairs": row.n_pairs,
                    "flagged, %": decimals(row.flagged_pct, 1),
                    "withheld, %": decimals(row.withheld_pct, 1),
                }
            )
    columns = ["outcome", "window", "exercise", "contrast", "estimate", "df", "p", "p adjusted"]
    columns += ["claim", "pairs", "flagged, %", "withheld, %"]
    return pd.DataFrame(rows, columns=columns)


def pressures(safety):
    """Verdict, findings, pressures, their share and symptoms, one row per visit and limb."""
    safety = safety[safety["scope"] == "visit"]
    columns = [
        *("participant_id", "session_id", "condition", "limb", "side", "posture"),
        *("verdict_reason", "findings", "symptoms", "missing_checks"),
        *("cuff_width_cm", "occlusion_pressure_mmhg", "occlusion_method"),
        *("highest_pressure_mmhg", "share_pct", "share_status", "share_reason"),
        "restriction_min",
    ]
    table = safety[columns].copy()
    for name in (
        *("occlusion_pressure_mmhg", "highest_pressure_mmhg", "share_pct"),
        "restriction_min",
    ):
        table[name] = [decimals(value, 0 if "min" not in name else 1) for value in table[name]]
    table["occlusion_method"] = [methods_in_words(method) for method in table["occlusion_method"]]
    table["missing_checks"] = table["missing_checks"].map(words_of, na_action="ignore")
    return table.rename(columns={"verdict_reason": "verdict"}).rename(columns=words_of)


def harms_by_condition(harms):
    """Harms of each condition, all and by kind; that there was none, or that no table was kept."""
    rows = [
        {
            "condition": row.condition,
            "harm": row.what,
            "grade": "" if pd.isna(row.grade) else row.grade,
            "harms": decimals(row.harms, 0),
            "people": people_in_words(row),
            "sets at risk": int(row.sets_at_risk),
            "related to the cuff": decimals(row.related, 0),
            "not resolved": decimals(row.unresolved, 0),
            "latest, days after": decimals(row.latest_days_after, 0),
            "note": "" if pd.isna(row.note) else row.note,
        }
        for row in harms.itertuples()
    ]
    return pd.DataFrame(rows)


def people_in_words(row):
    """`1 of 10 (95 % CI 0 to 45 %)`, or those at risk where nothing is known."""
    if pd.isna(row.people):
        return f"of {int(row.people_at_risk)}"
    said = f"{int(row.people)} of {int(row.people_at_risk)}"
    if pd.isna(row.people_ci_low_pct):
        return said
    return f"{said} (95 % CI {row.people_ci_low_pct:.0f} to {row.people_ci_high_pct:.0f} %)"


def methods_in_words(methods):
    """How occlusion pressures were found; an estimate is called what it is."""
    if pd.isna(methods):
        return ""
    return "; ".join(words_of(method) for method in methods.split("; "))


def write_html(table, caption, title, path, note=""):
    """One table as a page of its own with a note below; cells are text, never markup."""
    from jinja2 import Environment

    template = Environment(autoescape=True).from_string(
        "<!doctype html><html lang='en'><meta charset='utf-8'><title>{{ caption }}</title>"
        "<style>table{border-collapse:collapse;font:14px sans-serif}caption{text-align:left;"
        "font-weight:bold;padding:.4em 0}th,td{padding:.25em .7em;text-align:left}"
        "thead{border-top:2px solid;border-bottom:1px solid}tbody{border-bottom:2px solid}</style>"
        "<table><caption>{{ caption }}. {{ title }}</caption><thead><tr>"
        "{% for name in table.columns %}<th scope='col'>{{ name }}</th>{% endfor %}</tr></thead>"
        "<tbody>{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>"
        "{% endfor %}</tbody></table>{% if note %}<p>{{ note }}</p>{% endif %}</html>\n"
    )
    rows = table.astype(object).where(table.notna(), "").to_numpy().tolist()
    path.write_text(
        template.render(caption=caption, title=title, table=table, rows=rows, note=note),
        encoding="utf-8",
    )


# a table of more columns stands on a page turned by a quarter
MOST_UPRIGHT_COLUMNS = 9


def write_docx(table, caption, title, path, note=""):
    """One table with three rules, a repeated header and a note, the same bytes each time."""
    import docx
    from docx.oxml import OxmlElement
    from docx.shared import Pt

    document = docx.Document()
    document.core_properties.created = document.core_properties.modified = _no_time()
    document.core_properties.author = ""
    if len(table.columns) > MOST_UPRIGHT_COLUMNS:
        _turn(document.sections[0])
    document.add_paragraph().add_run(f"{caption}. {title}").bold = True
    grid = document.add_table(rows=1, cols=len(table.columns))
    for cell, name in zip(grid.rows[0].cells, table.columns, strict=True):
        cell.paragraphs[0].add_run(str(name)).bold = True
    for values in table.astype(object).where(table.notna(), "").to_numpy().tolist():
        for cell, value in zip(grid.add_row().cells, values, strict=True):
            cell.text = str(value)
    repeat = OxmlElement("w:tblHeader")
    grid.rows[0]._tr.get_or_add_trPr().append(repeat)
    for row in grid.rows:
        for cell in row.cells:
            for piece in cell.paragraphs[0].runs:
                piece.font.size = Pt(8)
    _rule(grid.rows[0], "top", 12)
    _rule(grid.rows[0], "bottom", 6)
    _rule(grid.rows[-1], "bottom", 12)
    if note:
        document.add_paragraph().add_run(note).font.size = Pt(8)
    unfinished = path.with_suffix(".unfinished")
    document.save(str(unfinished))
    _without_dates(unfinished, path)


def _turn(section):
    """A page as wide as it was high, with narrow margins."""
    from docx.enum.section import WD_ORIENT
    from docx.shared import Cm

    section.orientation = WD_ORIENT.LANDSCAPE
    section.page_width, section.page_height = section.page_height, section.page_width
    section.left_margin = section.right_margin = Cm(1.5)


def _no_time():
    from datetime import datetime

    return datetime(*NO_DATE)


def _rule(row, edge, eighths_of_a_point):
    """A horizontal rule at one edge of a row."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    for cell in row.cells:
        properties = cell._tc.get_or_add_tcPr()
        borders = properties.find(qn("w:tcBorders"))
        if borders is None:
            borders = OxmlElement("w:tcBorders")
            properties.append(borders)
        line = OxmlElement(f"w:{edge}")
        for name, value in (("val", "single"), ("sz", str(eighths_of_a_point)), ("space", "0")):
            line.set(qn(f"w:{name}"), value)
        borders.append(line)


def _without_dates(source, target):
    """Copy a zip archive with all dates set to one: the same content gives the same bytes."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(zipfile.ZipInfo(name, NO_DATE), old.read(name), zipfile.ZIP_DEFLATED)
    source.unlink()
