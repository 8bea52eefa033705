"""Blood pressures as noted, against the limits at which the study stops.

The limits are those of the study; where it states none, nothing is checked.
"""

import pandas as pd

from study.session_sheet import exercise_and_bout


def above_stop_limits(events, settings):
    """What to say of each event whose blood pressure reaches a stop limit of the study.

    `events`: rows with systolic_mmhg and diastolic_mmhg; `settings`: the section check_safety.
    """
    limits = {
        "systolic": settings.stop_systolic_mmhg,
        "diastolic": settings.stop_diastolic_mmhg,
    }
    for event in events:
        for name, limit_mmhg in limits.items():
            pressure_mmhg = getattr(event, f"{name}_mmhg")
            if limit_mmhg is not None and pd.notna(pressure_mmhg) and pressure_mmhg >= limit_mmhg:
                yield (
                    f"{name} blood pressure {pressure_mmhg:g} mmHg, the study stops at "
                    f"{limit_mmhg:g} ({exercise_and_bout(event)})"
                )
