"""The sensor on the working muscle of every set, or why none counts."""

from muscle.cleaning import depth_caution

SENSOR_COLUMNS = ["file", "channel", "site", "position", "status", "reason"]


def depth_cautions(recordings, reached_share):
    """Why light may not reach the muscle, by session, file and channel of every sensor."""
    sensors = recordings[recordings["signal"] == "muscle_oxygen"]
    return {
        (row.session_id, row.file, row.channel): depth_caution(
            row.adipose_thickness_mm, row.source_detector_mm, reached_share=reached_share
        )
        for row in sensors.itertuples()
    }


def sets_with_sensors(events, stretches, working_muscle, cautions):
    """Sets in the order of the rows of the session sheet, each with the sensor that counts."""
    sets = events[events["trial_type"] == "set"]
    sets = sets.sort_values("row_number", kind="stable").reset_index(drop=True)
    sensors = [sensor_of_set(row, stretches, working_muscle, cautions) for row in sets.itertuples()]
    return sets.assign(
        **{f"sensor_{name}": [s.get(name) for s in sensors] for name in SENSOR_COLUMNS}
    )


def on_sensor(sets, labels):
    """Which sets have their working muscle under the sensor of a recording."""
    return (
        (sets["session_id"] == labels["session_id"])
        & (sets["sensor_file"] == labels["file"])
        & (sets["sensor_channel"].fillna("") == (labels["channel"] or ""))
    )


def sensor_of_set(event, stretches, working_muscle, cautions):
    """The sensor that counts for a set, or why none does."""
    sensors = {
        (s.file, s.channel): s
        for s in stretches
        if s.session_id == event.session_id and s.signal == "muscle_oxygen"
    }
    wanted = working_muscle.get(event.exercise)
    on_muscle = [s for s in sensors.values() if wanted is None or s.site == wanted]
    if not sensors:
        return _no_sensor("no saturation was recorded in this session")
    if not on_muscle:
        named = "" if wanted == "n/a" else f"{wanted}, "
        return _no_sensor(f"no sensor on {named}the working muscle of {event.exercise}")
    if wanted is None and len({s.site for s in on_muscle}) > 1:
        return _no_sensor(
            f"several sensors and no working muscle named for {event.exercise}: "
            "set segment_oxygenation.working_muscle"
        )
    sensor = on_muscle[0]
    reasons = [
        "the sensor lies proximal to the cuff" if sensor.position == "proximal" else "",
        cautions.get((event.session_id, sensor.file, sensor.channel), ""),
    ]
    return {
        "file": sensor.file,
        "channel": sensor.channel,
        "site": sensor.site,
        "position": sensor.position,
        "status": "flagged" if any(reasons) else "ok",
        "reason": "; ".join(filter(None, reasons)),
    }


def _no_sensor(reason):
    return {"status": "refused", "reason": reason}
