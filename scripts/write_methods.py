"""Write the methods paragraph from the settings that ran."""

from jinja2 import Environment, StrictUndefined

from engine.step import Input, Inputs, Output, run
from report.methods import band, what_is_said
from results.reader import Results
from results.words import words_of
from study.settings import Settings


def write_methods(
    template: Input,
    tables: Inputs,
    methods: Output,
    *,
    study: str,
    settings: Settings,
    default_settings: Settings,
):
    page = Environment(undefined=StrictUndefined, trim_blocks=True, keep_trailing_newline=True)
    page.filters |= {"plain": lambda v: f"{v:g}", "words": words_of, "band": band}
    results = Results(tables, study, settings, default_settings)
    text = page.from_string(template.read_text(encoding="utf-8")).render(what_is_said(results))
    methods.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    run(write_methods)
