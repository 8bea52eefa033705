"""Links to the page of every session, by person."""

ORDER = 47

TITLE = "Every session on a page of its own"

NEEDS = ("outcomes", "unmade")


def section(results):
    unmade = results.unmade
    without_pages = unmade.loc[unmade["kind"] == "person", "participant_id"]
    recordings = results.recordings
    recordings = recordings[~recordings["participant_id"].isin(without_pages)]
    return {"people": session_pages(recordings, results.outcomes)}


def session_pages(recordings, outcomes):
    """Everybody's session pages, each named with its conditions."""
    visits = recordings[["participant_id", "session_id"]].drop_duplicates()
    with_condition = outcomes.dropna(subset="condition")
    conditions = with_condition.groupby(["participant_id", "session_id"])["condition"].unique()
    people = {}
    for visit in visits.sort_values(["participant_id", "session_id"]).itertuples(index=False):
        named = ", ".join(conditions.get(tuple(visit), ()))
        page = {
            "name": f"{visit.session_id} ({named})" if named else visit.session_id,
            "address": f"sessions/{visit.participant_id}/{visit.session_id}.html",
        }
        people.setdefault(visit.participant_id, []).append(page)
    return people
