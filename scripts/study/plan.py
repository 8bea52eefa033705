"""The plan of a study: its claims, its checksum, and what a run does otherwise."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import yaml

from results.words import counted, in_words, words_of
from study.settings import DIFFERS, PlannedClaim, PlanSection
from study.tables import Edit

Key = tuple[str, str]

NOT_FROZEN = "nothing was frozen"
AS_PLANNED = "as planned"
RECORD_OF_FREEZING = {"frozen_at", "frozen_sha256", "frozen_settings_sha256"}

# of every setting that can move a number of a claim, its value when the plan was frozen
SETTINGS_FILE = "registration_settings.yaml"

SETTINGS_THAT_DECIDE = {
    "study": {"conditions", "exercises"},
    "protocol": ...,
    "read_recordings": ...,
    "find_beats": ...,
    "segment_oxygenation": ...,
    "measure_outcomes": ...,
    "quality_rules": ...,
    "compare_conditions": {"confidence", "fewest_participants"},
}

LATEST = datetime.max.replace(tzinfo=UTC)

# beyond that many the others are counted
MOST_NAMED = 5


def planned_claims(
    plan: PlanSection, primary: Sequence[Key], conditions: Sequence[str]
) -> list[PlannedClaim]:
    """The claims in order: those of the plan, else that the last condition differs everywhere."""
    claims = plan.claims or [PlannedClaim(outcome=name, window=window) for name, window in primary]
    last = conditions[-1] if conditions else ""
    return [
        claim.model_copy(update={"condition": claim.condition or last})
        if claim.claim == DIFFERS
        else claim
        for claim in claims
    ]


# choices that plans frozen earlier could not state: they count from where a study states them
STATED_LATER = {"session_schedule": "not_stated"}


def checksum(plan: PlanSection) -> str:
    """SHA-256 of a plan, without the record of its freezing."""
    stated = plan.model_dump(exclude=RECORD_OF_FREEZING)
    for name, default in STATED_LATER.items():
        if stated[name] == default:
            del stated[name]
    return hashlib.sha256(json.dumps(stated, sort_keys=True).encode()).hexdigest()


def against_plan(
    plan: PlanSection,
    primary: Sequence[Key],
    smallest_effect: Mapping,
    claim: PlannedClaim,
    participants: int,
    departures: Sequence[str] = (),
) -> str:
    """`as planned`, what differs from the frozen plan, or that nothing was frozen.

    `departures` are those of the whole study: settings, exclusions by hand, orders.
    """
    if plan.frozen_at is None:
        return NOT_FROZEN
    differs = []
    if checksum(plan) != plan.frozen_sha256:
        differs.append("the plan was changed after it was frozen")
    named = [(outcome.outcome, outcome.window) for outcome in plan.primary_outcomes]
    if named and named != list(primary):
        differs.append("primary outcomes or their order are not those of the plan")
    planned, used = (sizes.get(claim.outcome) for sizes in (plan.smallest_effect, smallest_effect))
    if plan.smallest_effect and planned != used:
        differs.append(f"smallest effect of {claim.outcome} {used}, planned {planned}")
    if plan.participants and participants != plan.participants:
        differs.append(f"{participants} participants, planned {plan.participants}")
    return "; ".join([*differs, *departures]) or AS_PLANNED


def settings_that_decide(settings) -> dict:
    """Values of all settings that can move a number of a claim, as they are written down."""
    return settings.model_dump(mode="json", include=SETTINGS_THAT_DECIDE)


def changed_after_freezing(folder: Path, settings) -> list[str]:
    """Settings that differ from those when the plan was frozen, in words; none without a plan."""
    sha256 = settings.plan.frozen_settings_sha256
    if settings.plan.frozen_at is None or sha256 is None:
        return []
    path = folder / SETTINGS_FILE
    written = path.read_bytes() if path.exists() else b""
    if hashlib.sha256(written).hexdigest() != sha256:
        why = "was changed" if written else "is not there"
        return [f"{SETTINGS_FILE} {why}, so that settings cannot be compared with the frozen ones"]
    from study.settings_files import differences

    frozen = yaml.load(written, Loader=yaml.CSafeLoader)
    changed = [
        f"setting {path} {_shown(now)}, {_shown(then)} when the plan was frozen"
        for path, then, now in differences(frozen, settings_that_decide(settings))
    ]
    further = len(changed) - MOST_NAMED
    return [*changed[:MOST_NAMED], *([f"and {further} further settings"] if further > 0 else [])]


def _shown(setting) -> str:
    return "none" if setting is None else str(setting)


def excluded_after_freezing(plan: PlanSection, edits: Sequence[Edit]) -> list[str]:
    """What edits.tsv leaves out by decisions later than the plan, in words.

    A decision without a time that can be read counts as later.
    """
    if plan.frozen_at is None:
        return []
    later = Counter(
        edit.action.removeprefix("exclude_")
        for edit in edits
        if edit.action.startswith("exclude_") and not is_no_later(edit.edited_at, plan.frozen_at)
    )
    if not later:
        return []
    listed = in_words([counted(later[kind], words_of(kind)) for kind in sorted(later)])
    stated = plan.exclusions.replace("; ", ", ")
    planned = f"the plan says: {stated}" if stated else "the plan names none"
    return [f"{listed} left out by hand after the plan was frozen ({planned})"]


def is_no_later(edited_at: str, frozen_at: str | None) -> bool:
    """Whether a decision was made before the plan was frozen, or at that time."""
    return frozen_at is not None and (_time_of(edited_at) or LATEST) <= _time_of(frozen_at)


def _time_of(text: str) -> datetime | None:
    """A time, in UTC where no zone is given; None where it cannot be read."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return None
    return time if time.tzinfo else time.replace(tzinfo=UTC)
