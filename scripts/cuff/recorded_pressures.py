"""Recordings of cuff pressure: the limb of each, and the pressure during a set."""

import numpy as np

from recordings.limbs import same_limb
from recordings.store import by_recording, joined


def pressure_recordings(stretches, recordings):
    """Every recording of a cuff's pressure, with the limb and side that recordings.tsv names."""
    for labels, of_recording in by_recording(stretches):
        if labels["signal"] != "cuff_pressure":
            continue
        row = recordings[
            (recordings["session_id"] == labels["session_id"])
            & (recordings["file"] == labels["file"])
            & (recordings["channel"].fillna("") == (labels["channel"] or ""))
            & (recordings["signal"] == "cuff_pressure")
        ].iloc[0]
        yield labels | {"limb": row["limb"], "side": row["side"], "trace": joined(of_recording)}


def recorded_pressure(event, cuffs):
    """Median recorded cuff pressure during a set in mmHg, of the one recording that may be its
    limb's; None without one."""
    of_limb = [
        cuff
        for cuff in cuffs
        if cuff["session_id"] == event.session_id
        and same_limb(event.limb, event.side, cuff["limb"], cuff["side"]) is not False
    ]
    if len(of_limb) != 1:
        return None
    time_s, pressure_mmhg = of_limb[0]["trace"]
    inside = (time_s >= event.onset_s) & (time_s <= event.onset_s + event.duration_s)
    during_set = pressure_mmhg[inside]
    return float(np.nanmedian(during_set)) if np.isfinite(during_set).any() else None
