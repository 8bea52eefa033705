"""The report in a real browser, from disk: contents, folds, marks, tables, small screens, print."""

import html
import re

import pandas as pd
import pytest
from markupsafe import Markup

from chromium import ABSENT, AXE, BROWSER, after, opened, page_from
from project import PROJECT
from report.drawn import across_conditions, interval_scale
from report.origins import Origin, Told
from report.page import framed, shown_table, templates_of
from report.sections.answer import claims_shown
from results.columns import columns_of
from study.plan import NOT_FROZEN

pytestmark = [pytest.mark.browser, pytest.mark.skipif(BROWSER is None, reason=ABSENT)]

NAMES = ["sub-10", "sub-2", "sub-1"]


def page(name="sub-1", rows=30):
    """A report with a long table, a short one, a picture, folds and marks."""
    templates = templates_of(PROJECT / "workflow" / "templates")
    short = shown_table(
        pd.DataFrame({"person": [*NAMES[:2], name], "value": ["9.5", "-10", ""]}), "Short"
    )
    long = shown_table(pd.DataFrame({"n": range(rows)}), "Long")
    cells = pd.DataFrame(
        [("squat", c, p, v) for p, v in (("a", 5.0), ("b", 7.0)) for c in ("none", "target")],
        columns=["exercise", "condition", "participant_id", "value"],
    )
    of_pictures = templates.from_string(
        "<p>{{ told }}</p>{{ drawn }}{{ scale }}{{ shown(short) }}{{ shown(long) }}"
    ).render(
        told=Told(f"{name} fell by 5 %.", Origin("contrasts", 14, "smo2_nadir_pct", "set")),
        drawn=across_conditions(cells, ["none", "target"], said="It fell.", label="Nadir (%)"),
        scale=interval_scale([(6.0, 4.0, 8.0)], ratio=False, smallest=3).strips[0],
        short=short,
        long=long,
    )
    explained = (
        "<details id='fold'><summary>Nadir</summary><dl>"
        "<dt id='from-smo2_nadir_pct-set'>set</dt><dd>Lowest mean.</dd></dl></details>"
    )
    told = [
        {"id": "answer", "title": "The answer", "text": Markup(of_pictures)},
        {"id": "numbers", "title": "Where the numbers come from", "text": Markup(explained)},
    ]
    return framed(templates, told, f"A study of {name}")


def test_the_page_opens_from_disk_without_a_request_or_a_complaint(tmp_path):
    dom, complaints = opened(tmp_path, page())
    assert complaints == []
    assert 'data-ready="yes"' in dom
    assert not re.findall(r'(?:src|href)="(?!#|data:)[^"]*"', dom)


def test_contents_stand_beside_the_text_on_wide_screens_and_under_a_touch_on_narrow_ones(tmp_path):
    deeds = """
      const contents = document.querySelector("nav details");
      const text = document.querySelector("main");
      seen.open = contents.open;
      seen.beside = contents.getBoundingClientRect().right <= text.getBoundingClientRect().left;
      contents.open = true;
      contents.querySelector("a").click(); await settled();
      seen.after = contents.open;
      seen.wider = document.documentElement.scrollWidth > window.innerWidth;
    """
    wide = after(tmp_path, page(), deeds, width=1300)
    assert wide == {"open": True, "beside": True, "after": True, "wider": False}
    # as wide as a small phone, with a word that is longer
    narrow = after(tmp_path, page("sub-" + "1" * 80), deeds, width=360)
    assert narrow == {"open": False, "beside": False, "after": False, "wider": False}


def test_a_mark_opens_the_fold_in_which_its_number_is_explained(tmp_path):
    seen = after(
        tmp_path,
        page(),
        """
        const fold = document.getElementById("fold");
        seen.before = fold.open;
        click(".source"); await settled();
        dispatchEvent(new HashChangeEvent("hashchange")); await settled();
        seen.hash = location.hash; seen.after = fold.open;
        seen.name = document.querySelector(".source").getAttribute("aria-label");
        """,
    )
    assert seen == {
        "before": False,
        "after": True,
        "hash": "#from-smo2_nadir_pct-set",
        "name": "contrasts 14: where it comes from",
    }


def test_tables_sort_by_numbers_and_names_from_buttons_and_come_back_to_their_order(tmp_path):
    seen = after(
        tmp_path,
        page(),
        """
        const table = document.querySelector("table.sorts");
        const order = () => [...table.tBodies[0].rows].map((row) => row.cells[0].textContent);
        const state = (n) => table.tHead.rows[0].cells[n].getAttribute("aria-sort");
        const [person, value] = [...table.tHead.querySelectorAll("button")];
        value.focus(); seen.focused = document.activeElement === value;
        person.click(); seen.names = order(); seen.up = state(0);
        value.click(); seen.numbers = order(); seen.left = state(0);
        value.click(); seen.falling = order(); seen.down = state(1);
        value.click(); seen.as_before = order(); seen.none = state(1);
        """,
    )
    assert seen["focused"]
    assert seen["names"] == ["sub-1", "sub-2", "sub-10"]
    # what is empty stands last, whichever way
    assert seen["numbers"] == ["sub-2", "sub-10", "sub-1"]
    assert seen["falling"] == ["sub-10", "sub-2", "sub-1"]
    assert seen["as_before"] == NAMES
    assert [seen[s] for s in ("up", "left", "down", "none")] == [
        *("ascending", None, "descending", None)
    ]


def test_a_long_table_is_folded_and_everything_is_unfolded_for_print(tmp_path):
    seen = after(
        tmp_path,
        page(),
        """
        const folds = () => [...document.querySelectorAll("main details")].map((d) => d.open);
        seen.before = folds();
        dispatchEvent(new Event("beforeprint")); seen.printed = folds();
        dispatchEvent(new Event("afterprint")); seen.after = folds();
        """,
    )
    assert seen == {"before": [False, False], "printed": [True, True], "after": [False, False]}


def test_the_page_prints_to_pdf_with_what_is_folded(tmp_path):
    def printed(rows):
        with page_from(tmp_path, page(rows=rows)) as shown:
            return len(re.findall(rb"/Type\s*/Page\b", shown.pdf()))

    # a folded table of 400 rows needs pages of its own
    assert printed(400) >= printed(30) + 4


def test_hostile_names_are_shown_as_text(tmp_path):
    hostile = "</script><script>document.title='taken'</script>Müller & \"co\""
    dom, complaints = opened(tmp_path, page(hostile))
    assert complaints == []
    assert "<title>A study of " in dom
    assert html.escape(hostile, quote=False) in dom


def test_nothing_on_the_page_is_closed_to_people_who_read_it_otherwise(tmp_path):
    """Rules of WCAG 2.2 as axe-core checks them, with everything unfolded."""
    seen = after(
        tmp_path,
        page(),
        """
        document.querySelectorAll("details").forEach((part) => { part.open = true; });
        const found = await axe.run();
        seen.violations = found.violations.map((v) => [v.id, v.nodes[0].html]);
        seen.passes = found.passes.length;
        """,
        script=AXE.read_text(encoding="utf-8"),
    )
    assert seen["violations"] == []
    assert seen["passes"] > 15


def first_screen():
    """The answer of a study of three claims, four exercises and a safety finding."""
    conditions = ["none", "low", "target"]
    keys = [("smo2_nadir_pct", "set"), ("mean_hr_bpm", "set"), ("rmssd_ms", "recovery_steady")]
    parts = "; ".join(
        f"target - {base}: 0.795 (98.3 % CI 0.712 to 0.902; 10 pairs)" for base in ("none", "low")
    )
    said = "target differs from both none and low"
    claims = pd.DataFrame(
        [{"outcome": o, "window": w, "claim": said, "parts": parts} for o, w in keys],
        columns=columns_of("claims"),
    ).assign(verdict="shown", p_adjusted=0.003, plan=NOT_FROZEN)
    contrasts = pd.DataFrame(
        [
            {"outcome": o, "window": w, "contrast": f"target - {base}", "estimate": 0.8}
            for o, w in keys
            for base in ("none", "low")
        ],
        columns=columns_of("contrasts"),
    ).assign(exercise="all", flagged_pct=6, withheld_pct=1, smallest_effect=5.0, scale="identity")
    contrasts["note"] = contrasts["primary"] = ""
    cells = pd.DataFrame(
        [
            (exercise, c, p, 20.0 + 5 * n)
            for exercise in ("knee extension", "calf raise", "elbow extension", "band row")
            for n, c in enumerate(conditions)
            for p in NAMES
        ],
        columns=["exercise", "condition", "participant_id", "value"],
    )
    drawn = across_conditions(cells, conditions, said="It rose.", label="Mean heart rate (bpm)")
    picture = {"said": "It was on average higher with target than with none in all. " * 2}
    picture |= {"drawing": drawn, "caption": "10 people, a line each. " * 4, "interaction": None}
    templates = templates_of(PROJECT / "workflow" / "templates")
    answer = templates.get_template("report/answer.html.jinja").render(
        done="10 people came to 29 visits with recordings and did 232 sets of four exercises. " * 2,
        pressures="target: 75 to 123 mmHg, 60 % of the occlusion pressure (unknown in 4 of 80). ",
        findings=["marked numbness (sub-07 ses-3)", "8 of 152 sets not counted, and why. " * 4],
        claims=claims_shown(claims, contrasts),
        plan="No plan was frozen before the values were seen.",
        pictures=[picture, picture],
    )
    told = [{"id": "answer", "title": "The answer", "text": Markup(answer)}]
    told.append({"id": "numbers", "title": "Where the numbers come from", "text": ""})
    return framed(templates, told, "A study of four exercises with and without limb cuffs")


@pytest.mark.parametrize("width", [1280, 1440])
def test_claims_and_pictures_of_muscle_and_heart_stand_on_the_first_screen(tmp_path, width):
    """On a screen of 1280 by 800, as small laptops have it."""
    seen = after(
        tmp_path,
        first_screen(),
        """
        const box = (part) => part.getBoundingClientRect();
        const pictures = [...document.querySelectorAll(".pictures svg")].map(box);
        seen.claims = document.querySelectorAll(".claims tbody").length;
        seen.lowest = Math.max(...pictures.map((picture) => picture.bottom));
        seen.beside = pictures[0].right <= pictures[1].left;
        const table = document.querySelector(".claims");
        seen.cut = table.scrollWidth > table.parentElement.clientWidth;
        """,
        width=width,
    )
    assert (seen["claims"], seen["beside"], seen["cut"]) == (3, True, False)
    assert seen["lowest"] <= 800


def test_on_a_small_phone_every_cell_of_a_claim_is_seen(tmp_path):
    seen = after(
        tmp_path,
        first_screen(),
        """
        const cells = [...document.querySelectorAll(".claims td, .claims tbody th")];
        seen.out = cells.filter((cell) => cell.getBoundingClientRect().right > innerWidth).length;
        """,
        width=360,
    )
    assert seen == {"out": 0}
