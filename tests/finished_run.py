"""A finished run without the workflow engine: the steps of each person called in turn."""

import os
import shutil

import yaml

from explaining.run import FinishedRun
from find_beats import find_beats
from measure_outcomes import measure_outcomes
from project import settings_with
from read_recordings import read_recordings
from results.provenance import inputs_of
from results.tables import copy_below, write
from segment_oxygenation import segment_oxygenation
from study.rows import participants_of, rows_of


def finished_run(study, results, settings, people=None):
    """What the steps of some people or all leave, laid out as by a run; gives a FinishedRun."""
    people = people or participants_of(study)
    for person in people:
        run_person(study, results, person, settings)
    for table, file in (("outcomes", "outcomes.tsv.gz"), ("sync", "sync.tsv")):
        parts = [results / "participants" / person / file for person in people]
        copy_below(parts, table, results / f"{table}.tsv")
    return with_provenance(study, results, settings)


def run_again_as(finished, study, results, settings):
    """A finished run under settings that no step of a person reads, of the same recordings."""
    shutil.copytree(finished.results, results, copy_function=os.link)
    return with_provenance(study, results, settings)


def with_provenance(study, results, settings):
    """A run whose results stand there, with what it says of its inputs and settings."""
    write(inputs_of(study), "inputs", results / "provenance" / "inputs.tsv")
    path = results / "provenance" / "settings.yaml"
    # a linked file is another run's as well
    path.unlink(missing_ok=True)
    path.write_text(yaml.safe_dump(settings.model_dump(), sort_keys=False), encoding="utf-8")
    return FinishedRun(results, study)


def run_person(study, results, name, settings):
    """What the steps of one person leave below a folder of results."""
    part = results / "participants" / name
    for folder in (part, results / "beats", results / "signals", results / "provenance"):
        folder.mkdir(parents=True, exist_ok=True)
    person = {"study": str(study), "participant": name}
    signals = results / "signals" / f"{name}.parquet"
    saturation = results / "signals" / f"{name}_oxygenation.parquet"
    beats = results / "beats" / f"{name}.tsv"
    read_recordings(
        [study / "raw"], signals, part / "sync.tsv", **person, settings=settings.read_recordings
    )
    find_beats(
        *(signals, beats, part / "respiration.tsv.gz", part / "beat_quality.tsv"),
        **person,
        settings=settings.find_beats,
    )
    segment_oxygenation(
        *(signals, saturation, part / "segments.tsv"),
        *(part / f"{name}.tsv" for name in ("boundaries", "cuff_checks", "quality")),
        **person,
        settings=settings.segment_oxygenation,
        protocol=settings.protocol,
    )
    measure_outcomes(
        *(beats, part / "respiration.tsv.gz", saturation, part / "segments.tsv"),
        *(part / "beat_quality.tsv", part / "sync.tsv", part / "outcomes.tsv.gz"),
        *(part / "window_quality.tsv", part / "recovery.tsv"),
        **person,
        settings=settings.measure_outcomes,
        protocol=settings.protocol,
        quality_rules=settings.quality_rules,
        default_quality_rules=settings_with().quality_rules,
        recorded=sorted({row.signal for row in rows_of(study, "recordings")}),
    )
