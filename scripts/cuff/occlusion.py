"""Cuff pressure as a share of a measured occlusion pressure, and what is uncertain about it.

An occlusion pressure is a row of occlusion.tsv. It fits a set where limb, side, posture, cuff and
day are the same; one without a session_id fits every day, one without a side either side.
"""

from dataclasses import dataclass, replace

import pandas as pd

from results.words import in_words, words_of

# limits of agreement of an equation against a measurement at an 18 cm cuff, Wedig et al. 2024
ESTIMATE_LIMITS_MMHG = 18.35

# limits of agreement of a pulse oximeter with Doppler ultrasound at the thigh, oximeter above and
# below it, Brekke et al. 2020, Int J Sports Phys Ther 15:783; no such limits were found for arms
LEG_OXIMETER_ABOVE_MMHG, LEG_OXIMETER_BELOW_MMHG = 28.8, 16.2

ESTIMATED = "estimated"

# in which an occlusion pressure may differ from a set, the gravest first
LIMB, POSTURE, CUFF, DAY = ("limb", "posture", "cuff", "day")


@dataclass(frozen=True)
class Placement:
    """Where and when a pressure acts or was measured; None is what was not noted."""

    session_id: str | None
    limb: str | None
    side: str | None
    posture: str | None
    cuff: str | None
    cuff_width_cm: float | None

    @property
    def limb_in_words(self):
        return " ".join(filter(None, [self.side, self.limb]))

    @property
    def cuff_in_words(self):
        return f"the cuff {self.cuff!r}" if self.cuff else f"a cuff of {self.cuff_width_cm:g} cm"

    def of_each_side(self):
        """The placements at the left and at the right of one of both sides."""
        if self.side != "both":
            return [self]
        return [replace(self, side=side) for side in ("left", "right")]


@dataclass(frozen=True)
class Measured:
    """An occlusion pressure in mmHg, where and how it was found."""

    placement: Placement
    occlusion_mmhg: float
    method: str
    override: bool = False


def placement_of(row, widths_cm=None):
    """The placement of a row of a table; the width of a named cuff from `widths_cm` where known."""

    def noted(column):
        cell = getattr(row, column, None)
        return None if pd.isna(cell) else cell

    cuff = noted("cuff")
    width_cm = noted("cuff_width_cm") or (widths_cm or {}).get(cuff)
    where_and_when = (noted(column) for column in ("session_id", "limb", "side", "posture"))
    return Placement(*where_and_when, cuff, width_cm)


def measured_by_participant(occlusion, widths_cm=None):
    """Rows of occlusion.tsv as `Measured`, by participant; `widths_cm` as in `placement_of`."""
    by_participant = {}
    for row in occlusion.itertuples():
        measurement = Measured(
            placement_of(row, widths_cm),
            row.occlusion_pressure_mmhg,
            row.method,
            getattr(row, "override", None) is True,
        )
        by_participant.setdefault(row.participant_id, []).append(measurement)
    return by_participant


def placement_difference(placement, measured_at):
    """In what another placement differs from that of a set, and what the set does not tell."""
    differs, untold = [], []
    if placement.limb is None:
        untold.append(LIMB)
    elif measured_at.limb not in (None, placement.limb):
        differs.append(LIMB)
    elif measured_at.side not in (None, "both", placement.side):
        (untold if placement.side is None else differs).append(LIMB)
    if placement.posture is None:
        untold.append(POSTURE)
    elif measured_at.posture not in (None, placement.posture):
        differs.append(POSTURE)
    if other_cuff(placement, measured_at):
        differs.append(CUFF)
    if measured_at.session_id not in (None, placement.session_id):
        differs.append(DAY)
    return differs, untold


def other_cuff(placement, measured_at):
    """Whether two placements name different cuffs, or cuffs of different widths."""
    if placement.cuff and measured_at.cuff:
        return placement.cuff != measured_at.cuff
    return None not in (placement.cuff_width_cm, measured_at.cuff_width_cm) and (
        placement.cuff_width_cm != measured_at.cuff_width_cm
    )


def fitting_pressures(placement, measured):
    """Occlusion pressures that fit a set; those of the day before those of no day.

    An estimate counts only where nothing was measured; those left aside come second.
    """
    fit = [m for m in measured if placement_difference(placement, m.placement) == ([], [])]
    dated = [m for m in fit if m.placement.session_id is not None]
    fit = dated or fit
    counting = [m for m in fit if m.method != ESTIMATED]
    return (counting, [m for m in fit if m.method == ESTIMATED]) if counting else (fit, [])


def nearest_measurement(placement, measured):
    """The occlusion pressure that fits a set in most, those of the limb and of its day first."""

    def distance(candidate):
        differs, untold = placement_difference(placement, candidate.placement)
        apart = LIMB in differs, DAY in differs
        return *apart, len(differs) + len(untold), candidate.method == ESTIMATED

    return min(measured, key=distance, default=None)


def why_it_does_not_fit(placement, measured_at):
    """Why an occlusion pressure that was measured at another placement is not that of a set."""
    differs, untold = placement_difference(placement, measured_at)
    if placement.limb is None:
        return "the sets name no limb"
    there, here = [], []
    for name in differs:
        words = {
            LIMB: lambda at: f"on the {at.limb_in_words}",
            POSTURE: lambda at: at.posture,
            CUFF: lambda at: f"with {at.cuff_in_words}",
            DAY: lambda at: f"in {at.session_id}",
        }[name]
        there.append(words(measured_at))
        here.append(words(placement))
    reasons = []
    if differs:
        reasons.append(f"measured {in_words(there)}, the exercise was {in_words(here)}")
    for name in untold:
        what, at = {
            LIMB: ("side", f"on the {measured_at.limb_in_words}"),
            POSTURE: ("posture", measured_at.posture),
        }[name]
        reasons.append(f"measured {at}, the {what} of the exercise was not noted")
    return f"occlusion pressure was {' and '.join(reasons)}"


def share_of_occlusion(pressure_mmhg, placement, measured):
    """A pressure as a share of the occlusion pressure that fits its placement, on one side.

    `pressure_mmhg`: None where not noted; `placement`: of the set; `measured`: occlusion pressures
    of the participant. Without one that fits there is no share, only the reason. Repeated
    measurements are averaged; where they differ, or were not made by Doppler ultrasound, the share
    is flagged with the range that they allow.
    """
    share = {"highest_pressure_mmhg": pressure_mmhg, "share_pct": None}
    if pressure_mmhg is None or pd.isna(pressure_mmhg):
        return share | {"share_status": "n/a", "share_reason": "no cuff pressure was noted"}
    if pressure_mmhg == 0:
        return share | {"share_status": "n/a", "share_reason": "no cuff pressure"}
    counting, left_aside = fitting_pressures(placement, measured)
    if not counting:
        return share | {"share_status": "refused", "share_reason": why_none(placement, measured)}
    if len({m.placement.cuff_width_cm for m in counting}) > 1:
        refusal = "occlusion pressures of several cuff widths"
        return share | {"share_status": "refused", "share_reason": refusal}
    cautions = list(cautions_of_share(pressure_mmhg, placement.limb, counting))
    aside = [f"an estimate of {m.occlusion_mmhg:g} mmHg was left aside" for m in left_aside]
    occlusion_mmhg = mean_occlusion_mmhg(counting)
    return share | {
        "cuff_width_cm": counting[0].placement.cuff_width_cm,
        "occlusion_pressure_mmhg": occlusion_mmhg,
        "occlusion_method": "; ".join(dict.fromkeys(m.method for m in counting)),
        "share_pct": 100 * pressure_mmhg / occlusion_mmhg,
        "share_status": "flagged" if cautions else "ok",
        "share_reason": "; ".join([*cautions, *aside]),
    }


def why_none(placement, measured):
    """Why no occlusion pressure fits a set."""
    if placement.limb is None:
        return "the sets name no limb"
    of_limb = [m for m in measured if m.placement.limb == placement.limb]
    if not of_limb:
        return f"no occlusion pressure of the {placement.limb} was measured"
    return why_it_does_not_fit(placement, nearest_measurement(placement, of_limb).placement)


def mean_occlusion_mmhg(measured):
    """Mean of several occlusion pressures (`Measured`), in mmHg."""
    return sum(m.occlusion_mmhg for m in measured) / len(measured)


def ranges_of_share(pressure_mmhg, limb, measured):
    """What is uncertain about a share: the reason, and the lowest and highest share in %.

    The range is None where none is known.
    """

    def may_be(lowest, highest):
        return 100 * pressure_mmhg / highest, 100 * pressure_mmhg / lowest

    pressures_mmhg = [m.occlusion_mmhg for m in measured]
    lowest, mean, highest = min(pressures_mmhg), mean_occlusion_mmhg(measured), max(pressures_mmhg)
    if highest > lowest:
        yield (
            f"{len(pressures_mmhg)} occlusion pressures, {lowest:g} to {highest:g} mmHg, "
            "were averaged",
            may_be(lowest, highest),
            "",
        )
    for method in dict.fromkeys(m.method for m in measured):
        if method == ESTIMATED:
            yield (
                "occlusion pressure was estimated, not measured",
                may_be(mean - ESTIMATE_LIMITS_MMHG, mean + ESTIMATE_LIMITS_MMHG),
                " (limits of agreement of Wedig et al. 2024)",
            )
        elif method == "photoplethysmography" and limb == "leg":
            yield (
                "occlusion pressure was found by photoplethysmography",
                may_be(mean - LEG_OXIMETER_ABOVE_MMHG, mean + LEG_OXIMETER_BELOW_MMHG),
                " of what Doppler ultrasound would give (limits of agreement of Brekke et al. "
                "2020)",
            )
        elif method != "doppler":
            yield (
                f"occlusion pressure was found by {words_of(method)}, not by Doppler ultrasound, "
                "with which it may disagree",
                None,
                "",
            )


def cautions_of_share(pressure_mmhg, limb, measured):
    """Why a share of the occlusion pressure is not certain, with the range where it is known."""
    for reason, limits_pct, source in ranges_of_share(pressure_mmhg, limb, measured):
        if limits_pct is None:
            yield reason
        else:
            low_pct, high_pct = limits_pct
            yield f"{reason}: the share may be {low_pct:.0f} to {high_pct:.0f} %{source}"
