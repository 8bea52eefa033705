"""Mean heart rate above the upper limit of the intrinsic rate for the age (Jose & Collison 1970).

A rate above this limit cannot come from vagal withdrawal alone.
"""

import pandas as pd

from heart import variability
from measuring.inputs import Absent
from outcomes import HEART

LABEL = "Heart rate above intrinsic limit"
UNIT = "bpm"
RECIPE = (
    "Mean heart rate of the window, less the upper 95 % limit of the intrinsic rate for the "
    "age: 118.1 - 0.57 x age, and 14 % above it below 45 years, 18 % from 45 years."
)
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "beyond vagal"


def measure(nn_ms, age_years):
    if pd.isna(age_years):
        raise Absent("the age of the participant is not noted")
    limit_bpm = variability.highest_intrinsic_hr_bpm(age_years)
    return variability.mean_hr_bpm(nn_ms) - limit_bpm
