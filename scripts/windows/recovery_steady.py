"""The later part of a recovery, in which heart rate is steady (convention)."""

SAYS = "a `recovery` from `recovery_steady_from_s` on, where at least `shortest_steady_s` are left"
WHERE = "in steady recovery"
ORDER = 5
ASKED = {"recovery": ("the heart",)}


def cut(event, recovery_steady_from_s, shortest_steady_s):
    end_s = event.onset_s + event.duration_s
    start_s = event.onset_s + recovery_steady_from_s
    problem = (
        ""
        if end_s - start_s >= shortest_steady_s
        else f"the recovery lasts {event.duration_s:.0f} s and holds no steady block"
    )
    return min(start_s, end_s), end_s, problem
