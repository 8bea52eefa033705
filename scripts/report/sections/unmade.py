"""Who and what could not be made, so that the report stands without."""

import pandas as pd

from results.tables import read_table
from results.words import counted

ORDER = 3

TITLE = "What could not be made"

NEEDS = ("unmade",)


def section(results):
    undrawn = read_table(results.path("figures/undrawn.tsv"))
    unmade = pd.concat([part for part in (results.unmade, undrawn) if len(part)] or [undrawn])
    if unmade.empty:
        return None
    people = unmade[unmade["kind"] == "person"]
    recorded = results.recordings["participant_id"].nunique()
    said = ""
    if len(people):
        said = (
            f"{counted(len(people), 'participant')} of {recorded} could not be measured; no "
            "number, table or figure of this report rests on "
            f"{'this participant' if len(people) == 1 else 'them'}: "
            f"{', '.join(people['participant_id'])}."
        )
    return {"said": said, "rows": unmade.to_dict("records")}
