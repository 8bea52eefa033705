"""Draw every figure as SVG, PDF and PNG, write the numbers that it draws, and slides of some."""

import pandas as pd

from engine.listings import figure_modules
from engine.step import Inputs, OfEach, Output, Outputs, run
from figures._drawing import (
    SLIDE_DPI,
    SLIDE_IN,
    SLIDE_STYLE,
    STYLE,
    alt_text,
    draw_or_say_why,
    pyplot,
    save,
)
from results.reader import Results
from results.tables import write, write_table
from study.settings import Settings


def draw_figures(
    tables: Inputs,
    beats: OfEach,
    saturation: OfEach,
    signals: OfEach,
    segments: OfEach,
    figures: Outputs,
    slides: Outputs,
    unmade: Output,
    *,
    study: str,
    settings: Settings,
):
    of_everybody = [*beats, *saturation, *signals, *segments]
    results = Results([*tables, *of_everybody], study, settings)
    not_drawn = []
    for name, module in figure_modules().items():
        forms = {path.suffix: path for path in figures if path.stem == name}
        said = {"title": settings.study.title, "heading": module.TITLE}
        with pyplot.rc_context(STYLE):
            figure, numbers, reason = draw_or_say_why(module, results)
            if reason:
                row = {"kind": "figure", "name": name, "step": "draw_figures", "reason": reason}
                not_drawn.append(row)
            said["alt"] = alt_text(figure, module, numbers)
            drawn = (forms[".svg"], forms[".pdf"], forms[".png"])
            save(figure, *drawn, **said, png_dpi=settings.draw_figures.png_dpi)
        write_table(numbers, forms[".tsv"])
        for slide in [path for path in slides if path.stem == name]:
            with pyplot.rc_context(SLIDE_STYLE):
                figure, *_ = draw_or_say_why(module, results, SLIDE_IN)
                save(figure, slide, **said, png_dpi=SLIDE_DPI)
    write(pd.DataFrame(not_drawn), "unmade", unmade)


if __name__ == "__main__":
    run(draw_figures)
