"""Build an archive of a study: a de-identified BIDS dataset that is run again as it lies.

    python3.11 scripts/launch.py archive results/my_study --licence CC-BY-4.0 --into my_archive

People have new labels, days are moved, free text and columns of the study's own stay inside. The
key of the labels lies in the study, archive_key.tsv; the archive never holds it. Beat intervals
stand for the electrocardiogram unless --raw-ecg is given. The archive is searched for private text
of the study before it takes its place, and is not made where any is found.
"""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

from archive.dataset import (
    LICENCES,
    RECOGNISED,
    write_crate,
    write_dataset,
    write_derived,
    write_descriptions,
)
from archive.labels import KEY, labels_of
from archive.readme import FROZEN, FROZEN_ON_A_VISIT, paragraphs
from archive.recordings import RecordingsWriter, intervals_of_beats
from archive.tables import archived_edits, event_ids, result_tables, study_tables
from engine.command_line import faults_told, parser_of
from engine.outputs import whole_or_not
from explaining.run import FinishedRun
from recordings.clock import Clock, to_session_time
from recordings.store import read_stretches
from results.manifest import sha256_of
from results.private_text import refuse_private
from results.provenance import inputs_of
from results.tables import read_table
from results.words import counted
from study.plan import RECORD_OF_FREEZING, SETTINGS_FILE
from study.problems import StudyError
from study.rows import participants_of
from study.session_sheet import table_of

LAST_ARBITRARY_YEAR = 1925


def build_archive(run, folder, *, licence=None, raw_ecg=False, seed=None, today=None):
    """Build the archive of a finished run; gives what was done, in sentences.

    Raises StudyError where the study is not that of the run, where the folder holds something
    else, or where private text of the study stands in what was made.
    """
    study = Path(run.study)
    _refuse_changed_study(run)
    refuse_other_folder(folder, study, run.results)
    sessions = table_of(study, "sessions")
    people = sorted({*table_of(study, "participants")["participant_id"]})
    labels = labels_of(study, sessions, people, today=today or date.today().isoformat(), seed=seed)
    conditions = run.settings.study.conditions
    with whole_or_not([folder]) as made:
        unfinished = made[folder]
        tables = study_tables(study, labels, conditions)
        writer = RecordingsWriter(unfinished)
        _write_recordings(writer, run, labels, raw_ecg)
        edits = archived_edits(
            study,
            labels,
            writer.made_of,
            lambda file: sha256_of(unfinished / file),
            {sha256: file for file, sha256 in run.checksums.items()},
            run.settings.plan.frozen_at,
        )
        frozen = frozen_as_told(run.settings.plan, sessions)
        keeps_freezing = frozen == FROZEN
        if len(edits):
            tables["edits"] = edits
        if keeps_freezing and (study / SETTINGS_FILE).exists():
            (unfinished / SETTINGS_FILE).write_bytes((study / SETTINGS_FILE).read_bytes())
        writer.entries.sort(key=lambda row: (row["participant_id"], row["session_id"]))
        write_dataset(
            unfinished,
            tables,
            writer.entries,
            settings_that_differ(run.default_settings, run.settings, keeps_freezing=keeps_freezing),
        )
        title = run.settings.study.title
        derived = result_tables(run.results, labels, event_ids(study, labels))
        write_derived(unfinished, derived, title)
        about = paragraphs(
            tables,
            writer.entries,
            ecg_recorded="ecg" in set(run.table("sync")["signal"]),
            frozen=frozen,
        )
        has_ecg = any(row["signal"] == "ecg" for row in writer.entries)
        told = {"title": title, "licence": licence, "made_on": labels.made_on}
        write_descriptions(unfinished, about=about, raw_ecg=has_ecg, **told)
        write_crate(unfinished, description=about[0], **told)
        sought = refuse_private(
            study,
            unfinished,
            "The archive was not made, because it would hold {count} of the study; take it out of "
            "the title, labels and settings, or leave free text inside and run the study again:",
            leaves=False,
            further=dates_and_paths(study, sessions),
        )
    return [
        f"{folder}: {about[0]}",
        f"{counted(sought, 'private text')} of the study sought in it: none found.",
        f"The key of the labels is {study / KEY}; keep it in the study and give it to nobody.",
        *([RECOGNISED] if has_ecg else []),
        *([] if licence else ["No licence is named; --licence CC-BY-4.0 would name one."]),
    ]


def _write_recordings(writer, run, labels, raw_ecg):
    study = Path(run.study)
    recordings = table_of(study, "recordings")
    synced = {
        (row.participant_id, row.session_id, row.signal, row.file): row
        for row in run.table("sync").itertuples()
    }
    measured = participants_of(study)
    for person in sorted(measured, key=labels.people.get):
        path = run.results / "signals" / f"{person}.parquet"
        if not path.exists():
            # what could not be read is told in the results
            continue
        stretches = read_stretches(path)
        if not raw_ecg:
            stretches = _with_intervals(stretches, run.results / "beats" / f"{person}.tsv")
        former = {labels.sessions[person, s]: s for s in {p.session_id for p in stretches}}
        of_person = recordings[recordings["participant_id"] == person]

        def place_of(recording, first_s, last_s, person=person, former=former, of_person=of_person):
            session = former[recording["session_id"]]
            signals = ("ecg", "rr") if recording["signal"] == "rr" else (recording["signal"],)
            keys = [(person, session, signal, recording["file"]) for signal in signals]
            row = next(synced[key] for key in keys if key in synced)
            return _placed(row, of_person, first_s, last_s)

        def beside(recording, former=former, of_person=of_person):
            same = of_person[
                (of_person["session_id"] == former[recording["session_id"]])
                & (of_person["file"] == recording["file"])
                & (of_person["signal"] == recording["signal"])
            ]
            same = same[same["channel"].isna() | (same["channel"] == recording["channel"])]
            columns = ("limb", "adipose_thickness_mm", "source_detector_mm")
            return same[[*columns]].iloc[0].dropna().to_dict() if len(same) else {}

        renamed = [replace(s, session_id=labels.sessions[person, s.session_id]) for s in stretches]
        writer.add(labels.people[person], renamed, place_of, beside)


def _placed(sync, recordings, first_s, last_s):
    """Columns of recordings.tsv that place a recording which is on the session clock already.

    Sync marks come with what was left between them and the fitted line. A recording whose clock is
    in doubt has no place, so that the doubt goes with it.
    """
    if sync.status.startswith("flagged") or sync.placed_by == "nothing":
        return {}
    if sync.n_marks:
        clock = Clock(sync.offset_s, sync.drift_ppm, None, sync.n_marks, "")
        same = (recordings["session_id"] == sync.session_id) & (recordings["file"] == sync.file)
        texts = recordings.loc[same & (recordings["signal"] == sync.signal), "sync_marks_s"]
        of_file = [float(mark) for mark in re.findall(r"[^;\s]+", texts.iloc[0])]
        fitted_s = [to_session_time(clock, mark) for mark in of_file]
        if first_s <= fitted_s[0] and fitted_s[-1] <= last_s:
            return {"sync_marks_s": ";".join(f"{mark_s:.6f}" for mark_s in fitted_s)}
    return {"clock_offset_s": 0}


def _with_intervals(stretches, beats):
    """Stretches with the intervals of the beats in place of every electrocardiogram."""
    kept = [s for s in stretches if s.signal != "ecg"]
    if len(kept) == len(stretches) or not beats.exists():
        return kept
    of_session = dict(list(read_table(beats).groupby("session_id")))
    files = {s.session_id: s.file for s in reversed(stretches) if s.signal == "ecg"}
    made = [
        intervals_of_beats(of_session[session], session, file)
        for session, file in sorted(files.items())
        if session in of_session
    ]
    return [*filter(None, made), *kept]


def frozen_as_told(plan, sessions):
    """What an archive does with the record of a frozen plan; empty where the plan is not frozen.

    It is left out where its date would tell the day of a visit.
    """
    if plan.frozen_at is None:
        return ""
    moments = [*sessions["date_shifted"].dropna(), *sessions["session_start"].dropna()]
    of_visits = {str(moment)[:10] for moment in moments}
    return FROZEN_ON_A_VISIT if plan.frozen_at[:10] in of_visits else FROZEN


def settings_that_differ(default_settings, settings, *, keeps_freezing=False):
    """What study.yaml of an archive states: what the study is, and what is not default.

    keeps_freezing : whether the plan keeps the record of its freezing
    """
    default, ran = (s.model_dump(mode="json") for s in (default_settings, settings))
    stated = _that_differ(default, ran)
    always = ("title", "conditions", "exercises", "primary_outcomes")
    stated["study"] = {name: ran["study"][name] for name in always} | stated.get("study", {})
    stated.pop("privacy", None)
    plan = stated.pop("plan", {})
    if not keeps_freezing:
        plan = {name: setting for name, setting in plan.items() if name not in RECORD_OF_FREEZING}
    return {**stated, "plan": plan} if plan else stated


def _that_differ(default, ran):
    differing = {}
    for name, setting in ran.items():
        if isinstance(setting, dict) and isinstance(default.get(name), dict):
            within = _that_differ(default[name], setting)
            differing |= {name: within} if within else {}
        elif name not in default or default[name] != setting:
            differing[name] = setting
    return differing


def dates_and_paths(study, sessions):
    """Dates of visits as people write them, and paths of this machine, with their places.

    Dates before 1925 were arbitrary already, as BIDS marks them.
    """
    sought_too = {
        str(study.resolve()): "path of the study",
        str(Path.home()): "path of this machine",
    }
    sought_too.pop("/", None)
    for row in sessions.itertuples():
        for column in ("date_shifted", "session_start"):
            day = re.match(r"(\d{4})-(\d{2})-(\d{2})", str(getattr(row, column)))
            if day and int(day[1]) >= LAST_ARBITRARY_YEAR:
                y, m, d = day.groups()
                for text in (day[0], f"{d}.{m}.{y}", f"{d}/{m}/{y}", f"{m}/{d}/{y}", y + m + d):
                    sought_too[text] = f"sessions.tsv, row {row.row_number}, column {column}"
    return sought_too


def _refuse_changed_study(run):
    listed = inputs_of(Path(run.study))
    now = dict(zip(listed["file"], listed["sha256"], strict=True))
    changed = sorted(f for f in {*now, *run.checksums} if now.get(f) != run.checksums.get(f))
    if changed:
        raise StudyError(
            f"{run.study} is not as it was when {run.results} was made: {changed[0]} differs"
            f"{f' and {len(changed) - 1} more' if len(changed) > 1 else ''}. Run the study again."
        )


def refuse_other_folder(folder, study, results):
    inside = folder.resolve()
    if inside.is_relative_to(study.resolve()) or inside.is_relative_to(results.resolve()):
        raise StudyError(f"A data set cannot stand in {folder}: name a folder of its own.")
    described = folder / "dataset_description.json"
    is_ours = described.exists() and '"cuffstudy"' in described.read_text(encoding="utf-8")
    if folder.exists() and any(folder.iterdir()) and not is_ours:
        raise StudyError(f"{folder} holds something else: name a new folder.")


def main(words=None):
    parser = parser_of("archive", __doc__)
    parser.add_argument("results", type=Path, help="folder of the results of a finished run")
    parser.add_argument("--into", type=Path, help="its folder; default: results/my_study_archive")
    parser.add_argument("--study", type=Path, help="the study, where it is not known here")
    parser.add_argument("--licence", choices=sorted(LICENCES), help="SPDX identifier")
    parser.add_argument(
        "--raw-ecg", action="store_true", help="with electrocardiograms, which tell who somebody is"
    )
    parser.add_argument("--seed", type=int, help="of new labels; without it they cannot be guessed")
    asked = parser.parse_args(words)
    folder = asked.into or asked.results.with_name(f"{asked.results.name}_archive")
    with faults_told():
        run = FinishedRun(asked.results, asked.study)
        done = build_archive(
            run, folder, licence=asked.licence, raw_ecg=asked.raw_ecg, seed=asked.seed
        )
    print("\n".join(done))


if __name__ == "__main__":
    main()
