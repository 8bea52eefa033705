"""What a study noted of pressures and harms, judged: the tables of check_safety."""

from cuff.harms import harms_table
from cuff.safety import Known, safety_table
from cuff.titration import titration_table
from study.session_sheet import events_of, table_of


def checked_tables(study, checks, conditions, settings, protocol, *, harms_kept):
    """Tables safety, titration and harms of a study folder by name.

    `checks` are the pressures as recorded beside those noted; `harms_kept` says whether the study
    has a table of harms at all.
    """
    visits, occlusion, steps, harms = (
        table_of(study, name) for name in ("sessions", "occlusion", "titration", "harms")
    )
    events = events_of(study)
    sets = events[events["trial_type"] == "set"]
    known = Known.of_study(occlusion, steps, settings, protocol)
    return {
        "safety": safety_table(visits, events, known, checks),
        "titration": titration_table(known.steps, sets, known.widths_cm),
        "harms": harms_table(harms, sets, conditions, kept=harms_kept),
    }
