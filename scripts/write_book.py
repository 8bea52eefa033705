"""Set figures, tables, methods, references and checklists as one book in PDF."""

from engine.step import Input, Inputs, Output, run
from figures._forms import with_words
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
    in_words = {path.name: with_words(path.read_text(encoding="utf-8")) for path in drawn}
    set_pdfs(book_template, {book: content}, beside=in_words)


if __name__ == "__main__":
    run(write_book)
