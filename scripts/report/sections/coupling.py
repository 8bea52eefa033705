"""How saturation and heart go together, and whether counts and boundaries agree with the sheet."""

import pandas as pd

from comparison.coupling import ONE_BY_DESIGN
from comparison.jackknife import why_no_interval
from report.origins import Origin, Told
from report.page import shown_table
from report.words import label_of
from results.words import counted

ORDER = 29

TITLE = "Saturation with the heart and the sheet"

NEEDS = ("coupling", "repetition_agreement", "boundaries")


def section(results):
    tolerance_s = results.settings.segment_oxygenation.boundary_tolerance_s
    boundaries = results.boundaries
    told = boundaries_in_words(boundaries, tolerance_s=tolerance_s)
    if results.coupling["r"].isna().all() and results.repetition_agreement.empty and not told:
        return None
    differing = boundaries_that_differ(boundaries, tolerance_s=tolerance_s)
    pairs = coupling_of(results.coupling)
    return {
        "coupling_in_words": coupling_in_words(results.coupling),
        "coupling": shown_table(
            pairs.drop(columns="row", errors="ignore"),
            "Saturation and the heart",
            [Origin("coupling", row) for row in pairs.get("row", [])],
        ),
        "repetitions": shown_table(
            results.repetition_agreement.round(2),
            "Contractions counted against those noted",
            Origin.of_each("repetition_agreement", results.repetition_agreement),
        ),
        "boundaries_in_words": [Told(sentence, Origin("boundaries", 0)) for sentence in told],
        "boundaries": shown_table(
            differing,
            "Boundaries that differ from the log, or that the recordings place unsurely",
            Origin.of_each("boundaries", differing),
        ),
    }


# a boundary that lies within 1 s with a smaller chance than this is unsure; convention
SURE_FROM = 0.5


LEVELS = (
    "Correlations level by level: sets about the mean of their session, session means about the "
    "mean of their person, people about each other. Levels may have opposite signs, so that no "
    "single number stands for all. Errors come from people, not from sets. An association is not a "
    "cause."
)

LEVELS_OF_ONE = (
    "Correlations of the sets of one person about the mean of their session and of their "
    "condition. An association is not a cause."
)


def coupling_in_words(coupling):
    """What holds for the whole table of correlations, each said once."""
    notes = coupling["note"].fillna("")
    given = coupling[coupling["r"].notna()]
    if given.empty:
        return []
    people = given["n_participants"].max()
    sentences = [LEVELS if people > 1 else LEVELS_OF_ONE]
    if notes.str.contains(ONE_BY_DESIGN, regex=False).any():
        sentences.append(
            "Each visit had one condition: what holds within a session holds within person and "
            "condition as well, and the latter stands in coupling.tsv only."
        )
    few = why_no_interval(people)
    return [*sentences, f"{few.capitalize()}."] if few else sentences


def coupling_of(coupling):
    """A row for each pair of outcomes, a column for each level that is one of its own.

    `row` is that of the first level in coupling.tsv.
    """
    by_design = coupling["note"].fillna("").str.contains(ONE_BY_DESIGN, regex=False)
    shown = coupling[coupling["r"].notna() & ~by_design]
    shown = shown.assign(text=[correlation_in_words(row) for row in shown.itertuples()])
    pair_rows = []
    for (saturation, heart), levels in shown.groupby(["saturation", "heart"], sort=False):
        pair = {"saturation": label_of(saturation), "heart": label_of(heart)}
        pair["row"] = levels.index[0] + 2
        pair_rows.append(
            pair
            | {"people": levels["n_participants"].max(), "sets": levels["n_sets"].max()}
            | dict(zip(levels["level"], levels["text"], strict=True))
        )
    return pd.DataFrame(pair_rows).fillna("")


def correlation_in_words(row):
    limits = "" if pd.isna(row.ci_low) else f" ({row.ci_low:.2f} to {row.ci_high:.2f})"
    return f"{row.r:.2f}{limits}"


def boundaries_in_words(boundaries, *, tolerance_s):
    """How many starts and ends the recordings confirm, supplied, or show beside the sheet."""
    supplied = boundaries["reason"].fillna("").str.startswith("supplied")
    noted = boundaries["log_s"].notna() & ~supplied
    unsure = noted & is_unsure(boundaries, tolerance_s)
    confirmed = noted & (boundaries["status"] == "ok") & ~unsure
    elsewhere = noted & (boundaries["status"] == "flagged")
    not_placed = noted & (boundaries["status"] == "missing")
    unnoted = int((~noted & ~supplied & boundaries["proposed_s"].notna()).sum())
    ends = ("start or end", "starts or ends")
    sentences = []
    if noted.any():
        sentences.append(
            f"Of {counted(int(noted.sum()), *ends)} of sets and cuffs on the session sheet, the "
            f"recordings confirm {confirmed.sum()}, are unsure of {unsure.sum()}, place "
            f"{elsewhere.sum()} elsewhere, and could not place {not_placed.sum()}."
        )
    if unsure.any():
        sentences.append(
            f"Unsure: what the recording shows is farther than {tolerance_s:g} s from the note but "
            "within three of its standard errors, or lies within 1 s of the true moment with a "
            f"chance below {SURE_FROM:g}; such a note is neither confirmed nor contradicted. "
            f"They are {boundaries.loc[unsure, 'difference_s'].abs().max():.1f} s apart at most."
        )
    if supplied.any():
        sentences.append(
            f"{counted(int(supplied.sum()), *ends)} of sets had no time on the session sheet: "
            "taken from the recordings; everything that stands on them is flagged."
        )
    if unnoted:
        sentences.append(
            f"The recordings show {counted(unnoted, *ends)} of which the sheet knows nothing."
        )
    return sentences


def is_unsure(boundaries, tolerance_s):
    """Which boundaries agree with the log only because the recording is unsure of them."""
    far = boundaries["difference_s"].abs() > tolerance_s
    vague = boundaries["confidence"] < SURE_FROM
    return (boundaries["status"] == "ok") & boundaries["log_s"].notna() & (far | vague)


def boundaries_that_differ(boundaries, *, tolerance_s):
    """Starts and ends that the recordings do not confirm, or of which they are unsure."""
    columns = [
        *("participant_id", "session_id", "site", "boundary", "log_s", "proposed_s"),
        *("difference_s", "confidence", "source", "status", "reason"),
    ]
    unsure = is_unsure(boundaries, tolerance_s)
    table = boundaries.loc[unsure | (boundaries["status"] != "ok"), columns].copy()
    vague = [f"unsure, standard error {v:.1f} s" for v in boundaries.loc[unsure, "se_s"]]
    table.loc[unsure[unsure].index, "reason"] = vague
    for name in ("log_s", "proposed_s", "difference_s", "confidence"):
        table[name] = ["" if pd.isna(v) else f"{v:.1f}" for v in table[name].astype(float)]
    return table
