"""Text as recorders, spreadsheets and countries write it: read right, or asked about."""

import gzip

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recordings.declared import declared_by
from recordings.readers.any_file import ReadingError, read_recording

TIME_S = np.arange(12) * 0.5
SATURATION_PCT = np.array(
    [65.1, 64.75, 64.0, 0.25, 63.5, 62.0, 61.25, 60.5, 60.0, 59.5, 59.25, 58.0]
)


def saturation(path, **given):
    asked = {"channel": "smo2", "time_column": "time", "unit": "pct", "signal": "muscle_oxygen"}
    return read_recording(path, declared_by(asked | given))


def written(tmp_path, text):
    """A text file of a recorder of saturation."""
    path = tmp_path / "oximeter.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def table(separator=",", decimal=".", *, header="time,smo2", end="\n", tail=""):
    """A two-column table in which some numbers leave no doubt about the decimal mark."""
    lines = [
        f"{t:g}{separator}{v:g}".replace(".", decimal) + tail
        for t, v in zip(TIME_S, SATURATION_PCT, strict=True)
    ]
    return end.join([header.replace(",", separator), *lines]) + end


PREAMBLE = "Oximeter export\nParticipant: 007\nStarted;10:15\n\n"
QUOTED_COMMAS = '"time","smo2"\n' + "".join(
    f'"{t:g}";"{v:g}"\n'.replace(".", ",").replace(";", ",")
    for t, v in zip(TIME_S, SATURATION_PCT, strict=True)
)
NOTES = "time,smo2,note\n" + "".join(
    f'{t:g},{v:g},"{"cuff on; left, tight" if i == 4 else ""}"\n'
    for i, (t, v) in enumerate(zip(TIME_S, SATURATION_PCT, strict=True))
)
MANY_NOTES = "a;b;smo2;time\n" + "".join(
    f"rest;seated;{v:g};{t:g}\n".replace(".", ",")
    for t, v in zip(TIME_S, SATURATION_PCT, strict=True)
)
ALIGNED = "  time     smo2\n" + "".join(
    f"{t:6.2f}   {v:6.2f}\n" for t, v in zip(TIME_S, SATURATION_PCT, strict=True)
)

HOSTILE = {
    "comma and point": table().encode(),
    "byte order mark": table().encode("utf-8-sig"),
    "semicolon, comma, Windows code page": table(";", ",", header="time,smo2,° µ")
    .replace("\n", ";\n")
    .encode("cp1252"),
    "tab, UTF-16": table("\t").encode("utf-16"),
    "tab, UTF-16 without its mark": table("\t").encode("utf-16-le"),
    "carriage returns and line feeds": table(";", ",", end="\r\n").encode(),
    "carriage returns alone": table(end="\r").encode(),
    "no line end at the end": table().rstrip("\n").encode(),
    "preamble": (PREAMBLE + table(";", ",")).encode(),
    "preamble in one block": (PREAMBLE.replace("\n\n", "\n") + table(";", ",")).encode(),
    "row of units": table(";", ",").replace("smo2\n", "smo2\n[s];[%]\n").encode(),
    "sep line": ("sep=;\n" + table(";", ",")).encode(),
    "quoted decimal commas": QUOTED_COMMAS.encode(),
    "trailing separators": table(";", ",", header="time,smo2,", tail=";").encode(),
    "trailing separators under a short header": table(";", ",", tail=";").encode(),
    "footer": (table(";", ",") + "\nEnd of recording\nMean;62\n").encode(),
    "footer that reads as a table of its own": (
        MANY_NOTES.replace(";", "|") + "Mean 62\n"
    ).encode(),
    "spreadsheet tail of separators": (table(";", ",") + ";\n;\n;\n").encode(),
    "notes with separators in quotes": NOTES.encode(),
    "more columns of text than of numbers": MANY_NOTES.encode(),
    "aligned with spaces": ALIGNED.encode(),
    "spaces round every cell": table(" ; ", ",").encode(),
    "bars": table("|").encode(),
    "header behind a comment sign": ("# " + table("\t")).encode(),
    "blank lines between": table().replace("\n1,", "\n\n1,").encode(),
    "true minus sign": table().replace("\n0,", "\n\u22120,").encode(),
    "gzip": gzip.compress(table(";", ",").encode()),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_dialect_is_found_and_read_to_the_last_digit(tmp_path, name):
    path = written(tmp_path, HOSTILE[name])
    recording = saturation(path)
    assert len(recording.stretches) == 1
    np.testing.assert_array_equal(recording.stretches[0].time_s, TIME_S)
    np.testing.assert_array_equal(recording.stretches[0].value, SATURATION_PCT)


def test_thousands_points_are_read_where_a_fraction_settles_it(tmp_path):
    path = written(tmp_path, "t;p\n0,5;1.013,25\n1,0;1.012,5\n1,5;999,75\n")
    asked = {"channel": "p", "time_column": "t", "unit": "au", "signal": "respiration"}
    recording = read_recording(path, declared_by(asked))
    np.testing.assert_array_equal(recording.stretches[0].value, [1013.25, 1012.5, 999.75])


def test_missing_values_are_blank_and_counted(tmp_path):
    path = written(tmp_path, "time;smo2\n0;65,1\n1;--\n2;n/a\n3;\n4;64,2\n")
    recording = saturation(path)
    assert np.isnan(recording.stretches[0].value).tolist() == [False, True, True, True, False]
    assert "3 of 5 values are blank" in recording.notes


def test_missing_samples_before_the_first_number_keep_their_place_in_time(tmp_path):
    path = tmp_path / "oximeter.csv"
    for text in (
        "smo2\nn/a\nn/a\n65.1\n64.2\n",
        "phase;smo2\nrest;--\nrest;\nset;65.1\nset;64.2\n",
    ):
        path.write_text(text, encoding="utf-8")
        (stretch,) = saturation(path, time_column=None, sampling_rate_hz=1.0).stretches
        assert np.isnan(stretch.value).tolist() == [True, True, False, False]


def test_missing_samples_after_the_last_number_keep_their_place_too(tmp_path):
    path = written(tmp_path, "smo2\n65.1\n64.2\nn/a\nn/a\n")
    (stretch,) = saturation(path, time_column=None, sampling_rate_hz=1.0).stretches
    assert np.isnan(stretch.value).tolist() == [False, False, True, True]


def test_a_separator_in_quotes_does_not_make_up_for_a_missing_cell(tmp_path):
    path = tmp_path / "oximeter.csv"
    lines = [f"rest;{i};65,5" for i in range(30)]
    path.write_text("\n".join(["note;time;smo2", *lines, '"cuff;on";30', "rest;31;65,5"]))
    with pytest.raises(ReadingError, match="row 32: 2 cells"):
        saturation(path)


def test_a_given_separator_settles_whole_numbers_without_header(tmp_path):
    path = written(tmp_path, "0,65\n1,64\n2,63\n")
    recording = saturation(path, time_column="column 1", channel="column 2", separator="comma")
    assert recording.stretches[0].value.tolist() == [65.0, 64.0, 63.0]


def test_a_given_separator_overrules_a_wrong_sep_line(tmp_path):
    path = written(tmp_path, "sep=;\n" + table())
    assert saturation(path, separator="comma").stretches[0].value[0] == 65.1


def test_a_blank_line_in_a_single_column_is_not_skipped_in_silence(tmp_path):
    path = written(tmp_path, "smo2\n65.1\n\n64.2\n")
    with pytest.raises(ReadingError, match="row 3: a blank line"):
        saturation(path, time_column=None, sampling_rate_hz=1.0)


def test_a_header_inside_the_table_is_not_read_over(tmp_path):
    path = written(tmp_path, "0;10,5\ntime;smo2\n" + "".join(f"{i};65,5\n" for i in range(30)))
    with pytest.raises(ReadingError, match="first_row"):
        saturation(path, time_column="column 1", channel="column 2")
    assert len(saturation(path, first_row=3).stretches[0].value) == 30


def test_what_lies_below_the_table_is_named(tmp_path):
    path = written(tmp_path, HOSTILE["footer"])
    assert saturation(path).notes == ("2 lines below the table are left out, from row 15",)


def test_the_dialect_found_is_shown_and_reads_the_same_when_given_back(tmp_path):
    path = written(tmp_path, HOSTILE["preamble"])
    recording = saturation(path)
    assert recording.dialect == {
        "encoding": "utf-8",
        "separator": "semicolon",
        "decimal": "comma",
        "first_row": "6",
    }
    given_back = {**recording.dialect, "first_row": int(recording.dialect["first_row"])}
    again = saturation(path, **given_back)
    assert again.dialect == recording.dialect
    np.testing.assert_array_equal(again.stretches[0].value, recording.stretches[0].value)


UNDECIDABLE = {
    "three digits behind every point beside semicolons": (
        "time;smo2\n1;65.125\n2;64.250\n3;63.500\n",
        "decimal",
    ),
    "three digits behind every comma beside tabs": (
        "time\tsmo2\n1\t65,125\n2\t64,250\n",
        "decimal",
    ),
    "comma as separator and decimal": ("time,smo2\n0,0,65,1\n0,5,64,9\n1,0,64,2\n", "separator"),
    "comma as both, whole numbers without fraction": (
        "time,smo2\n0,65,1\n0,5,64,9\n1,64,2\n1,5,64,3\n",
        "separator",
    ),
    "one decimal column or two columns, no header": ("0,65\n1,64\n2,63\n", "separator"),
}


@pytest.mark.parametrize("name", UNDECIDABLE)
def test_what_cannot_be_decided_is_asked_for(tmp_path, name):
    text, column = UNDECIDABLE[name]
    path = written(tmp_path, text)
    with pytest.raises(ReadingError) as refused:
        saturation(path)
    assert column in refused.value.todo
    assert "recordings.tsv" in refused.value.todo
    assert len(str(refused.value).splitlines()) == 3


@pytest.mark.parametrize(("decimal", "first"), [("point", 65.125), ("comma", 65125.0)])
def test_the_column_asked_for_settles_it(tmp_path, decimal, first):
    path = written(tmp_path, "time;v\n1;65.125\n2;64.250\n3;63.500\n")
    recording = saturation(path, channel="v", unit="au", signal="respiration", decimal=decimal)
    assert recording.stretches[0].value[0] == first


def test_a_single_number_below_the_head_settles_the_decimal_mark(tmp_path):
    lines = [f"{i};65.125" for i in range(1, 3001)]
    path = written(tmp_path, "\n".join(["time;smo2", *lines]))
    with pytest.raises(ReadingError, match="thousands"):
        saturation(path)
    lines[2990] = "2991;65.5"
    path.write_text("\n".join(["time;smo2", *lines]), encoding="utf-8")
    assert saturation(path).stretches[0].value[0] == 65.125


def test_three_digit_fractions_beside_commas_are_no_riddle(tmp_path):
    path = written(tmp_path, "time,smo2\n1,65.125\n2,64.250\n")
    np.testing.assert_array_equal(saturation(path).stretches[0].value, [65.125, 64.25])


def test_a_first_row_may_be_given_but_must_be_one(tmp_path):
    path = written(tmp_path, "time;smo2\n0;10,5\n1;11,5\ntime;smo2\n0;65,5\n1;64,5\n")
    recording = saturation(path, first_row=5)
    np.testing.assert_array_equal(recording.stretches[0].value, [65.5, 64.5])
    with pytest.raises(ReadingError, match="row 5"):
        saturation(path, first_row=4)


@pytest.mark.parametrize(
    ("given", "named"),
    [
        ({"separator": "dash"}, "semicolon"),
        ({"decimal": "dot"}, "point"),
        ({"encoding": "utf-9"}, "utf-8"),
        ({"separator": "comma"}, "header"),
    ],
)
def test_an_overrule_that_cannot_be_followed_is_refused(tmp_path, given, named):
    path = written(tmp_path, table(";", ","))
    with pytest.raises(ReadingError) as refused:
        saturation(path, **given)
    assert named in str(refused.value)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("900;ERR", "'ERR' is not a number"),
        ("900;61.25", "'61.25'"),
        ("900;inf", "'inf'"),
        ("900", "1 cells"),
        ("900;61;25", "3 cells"),
        ('"900";61;25', "3 cells"),
    ],
)
def test_a_cell_that_cannot_be_read_is_named_however_far_down(tmp_path, row, message):
    lines = [f"{i};65,5" for i in range(2000)]
    lines[900] = row
    path = written(tmp_path, "\n".join(["time;smo2", *lines]))
    with pytest.raises(ReadingError) as refused:
        saturation(path)
    assert "row 902" in refused.value.where
    assert message in refused.value.seen


def test_a_misspelt_column_lists_those_there_are(tmp_path):
    path = written(tmp_path, table())
    with pytest.raises(ReadingError) as refused:
        saturation(path, channel="smo")
    assert "did you mean 'smo2'" in refused.value.seen
    assert refused.value.allowed == "time, smo2"


def test_a_blank_channel_will_do_where_one_column_is_left(tmp_path):
    path = written(tmp_path, table())
    assert saturation(path, channel=None).stretches[0].value[0] == 65.1
    with pytest.raises(ReadingError, match="fill in channel"):
        saturation(path, channel=None, time_column=None, sampling_rate_hz=2.0)


def test_text_without_numbers_is_no_table(tmp_path):
    path = written(tmp_path, "Dear colleague,\nthe recording got lost.\n")
    with pytest.raises(ReadingError, match="no table of numbers"):
        saturation(path)
    path.write_bytes(b"")
    with pytest.raises(
        ReadingError, match=r"an empty file \(0 bytes\)\n.*\n.*copy it from the recorder"
    ):
        saturation(path)


def test_more_names_than_columns_is_refused(tmp_path):
    path = written(tmp_path, "time;smo2;thb\n0;65,5\n1;64,5\n")
    with pytest.raises(ReadingError, match="3 names above 2 columns"):
        saturation(path)


@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    seed=st.integers(0, 2**16),
    marks=st.sampled_from(
        [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", ",")]
    ),
    digits=st.integers(0, 5),
    n_rows=st.integers(3, 40),
    preamble=st.sampled_from(["", "Recorder 3000\n", "Made by: me\n\nRate;10\n"]),
    footer=st.sampled_from(["", "End\n", "End of file\n"]),
    end=st.sampled_from(["\n", "\r\n"]),
)
def test_no_random_dialect_is_read_wrong_in_silence(
    tmp_path, seed, marks, digits, n_rows, preamble, footer, end
):
    separator, decimal = marks
    rng = np.random.default_rng(seed)
    value = np.round(rng.uniform(-900, 9000, n_rows), digits)
    lines = [f"{i}{separator}{v:.{digits}f}".replace(".", decimal) for i, v in enumerate(value)]
    text = preamble + end.join([f"time{separator}v", *lines]) + end + footer
    path = written(tmp_path, text.encode())
    try:
        recording = saturation(path, channel="v", unit="au", signal="respiration")
    except ReadingError as refused:
        # Only one thing may be in doubt: three digits behind every mark.
        assert digits == 3 and "decimal" in refused.todo
        return
    np.testing.assert_array_equal(recording.stretches[0].value, value)


def test_the_fast_and_the_strict_reading_agree(tmp_path):
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"time": np.arange(3000) / 250, "smo2": rng.normal(60, 5, 3000).round(6)})
    fast, strict = tmp_path / "fast.csv", tmp_path / "strict.csv"
    frame.to_csv(fast, index=False, sep=";", decimal=",")
    # A blank line is enough to leave the fast path.
    head, rest = fast.read_text().split("\n", 1)
    strict.write_text(f"{head}\n{rest}".replace("\n8;", "\n\n8;"))
    at_once, row_by_row = saturation(fast).stretches[0], saturation(strict).stretches[0]
    np.testing.assert_array_equal(at_once.value, frame["smo2"])
    np.testing.assert_array_equal(at_once.value, row_by_row.value)
    np.testing.assert_array_equal(at_once.time_s, row_by_row.time_s)


def refusal(path, **declared):
    with pytest.raises(ReadingError) as raised:
        saturation(path, **declared)
    return raised.value


def test_a_wrong_declared_separator_is_told_with_the_columns_that_another_one_gives(tmp_path):
    path = tmp_path / "decimal_commas.csv"
    lines = [f"{0.5 * n:.1f};{65.1 + 0.3 * n:.1f}".replace(".", ",") for n in range(40)]
    path.write_text("\n".join(["time;smo2", *lines]) + "\n")
    said = refusal(path, time_column="time", channel="smo2", separator="comma")
    assert "no column 'time' with separator comma, which gives 3" in said.seen
    assert "semicolon gives 2 in row 1, 'time' among them" in said.seen
    assert "correct separator in recordings.tsv" in said.todo
    path.write_text(table(";", "."))
    said = refusal(path, time_column="time", channel="smo2", separator="comma")
    assert said.where == "separator"
    assert said.seen == ("no table of numbers with the declared comma, semicolon gives 2 columns")


def test_a_column_that_is_nowhere_in_the_file_is_not_blamed_on_the_separator(tmp_path):
    path = written(tmp_path, table(";", ","))
    said = refusal(path, time_column="time", channel="calf")
    assert "separator" not in said.seen
    assert "correct channel in recordings.tsv" in said.todo
