"""Session pages in a real browser, from disk, with the policy that they bring."""

import html
import re
import time
from functools import cache
from xml.etree import ElementTree

import numpy as np
import pytest

from chromium import ABSENT, AXE, BROWSER, HANDS, Page, after, opened, page_from
from session_example import BASELINE, SQUAT, beats, ecg, ordinary_page, page, sensor, session, sheet

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
    dom, _ = opened(tmp_path, ordinary_page(), "#t=110,120")
    assert "Middle: 1:55.00 (115.00 s)" in dom
    assert "squat, bout 1, target" in dom


def test_keys_buttons_wheel_drag_and_double_click_change_what_is_in_view(tmp_path):
    """The session has 200 s and a set from 100 to 140 s."""
    seen = after(
        tmp_path,
        ordinary_page(),
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
    """One finger moves along, two come closer; the part in view is 60 to 140 s at first."""
    with page_from(tmp_path, ordinary_page(), "#t=60,140", touch=True) as shown:
        left, top, width = shown.run(
            "const box = document.querySelector('#panel_saturation .u-over');"
            "box.scrollIntoView({ block: 'center' }); const at = box.getBoundingClientRect();"
            "return [at.left, at.top + at.height / 2, at.width];"
        )

        def fingers(*begins_and_ends):
            places = [[(left + share * width, top) for share in pair] for pair in begins_and_ends]
            shown.touch("touchStart", *(begin for begin, _ in places))
            shown.touch("touchMove", *(end for _, end in places))
            shown.touch("touchEnd")
            return float(
                re.search(
                    r"\((-?[\d.]+) s\)", shown.run(f"{HANDS} await settled(); return middle();")
                )[1]
            )

        assert fingers((0.5, 0.25)) == pytest.approx(120, abs=1)
        # two fingers that part about a fifth of what is in view, from 80 to 160 s
        assert fingers((0.15, 0.05), (0.25, 0.45)) == pytest.approx(106, abs=4)
        assert shown.complaints() == []


def test_a_panel_can_be_hidden_and_outcomes_are_told_when_asked_for(tmp_path):
    seen = after(
        tmp_path,
        ordinary_page(),
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


def saved(folder, text, address, form):
    """The file that a button of the page saves."""
    with page_from(folder, text, address, downloads=folder) as shown:
        shown.run(f"{HANDS} click('[data-do={form}]');")
        for _ in range(500):
            time.sleep(0.02)
            if files := [*folder.glob(f"*_s.{form}")]:
                assert shown.complaints() + shown.requests() == []
                return files[0]
    raise TimeoutError(f"no {form} was saved")


def test_what_is_in_view_is_saved_as_vectors_with_panels_axes_and_events(tmp_path):
    """The set of the example begins at 100 s; 90 to 130 s are in view."""
    hostile = "</text><script>alert(1)</script>"
    text = page(session(traces=[sensor(hostile)], events=sheet(BASELINE, SQUAT)))
    path = saved(tmp_path, text, "#t=90,130", "svg")
    assert path.name == "sub-01_ses-1_90_130_s.svg"
    drawing = ElementTree.parse(path).getroot()
    svg = "{http://www.w3.org/2000/svg}"
    texts = [element.text for element in drawing.iter(f"{svg}text")]
    assert "sub-01 ses-1, 1:30.0 to 2:10.0" in texts
    assert {"Muscle oxygen saturation (%)", "Heart rate (per min)", "1:40", hostile} <= {*texts}
    assert any("squat" in told for told in texts)
    # no pressure leaves the page without its caution
    assert any("none is advised" in told for told in texts)
    assert not any(element.tag.endswith(("image", "script")) for element in drawing.iter())

    # in each panel curves begin at or before its left edge and end at or beyond its right one
    panels = [part for part in drawing if part.tag == f"{svg}svg"]
    curves = [
        np.array(re.findall(r"[ML](-?[\d.]+) ", line.get("d")), float)
        for part in panels
        for line in part.iter(f"{svg}path")
        if line.get("d").count("L") > 30
    ]
    left, _, width, _ = map(float, panels[0].get("viewBox").split())
    assert len(curves) >= 2
    assert all(x.min() <= left + 0.05 * width for x in curves)
    assert all(x.max() >= left + 0.95 * width for x in curves)


def test_a_picture_of_what_is_in_view_has_the_pixels_of_the_panels(tmp_path):
    path = saved(tmp_path, ordinary_page(), "#t=90,130", "png")
    from matplotlib import pyplot

    pixels = pyplot.imread(path)
    assert path.name == "sub-01_ses-1_90_130_s.png"
    assert pixels.shape[0] > 900
    assert pixels.shape[1] > 1000
    assert pixels[..., :3].std() > 0.05


def test_what_is_in_view_prints_alone_on_one_page_and_the_session_page_comes_back(tmp_path):
    with page_from(tmp_path, ordinary_page()) as shown:
        before = len(re.findall(rb"/Type\s*/Page\b", shown.pdf()))
        shown.run(f"window.print = () => null; {HANDS} click('[data-do=pdf]');")
        assert shown.run("return document.title;") == "sub-01_ses-1_0_200_s"
        alone = len(re.findall(rb"/Type\s*/Page\b", shown.pdf()))
        assert (before > 1, alone) == (True, 1)
        shown.run("dispatchEvent(new Event('afterprint'));")
        assert shown.run("return document.title;").startswith("sub-01 ses-1:")
        assert len(re.findall(rb"/Type\s*/Page\b", shown.pdf())) == before


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


MOVES = ["+"] * 10 + ["ArrowRight"] * 15 + ["-"] * 10 + ["+"] * 5 + ["ArrowLeft"] * 10


def test_forty_minutes_of_ecg_at_1000_hz_are_ready_in_a_second_and_redrawn_in_a_frame(tmp_path):
    """Seconds are those of the thread that draws, so that a busy machine does not change them.

    Nothing but the processor paints here; a graphics card makes both faster.
    """
    whole = session(
        stretches=[ecg(1000.0, 2400.0)],
        traces=[sensor(end_s=2400.0), sensor("calf", end_s=2400.0)],
        beats=beats(3000),
    )
    path = tmp_path / "ses-1.html"
    path.write_text(page(whole), encoding="utf-8")
    assert path.stat().st_size < 6e6
    with Page("about:blank", ready=False) as shown:
        shown.ask("Performance.enable", timeDomain="threadTicks")

        def busy_ms():
            metrics = shown.ask("Performance.getMetrics")["metrics"]
            return 1000 * next(m["value"] for m in metrics if m["name"] == "TaskDuration")

        shown.go(path.as_uri())
        assert busy_ms() < 1000
        drawn_ms = []
        for name in MOVES:
            before_ms = busy_ms()
            shown.run(f"{HANDS} key('{name}'); await settled();")
            drawn_ms.append(busy_ms() - before_ms)
        assert np.median(drawn_ms) < 16
        assert np.quantile(drawn_ms, 0.9) < 16
        assert shown.complaints() == []


@cache
def reviewed_page():
    """A page with everything that a page can have, its review open and everything unfolded."""
    return page(
        session(
            beats=beats(kinds={100: "misplaced", 180: "ectopic"}),
            files=[{"signal": "ecg", "sha256": "a" * 64, "from_s": 0.0, "to_s": 200.0}],
            spans=[
                {"start_s": "20", "end_s": "30", "verdict": "doubtful"}
                | {"reason": "noise", "usable_pct": "50"}
            ],
        ),
        previous="ses-0",
        following="ses-2",
    )


UNFOLD = """
document.querySelectorAll("details").forEach((part) => {
  part.open = true; part.dispatchEvent(new Event("toggle"));
});
"""


def test_nothing_on_the_page_is_closed_to_people_who_read_it_otherwise(tmp_path):
    """Rules of WCAG 2.2 as axe-core checks them."""
    seen = after(
        tmp_path,
        reviewed_page(),
        f"""click("#review_toggle"); {UNFOLD} await settled();
        const checked = await axe.run();
        seen.violations = checked.violations.map((v) => [v.id, v.nodes[0].html]);
        seen.passes = checked.passes.length;
        """,
        script=AXE.read_text(encoding="utf-8"),
    )
    assert seen["violations"] == []
    assert seen["passes"] > 30


def test_a_narrow_screen_shows_everything_without_moving_sideways(tmp_path):
    deeds = f"""click("#review_toggle"); {UNFOLD} await settled();
    seen.wider = document.documentElement.scrollWidth - document.documentElement.clientWidth;
    seen.plots = document.getElementById("plots").clientWidth;
    """
    seen = after(tmp_path, reviewed_page(), deeds, width=360)
    assert seen["wider"] <= 0
    assert seen["plots"] > 300


def test_a_printed_page_holds_its_panels_and_tables_and_none_of_its_buttons(tmp_path):
    with page_from(tmp_path, reviewed_page()) as shown:
        shown.ask("Emulation.setEmulatedMedia", media="print")
        seen = shown.run(
            "const shown = (s) => document.querySelector(s).getBoundingClientRect().height > 0;"
            "return ['.buttons', '#panels', '#moving', '#panel_ecg', '#events table'].map(shown);"
        )
        assert seen == [False, False, False, True, True]
        assert len(re.findall(rb"/Type\s*/Page\b", shown.pdf())) <= 5
