"""Modulation of heart rate at the breathing rate, by complex demodulation (dimensionless variance).

Follows the breathing rate over time and does not need a steady heart rate. A modulation by 1 %
gives 0.00005.
"""

from heart.modulation import mean_power
from outcomes import HEART

LABEL = "Respiratory modulation of heart rate"
UNIT = "dimensionless"
RECIPE = (
    "Rate of the beats as slope of a cubic spline through their count, at 4 Hz, relative to "
    "its trend by smoothness priors of 500. The oscillation at the breathing rate is shifted "
    "to zero by the running phase of breathing and low-passed at 0.05 Hz; twice its squared "
    "size is the power. The value is the mean over the moments of the window at which "
    "breathing is known, at least 80 % of it."
)
FAMILY = "breathing"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(respiratory_course, window):
    return mean_power(respiratory_course, window.start_s, window.end_s)
