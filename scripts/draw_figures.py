"""Draw every figure as SVG, PDF and PNG, and write the numbers that it draws."""

from engine.listings import figure_modules
from engine.step import Inputs, OfEach, Outputs, run
from figures._drawing import STYLE, pyplot, save
from results.reader import Results
from results.tables import write_table
from study.settings import Settings


def draw_figures(
    tables: Inputs,
    beats: OfEach,
    saturation: OfEach,
    figures: Outputs,
    *,
    study: str,
    settings: Settings,
):
    results = Results([*tables, *beats, *saturation], study, settings)
    with pyplot.rc_context(STYLE):
        for name, module in figure_modules().items():
            files = {path.suffix: path for path in figures if path.stem == name}
            figure, numbers = module.draw(results)
            save(figure, files[".svg"], files[".pdf"], files[".png"], settings.study.title)
            write_table(numbers, files[".tsv"])


if __name__ == "__main__":
    run(draw_figures)
