"""What leaves a study is declared; the last step of a run looks for what should not have."""

import gzip
import zipfile

import pytest

from find_private_text import find_private_text
from project import change, write_tiny_study, write_tsv
from recordings.declared import declared_by
from recordings.readers.any_file import read_recording
from recordings.recording import ReadingError
from report.methods import without_tags
from results.private_text import places_of, private_codes, private_texts
from sessions.packing import packed_texts
from study.privacy import LEAVES, free_text_columns, is_made_of_labels
from study.problems import Problems, StudyError
from study.rows import read_table, rows_of
from study.session_sheet import events_of
from study.tables import TABLES


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01",))


def add_column(study, table, column, value):
    path = study / f"{table}.tsv"
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    written = [f"{header}\t{column}", *(f"{row}\t{value}" for row in lines)]
    path.write_text("\n".join(written) + "\n", encoding="utf-8")


@pytest.mark.parametrize("table", TABLES)
def test_notes_reasons_and_names_of_persons_are_not_declared_to_leave(table):
    private = set(free_text_columns(TABLES[table]))
    assert not private & LEAVES
    free = {"note", "reason", "editor", "reviewer", "override_by", "override_reason"}
    assert private == free & {*TABLES[table].model_fields}


@pytest.mark.parametrize(
    ("file", "tells_nothing"),
    [
        ("raw/sub-01/sub-01_ses-1_task-cuff_recording-ecg_physio.tsv.gz", True),
        ("raw/sub-01_ses-1_intervals.txt", True),
        ("raw/01_smo2.csv", True),
        ("raw/Smith_Jane.csv", False),
        ("raw/sub-01_JS.csv", False),
        ("raw/sub-01_1961-03-04.csv", False),
        ("raw/sub-01_ses-1_Größe.csv", False),
    ],
)
def test_a_file_keeps_its_name_where_that_is_made_of_labels(file, tells_nothing):
    assert is_made_of_labels(file, "sub-01", "ses-1") is tells_nothing


def test_steps_know_a_file_by_its_label_and_find_it_by_its_name(study):
    change(study, "recordings.tsv", "raw/sub-01_ses-1_saturation.csv", "raw/Smith_Jane.csv")
    row = rows_of(study, "recordings")[1]
    assert (row.file, row.file_inside) == ("sub-01_ses-1_file-2.csv", "raw/Smith_Jane.csv")


@pytest.mark.parametrize(
    ("stated", "told"), [("false", "reason in the study"), ("true", "phoned Dr Meier")]
)
def test_a_reason_leaves_only_where_the_study_says_so(study, stated, told):
    add_column(study, "events", "reason", "phoned Dr Meier")
    with (study / "study.yaml").open("a") as file:
        file.write(f"privacy:\n  free_text_leaves: {stated}\n")
    assert set(events_of(study)["reason"]) == {told}


def plant(study, results, text):
    """A results folder in which a text stands in tables, a Word file and pages, packed or not."""
    results.mkdir()
    (results / "outcomes.tsv.gz").write_bytes(gzip.compress(f"reason\n{text}\n".encode()))
    (results / "ses-1.html").write_text(f'<script id="texts">{packed_texts([text])}</script>')
    (results / "safety.tsv").write_text(f"reason\nstopped early: {text}\n")
    (results / "report.html").write_text(f"<p>{text.replace(chr(39), '&#39;')}</p>")
    with zipfile.ZipFile(results / "table.docx", "w") as packed:
        packed.writestr("word/document.xml", f"<w:t>{text}</w:t>")


def test_a_private_text_in_a_table_a_page_or_a_word_file_is_found_with_its_place(study, tmp_path):
    add_column(study, "events", "note", "sister of Mrs O'Hara called")
    plant(study, tmp_path / "results", "sister of Mrs O'Hara called")
    places = list(places_of(private_texts(study), tmp_path / "results"))
    assert {(file, where) for file, where, _ in places} == {
        ("safety.tsv", "line 2"),
        ("report.html", "line 1"),
        ("table.docx", "line 1"),
        ("outcomes.tsv.gz", "line 2"),
        ("ses-1.html", "line 1"),
    }
    with pytest.raises(StudyError, match="line 2: events.tsv, row 2, column note"):
        find_private_text(
            tmp_path / "inputs.tsv", study=str(study), results=str(tmp_path / "results")
        )


@pytest.mark.parametrize("value", ["Smithers", "AB123456"])
def test_a_column_that_is_not_declared_is_private_and_a_word_of_the_field_is_not(
    study, tmp_path, value
):
    add_column(study, "participants", "own", value)
    add_column(study, "events", "weather", "right")
    plant(study, tmp_path / "results", f"{value} on the right side")
    texts = private_texts(study)
    assert value in texts
    assert "right" not in texts
    assert len(list(places_of(texts, tmp_path / "results"))) == 5


def test_lines_around_a_table_and_fields_of_an_edf_header_are_private(study):
    path = study / "raw" / "sub-01_ses-1_saturation.csv"
    path.write_text(path.read_text() + "Signed by Dr Meier in Oberammergau\n")
    edf = study / "raw" / "sub-01_ses-1_intervals.txt"
    patient = b"H123456 F 04-MAR-1961 Smith_Jane"
    edf.write_bytes(b"0       " + patient.ljust(80) + b"Startdate X X X X".ljust(80) + bytes(88))
    texts = private_texts(study)
    assert "Signed by Dr Meier in Oberammergau" in texts
    assert {"Smith_Jane", "H123456", "04-MAR-1961"} <= {*texts}
    # an author of the references: the program writes the name itself
    assert "Smith" not in texts


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        # a row that slipped by a column: the note stands where a limb is asked for
        ({"limb": "sister of Mrs Smithers called"}, "column limb: found a text of 5 words"),
        ({"limb": "tail"}, "column limb: found 'tail'"),
        ({"reps_done": "phoned Dr Obermeier at noon"}, "column reps_done: found a text of 5 words"),
    ],
)
def test_a_message_quotes_a_word_and_no_note_that_stands_in_a_wrong_place(tmp_path, columns, told):
    row = {"participant_id": "sub-01", "session_id": "ses-1", "onset_s": 0, "duration_s": 9}
    write_tsv(tmp_path / "events.tsv", [row | {"trial_type": "rest"} | columns])
    problems = Problems()
    read_table(tmp_path / "events.tsv", problems)
    with pytest.raises(StudyError) as refused:
        problems.stop()
    assert told in str(refused.value)
    assert "Smithers" not in str(refused.value) and "Obermeier" not in str(refused.value)


def test_a_message_names_the_place_of_a_name_of_a_person_and_not_the_name(tmp_path):
    row = {"review_id": 1, "reviewer": "Prof Zuckmayer " * 9, "seed": 1, "recordings": 1}
    row |= {"decisions": 0, "frozen_at": "2031-05-24T10:00:00", "decisions_sha256": "0" * 64}
    write_tsv(tmp_path / "reviews.tsv", [row])
    problems = Problems()
    read_table(tmp_path / "reviews.tsv", problems)
    with pytest.raises(StudyError, match="column reviewer: found a text of 134 signs") as refused:
        problems.stop()
    assert "Zuckmayer" not in str(refused.value)


def test_a_line_of_a_recording_that_is_no_reading_is_told_by_its_row(study):
    path = study / "raw" / "sub-01_ses-1_saturation.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[600] = "300,0;asked Dr Obermeier about her knee"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    declared = declared_by(rows_of(study, "recordings")[1].model_dump(), ())
    with pytest.raises(ReadingError, match="row 601") as refused:
        read_recording(path, declared, study)
    assert "Obermeier" not in str(refused.value)


def test_what_a_study_calls_its_people_is_sought_in_its_own_case_and_as_a_whole(study, tmp_path):
    with (study / "study.yaml").open("a") as file:
        file.write('names:\n  participants: {"Q7x": sub-01, "sub-02": sub-02, "12": sub-03}\n')
    codes = private_codes(study)
    assert codes == {"Q7x": "study.yaml, names.participants"}
    results = tmp_path / "results"
    results.mkdir()
    (results / "a.tsv").write_text("person\nQ7x\n")
    (results / "b.tsv").write_text("person\nq7x aQ7x Q7xb\n")
    (results / "c.html").write_text("A" * 200 + "/Q7x/" + "B" * 200)
    (results / "d_Q7x.svg").write_text("<text>n_Q7x</text>")
    assert list(places_of({}, results, codes)) == [
        ("a.tsv", "line 2", codes["Q7x"]),
        ("d_Q7x.svg", "its name", codes["Q7x"]),
        ("d_Q7x.svg", "line 1", codes["Q7x"]),
    ]


@pytest.mark.parametrize("kind", ["matplotlib", "typst"])
def test_a_private_text_that_is_set_in_a_pdf_is_found(tmp_path, kind):
    text = "felt like at Zanzibar (beach)"
    path = tmp_path / "figure.pdf"
    if kind == "typst":
        import typst

        (tmp_path / "book.typ").write_text(f"= A book\n\n{text}\n", encoding="utf-8")
        path.write_bytes(typst.compile(str(tmp_path / "book.typ")))
        (tmp_path / "book.typ").unlink()
    else:
        from matplotlib import rc_context
        from matplotlib.figure import Figure

        with rc_context({"pdf.fonttype": 42}):
            figure = Figure()
            figure.text(0.5, 0.5, text)
            figure.savefig(path)
    assert text.encode() not in path.read_bytes()
    places = set(places_of({text: "events.tsv, row 2, column note"}, tmp_path))
    assert places == {("figure.pdf", "line 1", "events.tsv, row 2, column note")}


def test_a_title_that_reads_as_a_tag_is_text_in_the_methods():
    assert without_tags("A <script>alert(1)</script> study, p < .05") == (
        "A \\<script>alert(1)\\</script> study, p < .05"
    )
