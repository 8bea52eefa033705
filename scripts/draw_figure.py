"""Draw one figure as SVG, PDF and PNG and write the numbers that it draws."""

from engine.listings import figure_modules
from engine.step import Inputs, Output, run
from figures._drawing import STYLE, FigureChoices, FigureData, pyplot, save
from results.tables import write_table
from study.settings import DrawFigures, Protocol


def draw_figure(
    needs: Inputs,
    svg: Output,
    pdf: Output,
    png: Output,
    numbers: Output,
    *,
    study: str,
    figure: str,
    settings: DrawFigures,
    protocol: Protocol,
    title: str,
    conditions: list[str],
    primary: list[tuple[str, str]],
):
    choices = FigureChoices(settings, protocol, conditions, primary)
    with pyplot.rc_context(STYLE):
        drawn, table = figure_modules()[figure].draw(FigureData(needs, study, choices))
        save(drawn, svg, pdf, png, title)
    write_table(table, numbers)


if __name__ == "__main__":
    run(draw_figure)
