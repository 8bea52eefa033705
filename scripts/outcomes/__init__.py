"""One file per outcome; the listing of this folder is the list of outcomes.

A file says what its outcome is (docstring, LABEL, UNIT, FAMILY), the scale on which conditions are
compared (SCALE: `identity`, or `ratio` for logarithms given back as ratios), where it is asked for
(ASKED_OF: event/window) and how it is measured: `measure` names what it needs, see
windows/inputs.py, and gives a number or an estimate with its error. A heart outcome says what its
contrasts may be called evidence of (EVIDENCE, see report/evidence.py).
"""

HEART = (
    "baseline/baseline",
    "set/set",
    "set/recovery_first_60_s",
    "rest/rest",
    "recovery/recovery_first_60_s",
    "recovery/recovery_steady",
)
SET = ("set/set",)
AFTER_SET = ("set/recovery_first_60_s",)
BASELINE_AND_SET = ("baseline/baseline", "set/set")
