"""A review from the first click to the next run: served, decided by hand, saved, carried out."""

import importlib
import inspect
import json
import re
import shutil
import threading

import numpy as np
import pandas as pd
import pytest

from benchmarks.damaged_recordings import VISITS, write_sound_study
from chromium import ABSENT, BROWSER, HANDS, Page
from project import PROJECT
from results.decisions import decisions_of
from results.tables import read_table
from sessions.blind import BlindPages
from sessions.review import Pages, server
from study.loading import load_study

pytestmark = [pytest.mark.browser, pytest.mark.skipif(BROWSER is None, reason=ABSENT)]

PERSON, SESSION = "sub-0001", VISITS["sub-0001"]

TEMPLATES = ("session.html.jinja", "session.css", "session.js", "review.js", "unpack.js")


def run_steps(study, results):
    """The steps of one person over a study, as the workflow calls them, with their usual files."""
    loaded = load_study({"study": str(study)})
    of_person = results / "participants" / PERSON
    given = {
        "raw": [],
        "signals": results / "signals" / f"{PERSON}.parquet",
        "saturation": results / "signals" / f"{PERSON}_oxygenation.parquet",
        "beats": results / "beats" / f"{PERSON}.tsv",
        "respiration": of_person / "respiration.tsv.gz",
        "outcomes": of_person / "outcomes.tsv.gz",
        "pages": results / "sessions" / PERSON,
        "templates": [PROJECT / "workflow" / "templates" / name for name in TEMPLATES],
        "study": str(study),
        "participant": PERSON,
        "title": loaded.settings.study.title,
        "protocol": loaded.settings.protocol,
        "quality_rules": loaded.settings.quality_rules,
        "default_quality_rules": loaded.settings.quality_rules,
        "recorded": loaded.recorded,
    }
    for folder in (of_person, results / "signals", results / "beats"):
        folder.mkdir(parents=True, exist_ok=True)
    for name in (
        *("read_recordings", "find_beats", "segment_oxygenation", "measure_outcomes"),
        "write_session_pages",
    ):
        step = getattr(importlib.import_module(name), name)
        asked = inspect.signature(step).parameters
        of_step = {"settings": getattr(loaded.settings, name, None)}
        step(**{n: (of_step | given).get(n, of_person / f"{n}.tsv") for n in asked})
    (results / "sessions" / "index.html").write_text("<title>Sessions</title>")


@pytest.fixture(scope="module")
def measured_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("served")
    write_sound_study(folder / "study")
    run_steps(folder / "study", folder / "results")
    return folder


@pytest.fixture
def study(measured_once, tmp_path):
    """A study of one person with ECG, saturation and cuff, and its results."""
    shutil.copytree(measured_once, tmp_path / "copy")
    return tmp_path / "copy"


def served(pages):
    serving, address = server(pages)
    threading.Thread(target=serving.serve_forever, daemon=True).start()
    return serving, address


@pytest.fixture
def address(study):
    serving, address = served(Pages(study / "study", study / "results"))
    yield f"{address}sessions/{PERSON}/{SESSION}.html"
    serving.shutdown()


def heart_of(results, window):
    """Mean heart rate and RMSSD of the first window of a name, to the printed digit."""
    outcomes = read_table(results / "participants" / PERSON / "outcomes.tsv.gz")
    rows = outcomes[outcomes["window"] == window].drop_duplicates("outcome").set_index("outcome")
    return [f"{rows.loc[name, 'value']:.2f}" for name in ("mean_hr_bpm", "rmssd_ms")]


def at_panel(page, panel, time_s, of=(0.5, 0.5)):
    """Where a moment of the part in view stands in a panel, in pixels of the window."""
    return page.run(
        f"const box = document.querySelector('#panel_{panel} .u-over');"
        "box.scrollIntoView({ block: 'center' });"
        "const [from, to] = location.hash.slice(3).split(',').map(Number);"
        "const at = box.getBoundingClientRect();"
        f"return [at.left + ({time_s} - from) / (to - from) * at.width, at.top + at.height / 2];"
    )


def test_a_beat_that_is_clicked_and_taken_out_is_gone_in_the_next_run(study, address):
    beats = read_table(study / "results" / "beats" / f"{PERSON}.tsv")
    beat_s = float(beats.loc[beats["time_s"] > 100, "time_s"].iloc[0])
    before = heart_of(study / "results", "baseline")
    with Page(f"{address}#t={beat_s - 2:.2f},{beat_s + 2:.2f}", height=1000) as page:
        page.run("document.getElementById('review_toggle').click();")
        page.click(*at_panel(page, "ecg", beat_s))
        form = page.run(
            "const at = document.getElementById('decision').elements;"
            "return [at.action.value, Number(at.time_s.value), document.activeElement.name];"
        )
        assert form == ["remove_beat", pytest.approx(beat_s, abs=1e-3), "reason"]
        # from here on by the keyboard alone
        page.write("false beat: artefact of movement")
        page.press("Tab")
        page.write("AB")
        page.press("Enter")
        page.wait_for("document.getElementById('effect').dataset.by === 'workflow'")
        told = page.run(
            "return [document.getElementById('effect_caution').hidden,"
            " [...document.querySelectorAll('#effects tr')]"
            ".map((row) => [...row.cells].map((cell) => cell.textContent))];"
        )
        page.go(address)  # a reload keeps what was not saved
        assert page.run("return document.querySelectorAll('#decisions tr').length;") == 1
        page.run("decided.open = true; document.getElementById('save').focus();")
        page.press("Enter")
        page.wait_for("document.getElementById('review_says').textContent.includes('edits.tsv')")
        assert page.run("return document.querySelectorAll('#decisions tr').length;") == 0
        assert page.complaints() == []
    row = pd.read_csv(study / "study" / "edits.tsv", sep="\t").iloc[-1]
    assert (row["action"], row["editor"]) == ("remove_beat", "AB")
    assert row["time_s"] == pytest.approx(beat_s, abs=1e-3)

    run_steps(study / "study", study / "results")
    again = read_table(study / "results" / "beats" / f"{PERSON}.tsv")
    near = again[(again["time_s"] - beat_s).abs() < 0.01]
    # the repair puts one in where the true one was taken out, which no page alone can know
    assert near["kind"].tolist() == ["missed", "removed"]
    quality = read_table(study / "results" / "participants" / PERSON / "beat_quality.tsv")
    (ledger,) = decisions_of(str(study / "study"), PERSON, again, quality).to_dict("records")
    assert ledger["changed"] == "1 beat left out"
    # what the page told beforehand is what the workflow measured, beside a beat that it repaired
    after = heart_of(study / "results", "baseline")
    hidden, effects = told
    assert hidden is True
    assert effects[0][1:] == [before[0], after[0], before[1], after[1]]


def test_an_undone_decision_is_saved_nowhere(study, address):
    with Page(address) as page:
        page.run(
            "document.getElementById('review_toggle').click();"
            "const form = document.getElementById('decision'); const at = form.elements;"
            "at.action.value = 'exclude_session'; at.action.dispatchEvent(new Event('change'));"
            "at.reason.value = 'seen'; at.editor.value = 'AB'; form.requestSubmit();"
            "document.querySelector('#decisions button').click();"
        )
        assert page.run("return document.getElementById('decided').hidden;")
        assert page.run("return JSON.parse(Object.values(localStorage)[0]).length;") == 0
    assert not (study / "study" / "edits.tsv").exists()


def test_a_blind_page_holds_no_word_or_number_of_condition_pressure_person_or_muscle(study):
    """Everything that the page carries is searched, its packed lines by their number."""
    pages = BlindPages(study / "study", study / "results", seed=3)
    # people of whom no results stand here are not opened
    label = next(name for name, visit in pages.visits.items() if visit[0] == PERSON)
    serving, address = served(pages)
    try:
        with Page(f"{address}{label}.html") as page:
            content = page.run("return unpacked.content;")
            shown = page.run("return document.body.innerText + document.title;")
            panels = page.run("return [...document.querySelectorAll('.panel')].map((p) => p.id);")
            assert page.complaints() == []
    finally:
        serving.shutdown()
    events = pd.read_csv(study / "study" / "events.tsv", sep="\t")
    mine = events[events["participant_id"] == PERSON]
    words = {PERSON, SESSION, "target", "squat", "curl", "vastus", "biceps", "Cuff"}
    words |= {f"{p:g}" for p in mine["cuff_pressure_mmhg"].dropna() if p > 0}
    for text in (content, shown):
        telling = [word for word in words if re.search(rf"(?<![\w.]){word}(?![\w.])", text)]
        assert telling == []
    of_page = json.loads(content)
    assert of_page["saturation"] == of_page["events"] == of_page["outcomes"]["rows"] == []
    assert of_page["pressure"]["recorded"] == []
    assert panels == ["panel_heart_rate", "panel_modulation", "panel_ecg"]
    assert not np.any(of_page["pressure"]["noted_mmhg"])


def test_the_workflow_is_asked_for_nothing_that_would_unblind(study):
    assert BlindPages(study / "study", study / "results", seed=3).effects([{"time_s": "1"}]) == []


def test_the_keyboard_reaches_every_part_of_a_page_and_moves_along(study, address):
    with Page(address) as page:
        reached = []
        for _ in range(60):
            page.press("Tab")
            reached.append(
                page.run(
                    "const at = document.activeElement;"
                    "return at.id || at.dataset.do || at.textContent.trim() || at.type;"
                )
            )
            if "plots" in reached:
                break
        assert {"whole", "closer", "later", "png", "svg", "pdf", "review_toggle", "plots"} <= {
            *reached
        }
        start = page.run(f"{HANDS} return middle();")
        page.press("+", "ArrowRight")
        moved = page.run(f"{HANDS} await settled(); return middle();")
        page.press("Home")
        assert moved != start == page.run(f"{HANDS} await settled(); return middle();")
