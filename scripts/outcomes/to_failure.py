"""Whether the set ended in failure, as the study defines it: 1 yes, 0 no."""

import pandas as pd

from measuring.inputs import noted_number
from outcomes import SET

LABEL = "Set to failure"
UNIT = ""
RECIPE = (
    "1 where the stop reason on the session sheet is one of the setting failure_stop_reasons, "
    "0 where it is another; without a stop reason, what the column to_failure says."
)
FAMILY = "work"
SCALE = "yes or no"
ASKED_OF = SET


def measure(event, failure_stop_reasons):
    if pd.isna(event.stop_reason):
        return noted_number(event, "to_failure")
    return float(event.stop_reason in failure_stop_reasons)
