"""A synthetic twin of a study that cannot be shared: its design, with simulated recordings.

    python3.11 scripts/launch.py twin results/my_study --into my_twin

As many people, visits, conditions, exercises and bouts, in the orders allotted; labels are dealt
anew. Of what was measured only values of the group enter, rounded, and only where at least five
people gave them; the demo study's stand for all others. A study folder in place of results gives a
twin of its tables alone. The twin is a BIDS dataset and a study, marked as simulated.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from archive.build import refuse_other_folder, settings_that_differ
from archive.dataset import write_dataset, write_descriptions
from archive.group import entered, group_values
from archive.recordings import RecordingsWriter
from archive.simulation import Simulation
from cuff.cautions import CAUTION
from engine.command_line import faults_told, parser_of
from engine.outputs import whole_or_not
from explaining.run import FinishedRun
from results.private_text import refuse_private
from results.words import counted
from study.settings_files import settings_of

SEED = 20531


def build_twin(study, folder, *, settings, stated, outcomes=None, seed=SEED):
    """Write the twin of a study; gives what was done, in sentences.

    settings : those of the run, or of the study; stated : what study.yaml of the twin states;
    outcomes : outcomes.tsv of the run, or None
    """
    group = group_values(study, outcomes)
    simulation = Simulation(study, settings, group, seed)
    title = f"Simulated: {settings.study.title}"
    stated = stated | {"study": stated["study"] | {"title": title}}
    people = sorted({visit.person for visit in simulation.visits})
    drawn = {name: simulation.person_of(name) for name in people}
    with whole_or_not([folder]) as made:
        unfinished = made[folder]
        writer, events, occlusion = RecordingsWriter(unfinished), [], []
        for visit in simulation.visits:
            rng = np.random.default_rng([seed, int(visit.person.partition("-")[2]), visit.visit])
            person = simulation.at_visit(drawn[visit.person], rng)
            entries, bouts, end_s = simulation.events_of_visit(visit, person, rng)
            events += entries
            occlusion += simulation.occlusion_of(visit, person)
            marks = [row["onset_s"] for row in entries if row["trial_type"] == "sync"]
            placed = {"sync_marks_s": ";".join(f"{m:g}" for m in sorted(marks))}
            writer.add(
                visit.person,
                simulation.stretches_of(visit, person, bouts, end_s, rng),
                lambda *_, placed=placed, marks=marks: placed if marks else {"clock_offset_s": 0},
                lambda labels: {"limb": labels["file"]} if labels["file"] in ("arm", "leg") else {},
            )
        ages = {"age_years": [drawn[p]["age_years"] for p in people]} if simulation.has_ages else {}
        tables = {
            "participants": pd.DataFrame({"participant_id": people} | ages),
            "sessions": pd.DataFrame(
                {"participant_id": v.person, "session_id": v.session}
                | {"visit": v.visit, "sequence": v.sequence}
                for v in simulation.visits
            ),
            "events": pd.DataFrame(events),
            "occlusion": pd.DataFrame(occlusion),
        }
        tables = {name: table for name, table in tables.items() if len(table)}
        write_dataset(unfinished, tables, writer.entries, stated, heading=f"# {NOBODY}\n")
        about = [NOBODY, DESIGN, entered(group)]
        if "cuff_pressure_mmhg" in tables.get("events", {}):
            about.append(CAUTION)
        write_descriptions(unfinished, title=title, about=about, simulated=True)
        refuse_private(
            study,
            unfinished,
            "The twin was not made, because it would hold {count} of the "
            "study; take it out of the title, labels and settings:",
            leaves=False,
        )
    return [
        f"{folder}: {counted(len(people), 'simulated person', 'simulated people')}, "
        f"{counted(len(simulation.visits), 'visit')}. {NOBODY}",
        f"{counted(len(group.values), 'value')} of the group entered; its README lists them.",
    ]


NOBODY = "Everything in this folder is simulated: no person was measured."

DESIGN = (
    "People, visits, conditions, exercises, bouts and allotted orders are as many and such as in "
    "the study that this is the twin of. Labels are dealt anew; nothing that a single person did "
    "or showed entered. Effects of this twin are no evidence of anything."
)


def main(words=None):
    parser = parser_of("twin", __doc__)
    parser.add_argument("source", type=Path, help="folder of results, or of a study")
    parser.add_argument("--into", type=Path, required=True, help="folder of the twin")
    parser.add_argument("--study", type=Path, help="the study, where it is not known here")
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args(words)
    with faults_told():
        if (asked.source / "recordings.tsv").exists():
            study, outcomes = asked.source, None
            default, settings = settings_of(study)
        else:
            run = FinishedRun(asked.source, asked.study)
            study, outcomes = Path(run.study), run.table("outcomes")
            default, settings = run.default_settings, run.settings
        refuse_other_folder(asked.into, study, asked.source)
        stated = settings_that_differ(default, settings)
        told = build_twin(
            study, asked.into, settings=settings, stated=stated, outcomes=outcomes, seed=asked.seed
        )
    print("\n".join(told))


if __name__ == "__main__":
    main()
