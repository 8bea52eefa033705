"""Modulation of heart rate at the breathing rate, by complex demodulation (dimensionless variance).

Follows the breathing rate over time and does not need a steady heart rate. A modulation by 1 %
gives 0.00005.
"""

from heart.modulation import summarise_modulation
from outcomes import HEART

LABEL = "Respiratory modulation of heart rate"
UNIT = "dimensionless"
FAMILY = "breathing"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(respiratory_course, window):
    return summarise_modulation(
        respiratory_course, start_s=window.start_s, end_s=window.end_s
    ).power
