"""How saturation goes with failure, pressure and heart across sets; counts against the log."""

from comparison.relations import related_tables
from engine.step import Input, Output, run
from results.tables import read_table, write
from study.session_sheet import events_of
from study.settings import Protocol, StudySection


def relate_outcomes(
    outcomes: Input,
    safety: Input,
    cuff_checks: Input,
    failure: Output,
    dose: Output,
    coupling: Output,
    repetitions: Output,
    repetition_agreement: Output,
    *,
    study: str,
    protocol: Protocol,
    about: StudySection,
):
    measured = (read_table(path) for path in (safety, cuff_checks))
    tables = related_tables(read_table(outcomes), events_of(study), *measured, protocol, about)
    for file in (failure, dose, coupling, repetitions, repetition_agreement):
        write(tables[file.stem], file.stem, file)


if __name__ == "__main__":
    run(relate_outcomes)
