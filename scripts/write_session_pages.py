"""Write a page for every session of one person, to be opened in a browser without a network."""

from engine.listings import header, names_in
from engine.step import Input, Inputs, Output, run
from recordings.store import read_stretches
from results.tables import read_table, write
from sessions.overview import write_courses
from sessions.page import pages_of, template_folder, write_pages
from sessions.reading import recorded_files, sessions_of
from study.session_sheet import events_of, table_of, with_supplied_times
from study.settings import Protocol


def write_session_pages(
    signals: Input,
    beats: Input,
    respiration: Input,
    saturation: Input,
    segments: Input,
    outcomes: Input,
    beat_quality: Input,
    window_quality: Input,
    templates: Inputs,
    pages: Output,
    unmade: Output,
    *,
    study: str,
    participant: str,
    title: str,
    protocol: Protocol,
):
    files = {
        "beats": beats,
        "respiration": respiration,
        "saturation": saturation,
        "segments": segments,
        "outcomes": outcomes,
        "beat_quality": beat_quality,
        "window_quality": window_quality,
    }
    visits = table_of(study, "sessions", participant).set_index("session_id")["visit"].to_dict()
    events = with_supplied_times(events_of(study, participant), read_table(segments))
    stretches = read_stretches(signals, ["ecg", "cuff_pressure"])
    recorded = recorded_files(study, table_of(study, "recordings", participant), stretches)
    sessions = sessions_of(participant, visits, events, stretches, files, recorded)
    headers = {name: header("outcomes", name) for name in names_in("outcomes")}
    forms = template_folder(templates[0].parent)
    not_drawn = write_pages(pages_of(sessions, forms, headers, protocol, title), pages)
    write(not_drawn.assign(participant_id=participant), "unmade", unmade)
    write_courses(sessions, pages)


if __name__ == "__main__":
    run(write_session_pages)
