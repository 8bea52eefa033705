"""Set figures, tables, methods, references and checklists as one book in PDF."""

from engine.step import Input, Inputs, Output, run
from report.book import content_of
from results.typesetting import set_pdfs
from study.settings import StudySection


def write_book(
    template: Input,
    figures: Inputs,
    printed: Input,
    methods: Input,
    checklists: Input,
    book: Output,
    *,
    about: StudySection,
):
    words = {"title": about.title, "conditions": about.conditions}
    content = content_of(figures, printed, methods, checklists, **words)
    set_pdfs(template, {book: content}, beside=figures)


if __name__ == "__main__":
    run(write_book)
