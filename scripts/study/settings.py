"""Every setting once: its type, its range, what it does and where its value comes from.

config/config.yaml holds all values, a study's study.yaml only what differs. The check, its messages
and config/SETTINGS.md come from here. A class is a section; it is named after the step that reads
it, but for what the study is about and for the facts of the protocol, which several steps read. The
sections are closed, so a misspelt name is an error.
"""

import math
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    field_validator,
    model_validator,
)

from engine.listings import functions_in, windows
from study.tables import StopReason

WindowName = Literal[*windows()]


def _rising(band):
    if not 0 <= band[0] < band[1]:
        raise ValueError("two numbers from 0 on, the lower one first, as [0.15, 0.4]")
    return band


Band = Annotated[list[float], Field(min_length=2, max_length=2), AfterValidator(_rising)]

# of percentages
PctBand = Annotated[list[Annotated[float, Field(ge=0, le=100)]], *Band.__metadata__]

# the project's, sleepecg's, and the methods of neurokit2's ecg_peaks that need no further library
Detector = Literal[
    ("own", "sleepecg", "neurokit", "pantompkins1985", "nabian2018", "gamboa2008", "zong2003")
    + ("hamilton2002", "christov2004", "engzeemod2012", "manikandan2012", "elgendi2010")
    + ("kalidas2017", "khamis2016", "martinez2004", "rodrigues2021", "promac")
]

# beyond it no unit of any setting has a meaning, and lengths of windows need all memory
LARGEST_NUMBER = 100_000.0
LONGEST_TEXT = 1_000

AlternativeName = Annotated[str, Field(pattern=r"^[A-Za-z0-9_]+$")]


def _size_or_size_by_window(least):
    by_window = least if isinstance(least, dict) else {"all of them": least}
    sound = by_window and all(
        isinstance(window, str) and type(size) in (int, float) and 0 < size < math.inf
        for window, size in by_window.items()
    )
    if not sound:
        raise ValueError("a number above 0, or one for each window, as {set: 3.0, baseline: 2.0}")
    return least


# one validator and not a union, which would name every fault once for each of its types
SmallestEffect = Annotated[Any, PlainValidator(_size_or_size_by_window)]


class Section(BaseModel):
    """Settings that belong together; a value is read by its name and cannot be altered."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, defer_build=True
    )

    @field_validator("*", mode="after")
    @classmethod
    def _value_can_be_meant(cls, setting):
        if isinstance(setting, list):
            twice = [entry for n, entry in enumerate(setting) if entry in setting[:n]]
            if twice:
                raise ValueError(f"each once; {twice[0]!r} stands twice")
        for entry in setting if isinstance(setting, list) else [setting]:
            if isinstance(entry, float) and abs(entry) > LARGEST_NUMBER:
                raise ValueError(f"a number up to {LARGEST_NUMBER:g}")
            if isinstance(entry, str):
                _refuse_text(entry)
        return setting


def _refuse_text(text):
    # the workflow puts what stands between curly braces in place of them
    if "{" in text or "}" in text:
        raise ValueError("text without curly braces; write round brackets")
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"text of up to {LONGEST_TEXT} signs")


def _condition_name(name):
    # contrasts are named `target - none`, and `all` is what all exercises have in common
    if not name.strip() or name != name.strip() or " - " in name or "\n" in name:
        raise ValueError("a short name in one line without ' - ' in it, which stands in contrasts")
    if name == "all":
        raise ValueError("another name; `all` stands for all exercises together")
    return name


# of a condition or an exercise
Name = Annotated[str, Field(max_length=60), AfterValidator(_condition_name)]


def setting(description, source, formerly="", **limits):
    """A setting with the sentence that explains it and the source of its default value.

    `formerly` is the section in which earlier studies state it, or section and name where the name
    was another; they may go on doing so.
    """
    extra = {"source": source, "formerly": formerly}
    return Field(description=description, json_schema_extra=extra, **limits)


def convention(description, **limits):
    """A setting whose default is a convention."""
    return setting(description, "convention", **limits)


def stated(description, **limits):
    """A field of a rule or an alternative, which states its source itself."""
    return setting(description, "see source", **limits)


def of_study(description, **limits):
    """A setting that every study has its own value of."""
    return setting(description, "the study", **limits)


class PrimaryOutcome(Section):
    outcome: str = of_study("Name of an outcome, a file in scripts/outcomes/.")
    window: WindowName = of_study("Window in which it is compared.")


class StudySection(Section):
    """What the study is about."""

    title: str = of_study("Title on the report.")
    conditions: list[Name] = of_study(
        "Conditions in order, reference first, as in events.tsv.", min_length=1
    )
    exercises: list[Name] = of_study(
        "Exercises in order of appearance; empty takes them from events.tsv."
    )
    primary_outcomes: list[PrimaryOutcome] = of_study(
        "Outcomes whose contrasts are corrected for multiplicity and may carry a claim."
    )
    rpe_scale: str = of_study("Scale of perceived exertion, as Borg 6-20 or CR10.")
    seed: int = convention("Seed of everything that is drawn at random.", ge=0, le=2**32 - 1)

    @property
    def primary(self) -> list[tuple[str, str]]:
        """(outcome, window) of each primary outcome, in the order of the study."""
        return [(named.outcome, named.window) for named in self.primary_outcomes]


class Protocol(Section):
    """Facts of the protocol and of its devices, which several steps read."""

    no_cuff_condition: str | None = of_study(
        "In this condition a set without a noted pressure has no cuff; in others its pressure is "
        "unknown. null where every condition has a cuff.",
        formerly="segment_oxygenation",
    )
    pressure_tolerance_mmhg: float = convention(
        "Recorded pressure above the noted one by more than this is named.",
        formerly="check_safety",
        gt=0,
        le=30,
    )
    failure_band_pct: PctBand = setting(
        "Saturation at which a working muscle under a cuff is said to fail.",
        "common practice, no source",
        formerly="measure_outcomes",
    )
    failure_stop_reasons: list[StopReason] = setting(
        "Values of stop_reason in events.tsv that make a set one to failure; where none is noted, "
        "to_failure says it.",
        "convention: the set could not be continued by effort",
        min_length=1,
    )
    slowest_cadence_hz: float = convention(
        "Contractions are looked for from this rate on.", formerly="measure_outcomes", gt=0
    )
    fastest_cadence_hz: float = convention(
        "And up to this rate.", formerly="measure_outcomes", gt=0
    )
    samples_per_contraction: float = setting(
        "With fewer samples per contraction none is counted.",
        "sampling theorem, two samples a cycle, with a margin by convention",
        formerly="measure_outcomes",
        ge=2,
    )

    @model_validator(mode="after")
    def _cadences_rise(self):
        if self.slowest_cadence_hz >= self.fastest_cadence_hz:
            raise ValueError("slowest_cadence_hz below fastest_cadence_hz")
        return self


class ReadRecordings(Section):
    """From files to signals on one clock."""

    largest_drift_ppm: float = convention(
        "Clock drift above this is flagged: a mark is probably wrong.", gt=0
    )
    lost_time_s_per_5_min: float = convention(
        "Summed beat intervals may fall short of elapsed time by this much in 5 min.", gt=0
    )
    largest_uncovered_s: float = convention(
        "A recording that lacks more than this, or than half, of an event that needs it is flagged "
        "in sync.tsv.",
        gt=0,
    )


class FindBeats(Section):
    """From an ECG or interval text to classified and repaired beats."""

    detector: Detector = setting(
        "own, sleepecg, or the name of a method of neurokit2's ecg_peaks.", "benchmarks/beats.py"
    )
    quality_span_s: float = convention("Length of the spans that get a quality.", gt=0)
    clear_correlation: float = setting(
        "A beat that fits the person's own QRS at least this well is clear: it is not repaired for "
        "its timing alone.",
        "benchmarks/repair.py",
        formerly="find_beats.gate_correlation",
        ge=0,
        le=1,
    )
    clear_deviation: float = setting(
        "Unless the interval of a clear beat departs from its neighbours by more than this share.",
        "benchmarks/repair.py",
        formerly="find_beats.gate_deviation",
        gt=0,
        lt=1,
    )


class SegmentOxygenation(Section):
    """From the saturation as recorded to a clean trace, working muscles and set boundaries."""

    working_muscle: dict[str, str] = of_study(
        "The sensor site that counts for an exercise, n/a where its muscle carries no sensor; an "
        "exercise without an entry takes the only site of the session."
    )
    reached_depth_share: float = setting(
        "Light reaches this share of the distance between source and detector; a sensor over "
        "thicker fat is flagged.",
        "common rule of near-infrared spectroscopy, from memory",
        gt=0,
        le=1,
    )
    stuck_s: float = convention("A value unchanged for this long is a stuck sensor.", gt=0)
    slip_pct_per_s: float = convention(
        "A step faster than this is a slip or a light leak, not physiology.", gt=0
    )
    dropout_jump_pct: float = convention(
        "Zeros are a dropout when the trace jumps into or out of them by more than this.", gt=0
    )
    leak_longest_s: float = convention(
        "A brighter spell that begins and ends with a step and is no longer than this is a light "
        "leak.",
        gt=0,
    )
    ripple_window_s: float = setting(
        "Contractions are looked for in windows of this length, to find sets in the trace.",
        "benchmarks/oxygenation.py",
        gt=0,
    )
    shortest_phase_s: float = setting(
        "The course of saturation is cut into phases no shorter than this.",
        "benchmarks/oxygenation.py",
        gt=0,
    )
    bend_reach_s: float = setting(
        "A bend of the course is placed by the readings within this reach.",
        "benchmarks/oxygenation.py",
        gt=0,
    )
    steep_pct_per_s: float = setting(
        "Where no contractions are seen, a fall steeper than this begins a set.",
        "benchmarks/oxygenation.py",
        gt=0,
    )
    inflated_mmhg: float = convention(
        "A cuff that holds more than this counts as inflated.", gt=0, le=30
    )
    boundary_tolerance_s: float = convention(
        "A set of the log that begins or ends this far from what the trace shows is flagged.", gt=0
    )
    farthest_boundary_s: float = convention(
        "Boundaries farther apart than this are not the same.", gt=0
    )
    supply_boundaries: bool = of_study(
        "Whether sets that the session sheet names without start or end get them from what "
        "saturation shows; all that stands on them is flagged."
    )
    smallest_supply_confidence: float = convention(
        "A start or end is supplied only where the chance of lying within 1 s is at least this.",
        gt=0,
        lt=1,
    )
    pressure_settle_s: float = convention(
        "First and last part of an inflation that is not compared with the noted pressure.", ge=0
    )
    pressure_smooth_s: float = convention(
        "Cuff pressure is averaged over this, so that contractions do not count.", gt=0
    )


class QualityRule(Section):
    """Outcomes, the windows that the rule holds in, what is measured there and its limits."""

    families: list[str] = stated("Families of outcomes that the rule holds for.")
    outcomes: list[str] = stated("Further outcomes that it holds for.")
    without: list[str] = stated("Outcomes of the families that it leaves out.")
    windows: list[WindowName] = stated("Windows that it holds in, or all.")
    measured: Literal[*functions_in("measuring/properties")] = stated(
        "Property of the window that is compared with the limits, a function of "
        "scripts/measuring/properties.py."
    )
    flagged_below: float | None = stated("Flagged when below.")
    flagged_above: float | None = stated("Flagged when above.")
    refused_below: float | None = stated("Refused when below.")
    refused_above: float | None = stated("Refused when above.")
    says: str = stated("The reason, as a reader sees it.")
    source: str = stated("Where the rule comes from, or convention.")

    @model_validator(mode="before")
    @classmethod
    def _what_does_not_apply_may_be_left_out(cls, stated):
        if not isinstance(stated, dict):
            return stated
        limits = ("flagged_below", "flagged_above", "refused_below", "refused_above")
        no_outcomes = {"families": [], "outcomes": [], "without": []}
        in_all = {"windows": windows()} if stated.get("windows") == "all" else {}
        return {**dict.fromkeys(limits), **no_outcomes, **stated, **in_all}

    def limits_in_words(self, status: str) -> str:
        """The limits beyond which a value is flagged or refused, as `below 2, above 20`."""
        limits = {side: getattr(self, f"{status}_{side}") for side in ("below", "above")}
        return ", ".join(f"{side} {at:g}" for side, at in limits.items() if at is not None)

    def holds_for(self, outcome: str, family: str, window: str) -> bool:
        """Whether the rule judges an outcome of a family in a window."""
        named = outcome in self.outcomes or family in self.families
        return named and outcome not in self.without and window in self.windows


class MeasureOutcomes(Section):
    """From beats and saturation to outcomes per window, each with a verdict."""

    baseline_settle_s: float = setting(
        "First part of a baseline that is not used.", "convention, 1 to 2 min", ge=0
    )
    recovery_steady_from_s: float = convention("The steady block of a recovery starts here.", ge=60)
    shortest_steady_s: float = convention(
        "A shorter rest of a recovery is not a steady block.", gt=0
    )
    low_frequency_hz: Band = setting("Low-frequency band.", "Task Force 1996")
    high_frequency_hz: Band = setting("High-frequency band.", "Task Force 1996")
    resampling_hz: float = setting(
        "Rate at which the intervals are interpolated with a cubic spline.",
        "Task Force 1996",
        ge=1,
        le=20,
    )
    detrending_regularisation: float = setting(
        "Smoothness priors; 500 at 4 Hz cuts at 0.035 Hz.", "Tarvainen et al. 2002", gt=0
    )
    spectrum_method: Literal["multitaper", "welch", "autoregressive", "lomb_scargle"] = setting(
        "Estimator of the spectrum.", "benchmarks/variability.py"
    )
    peak_window_s: float = convention("Peak heart rate is the largest mean over this.", gt=0)
    end_rate_window_s: float = setting(
        "Heart rate at the end of a set is the mean of this last part.",
        "convention, 5 to 10 s",
        gt=0,
    )
    recovery_rate_window_s: float = convention(
        "Heart rate after 30 and 60 s is the mean over this, centred.", gt=0
    )
    saturation_baseline_s: float = convention(
        "Resting saturation is the mean of this last part of the baseline.", gt=0
    )
    nadir_window_s: float = setting(
        "Nadir is the minimum of a centred mean of this length, and at least one contraction long.",
        "convention, 3 to 5 s",
        ge=1,
        le=10,
    )
    slope_window_s: float = setting(
        "Desaturation slope is a straight line over this first part of the set.",
        "convention, 10 to 20 s",
        gt=0,
    )
    end_window_s: float = convention("End saturation is the mean of this last part.", gt=0)
    failure_band_hysteresis_pct: float = convention(
        "The band is left only when saturation rises above its upper edge by this much.", ge=0
    )
    half_time_to: Literal["baseline", "peak"] = convention(
        "Half-time runs to half-way between nadir and this."
    )
    longest_recovery_delay_s: float = convention(
        "Longest delay of the exponential fitted to reoxygenation.", ge=0
    )
    smallest_recovery_r2: float = convention(
        "The exponential is refused when it explains less.", gt=0, lt=1
    )
    largest_tau_error: float = convention(
        "Or when its time constant is not known better than this share of itself.", gt=0
    )
    smallest_usable_pct: float = convention(
        "A window with less usable signal is refused.", ge=50, le=100
    )

    @model_validator(mode="after")
    def _bands_follow_each_other(self):
        if self.low_frequency_hz[1] > self.high_frequency_hz[0]:
            raise ValueError("low_frequency_hz ends where high_frequency_hz begins, or before")
        return self


class Cuff(Section):
    """A cuff that the tables of the study name."""

    width_cm: float | None = of_study("Width, in cm.", default=None, gt=0, le=30)
    bladder: str | float | None = of_study(
        "Bladder in words, as single or three chambers, or its length in cm.", default=None
    )
    regulated: bool | None = of_study(
        "Whether the device holds the pressure while the limb moves.", default=None
    )


class CheckSafety(Section):
    """Pressures against measured occlusion pressures, symptoms, harms and missing checks."""

    highest_share_pct: float = setting(
        "Largest share of the occlusion pressure in the protocol of the study; it can only be "
        "lowered. No number here says that a pressure is safe; local rules take precedence.",
        "Patterson et al. 2019, 40 to 80 %",
        gt=0,
        le=80,
    )
    slow_refill_s: float = setting(
        "A capillary refill slower than this is named, and is no passed step of a titration.",
        "common practice, no source",
        gt=0,
        le=10,
    )
    severe_pain: float = setting(
        "Pain of this much, 0 to 10, is named, and is a stop sign in a titration.",
        "Serlin et al. 1995, 7 to 10 is severe, from memory",
        gt=0,
        le=10,
    )
    longest_restriction_min: float = setting(
        "Longer time under the cuff without release is named.", "Patterson et al. 2019", gt=0, le=30
    )
    stop_systolic_mmhg: float | None = of_study(
        "Systolic blood pressure at which the study stops; null is not checked, and said.",
        ge=50,
        le=300,
    )
    stop_diastolic_mmhg: float | None = of_study(
        "Diastolic blood pressure at which the study stops; null is not checked, and said.",
        ge=20,
        le=200,
    )
    cuffs: dict[str, Cuff] = of_study(
        "Cuffs by the name that the column cuff of the tables holds, each with width_cm, bladder "
        "and regulated; study.yaml may state them as a section of their own, `cuffs:`."
    )


DIFFERS = "differs from all others"


class PlannedClaim(Section):
    """A claim that the study wants to make, tested as stated."""

    outcome: str = of_study("Outcome of the claim.")
    window: WindowName = of_study("Window in which it is compared.")
    claim: Literal["differs from all others", "every difference"] = setting(
        "`differs from all others`: one condition, shown only where each of its differences is; "
        "`every difference`: all of them, step by step.",
        "Berger 1982; Shaffer 1986",
        default=DIFFERS,
    )
    condition: str = of_study(
        "The condition that differs; empty is the last of the study.", default=""
    )


class PlanSection(Section):
    """What was planned before the values were seen; launch.py freeze writes it down with a date."""

    primary_outcomes: list[PrimaryOutcome] = of_study(
        "Primary outcomes in order; empty takes those of the section study."
    )
    claims: list[PlannedClaim] = of_study(
        "Claims in order; empty plans for every primary outcome that the last condition differs "
        "from all others."
    )
    across_claims: Literal["holm", "in_order"] = setting(
        "How the error is kept over several claims: holm, or in_order, each tested until one is "
        "not shown.",
        "Holm 1979",
    )
    smallest_effect: dict[str, SmallestEffect] = of_study(
        "Smallest effects as planned; empty takes those of compare_conditions."
    )
    baseline_adjusted: list[str] = setting(
        "Outcomes whose contrasts take the session's own baseline as covariate.",
        "Neuhaus and Kalbfleisch 1998",
    )
    session_schedule: Literal[
        "not_stated", "completely_randomised", "randomised_blocks", "randomised_within_exercises"
    ] = setting(
        "How the conditions of a single participant were drawn by lot; only a stated schedule "
        "gives a randomisation test. `completely_randomised`: visits to conditions; "
        "`randomised_blocks`: each run of consecutive visits holds every condition once; "
        "`randomised_within_exercises`: in every exercise the order of the conditions was drawn "
        "anew, within a visit or over visits.",
        "Edgington and Onghena 2007",
        formerly="compare_conditions",
    )
    exclusions: str = of_study("Who and what is left out, in words.")
    participants: int | None = of_study("Participants planned.")
    orders: list[str] = of_study("Orders of the conditions planned, as ABC.")
    frozen_at: str | None = of_study("When the plan was frozen; written by the command.")
    frozen_sha256: str | None = of_study("Checksum of the frozen plan; written by the command.")
    frozen_settings_sha256: str | None = of_study(
        "Checksum of registration_settings.yaml, the settings at that time; written by the command."
    )


class CompareConditions(Section):
    """From outcomes to contrasts between conditions."""

    confidence: float = convention(
        "Level of the intervals; one less it is the error of a claim.", gt=0.5, lt=1
    )
    smallest_effect: dict[str, SmallestEffect] = of_study(
        "Smallest effect of interest per outcome, in its unit, a ratio other than 1 for ratio "
        "scales: a number for all its windows, or one for each window that has one."
    )
    fewest_participants: int = convention(
        "Fewer pairs are described and never claimed.", ge=2, le=1000
    )
    power: float = setting("Power of the planning table.", "Cohen 1988", gt=0.1, lt=1)
    planned_participants: list[Annotated[int, Field(ge=2, le=10_000)]] = convention(
        "Numbers of participants in the planning table."
    )


class Alternative(Section):
    """What one alternative changes; only steps after the recordings were read can run again."""

    protocol: dict = stated("Changed facts of the protocol.")
    find_beats: dict = stated("Changed settings of find_beats.")
    segment_oxygenation: dict = stated("Changed settings of segment_oxygenation.")
    measure_outcomes: dict = stated("Changed settings of measure_outcomes.")
    quality_rules: dict = stated("Changed quality rules.")
    compare_conditions: dict = stated("Changed settings of compare_conditions.")
    edits: Literal["used", "ignored"] = stated("Whether edits.tsv is carried out.")
    says: str = stated("What the alternative is, in a few words.")

    @model_validator(mode="before")
    @classmethod
    def _what_stays_may_be_left_out(cls, stated):
        sections = (name for name in cls.model_fields if name not in ("edits", "says"))
        unchanged = {**{name: {} for name in sections}, "edits": "used", "says": ""}
        return {**unchanged, **stated} if isinstance(stated, dict) else stated


class TryAlternatives(Section):
    """The primary outcomes measured and compared again under other settings, one at a time."""

    alternatives: dict[AlternativeName, Alternative | None] = setting(
        "Name of an alternative, what it says and the sections that it changes; edits: ignored "
        "leaves out the decisions of people; null leaves out an alternative.",
        "convention: choices on which laboratories differ",
    )


class DrawFigures(Section):
    """Figures."""

    course_of: list[str] = of_study(
        "Participant and session whose course is drawn in the first figure; empty takes the first "
        "that has everything.",
        max_length=2,
    )
    closeups: list[Annotated[list[str], Field(min_length=3, max_length=3)]] = of_study(
        "Participant, session and event_id of each set that is opened in a figure of its own, "
        "three at most; empty takes the set of the last condition in which saturation fell lowest.",
        max_length=3,
    )
    width_mm: float = setting(
        "Width of the figures: 85 is one column of a journal, 180 two.",
        "convention of journals",
        ge=80,
        le=260,
    )
    png_dpi: int = convention("Points per inch of the PNG; journals ask for 600.", ge=72, le=1200)


class Privacy(Section):
    """What of the study may leave its folder."""

    free_text_leaves: bool = setting(
        "Whether notes, reasons and names of persons reach results; a study says so in study.yaml.",
        "convention: what is not declared to leave stays inside",
    )


class Settings(Section):
    """All sections."""

    study: StudySection
    plan: PlanSection
    protocol: Protocol
    read_recordings: ReadRecordings
    find_beats: FindBeats
    segment_oxygenation: SegmentOxygenation
    measure_outcomes: MeasureOutcomes
    quality_rules: dict[str, QualityRule]
    check_safety: CheckSafety
    compare_conditions: CompareConditions
    try_alternatives: TryAlternatives
    draw_figures: DrawFigures
    privacy: Privacy


def setting_sections() -> dict[str, type[Section]]:
    """Every section by its name; quality rules stand in a file of their own and are none."""
    return {
        name: field.annotation
        for name, field in Settings.model_fields.items()
        if name != "quality_rules"
    }


def moved_settings() -> dict[str, tuple[str, str]]:
    """Section and name of each setting that moved, by `section.name` of earlier studies."""
    return {
        former if "." in former else f"{former}.{name}": (section, name)
        for section, declared in setting_sections().items()
        for name, field in declared.model_fields.items()
        if (former := field.json_schema_extra["formerly"])
    }


# settings of earlier studies that no longer decide anything, by `section.setting`
RETIRED = (
    "compare_conditions.error",
    "compare_conditions.adjustment",
    "compare_conditions.largest_sd_ratio",
)


def by_name(*sections: Section) -> dict:
    """The settings of several sections by their names, which differ from section to section."""
    return {name: setting for section in sections for name, setting in section}
