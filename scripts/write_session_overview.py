"""Write one page that shows every session in small and leads to each of their pages."""

from engine.listings import header
from engine.step import Inputs, OfEach, Output, run
from report.policy import inlined
from sessions.agreement import agreement, in_sentence
from sessions.overview import HEIGHT, WIDTH, in_order_of_worth, pictures_of
from sessions.page import template_folder
from study.session_sheet import table_of
from study.settings import StudySection

HEART_FAMILIES = ("heart rate", "heart period", "spectrum", "breathing")


def write_session_overview(
    sessions: OfEach,
    templates: Inputs,
    page: Output,
    *,
    study: str,
    about: StudySection,
):
    primary_windows = {
        window
        for outcome, window in about.primary
        if header("outcomes", outcome)["FAMILY"] in HEART_FAMILIES
    }
    edits = table_of(study, "edits")
    pictures = pictures_of(sessions, edits, primary_windows)
    reviewers = agreement(edits)
    loader = template_folder(templates[0].parent)
    text = loader.get_template("sessions.html.jinja").render(
        title=about.title,
        pictures=pictures,
        first=in_order_of_worth(pictures),
        agreement=in_sentence(reviewers),
        differences=reviewers.single,
        width=WIDTH,
        height=HEIGHT,
        **inlined(loader, style=["session.css"]),
    )
    page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    run(write_session_overview)
