"""The README of an archive: what it holds, how it is run again, what was changed."""

from cuff.cautions import CAUTION
from results.words import counted, in_words

BIDS = (
    "How to read it: `participants.tsv`, `sub-*/sub-*_sessions.tsv` and `*_events.tsv` are those "
    "of BIDS."
)

IN_BEH = (
    "Even samples are BIDS physiology (`*_physio.tsv.gz` with its JSON) on the clock of the "
    "events. They stand in `beh/`, because the exercise is a task and nothing of the brain was "
    "recorded; `nirs/` takes light or concentrations in SNIRF, which saturation is not."
)

IN_SOURCEDATA = (
    "Beat intervals, recordings with gaps and those without a known place on the clock of the "
    "session have no form in BIDS; they stand in `sourcedata/` as time and value."
)

AGAIN = (
    "How to run it again: this folder is a study of cuffstudy as it lies; `study.yaml`, "
    "`recordings.tsv` and further tables stand beside those of BIDS. Outcomes and contrasts of the "
    "original run are in `derivatives/`."
)

DATES = (
    "Dates are arbitrary: those of a person are moved by the same number of days, to before 1925, "
    "and clock times stand to the hour."
)

AGES = (
    "Ages are told by the middle of a band of five years, 90 standing for all above; "
    "`hr_above_intrinsic_bpm`, which rests on age, moves by up to 1.4 bpm when measured again."
)

SIZES = "Mass and stature are rounded."

LEFT_OUT = (
    "Notes, reasons, names of persons and of files, and columns of the study's own are left out."
)

FROZEN = (
    "The plan keeps the time at which it was frozen, its checksum and that of the settings then; "
    "it holds no label of a person, so that the checksum is that of the study. A decision of "
    "edits.tsv made no later bears that time, any other none."
)

FROZEN_ON_A_VISIT = (
    "The plan was frozen on the day of a visit, which its record would tell: the record is left "
    "out, and a run of this folder calls the plan not frozen. `derivatives/` say what was planned."
)

WITHOUT_ECG = "Intervals of beats stand for the electrocardiograms that were recorded."

NOT_PROMISED = (
    "What this does not promise: that nobody can be recognised. Few people, rare values and "
    "knowledge of who took part may tell; an ethics committee or a data protection officer decides "
    "what may be shared."
)


def paragraphs(tables, entries, *, ecg_recorded, frozen=""):
    """Paragraphs of the README, each sentence only where it is true of the archive.

    tables : those of the archive; entries : rows of recordings.tsv; ecg_recorded : whether the
    study has an electrocardiogram; frozen : what is said of a frozen plan, empty without one
    """
    files = [entry["file"] for entry in entries]
    columns = {column for table in tables.values() for column in table}
    has_ecg = any(entry["signal"] == "ecg" for entry in entries)
    said = {
        IN_BEH: any(file.endswith("_physio.tsv.gz") for file in files),
        IN_SOURCEDATA: any(file.startswith("sourcedata/") for file in files),
    }
    changed = {
        "What was changed: labels of people and sessions are new.": True,
        DATES: columns & {"date_shifted", "session_start"},
        AGES: "age_years" in columns,
        SIZES: columns & {"body_mass_kg", "stature_cm"},
        LEFT_OUT: True,
        frozen: frozen,
        WITHOUT_ECG: ecg_recorded and not has_ecg,
    }
    parts = [what_it_is(tables), _true_of(BIDS, said), AGAIN, _true_of("", changed), NOT_PROMISED]
    shows_pressure = any(column.endswith("_mmhg") for column in columns)
    return [*parts, CAUTION] if shows_pressure else parts


def what_it_is(tables):
    """How many people and visits, and what they did, in a sentence."""
    people = counted(len(tables["participants"]), "person", "people")
    said = f"{people}, {counted(len(tables['sessions']), 'visit')}"
    events = tables.get("events", {})
    done = list(dict.fromkeys(events["condition"].dropna())) if "condition" in events else []
    if not done:
        return f"{said}."
    return f"{said}, with exercise under the conditions {in_words(sorted(done))}."


def _true_of(first, sentences):
    told = [first, *(text for text, is_true in sentences.items() if is_true)]
    return " ".join(filter(None, told))
