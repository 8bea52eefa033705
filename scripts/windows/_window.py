"""A window of one event."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Window:
    """Limits in seconds on the session clock; `problem` says why it cannot be used."""

    name: str
    trial_type: str
    start_s: float
    end_s: float
    problem: str = ""

    @property
    def duration_s(self) -> float:
        return max(self.end_s - self.start_s, 0.0)
