"""Set figures, tables, methods, references and checklists as one book in PDF."""

from engine.step import Input, Inputs, Output, run
from report.book import content_of
from results.typesetting import set_pdfs
from study.settings import StudySection


def write_book(
    book_template: Input,
    figures: Inputs,
    printed: Input,
    methods: Input,
    checklists: Input,
    book: Output,
    *,
    about: StudySection,
):
    words = {"title": about.title, "conditions": about.conditions}
    drawn = [path for path in figures if path.suffix == ".svg"]
    content = content_of(drawn, printed, methods, checklists, **words)
    set_pdfs(book_template, {book: content}, beside=drawn)


if __name__ == "__main__":
    run(write_book)
