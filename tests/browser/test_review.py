"""Decisions made at a session page: what they change, and the rows that come of them."""

import csv
import io

import numpy as np
import pandas as pd
import pytest

from chromium import ABSENT, BROWSER, after
from heart.beat_edits import apply_beat_edits, excluded_spans_s
from heart.repair.intervals import repair_intervals
from heart.repair.series import SAME_BEAT_S, with_beginnings
from heart.variability import directly_following, mean_hr_bpm, rmssd_ms, successive_differences_ms
from session_example import beats, ecg, outcome, page, session
from sessions.practice import PracticePages, practice_session

pytestmark = [pytest.mark.browser, pytest.mark.skipif(BROWSER is None, reason=ABSENT)]

WINDOW_S = (100.0, 140.0)

FILES = [{"signal": "ecg", "sha256": "a" * 64, "from_s": 0.0, "to_s": 200.0}]


def breathing_heart(missed=(), displaced_ms=None):
    """Beats in s about 0.8 s apart that follow a breath of 4 s; some not found, some beside."""
    rng = np.random.default_rng(11)
    lengths = 0.8 + 0.04 * np.sin(np.arange(240) * 0.8 / 4 * 2 * np.pi)
    times = np.round(np.cumsum(lengths + 0.005 * rng.standard_normal(240)), 6)
    for n, shift_ms in (displaced_ms or {}).items():
        times[n] += shift_ms / 1000
    return np.delete(times, list(missed))


def repaired(times, edits):
    """The beat table of the workflow with rows of edits.tsv carried out."""
    listed = apply_beat_edits(times, edits)
    return repair_intervals(
        listed["time_s"].to_numpy(),
        origin=listed["origin"].to_numpy(),
        origin_reason=listed["reason"].to_numpy(),
        breaks_s=excluded_spans_s(edits),
    )


def heart_in_window(table):
    """Mean heart rate (bpm) and RMSSD (ms) of the window as the workflow measures them."""
    beats = with_beginnings(table.assign(session_id=""))
    beats = beats[beats["nn_ms"].notna()]
    begin_s = beats["nn_time_s"] - beats["nn_ms"] / 1000
    inside = (begin_s >= WINDOW_S[0] - SAME_BEAT_S) & (
        beats["nn_time_s"] <= WINDOW_S[1] + SAME_BEAT_S
    )
    beats = beats[inside]
    normal = (beats["begins_normal"] & (beats["kind"] == "normal")).to_numpy()
    follows = directly_following(
        beats["nn_time_s"], beats["nn_ms"], normal, tolerance_s=SAME_BEAT_S
    )
    return mean_hr_bpm(beats["nn_ms"]), rmssd_ms(successive_differences_ms(beats["nn_ms"], follows))


def reviewed(times):
    """The page of a session with these detected beats."""
    table = repaired(times, pd.DataFrame(columns=["action", "time_s", "end_s"]))
    columns = {name: table[name].to_numpy(float) for name in ("time_s", "nn_time_s", "nn_ms")}
    words = {name: table[name].tolist() for name in ("kind", "source", "reason")}
    return page(
        session(beats=columns | words, files=FILES, outcomes=[outcome("mean_hr_bpm", "75", "ok")])
    )


# what a person does at the form: choose, fill, note
FORM = """
const form = document.getElementById("decision");
const put = (name, value) => {
  form.elements[name].value = value;
  const kind = name === "action" ? "change" : "input";
  form.elements[name].dispatchEvent(new Event(kind, { bubbles: true }));
};
const note = (values) => {
  const filled = { reason: "seen", editor: "AB", ...values };
  for (const [name, value] of Object.entries(filled)) put(name, value);
  form.requestSubmit();
};
const says = () => document.getElementById("review_says").textContent;
const cells = (id) => [...document.querySelectorAll(`#${id} tr`)]
  .map((row) => [...row.cells].map((cell) => cell.textContent));
let file = null;
HTMLAnchorElement.prototype.click = function () { file = this; };
const saved = async () => {
  const made = [];
  const create = URL.createObjectURL;
  URL.createObjectURL = (blob) => { made.push(blob); return create.call(URL, blob); };
  click("#save"); await settled();
  return { name: file.download, blob: made[0] };
};
click("#review_toggle");
"""


def decided(folder, times, *decisions):
    """Effects that the page shows after decisions typed into its form, and what it says."""
    notes = "".join(f"note({decision});" for decision in decisions)
    return after(
        folder,
        reviewed(times),
        f"{FORM} {notes} await settled(); seen.effects = cells('effects'); seen.says = says();"
        " seen.caution = !document.getElementById('effect_caution').hidden;",
    )


def edits(*decisions):
    return pd.DataFrame(decisions, columns=["action", "time_s", "new_time_s", "end_s"])


@pytest.mark.parametrize("n_beat", [140, 150])
def test_a_displaced_beat_moved_back_changes_the_window_as_the_workflow_does(tmp_path, n_beat):
    true_s = breathing_heart()
    times = breathing_heart(displaced_ms={n_beat: 18.0})
    at_s, to_s = round(times[n_beat], 4), round(true_s[n_beat], 4)
    seen = decided(tmp_path, times, f"{{action: 'move_beat', time_s: {at_s}, new_time_s: {to_s}}}")
    was = heart_in_window(repaired(times, edits()))
    now = heart_in_window(repaired(times, edits(("move_beat", at_s, to_s, np.nan))))
    printed = [f"{value:.2f}" for value in (was[0], now[0], was[1], now[1])]
    assert seen["effects"][0][1:] == printed
    assert printed[2] != printed[3]


def test_a_beat_that_was_not_found_is_added_where_the_repair_had_guessed_it(tmp_path):
    true_s = breathing_heart()
    times = breathing_heart(missed=[145])
    at_s = round(true_s[145], 4)
    seen = decided(tmp_path, times, f"{{action: 'add_beat', time_s: {at_s}}}")
    was = heart_in_window(repaired(times, edits()))
    now = heart_in_window(repaired(times, edits(("add_beat", at_s, np.nan, np.nan))))
    printed = [f"{value:.2f}" for value in (was[0], now[0], was[1], now[1])]
    shown = seen["effects"][0][1:] if seen["effects"] else [printed[0], *printed[:1], *printed[2:]]
    assert shown == printed
    assert seen["caution"] is True


def test_an_excluded_span_leaves_the_window_without_its_beats(tmp_path):
    times = breathing_heart()
    seen = decided(tmp_path, times, "{action: 'exclude_span', time_s: 110, end_s: 121.5}")
    was = heart_in_window(repaired(times, edits()))
    now = heart_in_window(repaired(times, edits(("exclude_span", 110.0, np.nan, 121.5))))
    printed = [f"{value:.2f}" for value in (was[0], now[0], was[1], now[1])]
    assert seen["effects"][0][1:] == printed


def test_decisions_become_rows_of_edits_and_undo_takes_them_back(tmp_path):
    times = breathing_heart()
    seen = after(
        tmp_path,
        reviewed(times),
        f"""{FORM}
        note({{action: "remove_beat", time_s: {times[100]:.4f}, reason: "false\\tbeat"}});
        note({{action: "exclude_event", event_id: "event-1"}});
        note({{action: "move_offset", event_id: "event-1", new_time_s: 135}});
        seen.before = cells("decisions").length;
        click("#decisions tr:nth-child(2) button"); await settled();
        seen.listed = cells("decisions").map((row) => row[0]);
        const {{ name, blob }} = await saved();
        seen.name = name;
        seen.text = await new Promise((done) => {{
          const reader = new FileReader();
          reader.onload = () => done(reader.result);
          reader.readAsText(blob);
        }});
        """,
    )
    assert seen["before"] == 3
    assert [entry.split(" at ")[0].split(" to ")[0] for entry in seen["listed"]] == [
        "remove beat",
        "move end of set squat, bout 1",
    ]
    assert seen["name"] == "edits_sub-01_ses-1.tsv"
    removed, moved = csv.DictReader(io.StringIO(seen["text"]), delimiter="\t")
    assert removed["action"] == "remove_beat"
    assert float(removed["time_s"]) == pytest.approx(times[100], abs=1e-4)
    assert removed["reason"] == "false beat"
    assert removed["file_sha256"] == "a" * 64
    assert removed["signal"] == "ecg"
    assert (moved["event_id"], moved["event_onset_s"], moved["new_time_s"]) == (
        "event-1",
        "100",
        "135",
    )
    assert len({removed["edit_id"], moved["edit_id"]}) == 2


@pytest.mark.parametrize(
    ("decision", "sentence"),
    [
        ("{action: 'remove_beat', time_s: 100.35}", "No beat lies within 60 ms of 100.35 s."),
        ("{action: 'add_beat', time_s: 100.02}", "A beat lies at 100.000 s already"),
        ("{action: 'exclude_span', time_s: 120, end_s: 110}", "ends before it begins"),
        ("{action: 'move_onset', event_id: 'event-1', new_time_s: 150}", "end before it begins"),
        ("{action: 'remove_beat', time_s: 100, reason: ''}", "wants a reason"),
        ("{action: 'remove_beat', time_s: 100, editor: ''}", "initials"),
        ("{action: 'remove_beat', time_s: ''}", "A time is missing"),
    ],
)
def test_a_decision_that_cannot_be_carried_out_is_refused_at_the_page(tmp_path, decision, sentence):
    seen = after(
        tmp_path,
        page(session(beats=beats(), files=FILES)),
        f"{FORM} note({decision}); await settled(); seen.says = says();"
        " seen.listed = cells('decisions').length;",
    )
    assert sentence in seen["says"]
    assert seen["listed"] == 0


def test_a_click_at_a_beat_chooses_it_and_one_beside_the_beats_adds_at_the_peak(tmp_path):
    """Beats stand at every 0.8 s, but for the one at 96 s, which was not found."""
    seen_beats = {name: np.delete(values, 120) for name, values in beats().items()}
    seen_beats = seen_beats | {
        name: list(seen_beats[name]) for name in ("kind", "source", "reason")
    }
    seen = after(
        tmp_path,
        page(session(beats=seen_beats, files=FILES, stretches=[ecg()])),
        f"""{FORM}
        location.hash = "#t=94,98"; window.dispatchEvent(new Event("hashchange")); await settled();
        const at = (time) => {{
          for (const kind of ["mousemove", "mousedown", "mouseup", "click"]) {{
            mouse("ecg", kind, (time - 94) / 4);
          }}
        }};
        const chosen = () => [form.elements.action.value, Number(form.elements.time_s.value)];
        at(95.21); seen.beat = chosen();
        at(96.03); seen.peak = chosen();
        """,
    )
    assert seen["beat"] == ["remove_beat", pytest.approx(95.2, abs=1e-3)]
    assert seen["peak"] == ["add_beat", pytest.approx(96.0, abs=0.01)]


def test_a_page_without_recordings_offers_no_review(tmp_path):
    empty = {name: np.empty(0) for name in ("time_s", "nn_time_s", "nn_ms")}
    nothing = session(
        beats=empty | {"kind": [], "source": [], "reason": []}, stretches=[], traces=[], files=[]
    )
    seen = after(
        tmp_path, page(nothing), 'seen.hidden = document.getElementById("review_toggle").hidden;'
    )
    assert seen["hidden"] is True


def test_practice_tells_how_many_beats_are_wrong_before_and_after_decisions(tmp_path):
    """Eight mistakes are planted: three beats left out, three put in, two displaced by 90 ms."""
    practised, truth_s = practice_session("practice-1", 70.0, 24.0, [1, 0])
    missed = [time for time in truth_s if abs(practised.beats["time_s"] - time).min() > 0.2]
    seen = after(
        tmp_path,
        PracticePages(1).page("practice-1.html"),
        f"{FORM} click('#save'); seen.before = says();"
        f" note({{action: 'add_beat', time_s: {missed[0]:.4f}}}); await settled();"
        " click('#save'); seen.after = says();",
    )
    assert f"Of {len(truth_s)} true beats: before, 5 wrong and 5 missed" in seen["before"]
    assert "with your decisions, 5 wrong and 4 missed" in seen["after"]
    assert "Look again at" in seen["after"]
