"""One file per outcome; the listing of this folder is the list of outcomes.

A file says what its outcome is (docstring, LABEL, UNIT), how it is made, in words with window,
weighting and interpolation and with the settings in braces (RECIPE), which quality rules it is
under (FAMILY, see config/quality_rules.yaml), the scale on which conditions are compared (SCALE:
`identity`, or `ratio` for logarithms given back as ratios), in which windows it is asked for
(ASKED_OF, which the files in windows/ repeat under ASKED) and how it is measured: `measure` names
what it needs, see measuring/inputs.py, and gives a number or an estimate with its error. A heart
outcome says what its contrasts may be called evidence of (EVIDENCE, see report/evidence.py). An
outcome of a signal that few studies record names it (RECORDED) and is asked where the study has it.
"""

HEART = "the heart"
SET = "the set"
AFTER_SET = "what follows a set"
BASELINE_AND_SET = "resting saturation"
