"""What figures show, at both widths of a journal, and what they say when nothing can be drawn."""

import io
import re
from html import escape
from types import SimpleNamespace
from urllib.parse import unquote
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from engine.listings import figure_modules
from figures._courses import heart_rate, means_of_steps
from figures._drawing import (
    STYLE,
    alt_text,
    contrast_style,
    empty_figure,
    freeze_layout,
    levels_without_collision,
    power_of_ten,
    pyplot,
    save,
    style_of,
    ticks_are_apart,
    unit_with_power,
)
from figures._forms import png_of, shortened_svg, with_words
from figures._panels import draw_people, person_mark
from report.sections.figures import address_of, description_in

CONDITIONS = ["none", "low", "target"]
FIGURES = figure_modules()


@pytest.fixture(autouse=True)
def style_of_figures():
    with pyplot.rc_context(STYLE):
        yield
    pyplot.close("all")


def test_conditions_are_told_apart_without_colour():
    names = [f"c{n}" for n in range(8)]
    styles = [style_of(name, names) for name in names]
    assert len({style["marker"] for style in styles[:6]}) == 6
    assert len({(style["marker"], style["color"]) for style in styles}) == 8


def test_contrasts_are_told_apart_without_colour():
    of_low, of_target, between = (
        contrast_style(c, CONDITIONS) for c in ("low - none", "target - none", "target - low")
    )
    assert of_low["marker"] != of_target["marker"]
    assert of_target["markerfacecolor"] != between["markerfacecolor"] == "white"
    assert of_target["ls"] != between["ls"]


@pytest.mark.parametrize(
    ("values", "unit", "label"),
    [
        ([0.00007, 0.00044], "dimensionless", "× 10⁻⁴"),
        ([250000.0, -3e6], "ms2", "10⁶ ms²"),
        ([0.0, 0.0], "s", "s"),
        ([48.8, 17.3], "%", "%"),
        ([0.3, 0.9], None, "dimensionless"),
        ([np.nan], "bpm", "bpm"),
    ],
)
def test_a_power_of_ten_is_said_once_beside_the_axis(values, unit, label):
    assert unit_with_power(unit, power_of_ten(values)) == label


def test_labels_that_would_meet_stand_above_each_other():
    assert levels_without_collision([(0, 10), (12, 20), (18, 30), (31, 40)], gap=1) == [0, 0, 1, 0]


def sheet(*sets):
    columns = ["onset_s", "duration_s", "exercise", "condition"]
    return pd.DataFrame(sets, columns=columns).assign(trial_type="set")


def test_a_visit_with_three_conditions_names_each_set_and_no_names_meet():
    times = range(0, 600, 100)
    sets = [(float(t), 30.0, "knee_extension", CONDITIONS[t // 100 % 3]) for t in times]
    course = FIGURES["01_session_course"]
    labels = course.labels_of_sets(sheet(*sets))
    assert [text for *_, text in labels][:3] == [f"knee extension, {c}" for c in CONDITIONS]
    levels = course.label_levels(labels, (0.0, 10.0), panel_in=3.0)
    widest = 1.2 * 72
    for n, (start, end, _) in enumerate(labels):
        middle = (start + end) / 2 * 3.0 * 72 / 10
        for m in range(n):
            other = (labels[m][0] + labels[m][1]) / 2 * 3.0 * 72 / 10
            assert levels[n] != levels[m] or abs(middle - other) > widest / 2


def test_one_condition_of_a_visit_is_not_repeated_over_its_sets():
    sets = [(0.0, 30.0, "squat", "low"), (60.0, 30.0, "squat", "low")]
    (label,) = FIGURES["01_session_course"].labels_of_sets(sheet(*sets))
    assert label == (0.0, 1.5, "squat")


def test_a_gap_in_readings_stays_a_gap():
    line = means_of_steps("sensor", np.array([0.1, 0.6, 5.2]), np.array([60.0, 62.0, 50.0]), 1.0)
    assert line["value"].isna().sum() == 4
    assert line["value"].iloc[[0, -1]].to_list() == [61.0, 50.0]
    beats = pd.DataFrame({"nn_time_s": [1.0, 2.0, 3.0, 60.0, 61.0, 62.0], "nn_ms": [1000.0] * 6})
    assert heart_rate(beats, n_beats=3)["value"].isna().to_list() == [False, True]


def test_an_empty_figure_says_why_to_those_who_cannot_see_it():
    figure = empty_figure("No set has repetitions.")
    said = alt_text(figure, FIGURES["11_work"], pd.DataFrame())
    assert said == "Nothing is drawn. No set has repetitions."


def test_a_drawn_figure_says_its_finding():
    numbers = pd.DataFrame(
        {
            "condition": ["none", "target", "target"],
            "reps_done": [15.0, 12.0, 10.0],
            "to_failure": [0.0, 1.0, 1.0],
        }
    )
    assert FIGURES["11_work"].finding(numbers) == (
        "none: 15.0 repetitions a set, 0 of 1 set to failure; "
        "target: 11.0 repetitions a set, 2 of 2 sets to failure."
    )
    unknown = numbers.assign(to_failure=np.nan)
    assert "failure" not in FIGURES["11_work"].finding(unknown)


def test_the_report_takes_what_a_figure_shows_from_the_figure(tmp_path):
    svg = tmp_path / "f.svg"
    svg.write_text("<dc:description>less than &lt; 15 %</dc:description>", encoding="utf-8")
    assert description_in(svg) == "less than < 15 %"


def contrast(**values):
    given = {
        **{"outcome": "smo2_nadir_pct", "window": "set", "exercise": "all", "scale": "identity"},
        **{"estimate": -5.0, "ci_low": -7.0, "ci_high": -3.0, "claim": "yes", "n_pairs": 9},
        **{"reading": "different", "smallest_effect": 5.0, "contrast": "low - none"},
    }
    return given | values


@pytest.mark.parametrize("width_mm", [85.0, 180.0])
def test_contrasts_are_grouped_by_exercise_in_the_marks_of_their_conditions(width_mm):
    contrasts = [
        contrast(contrast=c, exercise=e)
        for e in ("all", "squat")
        for c in ("low - none", "target - none", "target - low")
    ]
    results = SimpleNamespace(
        contrasts=pd.DataFrame(contrasts),
        primary=[("smo2_nadir_pct", "set")],
        conditions=CONDITIONS,
        settings=SimpleNamespace(draw_figures=SimpleNamespace(width_mm=width_mm)),
    )
    figure, numbers = FIGURES["03_contrasts"].draw(results)
    (axes,) = figure.axes
    assert [t.get_text() for t in axes.get_yticklabels()] == ["all\nexercises", "squat"]
    assert len(numbers) == 6
    beside = [text.get_text() for text in axes.texts]
    assert sum("shown" in text for text in beside) == (3 if width_mm == 180 else 0)


def test_the_flow_names_whoever_was_left_out_without_the_note_of_the_visit():
    exclusions = pd.DataFrame(
        {
            "participant_id": ["sub-09", "sub-01"],
            "session_id": [None, "ses-1"],
            "scope": ["condition", "span"],
            "reason": ["no set in condition low; noted: moved away", "beats uncertain"],
        }
    )
    said = FIGURES["12_flow_of_the_study"].whom_left_out(exclusions)
    assert said == ["sub-09: no set in condition low"]


def test_the_flow_names_a_dozen_and_counts_the_rest():
    people = [f"sub-{n:02}" for n in range(15)]
    exclusions = pd.DataFrame({"participant_id": people, "reason": "no recording"})
    exclusions = exclusions.assign(session_id=None, scope="participant")
    said = FIGURES["12_flow_of_the_study"].whom_left_out(exclusions)
    assert said[-1] == "and 3 more, see exclusions.tsv"


def test_recovery_is_averaged_within_people_before_people():
    rows = pd.DataFrame(
        {
            "panel": "heart rate",
            "condition": "low",
            "after_s": 2.5,
            "participant_id": ["a", "a", "a", "b"],
            "value": [100.0, 100.0, 100.0, 80.0],
        }
    )
    (mean,) = FIGURES["13_recovery_course"].means_over_people(rows, CONDITIONS).itertuples()
    assert (mean.mean, mean.n_participants) == (90.0, 2)
    # t quantile of one degree of freedom, from any table: 12.706
    assert mean.ci_high - mean.mean == pytest.approx(12.7062 * 10.0, rel=1e-5)


def test_a_recovery_cut_short_gives_only_its_whole_steps():
    window = SimpleNamespace(start_s=100.0, end_s=113.0)
    steps = FIGURES["13_recovery_course"].mean_steps(
        np.arange(95.0, 130.0), np.arange(95.0, 130.0), window
    )
    assert steps == {2.5: 102.0, 7.5: 107.0}


def test_a_figure_in_the_report_is_the_drawn_one_to_a_hundredth_of_a_point():
    said = 'the subject\'s "best" 12.3456 % & more\nb < c'
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg">\n  <title>{escape(said)}</title>\n'
        '  <g transform="translate(1.23456 7) scale(0.12345 -0.12345)">\n'
        '   <path d="M 10.001 -0.0049 \nL 20.4567 3"/>\n  </g>\n</svg>\n'
    )
    address = address_of(shortened_svg(svg))
    assert not set(address) & set('<>"&#\n')
    drawing = ElementTree.fromstring(unquote(address.removeprefix("data:image/svg+xml,")))
    title, group = drawing
    assert title.text == said.replace("\n", " ")
    assert group.attrib["transform"] == "translate(1.23 7) scale(0.12345 -0.12345)"
    assert group[0].attrib["d"].split() == ["M", "10.00", "-0.00", "L", "20.46", "3"]


@pytest.mark.parametrize(("people", "as_picture"), [(10, False), (2000, True)])
def test_marks_of_a_thousand_people_are_a_picture_among_words_that_stay_words(
    people, as_picture, tmp_path
):
    figure, axes = pyplot.subplots(layout="constrained")
    axes.plot(np.arange(people), np.sin(np.arange(people)), ls="", marker="o")
    axes.set_xlabel("people")
    svg = tmp_path / "marks.svg"
    save(figure, svg, title="a study", heading="Marks", alt="", png_dpi=100)
    drawn = svg.read_text(encoding="utf-8")
    assert ("<image" in drawn) == as_picture
    assert "#DejaVuSans" in drawn


WORDS = ["RMSSD & rate < 15 – 30 %", "first −5", "none", "× 10⁻⁴", "A study"]


def figure_with_words():
    figure, axes = pyplot.subplots(figsize=(3.0, 2.2), layout="constrained")
    axes.plot([-5, 0, 3], [1, 2, 1.5], marker="o", label="none")
    axes.set_title(WORDS[0])
    axes.set_xticks([-5], [WORDS[1]])
    axes.set_ylabel(WORDS[3], color="#7a3500")
    axes.legend()
    return figure


def test_every_form_of_a_figure_shows_the_same_thing_and_says_it(tmp_path):
    paths = [tmp_path / f"f.{suffix}" for suffix in ("svg", "pdf", "png")]
    said = {"title": WORDS[4], "heading": "Rates", "alt": "A line ↗."}
    save(figure_with_words(), *paths, **said, png_dpi=120)
    svg = paths[0].read_text(encoding="utf-8")
    assert description_in(paths[0]) == "A line ↗."
    pdf = paths[1].read_bytes()
    assert pdf.startswith(b"%PDF") and b"DejaVuSans-Bold" in pdf and b"CreationDate" not in pdf
    with Image.open(paths[2]) as png:
        png.load()
        assert (png.text["Title"], png.text["Description"]) == ("Rates", "A line ↗.")
        assert png.info["dpi"] == pytest.approx((120, 120), abs=0.1)
        assert png.size == (360, 264)
        shown = np.asarray(png.convert("L"), dtype=float)
    # the PDF is set from words in place of drawn letters: they stand where the letters stood
    assert [escape(word) in with_words(svg) for word in WORDS] == [True] * len(WORDS)
    assert '<use xlink:href="#DejaVu' not in with_words(svg)
    with Image.open(io.BytesIO(png_of(with_words(svg), heading="", alt="", dpi=120))) as png:
        in_words = np.asarray(png.convert("L"), dtype=float)
    without = np.asarray(picture_without_letters(svg), dtype=float)
    assert np.abs(in_words - shown).mean() < 0.01 * np.abs(without - shown).mean()


def picture_without_letters(svg):
    bare = re.sub(r'<use xlink:href="#DejaVu[^>]*>', "", svg)
    with Image.open(io.BytesIO(png_of(bare, heading="", alt="", dpi=120))) as png:
        return png.convert("L")


@pytest.mark.parametrize("text", ["\u4e2d heart", "5 -- 6", "$x^{2}$"])
def test_a_text_that_cannot_be_told_in_words_stays_as_drawn(text, tmp_path):
    figure = empty_figure(text)
    save(figure, tmp_path / "f.svg", title="A study", heading="", alt="", png_dpi=100)
    words = re.findall(
        r"<text[^>]*>(.*)</text>", with_words((tmp_path / "f.svg").read_text("utf-8"))
    )
    assert words == ["A study"]


@pytest.mark.parametrize("width_in_", [0.9, 4.0])
def test_numbers_below_a_narrow_panel_do_not_meet(width_in_):
    with pyplot.rc_context(STYLE):
        figure, axes = pyplot.subplots(figsize=(width_in_, 1.5), layout="constrained")
        axes.plot([3.1205, 3.1262], [0.0, 1.0])
        freeze_layout(figure, "A study")
        assert ticks_are_apart(axes)
        pyplot.close(figure)


def test_one_participant_has_marks_and_no_bar_of_a_mean():
    bars = {}
    for people in (["a"], ["a", "b"]):
        means = [(p, c, n) for p in people for n, c in enumerate(("none", "target"))]
        drawn = pd.DataFrame(means, columns=["participant_id", "condition", "x"])
        drawn = drawn.assign(value=1.0, line=drawn["participant_id"], flagged=0)
        _, axes = pyplot.subplots()
        draw_people(axes, drawn, ["none", "target"], reach=0.2)
        # beside the lines of people and a collection of marks for each condition
        bars[len(people)] = len(axes.collections) - 3
        pyplot.close()
    assert bars == {1: 0, 2: 2}
    assert [mark.get_label() for mark in person_mark(False, several=False)] == ["one participant"]
