"""Draw one figure as SVG, PDF and PNG and write the numbers that it draws."""

from engine.listings import figure_modules
from engine.step import Inputs, Output, run
from figures._drawing import STYLE, FigureData, pyplot, save
from results.tables import write_table


def draw_figure(
    needs: Inputs,
    svg: Output,
    pdf: Output,
    png: Output,
    numbers: Output,
    *,
    study: str,
    figure: str,
    title: str,
    conditions: list,
    primary_outcomes: list,
    course_of: list,
    failure_band_pct: list,
    no_cuff_condition: str | None,
):
    settings = {
        "conditions": conditions,
        "primary_outcomes": primary_outcomes,
        "course_of": course_of,
        "failure_band_pct": failure_band_pct,
        "no_cuff_condition": no_cuff_condition,
    }
    with pyplot.rc_context(STYLE):
        drawn, table = figure_modules()[figure].draw(FigureData(needs, study, settings))
        save(drawn, svg, pdf, png, title)
    write_table(table, numbers)


if __name__ == "__main__":
    run(draw_figure)
