"""Steps of pressure while the individual target was looked for, a line for each person and limb:
capillary refill and saturation against pressure. A filled mark is a step that was passed, an open
one was not, a cross is one without flow or with a stop sign; a ring is the pressure used in sets.
Dashed is the refill at which a step is not passed. These are pressures of this study, not
advice."""

import pandas as pd

from figures._drawing import FAINT, FAINTER, empty_figure, is_narrow, pyplot, width_in

TITLE = "Titration of the cuff pressure"
ALT = (
    "Capillary refill and muscle saturation at each step of cuff pressure, by person, with the "
    "steps that were passed and those used in sets. Not advice."
)
NEEDS = ("titration",)

SHOWN = {
    "capillary_refill_s": "Capillary refill (s)",
    "smo2_pct": "Saturation (%)",
}

OF_LINE = ["participant_id", "session_id", "limb", "side", "posture"]

# signs in the reason of a step that was not passed, beside a slow refill
SIGNS = r"no distal flow|numbness|skin|pain"


def draw(results):
    steps = results.titration
    shown = {name: label for name, label in SHOWN.items() if steps[name].notna().any()}
    if not shown:
        text = "No titration with refill or saturation was noted."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    limbs = list(dict.fromkeys(steps["limb"]))
    lines, columns = len(shown), len(limbs)
    if is_narrow(results):
        lines, columns = len(shown) * len(limbs), 1
    figure, panels = pyplot.subplots(
        *(lines, columns),
        figsize=(width_in(results), 1.9 * lines + 0.3),
        layout="constrained",
        squeeze=False,
        sharex="col",
    )
    order = [(name, limb) for name in shown for limb in limbs]
    for axes, (name, limb) in zip(panels.flat, order, strict=True):
        of_limb = steps[(steps["limb"] == limb) & steps[name].notna()]
        for _, of_person in of_limb.groupby(OF_LINE, dropna=False, sort=False):
            draw_steps(axes, of_person.sort_values("pressure_mmhg"), name)
        axes.set_ylabel(shown[name])
        axes.set_title(limb.capitalize())
        if name == "capillary_refill_s":
            slow_s = results.settings.check_safety.slow_refill_s
            axes.axhline(slow_s, color=FAINT, lw=0.8, ls="--", zorder=0.5)
            axes.set_ylim(bottom=0)
    for axes in panels[-1]:
        axes.set_xlabel("Cuff pressure (mmHg)")
    figure.legend(handles=marks(), loc="outside upper left", ncols=4, borderaxespad=0.2)
    columns = [*OF_LINE, "pressure_mmhg", *SHOWN, "passed", "reason", "sets_at_pressure"]
    return figure, steps[columns]


def draw_steps(axes, steps, name):
    """The steps of one limb of one person, joined by a line."""
    axes.plot(steps["pressure_mmhg"], steps[name], color=FAINTER, lw=0.8, zorder=1)
    passed = steps["passed"] == "yes"
    sign = ~passed & steps["reason"].fillna("").str.contains(SIGNS)
    for chosen, look in ((passed, PASSED), (~passed & ~sign, NOT_PASSED), (sign, SIGN)):
        axes.plot(steps["pressure_mmhg"][chosen], steps[name][chosen], **LOOK | look)
    used = steps["sets_at_pressure"] > 0
    axes.plot(steps["pressure_mmhg"][used], steps[name][used], **LOOK | USED)


LOOK = {"ls": "", "color": "#222222", "marker": "o", "ms": 3.5, "zorder": 2}
PASSED = {}
NOT_PASSED = {"markerfacecolor": "white"}
SIGN = {"marker": "x", "ms": 4}
USED = {"markerfacecolor": "none", "ms": 7, "markeredgewidth": 0.8, "zorder": 3}


def marks():
    """Handles of the legend."""
    named = (
        ("passed", PASSED),
        ("not passed", NOT_PASSED),
        ("no flow or a stop sign", SIGN),
        ("used in sets", USED),
    )
    return [pyplot.Line2D([], [], label=label, **LOOK | look) for label, look in named]


def finding(numbers):
    """How many steps were passed, and how many of those used in sets were not."""
    passed = numbers["passed"] == "yes"
    used = numbers["sets_at_pressure"] > 0
    said = f"{passed.sum()} of {len(numbers)} steps were passed"
    return f"{said}; {(used & ~passed).sum()} of {used.sum()} steps used in sets were not passed."
