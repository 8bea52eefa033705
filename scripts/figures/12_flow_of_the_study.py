"""Who took part, in which orders the conditions came, what was done in each condition, what of it
gave a value of each primary outcome, and how many pairs were compared. Whoever or whatever was left
out whole stands in a box of its own, with the reason."""

import textwrap

import pandas as pd
from matplotlib.patches import FancyBboxPatch

from figures._drawing import (
    FAINT,
    empty_figure,
    pyplot,
    style_of,
    width_in,
)
from figures._panels import title_of
from report.single_case import is_one_participant
from results.words import counted

TITLE = "Flow of the study"
ALT = "Boxes from the participants of the study to the pairs that were compared."
NEEDS = ("outcomes", "exclusions", "contrasts")

LEFT_OUT = {"participant", "session", "condition", "event"}
LINE_PT = 9.2
GAP_PT = 15.0
# as many of those left out are named
MOST_NAMED = 12
NO_BREAK = "\N{NO-BREAK SPACE}"


def draw(results):
    boxes_of_study = flow(results)
    if boxes_of_study["n"].iloc[0] == 0:
        text = "The study has no participants."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    width_pt = width_in(results) * 72
    stages = [
        (stage, boxes_of(of_stage, results.conditions, 0.96 * width_pt))
        for stage, of_stage in boxes_of_study.groupby("stage", sort=False)
    ]
    tall = [max(len(box["lines"]) for box in boxes) * LINE_PT + 8 for _, boxes in stages]
    height_pt = sum(tall) + GAP_PT * (len(stages) - 1) + 10
    figure, axes = pyplot.subplots(
        figsize=(width_in(results), height_pt / 72 + 0.15), layout="constrained"
    )
    axes.set(xlim=(0, width_pt), ylim=(-height_pt, 0))
    axes.axis("off")
    top = -4.0
    for n, ((_, boxes), height) in enumerate(zip(stages, tall, strict=True)):
        draw_boxes(axes, boxes, top, height, results.conditions)
        if n + 1 < len(stages):
            draw_arrows(axes, boxes, stages[n + 1][1], top - height)
        top -= height + GAP_PT
    return figure, boxes_of_study.assign(says=boxes_of_study["says"].str.replace(NO_BREAK, " "))


def finding(numbers):
    """The counts of each stage in words."""
    said = []
    for stage, of_stage in numbers.groupby("stage", sort=False):
        boxes = [f"{row.group} {row.says}".strip() for row in of_stage.fillna("").itertuples()]
        said.append(f"{stage}: {'. '.join(boxes)}.")
    return " ".join(said)


def flow(results):
    """One row for each box: stage, condition or order, what is counted, n and words."""
    outcomes, exclusions = results.outcomes, results.exclusions
    people = results.participants["participant_id"].astype(str)
    recorded = results.recordings["participant_id"].nunique()
    visits = results.recordings[["participant_id", "session_id"]].drop_duplicates()
    says = (
        f"{counted(len(people), 'participant')}, {recorded} with recordings "
        f"({counted(len(visits), 'visit')})"
    )
    boxes = [("Participants", "", "participants", len(people), says)]
    boxes += boxes_of_orders(results.sessions)
    missing = whom_left_out(exclusions)
    boxes += [("Left out", "", "reasons", len(missing), text) for text in missing]
    counted_by = ["participant_id", "session_id", "event_id", "condition", "window"]
    of_conditions = outcomes["condition"].isin(results.conditions)
    done = outcomes.loc[of_conditions, [*counted_by, "outcome", "value", "status"]]
    sets = done[done["window"] == "set"]
    for condition in results.conditions:
        of_condition = done[done["condition"] == condition]
        if of_condition.empty:
            continue
        n_people = of_condition["participant_id"].nunique()
        n_visits = len(of_condition[["participant_id", "session_id"]].drop_duplicates())
        said = [f"{counted(n_people, 'participant')}, {counted(n_visits, 'visit')}"]
        of_sets = sets[sets["condition"] == condition]
        keys = ["participant_id", "session_id", "event_id"]
        if n_sets := len(of_sets[keys].drop_duplicates()):
            said.append(counted(n_sets, "set"))
        failed = of_sets.loc[of_sets["outcome"] == "to_failure", "value"]
        if failed.notna().any():
            said[-1] += f", {int((failed == 1).sum())} to failure"
        boxes.append(("Done", condition, "participants", n_people, "; ".join(said)))
    for outcome, window in results.primary:
        of_outcome = done[(done["outcome"] == outcome) & (done["window"] == window)]
        for condition, of_condition in ordered_by(of_outcome, results.conditions):
            given = of_condition[of_condition["value"].notna()]
            flagged = int((given["status"] == "flagged").sum())
            words = f"{len(given)} of {counted(len(of_condition), 'value')}"
            if flagged:
                words += f", {flagged} flagged"
            words += f"; {counted(given['participant_id'].nunique(), 'participant')}"
            boxes.append((title_of(outcome, window), condition, "values", len(given), words))
    if is_one_participant(outcomes, results.conditions):
        boxes.append(("Pairs compared", "", "pairs", 0, "none, with one participant"))
    else:
        boxes += boxes_of_pairs(results.contrasts, results.primary)
    return pd.DataFrame(boxes, columns=["stage", "group", "counted", "n", "says"])


def ordered_by(table, conditions):
    return [
        (name, of_condition)
        for name in conditions
        if len(of_condition := table[table["condition"] == name])
    ]


def boxes_of_orders(sessions):
    """How many people had each order of the conditions, where orders were noted."""
    if "sequence" not in sessions:
        return []
    known = sessions.dropna(subset="sequence").drop_duplicates("participant_id")
    counts = known["sequence"].astype(str).value_counts().sort_index()
    if counts.empty:
        return []
    text = ", ".join(f"{order}{NO_BREAK}{n}" for order, n in counts.items())
    return [("Orders allotted", "", "participants", int(counts.sum()), text)]


def whom_left_out(exclusions):
    """Whoever and whatever was left out whole, with the reason but without free notes."""
    whole = exclusions[exclusions["scope"].isin(LEFT_OUT)]
    said = []
    for row in whole.itertuples():
        who = ", ".join(
            str(label) for label in (row.participant_id, row.session_id) if pd.notna(label)
        )
        said.append(f"{who}: {str(row.reason).split(';')[0]}")
    if len(said) > MOST_NAMED:
        more = f"and {len(said) - MOST_NAMED} more, see exclusions.tsv"
        said = [*said[:MOST_NAMED], more]
    return said


def boxes_of_pairs(contrasts, primary):
    """Pairs of each contrast over all exercises."""
    pairs = []
    for outcome, window in primary:
        of_outcome = contrasts[
            (contrasts["outcome"] == outcome)
            & (contrasts["window"] == window)
            & (contrasts["exercise"] == "all")
            & contrasts["n_pairs"].notna()
        ]
        # a contrast is not broken over two lines
        parts = [
            f"{row.contrast} {row.n_pairs:.0f}".replace(" ", NO_BREAK)
            for row in of_outcome.itertuples()
        ]
        if parts:
            n, says = (
                int(of_outcome["n_pairs"].max()),
                f"{title_of(outcome, window)}: {', '.join(parts)}",
            )
            pairs.append(("Pairs compared", "", "pairs", n, says))
    return pairs


def boxes_of(of_stage, conditions, width_pt):
    """Boxes of one stage beside each other, their text broken into lines."""
    stage = of_stage["stage"].iloc[0]
    letter_pt = 4.4
    if not of_stage["group"].any():
        text = of_stage["says"].to_list()
        text = [f"{stage}: {text[0]}"] if len(text) == 1 else [f"{stage}:", *text]
        lines = [
            part for sentence in text for part in textwrap.wrap(sentence, int(width_pt / letter_pt))
        ]
        return [{"at": 0.5, "width_pt": width_pt, "lines": lines, "condition": ""}]
    present = [name for name in conditions if name in set(of_stage["group"])]
    boxes = []
    share = 1 / len(present)
    for row in of_stage.itertuples():
        inner = width_pt * share - 14
        pieces = [row.group if stage == "Done" else stage, *row.says.split("; ")]
        room = max(10, int(inner / letter_pt))
        lines = [part for piece in pieces for part in textwrap.wrap(piece, room)]
        at = (present.index(row.group) + 0.5) * share
        boxes.append({"at": at, "width_pt": inner, "lines": lines, "condition": row.group})
    return boxes


def draw_boxes(axes, boxes, top, height, conditions):
    """Boxes of one stage; those of a condition have its colour at their edge and its name."""
    width_pt = axes.get_xlim()[1]
    for box in boxes:
        middle = box["at"] * width_pt
        edge = style_of(box["condition"], conditions)["color"] if box["condition"] else FAINT
        left_pt = middle - box["width_pt"] / 2
        axes.add_patch(
            FancyBboxPatch(
                (left_pt, top - height),
                *(box["width_pt"], height),
                boxstyle="round,pad=0,rounding_size=3",
                facecolor="white",
                edgecolor=edge,
                lw=0.9,
            )
        )
        text = "\n".join(box["lines"])
        centred = {"ha": "center", "va": "center", "fontsize": 7, "linespacing": 1.3}
        axes.text(middle, top - height / 2, text, **centred)


def draw_arrows(axes, boxes, below, bottom):
    """From each box to the one below it, or to all of them."""
    width_pt = axes.get_xlim()[1]
    ends = {box["at"] for box in (boxes if len(boxes) >= len(below) else below)}
    for at in sorted(ends):
        axes.annotate(
            "",
            (at * width_pt, bottom - GAP_PT + 1),
            xytext=(at * width_pt, bottom - 1),
            arrowprops={"arrowstyle": "-|>", "lw": 0.7, "color": FAINT},
        )
