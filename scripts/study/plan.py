"""The plan of a study: its claims, its checksum, and what a run does otherwise."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence

from study.settings import DIFFERS, PlannedClaim, PlanSection

Key = tuple[str, str]

NOT_FROZEN = "nothing was frozen"

AS_PLANNED = "as planned"


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
    stated = plan.model_dump(exclude={"frozen_at", "frozen_sha256"})
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
) -> str:
    """`as planned`, what differs from the frozen plan, or that nothing was frozen."""
    if plan.frozen_at is None:
        return NOT_FROZEN
    differs = []
    if checksum(plan) != plan.frozen_sha256:
        differs.append("the plan was changed after it was frozen")
    named = [(one.outcome, one.window) for one in plan.primary_outcomes]
    if named and named != list(primary):
        differs.append("primary outcomes or their order are not those of the plan")
    planned, used = (sizes.get(claim.outcome) for sizes in (plan.smallest_effect, smallest_effect))
    if plan.smallest_effect and planned != used:
        differs.append(f"smallest effect {used}, planned {planned}")
    if plan.participants and participants != plan.participants:
        differs.append(f"{participants} participants, planned {plan.participants}")
    return "; ".join(differs) or AS_PLANNED
