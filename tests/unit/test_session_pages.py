"""What the page of a session draws and says, and that it holds no script but its own."""

import base64
import hashlib
import json
import re
import zlib

import numpy as np
import pytest

from cuff.cautions import SHORT_CAUTION
from muscle.contractions import low_points
from project import PROJECT
from session_example import (
    BASELINE,
    NO_BEATS,
    NO_BREATHING,
    OUTCOMES,
    SQUAT,
    beats,
    ecg,
    outcome,
    packed,
    page,
    sensor,
    session,
    sheet,
)
from sessions.content import BEAT_KINDS, FAMILIES, excerpts_of
from sessions.packing import PackedArrays, quantum_of, texts_within

TEMPLATES = PROJECT / "workflow" / "templates"


def unpacked(arrays, described):
    """The values that a browser makes of one packed array."""
    content = zlib.decompress(base64.b64decode(arrays.text()))
    at, n, low_bits = described["at"], described["n"], described["low_bits"]
    differences = np.frombuffer(content, np.int8, n, at).astype(np.int64) << low_bits
    for bit in range(low_bits):
        plane = np.frombuffer(content, np.uint8, -(-n // 8), at + n + bit * -(-n // 8))
        differences |= np.unpackbits(plane, count=n).astype(np.int64) << bit
    steps = described["first"] + np.cumsum(differences)
    values = steps * described["quantum"]
    for start, length in np.reshape(described["gaps"], (-1, 2)):
        values[start : start + length] = np.nan
    return values


@pytest.mark.parametrize("scale", [0.5, 60.0, 40_000.0])
def test_packed_values_come_back_within_half_a_quantum_and_gaps_stay_gaps(scale):
    """Differences that fit into a byte, and of one to four."""
    values = scale * np.random.default_rng(3).standard_normal(5000)
    values[[0, 7, 8, 4999]] = np.nan
    arrays = PackedArrays()
    arrays.add(np.arange(10), 1)
    back = unpacked(arrays, arrays.add(values, 0.01))
    assert np.array_equal(np.isnan(back), np.isnan(values))
    assert np.nanmax(np.abs(back - values)) <= 0.005 + 1e-9


def test_a_step_of_an_ecg_is_finer_than_a_thousandth_of_its_beats():
    quantum = quantum_of(ecg().value)
    assert quantum <= 1.0 / 1000
    assert quantum in {1e-4, 2e-4, 5e-4}


def test_the_waveform_on_the_page_is_the_recorded_one_at_its_own_rate():
    content, arrays = packed(session())
    (line,) = content["ecg"]
    recorded = ecg()
    assert line["time"]["step_s"] == pytest.approx(1 / 250)
    back = unpacked(arrays, line["value"])
    assert len(back) == len(recorded.value)
    assert np.abs(back - recorded.value).max() <= line["value"]["quantum"] / 2 + 1e-9


def test_forty_minutes_of_ecg_at_1000_hz_stay_below_six_megabytes():
    assert len(page(session(stretches=[ecg(1000.0, 2400.0)])).encode()) < 6e6


def test_no_line_is_drawn_from_one_recording_to_the_next():
    trace = sensor()
    kept = (trace["time_s"] < 50) | (trace["time_s"] > 80)
    broken = trace | {name: trace[name][kept] for name in ("time_s", "value")}
    content, arrays = packed(session(traces=[broken | {"reason": [""] * int(kept.sum())}]))
    (line,) = content["saturation"]
    values = unpacked(arrays, line["value"])
    assert np.isnan(values).sum() == 1
    assert unpacked(arrays, line["time"])[np.isnan(values)] == pytest.approx([50.0], abs=0.11)


def test_each_contraction_leaves_one_mark_where_its_ripple_is_lowest():
    """Invented ripple of 0.3 Hz whose cycles are lowest at 100 s and every 1 / 0.3 s after."""
    trace = sensor()
    moments = np.array(low_points(trace["time_s"], trace["value"], 100.0, 140.0, 0.3))
    inner = moments[(moments > 104) & (moments < 136)]
    cycles = (inner - 100.0) * 0.3
    assert len(moments) in (11, 12, 13)
    assert np.abs(cycles - np.round(cycles)).max() < 0.05
    assert packed(session())[0]["ripples"] == [[0, moments.tolist()]]


def test_a_set_whose_contractions_were_not_counted_has_no_marks_and_says_so():
    refused = [outcome("contraction_count", None, "refused", "no ripple")]
    content, _ = packed(session(outcomes=refused))
    assert content["ripples"] == []
    assert content["says"]["saturation"] == "No contractions were counted."


def test_a_nadir_stands_at_the_end_of_its_set():
    assert packed(session())[0]["nadirs"] == [[140.0, 21.25]]


def test_the_worst_span_shown_is_the_worst_with_beats_and_shown_whole():
    spans = [
        {
            "start_s": str(start),
            "end_s": str(start + 10),
            "usable_pct": usable,
            "verdict": "accepted",
        }
        for start, usable in ((0, "0"), (10, "40"), (20, "99"))
    ]
    with_beats = beats(3) | {"time_s": np.array([12.0, 13.0, 24.0])}
    shown = excerpts_of(session(spans=spans, beats=with_beats))
    assert [shown[0], shown[-1]] == [["worst", 10.0, 20.0], ["best", 20.0, 30.0]]
    assert excerpts_of(session(spans=spans, beats=NO_BEATS))[0] == ["worst", 0.0, 10.0]
    assert excerpts_of(session(spans=[])) == []


def test_a_set_of_unknown_end_says_so_and_has_no_end():
    content, _ = packed(session(events=sheet(BASELINE, SQUAT | {"duration_s": None})))
    event = content["events"][1]
    assert event["end_s"] is None
    assert "end unknown" in event["facts"]


def test_a_set_is_told_with_exercise_bout_condition_and_what_was_noted_and_counted():
    noted = SQUAT | {"rpe": 7.5, "to_failure": True, "stopped_early": True}
    event = packed(session(events=sheet(BASELINE, noted)))[0]["events"][1]
    assert (event["name"], event["condition"]) == ("squat, bout 1", "target")
    told = ["12 repetitions noted", "12 contractions counted", "RPE 7.5", "to failure"]
    assert event["facts"] == [*told, "stopped early"]


def test_an_excluded_set_says_why():
    excluded = SQUAT | {"excluded": "edit 3 by invented editor: cuff slipped"}
    event = packed(session(events=sheet(BASELINE, excluded)))[0]["events"][1]
    assert event["facts"][-1] == "excluded: edit 3 by invented editor: cuff slipped"


def test_every_refused_reading_span_and_beat_brings_its_reason():
    trace = sensor()
    reasons = ["sensor slip" if 500 <= n < 520 else "" for n in range(len(trace["time_s"]))]
    span = {"start_s": "10", "end_s": "20", "usable_pct": "50", "verdict": "doubtful"}
    content, _ = packed(
        session(
            traces=[trace | {"reason": reasons}],
            spans=[span | {"reason": "beats uncertain"}],
            beats=beats(kinds={40: "misplaced"}),
        )
    )
    assert content["saturation"][0]["refused"] == [[50.0, 51.9, "sensor slip"]]
    assert content["spans"] == [[10.0, 20.0, "doubtful", "beats uncertain"]]
    assert (content["beats"]["odd"], content["beats"]["reasons"]) == ([40], ["21 ms early"])


def test_each_window_shows_how_many_outcomes_of_a_family_were_given_flagged_and_refused():
    outcomes = [*OUTCOMES, outcome("contraction_count", None, "refused", "no ripple")]
    shares = packed(session(outcomes=outcomes))[0]["shares"]
    assert [FAMILIES.index("heart period"), 100.0, 140.0, "set", [0, 1, 0, 0]] in shares
    assert [FAMILIES.index("contraction"), 100.0, 140.0, "set", [2, 0, 1, 0]] in shares


def test_outcomes_stand_on_the_page_as_printed_in_their_table_with_verdict_and_reason():
    table = packed(session())[0]["outcomes"]
    (row,) = [r for r in table["rows"] if table["words"][r[2]] == "Mean heart rate"]
    assert row[3] == "101.5"
    assert table["statuses"][row[6]] == "flagged"
    assert table["words"][row[7]] == "heart rate is not steady here"


def test_pressure_that_nobody_noted_is_marked_and_never_drawn_as_zero():
    content, _ = packed(session(events=sheet(BASELINE, SQUAT | {"cuff_pressure_mmhg": None})))
    assert content["pressure"]["unknown"] == [[100.0, 140.0]]
    assert set(content["pressure"]["noted_mmhg"]) == {None}
    assert content["says"]["pressure"] == "Cuff pressure was neither noted nor recorded."


def test_where_one_of_two_cuffs_was_not_noted_its_span_alone_is_hatched():
    cuff = {"trial_type": "cuff", "onset_s": 10.0, "duration_s": 20.0, "cuff_pressure_mmhg": 80.0}
    unknown = cuff | {"onset_s": 95.0, "duration_s": 50.0, "cuff_pressure_mmhg": None}
    content, _ = packed(session(events=sheet(cuff, SQUAT, unknown)))
    assert content["pressure"]["unknown"] == [[95.0, 145.0]]
    assert content["says"]["pressure"].startswith("Hatched")


@pytest.mark.parametrize(("pressure_mmhg", "cautioned"), [(90, True), (0, False)])
def test_a_panel_that_shows_a_pressure_carries_the_caution(pressure_mmhg, cautioned):
    events = sheet(BASELINE, SQUAT | {"cuff_pressure_mmhg": pressure_mmhg})
    content, _ = packed(session(events=events))
    assert (content["says"].get("pressure") == SHORT_CAUTION) == cautioned


SPARSE = {
    "no heart recording": (
        {"beats": NO_BEATS, "respiration": NO_BREATHING, "stretches": []},
        {"heart_rate": "No beats were recorded.", "ecg": "No ECG waveform was recorded."},
    ),
    "beat intervals without a waveform": (
        {"stretches": []},
        {"ecg": "No ECG waveform was recorded."},
    ),
    "no saturation": ({"traces": []}, {"saturation": "No saturation was recorded."}),
    "no outcome, a baseline alone": (
        {"events": sheet(BASELINE), "outcomes": [], "windows": [], "segments": []},
        {"verdicts": "No outcome was asked for: the session sheet has no window for one."},
    ),
    "nothing at all": (
        {
            **{"beats": NO_BEATS, "respiration": NO_BREATHING, "stretches": [], "traces": []},
            **{"events": sheet(), "outcomes": [], "windows": [], "segments": [], "visit": None},
        },
        {"saturation": "No saturation was recorded.", "heart_rate": "No beats were recorded."},
    ),
}


@pytest.mark.parametrize(("changed", "said"), SPARSE.values(), ids=SPARSE)
def test_what_was_not_recorded_is_said_in_its_panel(changed, said):
    sparse = session(**changed)
    content, _ = packed(sparse)
    assert said.items() <= content["says"].items()
    assert content["limits_s"][1] > content["limits_s"][0]
    assert "<title>sub-01 ses-1" in page(sparse)


def test_four_sensors_and_haemoglobin_are_each_a_line_of_their_own():
    names = ["vastus lateralis", "gastrocnemius", "triceps brachii", "biceps brachii"]
    total = sensor("vastus lateralis", signal="total_haemoglobin")
    content, _ = packed(session(traces=[*map(sensor, names), total]))
    assert [line["name"] for line in content["saturation"]] == names
    assert [line["name"] for line in content["haemoglobin"]] == ["vastus lateralis"]


HOSTILE = '</script><script>alert(1)</script> "Müller" <b>\'&'


def test_hostile_names_stay_text():
    written = page(
        session(
            traces=[sensor(HOSTILE)],
            stretches=[ecg(channel=HOSTILE)],
            events=sheet(BASELINE, SQUAT | {"exercise": HOSTILE, "condition": HOSTILE}),
        ),
        title=HOSTILE,
    )
    assert "<script>alert" not in written
    assert "<b>'" not in written
    content, *_ = texts_within(written)
    assert json.loads(content)["saturation"][0]["name"] == HOSTILE


def test_the_policy_of_a_page_allows_its_own_scripts_and_styles_and_no_request():
    written = page(session(), previous="ses-0", following="ses-2")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', written)[1]
    policy = policy.replace("&#39;", "'")
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    for element, directive in (("script", "script-src"), ("style", "style-src")):
        allowed = re.search(rf"{directive} ([^;]*)", policy)[1].split()
        texts = re.findall(rf"<{element}>(.*?)</{element}>", written, re.S)
        if element == "script":
            texts += texts_within(written)[1:]
        sums = [base64.b64encode(hashlib.sha256(t.encode()).digest()).decode() for t in texts]
        assert allowed == [f"'sha256-{checksum}'" for checksum in sums]
    linked = r"\.\./\.\./report\.html|\.\./index\.html|ses-[02]\.html"
    assert not re.search(rf"(src|href)=\"(?!{linked})", written)


def test_the_same_session_gives_the_same_bytes():
    assert page(session()) == page(session())


def test_kinds_of_beats_differ_in_colour_and_in_mark():
    script = (TEMPLATES / "session.js").read_text(encoding="utf-8")
    block = re.search(r"BEAT_MARKS = \{(.*?)\};", script, re.S)[1]
    marks = {kind: look for kind, *look in re.findall(r'(\w+): \["(.)", "(#\w+)"\]', block)}
    assert set(marks) == set(BEAT_KINDS)
    assert len({mark for mark, _ in marks.values()}) == len(BEAT_KINDS)
    assert len({colour for _, colour in marks.values()}) == len(BEAT_KINDS)


def test_the_vendored_charts_are_the_released_files():
    folder = TEMPLATES / "vendor" / "uplot"
    lines = (folder / "VERSION").read_text(encoding="utf-8").splitlines()
    assert "MIT" in lines[0]
    assert (folder / "LICENSE").read_text(encoding="utf-8").startswith("The MIT License")
    for checksum, name in map(str.split, lines[1:]):
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == checksum
