"""Write the whole study on one page that opens offline."""

from engine.step import Input, Inputs, Output, run
from report.page import report_page
from results.reader import Results
from study.settings import Settings


def write_report(
    templates: Inputs,
    tables: Inputs,
    printed: Input,
    methods: Input,
    figures: Inputs,
    report: Output,
    *,
    study: str,
    all_settings: Settings,
    default_settings: Settings,
    unstated: list[str],
):
    files = [*tables, *sorted(printed.glob("*.tsv")), methods, *figures]
    results = Results(files, study, all_settings, default_settings)
    report.write_text(report_page(results, templates[0].parent, unstated), encoding="utf-8")


if __name__ == "__main__":
    run(write_report)
