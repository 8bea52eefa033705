"""Draw the course of one session as a figure, where somebody asks for it."""

from engine.listings import figure_modules
from engine.step import Input, Output, run
from figures._drawing import STYLE, alt_text, pyplot, save
from results.reader import Results
from study.settings import Settings


def draw_session(
    beats: Input,
    saturation: Input,
    signals: Input,
    figure: Output,
    *,
    study: str,
    participant: str,
    session: str,
    settings: Settings,
):
    chosen = settings.draw_figures.model_copy(update={"course_of": [participant, session]})
    results = Results(
        [beats, saturation, signals], study, settings.model_copy(update={"draw_figures": chosen})
    )
    module = figure_modules()["01_session_course"]
    with pyplot.rc_context(STYLE):
        drawn, numbers = module.draw(results)
        save(
            *(drawn, figure),
            title=settings.study.title,
            heading=module.TITLE,
            alt=alt_text(drawn, module, numbers),
            png_dpi=settings.draw_figures.png_dpi,
        )


if __name__ == "__main__":
    run(draw_session)
