"""Whether an outcome may be given in a window, may be read with care, or must be refused."""

from collections.abc import Callable, Mapping

from study.settings import Gate

WORSE = {"ok": 0, "flagged": 1, "refused": 2}


def verdict(
    outcome: str,
    window: str,
    gates: Mapping[str, Gate],
    measured: Callable[[str], float | None],
) -> tuple[str, str]:
    """Status and reasons of one outcome in one window: `ok`, `flagged` or `refused`.

    `gates` is the table of the settings; `measured(name)` gives the property of the window that a
    rule compares with its limits, or None where it cannot be known, which lets the rule pass: the
    outcome then fails for its own reason. Only the reasons of the worst status are given.
    """
    found = [("ok", "")]
    for gate in gates.values():
        if outcome in gate.outcomes and window in gate.windows:
            value = measured(gate.measured)
            if value is not None:
                found.append(_of_rule(gate, value))
    worst = max((status for status, _ in found), key=WORSE.__getitem__)
    return worst, "; ".join(reason for status, reason in found if status == worst and reason)


def _of_rule(gate, value):
    for status in ("refused", "flagged"):
        below, above = getattr(gate, f"{status}_below"), getattr(gate, f"{status}_above")
        if (below is not None and value < below) or (above is not None and value > above):
            here = "" if gate.measured == "always" else f" (here {value:.3g})"
            return status, f"{gate.says}{here}"
    return "ok", ""
