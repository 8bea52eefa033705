"""Whether the pressure of a set counts as the one that its condition names, and why not.

A verdict rests on occlusion pressures of the same limb, side, posture, cuff and day. A pressure at
or above any occlusion pressure that is known of the limb is named whatever its day, posture or
side. Conventions of this project; the largest share is the study's own.
"""

from dataclasses import dataclass, field, replace

from cuff.occlusion import (
    CUFF,
    DAY,
    ESTIMATED,
    LIMB,
    POSTURE,
    fitting_pressures,
    mean_occlusion_mmhg,
    nearest_measurement,
    placement_difference,
    ranges_of_share,
    share_of_occlusion,
)

WITHIN, ABOVE_LIMIT, AT_OCCLUSION = "within", "above limit", "at or above occlusion"

UNKNOWN, BY_TITRATION, OVERRIDDEN = "unknown", "by titration", "overridden"

OTHER = {LIMB: "other limb", POSTURE: "other posture", CUFF: "other cuff", DAY: "other day"}

# from the one that most needs eyes on it to the one that needs none
GRAVEST_FIRST = (
    *(AT_OCCLUSION, ABOVE_LIMIT, UNKNOWN, *OTHER.values(), ESTIMATED),
    *(OVERRIDDEN, BY_TITRATION, WITHIN),
)

COUNTING = (WITHIN, BY_TITRATION, OVERRIDDEN)

# a gauge is read to the nearest mmHg
SAME_PRESSURE_MMHG = 1.0


@dataclass(frozen=True)
class Judged:
    """Verdict of a pressure with its reason, what was found wrong, and its share of occlusion.

    `verdict` is None where there is no cuff pressure; `share` as `share_of_occlusion` gives it.
    """

    verdict: str | None
    reason: str
    share: dict
    findings: tuple[str, ...] = field(default=())

    @property
    def counts(self):
        """Whether the pressure counts as that of its condition; None without a pressure."""
        return None if self.verdict is None else self.verdict in COUNTING


def judge_pressure(pressure_mmhg, placement, measured, passed_steps, *, highest_share_pct):
    """The verdict on a pressure; on both sides the graver of the two.

    pressure_mmhg : None where not known
    placement : of the set, `cuff.occlusion.Placement`
    measured : occlusion pressures of the participant, `cuff.occlusion.Measured`
    passed_steps : (placement, pressure in mmHg) of the steps of a titration that were passed
    """
    sides = placement.of_each_side()
    of_sides = [
        _judge_one_side(pressure_mmhg, side, measured, passed_steps, highest_share_pct)
        for side in sides
    ]
    gravest_of_sides = min(of_sides, key=_gravity)
    if len(sides) > 1 and gravest_of_sides.verdict is not None:
        side = sides[of_sides.index(gravest_of_sides)].side
        return replace(gravest_of_sides, reason=f"{side} side: {gravest_of_sides.reason}")
    return gravest_of_sides


def gravest(verdicts):
    """The gravest of several verdicts; None where there is none."""
    known = [verdict for verdict in verdicts if verdict is not None]
    return min(known, key=GRAVEST_FIRST.index, default=None)


def _gravity(judgement):
    rank = (
        len(GRAVEST_FIRST) if judgement.verdict is None else GRAVEST_FIRST.index(judgement.verdict)
    )
    return rank, -(judgement.share["share_pct"] or 0.0)


def _judge_one_side(pressure_mmhg, placement, measured, passed_steps, highest_share_pct):
    share = share_of_occlusion(pressure_mmhg, placement, measured)
    if share["share_status"] == "n/a":
        # a pressure that nobody noted is not known to be none
        verdict = UNKNOWN if pressure_mmhg != 0 else None
        return Judged(verdict, share["share_reason"], share)
    verdict, reason, findings = _against_occlusion(
        pressure_mmhg, placement, measured, share, highest_share_pct
    )
    if verdict not in (WITHIN, ABOVE_LIMIT, AT_OCCLUSION):
        step_mmhg = step_passed(pressure_mmhg, placement, passed_steps)
        if step_mmhg is not None:
            reason = f"a step of {step_mmhg:g} mmHg was passed; {reason}"
            verdict = BY_TITRATION
    if verdict not in COUNTING and is_overridden(placement, measured):
        verdict, reason = OVERRIDDEN, f"overridden in occlusion.tsv; {verdict}: {reason}"
    return Judged(verdict, reason, share, tuple(findings))


def _against_occlusion(pressure_mmhg, placement, measured, share, highest_share_pct):
    """Verdict, reason and findings from occlusion pressures alone."""
    reached = lowest_known(placement, measured)
    if reached is not None and pressure_mmhg >= reached.occlusion_mmhg:
        said = at_occlusion_in_words(pressure_mmhg, reached)
        return AT_OCCLUSION, said, [f"at or above occlusion pressure: {said}"]
    if share["share_status"] == "refused":
        verdict = verdict_of_misfit(placement, measured)
        return verdict, share["share_reason"], _nearly(pressure_mmhg, reached, highest_share_pct)
    findings = list(may_occlude(pressure_mmhg, placement, measured))
    share_pct = share["share_pct"]
    estimated = share["occlusion_method"] == ESTIMATED
    of_what = "an estimated occlusion pressure" if estimated else "the occlusion pressure"
    said = f"{share_pct:.0f} % of {of_what}, {share['occlusion_pressure_mmhg']:g} mmHg"
    if share_pct > highest_share_pct:
        findings = [f"share above {highest_share_pct:g} %", *findings]
        return ABOVE_LIMIT, f"{said}; the study allows {highest_share_pct:g} %", findings
    if not any(m.placement.session_id for m in fitting_pressures(placement, measured)[0]):
        said += ", of which the day is not noted"
    return (ESTIMATED if estimated else WITHIN), said, findings


def lowest_known(placement, measured):
    """The lowest occlusion pressure known of the limb; of any limb where the set names none.

    Estimates count unless a measurement fits the set.
    """
    counting, _ = fitting_pressures(placement, measured)
    settled = any(m.method != ESTIMATED for m in counting)
    known = [
        m
        for m in measured
        if (placement.limb is None or m.placement.limb == placement.limb)
        and not (settled and m.method == ESTIMATED)
    ]
    return min(known, key=lambda m: m.occlusion_mmhg, default=None)


def at_occlusion_in_words(pressure_mmhg, reached):
    """A pressure beside the occlusion pressure that it reaches, and how that was found."""
    at = reached.placement
    how = [reached.method, at.limb_in_words, at.posture, at.session_id]
    return f"{pressure_mmhg:g} of {reached.occlusion_mmhg:g} mmHg ({', '.join(filter(None, how))})"


def _nearly(pressure_mmhg, known, highest_share_pct):
    """A pressure high for an occlusion pressure of the limb that does not fit the set."""
    if known is None or 100 * pressure_mmhg / known.occlusion_mmhg <= highest_share_pct:
        return []
    said = at_occlusion_in_words(pressure_mmhg, known)
    return [f"share above {highest_share_pct:g} % of another occlusion pressure: {said}"]


def may_occlude(pressure_mmhg, placement, measured):
    """Where what is uncertain about the occlusion pressure lets the share reach 100 %."""
    counting, _ = fitting_pressures(placement, measured)
    if 100 * pressure_mmhg / mean_occlusion_mmhg(counting) >= 100:
        return
    for reason, limits_pct, _ in ranges_of_share(pressure_mmhg, placement.limb, counting):
        if limits_pct and limits_pct[1] >= 100:
            low_pct, high_pct = limits_pct
            yield f"may be at or above occlusion, {low_pct:.0f} to {high_pct:.0f} %: {reason}"


def verdict_of_misfit(placement, measured):
    """Why no occlusion pressure fits, as a verdict: by the one that fits in most."""
    candidate = nearest_measurement(placement, measured)
    if candidate is None or placement.limb is None:
        return UNKNOWN
    differs, _ = placement_difference(placement, candidate.placement)
    # several cuff widths fit a set that names no cuff
    return OTHER[differs[0]] if differs else UNKNOWN


def step_passed(pressure_mmhg, placement, passed_steps):
    """Pressure of the passed step of a titration that a set used, or None."""
    for at, step_mmhg in passed_steps:
        near = abs(step_mmhg - pressure_mmhg) <= SAME_PRESSURE_MMHG
        if near and placement_difference(placement, at) == ([], []):
            return step_mmhg
    return None


def is_overridden(placement, measured):
    """Whether the study lets pressures outside the limits count on this limb and day."""
    return any(
        m.override
        and not {LIMB, DAY}
        & {name for names in placement_difference(placement, m.placement) for name in names}
        for m in measured
    )
