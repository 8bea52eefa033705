"""The saturation sensor that counts in an event: a set's own, at baseline the only one there is."""


class Sensors:
    """Sensors of one person's sets, as the table `segments` has them."""

    def __init__(self, segments):
        self._segments = segments
        self._of_set = {}
        for segment in self._segments.to_dict("records"):
            self._of_set.setdefault((segment["session_id"], segment["event_id"]), segment)

    def of_event(self, event, traces):
        """File, channel, status and reason of a sensor; None where none belongs to the event.

        `traces` are the cleaned traces of the event's session.
        """
        if event.trial_type == "baseline":
            return self._only_one(event.session_id, traces)
        if event.trial_type == "set":
            return self._of_set.get((event.session_id, event.event_id))
        return None

    def _only_one(self, session_id, traces):
        sensors = traces.loc[traces["signal"] == "muscle_oxygen", ["file", "channel"]]
        sensors = sensors.drop_duplicates()
        if len(sensors) > 1:
            return {
                "status": "refused",
                "reason": f"{len(sensors)} sensors: the resting level of each stands on the "
                "sets that it belongs to",
            }
        if sensors.empty:
            return None
        sensor = dict(sensors.iloc[0])
        return {"status": "ok", "reason": self._caution(session_id, sensor["file"]), **sensor}

    def _caution(self, session_id, file):
        """What speaks against a sensor, as its sets have it."""
        flagged = self._segments[
            (self._segments["session_id"] == session_id)
            & (self._segments["file"] == file)
            & (self._segments["status"] == "flagged")
        ]
        return flagged["reason"].iloc[0] if len(flagged) else ""
