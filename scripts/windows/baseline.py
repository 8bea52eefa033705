"""A baseline without its first part, in which the person comes to rest (convention)."""

SAYS = "a `baseline` without its first part (`baseline_settle_s`)"
WHERE = "at baseline"
ORDER = 1
ASKED = {"baseline": ("the heart", "resting saturation")}


def cut(event, baseline_settle_s):
    end_s = event.onset_s + event.duration_s
    start_s = event.onset_s + baseline_settle_s
    problem = "" if start_s < end_s else f"the baseline is shorter than {baseline_settle_s:g} s"
    return min(start_s, end_s), end_s, problem
