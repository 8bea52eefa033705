"""The tables of a study folder: every column once, with its type, its range and what it means.

The check of a study, its messages and the data dictionary all come from here. A class is a table,
an attribute a column, a field's description the sentence that a person reads.
"""

import difflib
import re
from datetime import date
from typing import Annotated, ClassVar, Literal, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from study.clock_times import ClockTimeError, moment_of
from study.problems import shown
from study.units import SPELLINGS, allowed_units

HEART = ("ecg", "rr")

# labels name files of results; sixty signs are a name, more are another cell
PARTICIPANT = r"^sub-[A-Za-z0-9]{1,60}$"

SESSION = r"^ses-[A-Za-z0-9]{1,60}$"

# what a row may say against its file, and the column that says it
OVERRULED_BY = {
    "unit": "unit",
    "scale": "scale",
    "start": "clock_offset_s",
    "rate": "sampling_rate_hz",
}

# type of the errors that name a column and what it may hold
COLUMN_REFUSED = "column_refused"

ParticipantId = Annotated[
    str,
    Field(pattern=PARTICIPANT, description="a label like sub-01: letters and digits after sub-"),
]

SessionId = Annotated[
    str, Field(pattern=SESSION, description="a label like ses-1: letters and digits after ses-")
]


def _calendar_date(text):
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise ValueError("year, month and day")
    date.fromisoformat(text)
    return text


CalendarDate = Annotated[str, AfterValidator(_calendar_date)]

Limb = Annotated[Literal["arm", "leg"], Field(description="arm or leg")]

Side = Annotated[Literal["left", "right", "both"], Field(description="left, right or both")]

Posture = Annotated[
    Literal["supine", "seated", "standing"], Field(description="supine, seated or standing")
]

CuffName = Annotated[str, Field(description="the cuff by its name in cuffs of study.yaml")]

Pain = Annotated[float, Field(ge=0, le=10, description="0 to 10")]

CapillaryRefill = Annotated[float, Field(ge=0, le=30, description="0 to 30 s")]

StopReason = Literal[
    "planned end", "volitional failure", "technique", "pain", "symptoms", "equipment", "other"
]

SkinColour = Annotated[
    Literal["normal", "flushed", "pale", "blue", "mottled"],
    Field(description="as seen distal to the cuff: normal, flushed, pale, blue or mottled"),
]

Numbness = Annotated[Literal["none", "mild", "marked"], Field(description="none, mild or marked")]

InsideNote = Annotated[str, Field(description="free text; it never leaves the study folder")]

EventId = Annotated[
    str, Field(description="the event, as in events.tsv or, made from it, in outcomes.tsv")
]

Signal = Literal[
    "ecg",
    "rr",
    "muscle_oxygen",
    "oxy_haemoglobin",
    "deoxy_haemoglobin",
    "total_haemoglobin",
    "cuff_pressure",
    "respiration",
]

OcclusionMethod = Literal[
    "doppler", "photoplethysmography", "oscillometric", "palpation", "estimated"
]

# other words of the field for a signal or a method, in lower case without signs in between;
# SpO2 of a finger is no saturation of muscle and stands for none
OTHER_WORDS = {
    "ecg": ("ekg", "electrocardiogram", "ecgii", "leadii"),
    "rr": ("rri", "rrinterval", "rrintervals", "nn", "ibi", "interbeatintervals", "intervals")
    + ("beatintervals", "heartperiod"),
    "muscle_oxygen": ("smo2", "sto2", "tsi", "tissuesaturation", "saturation", "musclesaturation")
    + ("muscleoxygensaturation", "muscleoxygenation", "nirs"),
    "oxy_haemoglobin": ("o2hb", "hbo2", "oxyhb", "oxyhemoglobin", "oxyhaemoglobin"),
    "deoxy_haemoglobin": ("hhb", "hbr", "deoxyhb", "deoxyhemoglobin", "deoxyhaemoglobin"),
    "total_haemoglobin": ("thb", "tothb", "totalhb", "totalhemoglobin", "haemoglobin")
    + ("hemoglobin",),
    "cuff_pressure": ("pressure", "cuff"),
    "respiration": ("breathing", "breath", "resp", "ventilation", "respiratory"),
    "doppler": ("ultrasound", "dopplerultrasound", "ultrasonography"),
    "photoplethysmography": ("ppg", "plethysmography", "oximeter", "oximetry", "pulseoximeter")
    + ("pulseoximetry",),
    "oscillometric": ("oscillometry", "automatic", "automated"),
    "palpation": ("palpated", "pulse"),
    "estimated": ("estimate", "formula", "equation", "predicted", "calculated"),
    **SPELLINGS,
}


def allowed_in(field) -> str:
    """What a column may hold, in words; every value where only some are allowed."""
    choices = choices_of(field.annotation)
    described = field.description or _description(field.metadata, field.annotation)
    if all(choice in described for choice in choices):
        return described
    return f"{described} ({', '.join(choices)})"


def choices_of(annotation) -> tuple[str, ...]:
    """The values of a column that allows only some, also where it may be empty; else none."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next(filter(None, map(choices_of, get_args(annotation))), ())


def meant_by(word: str, choices: tuple[str, ...]) -> str | None:
    """The value that a person probably meant by another word; None where none is near."""
    plain = _plain(word)
    for choice in choices:
        names = (_plain(choice), *OTHER_WORDS.get(choice, ()))
        # a number behind a name counts channels, as in ECG1
        if plain in names or plain.rstrip("0123456789") in names:
            return choice
    return next(iter(difflib.get_close_matches(word.lower(), choices, 1)), None)


def _plain(word):
    return "".join(sign for sign in word.lower() if sign.isalnum() or sign == "%")


def _description(metadata, annotation):
    """The first description among the parts of a type, as of `YesNo | None`."""
    described = [part.description for part in metadata if getattr(part, "description", None)]
    parts = get_args(annotation)
    inner = [_description(getattr(part, "__metadata__", ()), part) for part in parts]
    return next(filter(None, [*described, *inner]), "")


def refused(column, entry, allowed):
    """The error of a value that does not go with the rest of its row."""
    parts = {"column": column, "value": shown(entry), "allowed": allowed}
    return PydanticCustomError(COLUMN_REFUSED, "found {value}, allowed: {allowed}", parts)


# what people write, and what a spreadsheet makes of its truth values when it saves text
_YES = {"yes", "y", "true", "wahr", "vrai", "verdadero", "vero", "waar"}

_NO = {"no", "n", "false", "falsch", "faux", "falso", "onwaar"}


def _yes_no(entry):
    plain = entry.lower() if isinstance(entry, str) else entry
    return True if plain in _YES else False if plain in _NO else entry


def _clock_time(entry):
    if entry is not None:
        try:
            moment_of(entry)
        except ClockTimeError:
            raise PydanticCustomError("clock_time", "no clock time") from None
    return entry


ClockTime = Annotated[str, AfterValidator(_clock_time)]


def _sex(entry):
    plain = entry.lower() if isinstance(entry, str) else entry
    return {"f": "female", "m": "male", "o": "other"}.get(plain, plain)


Sex = Annotated[Literal["female", "male", "other"], BeforeValidator(_sex)]

YesNo = Annotated[bool, BeforeValidator(_yes_no), Field(description="yes or no")]


def optional(description, **limits):
    """A column that may be absent or empty, with the sentence of what it may hold."""
    return Field(None, description=description, **limits)


def required(description, **limits):
    """A column of which every row has a value, with the sentence of what it may hold."""
    return Field(description=description, **limits)


class Row(BaseModel):
    """A row of a table; columns that are not declared are kept and passed through."""

    model_config = ConfigDict(extra="allow", allow_inf_nan=False, defer_build=True)
    # columns whose header must stand, though not every row needs a value
    needed: ClassVar[tuple[str, ...]] = ()
    # columns beside which earlier studies may keep one of nearly the same name for themselves
    later: ClassVar[tuple[str, ...]] = ()
    # a needed column, and one that may stand in for it
    instead: ClassVar[dict[str, str]] = {}


class Participant(Row):
    """participants.tsv: one row per person."""

    participant_id: ParticipantId
    age_years: float | None = optional("age in years, 5 to 110", ge=5, le=110)
    sex: Sex | None = optional("female, male, other")
    body_mass_kg: float | None = optional("20 to 300 kg", ge=20, le=300)
    stature_cm: float | None = optional("80 to 250 cm", ge=80, le=250)


class Session(Row):
    """sessions.tsv: one row per visit."""

    later = ("sleep_h", "caffeine_h", "exercise_h", "room_c")

    participant_id: ParticipantId
    session_id: SessionId
    visit: int = required("the number of the visit in the order actually done", ge=1, le=99)
    sequence: str | None = optional("the allotted order of conditions, as ABC")
    date_shifted: CalendarDate | None = optional("a shifted date, as 2031-05-24")
    sleep_h: float | None = optional("hours slept in the night before, 0 to 24", ge=0, le=24)
    caffeine_h: float | None = optional("hours since the last caffeine, 0 to 1000", ge=0, le=1000)
    exercise_h: float | None = optional(
        "hours since the last hard exercise, 0 to 1000", ge=0, le=1000
    )
    room_c: float | None = optional("temperature of the room, 0 to 50 degrees Celsius", ge=0, le=50)
    expectation: str | None = optional(
        "which condition the participant believed or expected, in a few words"
    )
    session_start: ClockTime | None = optional(
        "clock time of zero on the session clock, local, as 2031-05-24T09:30:00 or, "
        "where no date is kept, 09:30:00; with its zone, as +02:00, where a recorder keeps one"
    )
    note: str | None = optional("free text")


class Occlusion(Row):
    """occlusion.tsv: one row per measurement of the pressure that stops the flow into a limb."""

    participant_id: ParticipantId
    session_id: SessionId | None = None
    limb: Limb
    side: Side | None = None
    posture: Posture
    cuff_width_cm: float = required("width of the cuff, above 0 to 30 cm", gt=0, le=30)
    cuff: CuffName | None = None
    occlusion_pressure_mmhg: float = required("50 to 350 mmHg; 1 kPa is 7.5 mmHg", ge=50, le=350)
    method: OcclusionMethod = required(
        "how the pressure was found: doppler; photoplethysmography, as by a pulse "
        "oximeter; oscillometric, by an automatic device; palpation of the pulse; or estimated "
        "from other measures, which is no measurement"
    )
    override: YesNo | None = optional(
        "yes where pressures outside the limits count on purpose on this limb, in this "
        "visit or, without session_id, in all of them; yes or no"
    )
    override_by: str | None = optional("who decided on the override; required beside override yes")
    override_reason: str | None = optional("why; required beside override yes")

    @model_validator(mode="after")
    def _an_override_has_a_name_and_a_reason(self):
        for column in ("override_by", "override_reason"):
            if self.override and not getattr(self, column):
                raise refused(column, "n/a", "required beside override yes")
        return self


class Recording(Row):
    """recordings.tsv: one row per recorded signal."""

    participant_id: ParticipantId
    session_id: SessionId
    signal: Signal = required("what was recorded")
    file: str = required(
        "path inside the study folder, without curly braces, up to 400 signs",
        pattern=r"^[^{}]{1,400}$",
    )
    channel: str | None = optional("channel label (EDF) or column header (text)")
    time_column: str | None = optional("header of the time column")
    unit: Literal[
        "mV", "uV", "ms", "s", "pct", "fraction", "mmHg", "kPa", "g_dl", "umol_l", "au"
    ] = required("the unit in the file, declared and never guessed")
    sampling_rate_hz: float | None = optional("above 0 to 10000 Hz", gt=0, le=10000)
    site: str | None = optional("muscle under the sensor")
    side: Side | None = None
    position: Literal["distal", "proximal"] | None = optional(
        "where the sensor lies, seen from the cuff: distal or proximal"
    )
    limb: Limb | None = optional("the limb whose cuff pressure was recorded: arm or leg")
    adipose_thickness_mm: float | None = optional(
        "fat and skin over the muscle, half of a skinfold, 0 to 100 mm", ge=0, le=100
    )
    source_detector_mm: float | None = optional(
        "largest distance between source and detector of the sensor, to 100 mm", gt=0, le=100
    )
    clock_offset_s: float | None = optional(
        "session time at the file's own zero, in seconds; where it is empty, sync "
        "marks or time stamps of the file with session_start place the recording, else its place "
        "is unknown, which is never taken for 0 in silence"
    )
    sync_marks_s: str | None = optional("the file's own times of the sync events, ;-separated")
    encoding: str | None = optional("encoding of a text file")
    separator: str | None = optional(
        "separator of a text file: semicolon, tab, comma, bar, space or none, or the sign itself"
    )
    decimal: Literal["point", "comma", ".", ","] | None = optional(
        "decimal mark of a text file: its name or the sign itself"
    )
    first_row: int | None = optional("first row of numbers in a text file", ge=1)
    time_format: str | None = optional("how clock times are written, as %H:%M:%S.%f")
    overlap: Literal["keep", "yield"] | None = optional(
        "where pieces of one signal overlap: keep or yield the part that both hold"
    )
    declared_over_header: str | None = optional(
        "what this row says against the file, ;-separated: unit, scale, start, rate"
    )
    declared_reason: str | None = optional("why the file is wrong; told in the methods text")
    scale: float | None = optional(
        "factor on the numbers of the file, with declared_over_header: scale"
    )

    proposed: str | None = optional(
        "what launch.py look proposed or left open in this row; empty the cell once a "
        "person has confirmed or filled it in"
    )

    @model_validator(mode="after")
    def _unit_belongs_to_signal(self):
        if self.unit not in allowed_units(self.signal):
            allowed = " or ".join(allowed_units(self.signal))
            raise refused("unit", self.unit, f"{self.signal} is recorded in {allowed}")
        return self

    @model_validator(mode="after")
    def _what_was_proposed_is_confirmed(self):
        if self.proposed:
            raise refused("proposed", self.proposed, "empty, once all of this is confirmed")
        return self

    @property
    def overruled(self) -> tuple[str, ...]:
        """What the row says against the file: some of unit, scale, start and rate."""
        named = (self.declared_over_header or "").split(";")
        return tuple(name.strip() for name in named if name.strip())

    @model_validator(mode="after")
    def _what_is_overruled_is_declared(self):
        for name in self.overruled:
            if name not in OVERRULED_BY:
                allowed = f"{', '.join(OVERRULED_BY)}, with ; between"
                raise refused("declared_over_header", name, allowed)
            column = OVERRULED_BY[name]
            if getattr(self, column) is None and not (name == "start" and self.sync_marks_s):
                raise refused(column, "n/a", f"required, declared_over_header names {name}")
        if self.overruled and not self.declared_reason:
            raise refused("declared_reason", "n/a", "required, why the file is not believed")
        if self.scale is not None and "scale" not in self.overruled:
            raise refused("scale", self.scale, "empty without declared_over_header: scale")
        if self.scale == 0:
            raise refused("scale", self.scale, "a factor other than 0")
        return self

    @property
    def file_inside(self) -> str:
        """Path of the file inside the study folder, whatever results call it."""
        return self.__dict__.get("named_file", self.file)

    def sync_marks(self) -> list[float]:
        """The file's own times of the sync events, in seconds; empty when none were taken."""
        return [float(mark) for mark in (self.sync_marks_s or "").split(";") if mark.strip()]

    @model_validator(mode="after")
    def _sync_marks_are_numbers(self):
        try:
            self.sync_marks()
        except ValueError:
            allowed = "seconds separated by ;, as 12.5;1930.1"
            raise refused("sync_marks_s", self.sync_marks_s, allowed) from None
        return self


class Event(Row):
    """events.tsv: the session sheet, one row per event on the session clock."""

    needed = ("onset_s", "duration_s")
    later = ("skin_colour", "systolic_mmhg", "diastolic_mmhg")
    # a column that may stand in for another
    instead: ClassVar[dict[str, str]] = {"onset_s": "onset_time"}

    participant_id: ParticipantId
    session_id: SessionId
    event_id: str | None = optional("a label of its own within the session; made where it is empty")
    onset_s: float | None = optional(
        "seconds on the session clock, within three days of its zero; empty only on a "
        "set, see supply_boundaries",
        ge=-259_200,
        le=259_200,
    )
    duration_s: float | None = optional(
        "seconds, 0 to 43200 (12 h); empty only on a set, see supply_boundaries", ge=0, le=43_200
    )
    onset_time: ClockTime | None = optional(
        "clock time of the onset, as 09:41:30, instead of onset_s; sessions.tsv then "
        "has the session_start"
    )
    trial_type: Literal["baseline", "set", "rest", "recovery", "cuff", "sync", "note"] = required(
        "what happens"
    )
    condition: str | None = optional("one of the study's conditions")
    exercise: str | None = optional("one of the study's exercises")
    limb: Limb | None = None
    side: Side | None = None
    posture: Posture | None = None
    bout: int | None = optional("number of the set within its exercise, 1 to 100", ge=1, le=100)
    cuff_pressure_mmhg: float | None = optional("0 to 400 mmHg", ge=0, le=400)
    reps_planned: int | None = optional("a whole number, 0 to 1000", ge=0, le=1000)
    reps_done: int | None = optional("a whole number, 0 to 1000", ge=0, le=1000)
    to_failure: YesNo | None = None
    load_kg: float | None = optional("kilograms, 0 to 1000", ge=0, le=1000)
    rpe: float | None = optional("on the scale that the study names", ge=0, le=20)
    pain: Pain | None = None
    numbness: Numbness | None = None
    capillary_refill_s: CapillaryRefill | None = None
    distal_flow: YesNo | None = None
    skin_colour: SkinColour | None = None
    systolic_mmhg: float | None = optional("blood pressure, 50 to 300 mmHg", ge=50, le=300)
    diastolic_mmhg: float | None = optional(
        "blood pressure, 20 to 200 mmHg, below systolic_mmhg", ge=20, le=200
    )
    cuff: CuffName | None = None
    stopped_early: YesNo | None = None
    stop_reason: StopReason | None = optional(
        "why the set ended; failure_stop_reasons says which of them are failure"
    )
    reason: str | None = optional("why a set was stopped early")
    note: InsideNote | None = None

    @model_validator(mode="after")
    def _only_a_set_may_lack_its_time(self):
        for column in ("onset_s", "duration_s"):
            timed = column == "onset_s" and self.onset_time is not None
            if self.trial_type != "set" and getattr(self, column) is None and not timed:
                raise refused(column, "n/a", "required, only a set may lack it")
        return self

    @model_validator(mode="after")
    def _blood_pressure_is_in_order(self):
        both = self.systolic_mmhg is not None and self.diastolic_mmhg is not None
        if both and self.diastolic_mmhg >= self.systolic_mmhg:
            allowed = f"below systolic_mmhg, {self.systolic_mmhg:g}"
            raise refused("diastolic_mmhg", f"{self.diastolic_mmhg:g}", allowed)
        return self

    @model_validator(mode="after")
    def _a_set_says_what_it_is(self):
        if self.trial_type == "set":
            for column in ("condition", "exercise"):
                if getattr(self, column) is None:
                    raise refused(column, "n/a", "required on a set")
        return self


_OF_FILE = ("session_id", "signal", "file_sha256")

# columns that a decision needs, by what was decided
NEEDED_BY_ACTION = {
    **dict.fromkeys(("remove_beat", "add_beat"), (*_OF_FILE, "time_s")),
    "move_beat": (*_OF_FILE, "time_s", "new_time_s"),
    **dict.fromkeys(("exclude_span", "accept_span"), (*_OF_FILE, "time_s", "end_s")),
    **dict.fromkeys(("move_onset", "move_offset"), (*_OF_FILE, "event_onset_s", "new_time_s")),
    "exclude_event": ("session_id", "event_onset_s"),
    "exclude_session": ("session_id",),
    "exclude_participant": (),
}


class Edit(Row):
    """edits.tsv: decisions of people about beats, spans and events; rows are only ever added."""

    edit_id: str = required("a label of its own")
    participant_id: ParticipantId
    session_id: SessionId | None = optional("the visit; empty only where a participant is excluded")
    signal: Signal | None = optional(
        "the signal that was looked at; empty where an event, a visit or a participant is excluded"
    )
    action: Literal[*NEEDED_BY_ACTION] = required("what was decided")
    time_s: float | None = optional("seconds on the session clock")
    new_time_s: float | None = optional("seconds on the session clock")
    end_s: float | None = optional("seconds on the session clock")
    event_onset_s: float | None = optional(
        "onset of the event on the session clock, where event_id does not name it"
    )
    event_id: EventId | None = None
    file_sha256: str | None = optional(
        "SHA-256 of the raw file, 64 hexadecimal digits; empty where an event, a visit "
        "or a participant is excluded",
        pattern=r"^[0-9a-fA-F]{64}$",
    )
    editor: str = required("who decided")
    edited_at: str = required("when")
    reason: str = required("why")

    @model_validator(mode="after")
    def _an_action_has_what_it_needs(self):
        for column in NEEDED_BY_ACTION[self.action]:
            named = column == "event_onset_s" and self.event_id is not None
            if getattr(self, column) is None and not named:
                raise refused(column, "n/a", f"required for {self.action}")
        return self

    @model_validator(mode="after")
    def _a_span_ends_after_it_begins(self):
        if self.action in ("exclude_span", "accept_span") and self.end_s <= self.time_s:
            raise refused("end_s", f"{self.end_s:g}", f"above time_s, {self.time_s:g}")
        return self

    @model_validator(mode="after")
    def _the_signal_is_one_that_the_action_changes(self):
        of_beats = dict.fromkeys(("remove_beat", "add_beat", "move_beat", "accept_span"), HEART)
        changed = {**of_beats, "exclude_span": (*HEART, "muscle_oxygen")}.get(self.action)
        if changed and self.signal not in changed:
            allowed = f"{self.action} changes {' or '.join(changed)} and nothing else"
            raise refused("signal", self.signal, allowed)
        return self


class TitrationStep(Row):
    """titration.tsv: one row per pressure tried while the individual target was looked for."""

    participant_id: ParticipantId
    session_id: SessionId
    limb: Limb
    side: Side | None = None
    posture: Posture
    cuff_width_cm: float | None = optional("width of the cuff, above 0 to 30 cm", gt=0, le=30)
    cuff: CuffName | None = None
    pressure_mmhg: float = required("pressure of the step, 0 to 400 mmHg", ge=0, le=400)
    capillary_refill_s: CapillaryRefill | None = None
    distal_flow: YesNo | None = optional("flow heard or felt distal to the cuff, yes or no")
    skin_colour: SkinColour | None = None
    pain: Pain | None = None
    numbness: Numbness | None = None
    # no muscle holds less than 1 %, and a cell that shows 62 % holds 0.62
    smo2_pct: float | None = optional(
        "saturation of the muscle at the step, 1 to 100 %, as 62 in a cell that is not "
        "formatted as percent",
        ge=1,
        le=100,
    )
    accepted: YesNo | None = optional("taken as the target, yes or no")
    note: InsideNote | None = None


# grades of adverse events by the numbers of CTCAE 5.0, National Cancer Institute 2017
GRADES = ("mild", "moderate", "severe", "life-threatening", "fatal")


def _grade_in_words(entry):
    by_number = {str(number): grade for number, grade in enumerate(GRADES, start=1)}
    return by_number.get(str(entry), entry)


class Harm(Row):
    """harms.tsv: one row per adverse event, seen at the visit or up to days later.

    A table with a header and no rows says that harms were asked for and none occurred.
    """

    participant_id: ParticipantId
    session_id: SessionId | None = None
    event_id: EventId | None = None
    days_after: float | None = optional(
        "days after the visit, 0 to 365; 0 at the visit itself", ge=0, le=365
    )
    what: str = required("the harm in a few words, as bruise or faintness", max_length=60)
    grade: Annotated[Literal[GRADES], BeforeValidator(_grade_in_words)] = required(
        "mild, moderate, severe, life-threatening or fatal, or 1 to 5"
    )
    related: Literal["yes", "probable", "possible", "unlikely", "no", "unknown"] | None = optional(
        "to the cuff: yes, probable, possible, unlikely, no or unknown"
    )
    resolved: Literal["yes", "no", "unknown"] | None = optional("yes, no or unknown")
    note: InsideNote | None = None


class Review(Row):
    """reviews.tsv: one row per blind review of the recordings, written when it is frozen."""

    review_id: str = required("a label of its own; decisions begin with it in edits.tsv")
    reviewer: str = required("who judged; it never leaves the study folder", max_length=60)
    seed: int = required("of the random order of the recordings")
    recordings: int = required("number of recordings in the review", ge=0)
    decisions: int = required("number of decisions made blind", ge=0)
    frozen_at: str = required(
        "when, in UTC, as 2031-05-24T10:00:00", pattern=r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}$"
    )
    decisions_sha256: str = required(
        "SHA-256 of the decisions as they were frozen, 64 hexadecimal digits",
        pattern=r"^[0-9a-fA-F]{64}$",
    )


TABLES = {
    "participants": Participant,
    "sessions": Session,
    "occlusion": Occlusion,
    "titration": TitrationStep,
    "recordings": Recording,
    "events": Event,
    "edits": Edit,
    "harms": Harm,
    "reviews": Review,
}

REQUIRED = ("participants", "sessions", "recordings")
