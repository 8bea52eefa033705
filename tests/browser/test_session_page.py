"""Session pages in a real browser, from disk, with the policy that they bring."""

import html
import re

import pytest

from chromium import ABSENT, BROWSER, after, opened
from session_example import BASELINE, SQUAT, beats, ecg, page, sensor, session, sheet

pytestmark = [pytest.mark.browser, pytest.mark.skipif(BROWSER is None, reason=ABSENT)]


def charts_in(dom):
    return re.findall(r'id="panel_(\w+)">(?:(?!id="panel_).)*?<canvas', dom, re.S)


def test_a_page_from_disk_draws_every_panel_and_the_browser_does_not_complain(tmp_path):
    dom, complaints = opened(tmp_path, page(session(), following="ses-2"))
    assert complaints == []
    drawn = ["events", "pressure", "saturation", "heart_rate", "modulation", "verdicts", "ecg"]
    assert charts_in(dom) == drawn
    assert 'data-ready="yes"' in dom


def test_an_address_with_times_opens_that_part(tmp_path):
    dom, _ = opened(tmp_path, page(session()), "#t=110,120")
    assert "Middle: 1:55.00 (115.00 s)" in dom
    assert "squat, bout 1, target" in dom


def test_keys_buttons_wheel_drag_and_double_click_change_what_is_in_view(tmp_path):
    """The session has 200 s and a set from 100 to 140 s."""
    seen = after(
        tmp_path,
        page(session()),
        """
        seen.start = middle();
        key("+"); key("ArrowRight"); await settled(); seen.right = middle();
        key("Home"); await settled(); seen.home = middle();
        mouse("saturation", "mousemove", 0.5); mouse("saturation", "mousedown", 0.5);
        mouse("saturation", "mousemove", 0.6); await settled();
        mouse("saturation", "mouseup", 0.6); await settled(); seen.dragged = middle();
        mouse("ecg", "dblclick", 0.5); await settled(); seen.whole = middle();
        over("ecg").dispatchEvent(new WheelEvent("wheel", {
          deltaY: -300, clientX: over("ecg").getBoundingClientRect().left, cancelable: true }));
        await settled(); seen.wheel = middle();
        click('[data-do="whole"]'); click('#events tr:nth-child(2) button');
        await settled(); seen.set = middle();
        """,
    )
    at = {name: float(re.search(r"\((-?[\d.]+) s\)", text)[1]) for name, text in seen.items()}
    assert at["start"] == at["home"] == at["whole"] == pytest.approx(100, abs=0.1)
    assert at["right"] == pytest.approx(125, abs=0.5)
    assert at["dragged"] == pytest.approx(110, abs=1)
    assert at["wheel"] == pytest.approx(100 / 2.718, abs=2)
    assert at["set"] == pytest.approx(120, abs=0.1)


def test_fingers_move_and_zoom(tmp_path):
    seen = after(
        tmp_path,
        page(session()),
        """
        key("+"); await settled(); seen.start = middle();
        finger("pointerdown", 1, 0.5); finger("pointermove", 1, 0.25); finger("pointerup", 1, 0.25);
        await settled(); seen.moved = middle();
        finger("pointerdown", 1, 0.25); finger("pointerdown", 2, 0.35);
        finger("pointermove", 1, 0.0); finger("pointermove", 2, 0.6);
        finger("pointerup", 1, 0.0); finger("pointerup", 2, 0.6);
        await settled(); key("ArrowRight"); await settled(); seen.pinched = middle();
        """,
    )
    at = {name: float(re.search(r"\((-?[\d.]+) s\)", text)[1]) for name, text in seen.items()}
    assert at["moved"] == pytest.approx(125, abs=0.5)
    # a quarter of what is in view is now a few seconds, so that the pinch came closer
    assert at["pinched"] < at["moved"]


def test_a_panel_can_be_hidden_and_outcomes_are_told_when_asked_for(tmp_path):
    seen = after(
        tmp_path,
        page(session()),
        """
        click("#panels input");
        const details = document.querySelector("#outcomes details");
        details.open = true;
        details.dispatchEvent(new Event("toggle"));
        await settled();
        seen.hidden = document.getElementById("panel_pressure").hidden;
        seen.rows = document.querySelectorAll("#outcomes tbody tr").length;
        seen.told = document.querySelector("#outcomes tbody tr").textContent;
        """,
    )
    assert seen["hidden"] is True
    assert seen["rows"] == 4
    assert "flagged" in seen["told"]
    assert "heart rate is not steady here" in seen["told"]


def test_the_next_marked_beat_comes_into_view_with_its_reason(tmp_path):
    seen = after(
        tmp_path,
        page(session(beats=beats(kinds={100: "misplaced", 180: "ectopic"}))),
        """
        click('[data-do="beat_after"]'); await settled(); seen.first = middle();
        click('[data-do="beat_after"]'); await settled(); seen.second = middle();
        click('[data-do="beat_before"]'); await settled(); seen.again = middle();
        """,
    )
    assert "(80.00 s)" in seen["first"]
    assert "misplaced: 21 ms early" in seen["first"]
    assert "(144.00 s)" in seen["second"]
    assert seen["again"] == seen["first"]


def test_hostile_names_are_shown_as_text(tmp_path):
    hostile = "</script><script>document.title='taken'</script>Müller & \"co\""
    dom, complaints = opened(
        tmp_path,
        page(
            session(
                traces=[sensor(hostile)],
                events=sheet(BASELINE, SQUAT | {"exercise": hostile, "condition": hostile}),
            )
        ),
    )
    assert complaints == []
    assert "<title>sub-01 ses-1" in dom
    assert html.escape(hostile, quote=False) in dom


def test_forty_minutes_of_ecg_at_1000_hz_are_drawn(tmp_path):
    dom, complaints = opened(tmp_path, page(session(stretches=[ecg(1000.0, 2400.0)])))
    assert complaints == []
    assert "ecg" in charts_in(dom)
