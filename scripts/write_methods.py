"""Write the methods text with its references, and the reporting checklists, from what ran."""

from jinja2 import Environment, StrictUndefined

from engine.step import Input, Inputs, Output, run
from report.checklists import as_markdown, checklists_of
from report.methods import band, what_is_said, without_tags
from report.references import (
    as_bibtex,
    as_csl,
    cited_in,
    list_of_references,
    numbered,
    references_in,
)
from results.reader import Results
from results.words import words_of
from study.settings import Settings


def write_methods(
    methods_template: Input,
    literature: Input,
    tables: Inputs,
    methods: Output,
    bibtex: Output,
    csl: Output,
    checklists: Output,
    *,
    study: str,
    all_settings: Settings,
    default_settings: Settings,
):
    page = Environment(  # noqa: S701 Markdown, in which `without_tags` escapes
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
        finalize=without_tags,
    )
    page.filters |= {"plain": lambda v: f"{v:g}", "words": words_of, "band": band}
    results = Results(tables, study, all_settings, default_settings)
    said, references = what_is_said(results), references_in(literature)
    text = page.from_string(methods_template.read_text(encoding="utf-8")).render(said)
    cited = cited_in(text, references)
    listed = f"\n## References\n\n{list_of_references(cited)}\n" if cited else ""
    methods.write_text(numbered(text, cited) + listed, encoding="utf-8")
    bibtex.write_text(as_bibtex(cited), encoding="utf-8")
    csl.write_text(as_csl(cited), encoding="utf-8")
    lists = as_markdown(checklists_of(results, said), references)
    checklists.write_text(lists, encoding="utf-8")


if __name__ == "__main__":
    run(write_methods)
