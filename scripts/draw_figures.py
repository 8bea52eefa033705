"""Draw every figure as SVG, PDF and PNG, write the numbers that it draws, and slides of some."""

from engine.listings import figure_modules
from engine.step import Inputs, OfEach, Outputs, run
from figures._drawing import (
    SLIDE_IN,
    SLIDE_STYLE,
    STYLE,
    alt_text,
    pyplot,
    save,
    save_slide,
)
from results.reader import Results
from results.tables import write_table
from study.settings import Settings


def draw_figures(
    tables: Inputs,
    beats: OfEach,
    saturation: OfEach,
    signals: OfEach,
    segments: OfEach,
    figures: Outputs,
    slides: Outputs,
    *,
    study: str,
    settings: Settings,
):
    of_everybody = [*beats, *saturation, *signals, *segments]
    results = Results([*tables, *of_everybody], study, settings)
    for name, module in figure_modules().items():
        files = {path.suffix: path for path in figures if path.stem == name}
        with pyplot.rc_context(STYLE):
            figure, numbers = module.draw(results)
            save(
                *(figure, files[".svg"], files[".pdf"], files[".png"]),
                title=settings.study.title,
                heading=module.TITLE,
                alt=alt_text(figure, module, numbers),
                png_dpi=settings.draw_figures.png_dpi,
            )
        write_table(numbers, files[".tsv"])
        for slide in [path for path in slides if path.stem == name]:
            with pyplot.rc_context(SLIDE_STYLE):
                save_slide(module.draw(results, SLIDE_IN)[0], slide, settings.study.title)


if __name__ == "__main__":
    run(draw_figures)
