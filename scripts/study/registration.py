"""Write down the plan of a study with its date and checksum, before the values are seen.

    PYTHONPATH=scripts python -m study.registration path/to/study

The section `plan` of study.yaml gets every choice that the claims rest on and the record of its
freezing; registration.md beside it says the same in words, and registration_settings.yaml keeps all
settings that can move a number of a claim. A plan that is frozen stays: it
is frozen again only where the lines that begin with `frozen` were taken out by hand.
"""

import hashlib
import re
import sys
from datetime import UTC, datetime
from pathlib import Path

import yaml

from engine.command_line import faults_told
from study.plan import SETTINGS_FILE, checksum, planned_claims, settings_that_decide
from study.problems import StudyError
from study.settings import DIFFERS, PlanSection
from study.settings_files import settings_of


def freeze(folder: Path, now: datetime) -> PlanSection:
    """Freeze the plan of a study folder; `now` is written down to the second, in UTC.

    Raises StudyError where study.yaml has problems or the plan is frozen already.
    """
    if not folder.is_dir():
        raise StudyError(f"There is no study folder {folder}.")
    _, settings = settings_of(folder)
    plan = complete_plan(settings)
    if plan.frozen_at is not None:
        raise StudyError(
            f"study.yaml, plan: was frozen on {plan.frozen_at} already; a plan that changes after "
            "that is told as changed. To freeze another, take out the lines that begin with frozen."
        )
    when = now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    decide = yaml.safe_dump(settings_that_decide(settings), sort_keys=False, allow_unicode=True)
    record = {
        "frozen_at": when,
        "frozen_sha256": checksum(plan),
        "frozen_settings_sha256": hashlib.sha256(decide.encode()).hexdigest(),
    }
    frozen = plan.model_copy(update=record)
    (folder / SETTINGS_FILE).write_bytes(decide.encode())
    path = folder / "study.yaml"
    text = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    path.write_text(with_plan(text, frozen), encoding="utf-8")
    (folder / "registration.md").write_text(registration(frozen, settings), encoding="utf-8")
    return frozen


def complete_plan(settings) -> PlanSection:
    """The plan with every choice that it leaves to another section filled in."""
    plan, study = settings.plan, settings.study
    stated = {
        "primary_outcomes": plan.primary_outcomes or study.primary_outcomes,
        "claims": planned_claims(plan, study.primary, study.conditions),
        "smallest_effect": plan.smallest_effect or settings.compare_conditions.smallest_effect,
    }
    return plan.model_copy(update=stated)


def with_plan(text: str, plan: PlanSection) -> str:
    """The text of study.yaml with this plan as its last section; other sections stay as written."""
    plan_section = re.compile(r"^plan:.*?(?=^\S|\Z)", flags=re.M | re.S)
    other_sections = plan_section.sub("", text).rstrip("\n")
    section = yaml.safe_dump({"plan": plan.model_dump()}, sort_keys=False, allow_unicode=True)
    return f"{other_sections}\n\n{section}" if other_sections else section


def registration(plan: PlanSection, settings) -> str:
    """The plan in words, to be registered or sent to somebody before the values are seen."""
    error = 100 * (1 - settings.compare_conditions.confidence)
    across = {
        "holm": "Over all claims the error is kept by Holm's steps.",
        "in_order": "The claims are tested in this order until one is not shown.",
    }[plan.across_claims]
    effects = [f"- {name}: {_size(size)}" for name, size in plan.smallest_effect.items()]
    lines = [
        f"# Plan of {settings.study.title}",
        "",
        f"Frozen on {plan.frozen_at}, SHA-256 of the plan {plan.frozen_sha256}.",
        "",
        f"Conditions, reference first: {', '.join(settings.study.conditions)}.",
        f"Participants planned: {plan.participants or 'not stated'}. "
        f"Orders: {', '.join(plan.orders) or 'not stated'}.",
        "",
        "## Primary outcomes, in order",
        "",
        *(
            f"{n}. {planned.outcome}, {planned.window}"
            for n, planned in enumerate(plan.primary_outcomes, 1)
        ),
        "",
        "## Claims",
        "",
        *(f"{n}. {_claim(planned)}" for n, planned in enumerate(plan.claims, 1)),
        "",
        f"A claim about one condition is made only where each of its differences is shown at "
        f"{error:.3g} %. {across} With fewer than "
        f"{settings.compare_conditions.fewest_participants} pairs nothing is claimed.",
        "",
        "## Smallest effects of interest",
        "",
        *(effects or ["None stated."]),
        "",
        "## Adjustment and exclusions",
        "",
        "Own baseline as covariate: " + (", ".join(plan.baseline_adjusted) or "no outcome") + ".",
        f"Left out: {plan.exclusions or 'nothing beyond the quality rules of the settings'}.",
    ]
    return "\n".join(lines) + "\n"


def _claim(claim) -> str:
    what = f"{claim.condition} {claim.claim}" if claim.claim == DIFFERS else claim.claim
    return f"{claim.outcome}, {claim.window}: {what}"


def _size(size) -> str:
    if isinstance(size, dict):
        return ", ".join(f"{least:g} in {window}" for window, least in size.items())
    return f"{size:g}"


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("freeze needs one study folder: python3.11 scripts/launch.py freeze my_study")
    with faults_told():
        done = freeze(Path(sys.argv[1]), datetime.now(UTC))
    print(f"Frozen on {done.frozen_at}: study.yaml and registration.md in {sys.argv[1]}.")
