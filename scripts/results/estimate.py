"""A number measured from a recording, with its error, its interval and its verdict."""

from dataclasses import dataclass
from typing import Literal

Status = Literal["ok", "flagged", "refused"]

NORMAL_QUANTILE = 1.959964

UNKNOWN = float("nan")


@dataclass(frozen=True)
class Estimate:
    """A number with its uncertainty, or the reason why there is none.

    Fields: ``value`` and ``se`` (standard error) in the unit of the quantity, NaN when refused or
    not known; ``status``; ``reason`` (empty when ok); ``at_s``, the time at which the value was
    read, where there is one (a nadir, a peak), else NaN; ``ci_low`` and ``ci_high``, the 95 %
    interval, of a normal error where no other is given.
    """

    value: float
    se: float = UNKNOWN
    status: Status = "ok"
    reason: str = ""
    at_s: float = UNKNOWN
    ci_low: float | None = None
    ci_high: float | None = None

    def __post_init__(self):
        if self.ci_low is None:
            object.__setattr__(self, "ci_low", self.value - NORMAL_QUANTILE * self.se)
        if self.ci_high is None:
            object.__setattr__(self, "ci_high", self.value + NORMAL_QUANTILE * self.se)

    @classmethod
    def refused(cls, reason: str) -> "Estimate":
        """An estimate that was not made, and why."""
        return cls(UNKNOWN, UNKNOWN, "refused", reason)

    @property
    def usable(self) -> bool:
        """True unless refused."""
        return self.status != "refused"
