"""Tables for print: what stands in them, and how they look on paper."""

import re
import zipfile
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace

import docx
import pandas as pd
import pytest
from docx.enum.section import WD_ORIENT
from docx.enum.text import WD_ALIGN_PARAGRAPH

from report.by_person import column_name, outcomes_by_person, write_csv
from report.letter_widths import lines_of, width_mm
from report.print_tables import (
    Printed,
    by_family,
    ends_of_sets,
    flow_by_order,
    primary_by_exercise,
    primary_claims,
)
from report.printing import (
    LETTERS,
    PADDING_MM,
    around_mm,
    columns_of_numbers,
    heading,
    letters_and_widths,
    write_docx,
    write_html,
)

CONDITIONS = ["none", "low", "target"]


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("occlusion_pressure_mmhg", "Occlusion pressure (mmHg)"),
        ("share pct", "Share (%)"),
        ("p adjusted", "Adjusted p"),
        ("p", "p"),
        ("none", "none"),
        ("target - none", "target - none"),
        ("flagged, %", "Flagged, %"),
        ("ECG", "ECG"),
    ],
)
def test_headers_are_in_sentence_case_and_labels_of_the_study_stay(name, shown):
    assert heading(name, CONDITIONS) == shown


def test_only_columns_of_single_numbers_are_aligned_to_the_right():
    rows = [["low", "9", "< .001", "3 (1 to 5)"], ["target", "", ".012", "4 (2 to 6)"]]
    assert columns_of_numbers(rows) == {1, 2}


def printed(columns):
    table = pd.DataFrame({f"column {n}": [f"{n}.5", "n/a"] for n in range(columns)})
    return Printed("t", "Caption <b>", table.assign(name=["=1+1", "low"]), "A note & more.")


def test_a_word_table_repeats_its_header_aligns_numbers_and_carries_its_note(tmp_path):
    write_docx(printed(2), "Study", tmp_path / "t.docx")
    document = docx.Document(str(tmp_path / "t.docx"))
    (grid,) = document.tables
    assert "w:tblHeader" in grid.rows[0]._tr.xml
    assert all("w:cantSplit" in row._tr.xml for row in grid.rows)
    aligned = [cell.paragraphs[0].alignment for cell in grid.rows[1].cells]
    assert aligned == [WD_ALIGN_PARAGRAPH.RIGHT, WD_ALIGN_PARAGRAPH.RIGHT, None]
    assert grid.rows[2].cells[0].text == ""
    assert document.paragraphs[-1].text == "A note & more."
    assert document.sections[0].orientation == WD_ORIENT.PORTRAIT


def test_a_wide_table_stands_on_a_turned_page(tmp_path):
    write_docx(printed(12), "Study", tmp_path / "t.docx")
    section = docx.Document(str(tmp_path / "t.docx")).sections[0]
    assert section.orientation == WD_ORIENT.LANDSCAPE
    assert section.page_width > section.page_height
    write_html(printed(12), "Study", tmp_path / "t.html")
    assert "size:landscape" in (tmp_path / "t.html").read_text()


def test_the_same_table_gives_the_same_bytes_and_markup_stays_text(tmp_path):
    for name in ("a", "b"):
        write_docx(printed(2), "Study", tmp_path / f"{name}.docx")
    assert (tmp_path / "a.docx").read_bytes() == (tmp_path / "b.docx").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.docx") as archive:
        assert {info.date_time[0] for info in archive.infolist()} == {1980}
    write_html(printed(2), "Study", tmp_path / "t.html")
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert "Caption &lt;b&gt;" in page and "<p>A note &amp; more.</p>" in page


def sets(*ends):
    columns = ["participant_id", "session_id", "condition", "exercise", "to_failure"]
    events = pd.DataFrame(ends, columns=columns).assign(trial_type="set")
    return events.assign(stopped_early=None, stop_reason=None)


def test_flow_counts_who_did_which_condition_in_which_order_and_visit():
    visits = pd.DataFrame(
        [("a", "ses-1", 1, "AB"), ("a", "ses-2", 2, "AB"), ("b", "ses-1", 1, "AB")],
        columns=["participant_id", "session_id", "visit", "sequence"],
    )
    events = sets(("a", "ses-1", "none", "squat", False), ("b", "ses-1", "none", "squat", True))
    first, second = flow_by_order(visits, events, CONDITIONS).to_dict("records")
    assert (first["participants allotted"], first["conditions"]) == (2, "none 2")
    assert (first["to failure"], first["stopped early"]) == ("1", "")
    assert (second["participants allotted"], second["participants with sets"]) == (1, 0)


def test_what_nobody_noted_of_the_end_of_a_set_is_no_zero():
    events = sets(("a", "ses-1", "target", "squat", None), ("a", "ses-2", "none", "squat", False))
    ends = ends_of_sets(events, CONDITIONS).to_dict("records")
    assert [(row["condition"], row["to failure"]) for row in ends] == [
        ("none", "0"),
        ("target", ""),
    ]


def outcome(participant, condition, value, name="smo2_nadir_pct", exercise="squat"):
    return {
        **{"participant_id": participant, "condition": condition, "value": value},
        **{"outcome": name, "window": "set", "exercise": exercise, "status": "ok"},
    }


def test_one_row_per_person_holds_the_mean_of_their_sets_and_the_codebook_every_column(tmp_path):
    people = pd.DataFrame({"participant_id": ["a", "b"], "age_years": [30, None], "sex": None})
    outcomes = pd.DataFrame(
        [outcome("a", "none", 50.0), outcome("a", "none", 40.0), outcome("a", "target", 10.5)]
        + [outcome("b", "target", None)]
    )
    table, codebook = outcomes_by_person(outcomes, people, CONDITIONS)
    assert list(table.columns) == list(codebook["column"])
    assert list(table.columns)[:2] == ["participant_id", "age_years"]
    assert table["smo2_nadir_pct_set_none"].to_list()[0] == 45.0
    assert codebook.set_index("column").loc["smo2_nadir_pct_set_target", "people"] == 1
    write_csv(table, tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text() == (
        "participant_id,age_years,smo2_nadir_pct_set_none,smo2_nadir_pct_set_target\n"
        "a,30,45,10.5\nb,,,\n"
    )


def test_a_column_has_a_name_that_every_program_reads():
    assert column_name("rmssd_ms", "recovery_first_60_s", "80 % cuff") == "rmssd_ms_rec60_80_cuff"


def contrast(exercise, **values):
    known = {
        **{"outcome": "smo2_nadir_pct", "window": "set", "exercise": exercise, "scale": "identity"},
        **{"contrast": "target - none", "estimate": -31.6, "ci_low": -33.8, "ci_high": -29.4},
        **{"n_pairs": 10, "p_adjusted": 0.0003, "claim": "yes", "smallest_effect": 5.0},
    }
    return known | values


def test_claims_are_printed_of_contrasts_over_all_exercises_alone():
    claims = pd.DataFrame(
        {
            "outcome": ["smo2_nadir_pct"],
            "window": "set",
            "claim": "target differs",
            "verdict": "shown",
        }
    )
    contrasts = pd.DataFrame([contrast("all"), contrast("squat")])
    (row,) = primary_claims(contrasts, claims, [("smo2_nadir_pct", "set")]).to_dict("records")
    assert row["estimate"] == "-31.6 (-33.8 to -29.4)"
    assert (row["p adjusted"], row["planned claim"]) == ("< .001", "target differs: shown")


def test_a_primary_outcome_stands_in_no_table_of_secondary_ones():
    outcomes = pd.DataFrame(
        [outcome("a", "none", 50.0), outcome("a", "none", 44.0, name="smo2_end_pct")]
    )
    results = SimpleNamespace(
        outcomes=outcomes,
        contrasts=pd.DataFrame([contrast("all", outcome="smo2_end_pct")]),
        conditions=CONDITIONS,
        primary=[("smo2_nadir_pct", "set")],
    )
    (family,) = by_family(results)
    assert (family.name, len(family.table)) == ("9_saturation", 1)
    assert family.table["outcome"][0] == "Saturation at end (%)"
    assert family.table["target - none"][0] == "-31.6 (-33.8 to -29.4)"


def test_a_primary_outcome_is_printed_over_all_exercises_and_in_each():
    outcomes = pd.DataFrame(
        [outcome("a", "none", 50.0), outcome("a", "none", 40.0, exercise="row")]
        + [outcome("b", "none", 30.0), outcome("b", "target", None)]
        + [outcome("a", "none", 1.0, name="rmssd_ms", exercise=None)]
    )
    primary = [("smo2_nadir_pct", "set"), ("rmssd_ms", "set"), ("mean_hr_bpm", "set")]
    every, squat, row, alone = primary_by_exercise(outcomes, CONDITIONS, primary).to_dict("records")
    # the mean of each person first: 45 and 30
    assert (every["exercise"], every["none"]) == ("all", "38 (11), n 2")
    assert (squat["none"], squat["target"], squat["given"]) == ("40 (14), n 2", "", 2)
    assert (row["exercise"], row["none"]) == ("row", "40, n 1")
    assert (alone["outcome"], alone["exercise"], alone["given"]) == ("RMSSD (ms)", "all", 1)


def test_a_study_without_a_value_of_its_primary_outcomes_prints_no_row_of_them():
    nothing = pd.DataFrame([outcome("a", "none", None)])
    table = primary_by_exercise(nothing, CONDITIONS, [("smo2_nadir_pct", "set")])
    assert table.empty and list(table.columns[:3]) == ["outcome", "window", "exercise"]


@pytest.mark.parametrize("n_columns", [3, 12, 20, 40])
def test_columns_of_a_printed_table_fill_the_page_at_most_and_hold_their_words(n_columns):
    texts = [
        ["Restriction (min)"] * n_columns,
        ["4 without cuff pressure", *["5"] * (n_columns - 1)],
    ]
    points, widths = letters_and_widths(texts, (267, 180))
    assert sum(widths) <= 267 + 1e-6

    def word_mm(size):
        return width_mm("Restriction", size, bold=True) + PADDING_MM

    assert (min(widths) >= word_mm(points) - 1e-6) == (n_columns * word_mm(points) <= 267)
    # letters are as large as all words allow
    assert all(n_columns * word_mm(size) > 267 for size in LETTERS if size > points)
    assert widths[0] >= widths[-1]


@pytest.mark.parametrize(("n_rows", "points"), [(20, 8), (45, 7), (200, 8)])
def test_letters_are_smaller_where_the_table_then_stands_on_one_page(n_rows, points):
    """200 rows need several pages anyway."""
    assert letters_and_widths([["Outcome", "Mean"]] * n_rows, (267, 180))[0] == points


def test_a_table_gets_less_of_the_page_where_its_note_is_long():
    assert around_mm("Title", "note " * 300, 180) > around_mm("Title", "A note.", 180) + 20


@pytest.mark.parametrize(
    ("file", "bold"), [("phvr8a.afm", False), ("phvb8a.afm", True)], ids=["upright", "bold"]
)
def test_letters_are_as_wide_as_the_published_metrics_of_the_font_say(file, bold):
    """Adobe Core 14 AFM, Helvetica, as matplotlib carries it."""
    metrics = Path(find_spec("matplotlib").submodule_search_locations[0])
    metrics = (metrics / "mpl-data" / "fonts" / "afm" / file).read_text(encoding="ascii")
    told = re.findall(r"^C (\d+) ; WX (\d+)", metrics, flags=re.MULTILINE)
    printable = {chr(int(code)): int(width) for code, width in told if 32 <= int(code) < 127}
    mm = 10 * 25.4 / 72
    assert len(printable) > 90
    # in the file the two quotation marks of a typewriter are those of print
    for letter in printable.keys() - set("'`"):
        assert width_mm(letter, 10, bold=bold) == pytest.approx(printable[letter] / 1000 * mm)


def test_lines_are_broken_between_words_alone():
    room = width_mm("0.703 (0.036),", 8) + 0.1
    assert lines_of("0.703 (0.036), n 10", room, 8) == 2
    assert lines_of("0.703 (0.036), n 10", 2 * room, 8) == 1
    assert lines_of("unbroken", 1.0, 8) == 1
    assert lines_of("", 1.0, 8) == 1


def test_a_table_without_columns_takes_letters_of_the_usual_size():
    assert letters_and_widths([[]], (180, 267)) == (8, [])
