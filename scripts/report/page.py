"""What each section of the report says."""

import base64
import re

import pandas as pd

from engine.listings import figure_modules, outcome_modules
from muscle.desaturation import reached_band
from report.heart import (
    FALLS,
    contrasts_of,
    not_comparable,
    rate_in_sets_is_equal,
)
from report.sentences import (
    ALPHA,
    SAME_ORDER,
    sentence_against_others,
    sentence_of_contrast,
)
from report.words import counted, label_of, source_of, window_of_set, words_of
from results.tables import number

SECTIONS = (
    ("findings", "What was found"),
    ("heart", "What the heart may be said to show"),
    ("limits", "What cannot be concluded"),
    ("figures", "Figures"),
    ("sessions", "Sessions"),
    ("firmness", "How firm it is"),
    ("tables", "Tables"),
    ("safety", "Pressures and safety"),
    ("quality", "Quality"),
    ("coupling", "Saturation and the heart"),
    ("left-out", "What was left out"),
    ("methods", "Methods"),
    ("terms", "Terms"),
    ("settings", "Settings"),
)

CAUTIONS = (
    "Inflatable cuffs can injure. This software calculates and records; it does not prescribe, "
    "monitor or approve. Use cuffs only under an ethics approval, by people trained and licensed "
    "for this where you are; local rules take precedence over any number here.",
    "Pressure is valid only for the limb, side, posture, cuff width and day on which occlusion "
    "pressure was measured. A share is given only where all of these match.",
    "Stop and deflate at once when the participant asks, or at marked numbness, severe or unusual "
    "pain, a cold, white or blue limb, no distal pulse, faintness, chest pain or a failing cuff.",
)

LOW_FREQUENCY = ("lf_power_ms2", "lf_hf_ratio")

# every part of the status of a clock says so, and the file is whole
CLOCK_IS_FINE = r"^(?!.*(flagged|unchecked|cut off))"

# a boundary that lies within 1 s with a smaller chance than this is unsure; convention
SURE_FROM = 0.5

TABLE_CELLS = (
    "<div class='scroll' tabindex='0' role='region' aria-label='{{ caption }}'>"
    "<table><caption>{{ caption }}</caption>"
    "<thead><tr>{% for name in columns %}<th scope='col'>{{ name }}</th>{% endfor %}</tr></thead>"
    "<tbody>{% for row in rows %}<tr>"
    "{% for cell in row %}<td{% if cell | length <= 26 %} class='line'{% endif %}>{{ cell }}</td>"
    "{% endfor %}</tr>"
    "{% endfor %}</tbody></table></div>"
)


def findings(found, compared, settings):
    """For every primary outcome whether the last condition differed from all others, then why.

    A list of (sentence, sentences of the single contrasts), in the order of the study.
    """
    conditions = settings.study.conditions
    told = []
    for outcome, window in settings.study.primary:
        module = outcome_modules()[outcome]
        chosen = contrasts_of(compared, outcome, window)
        label = f"{module.LABEL} ({window_of_set(window)})"
        comparable = [
            outcome not in FALLS or rate_in_sets_is_equal(compared, contrast)
            for contrast in chosen["contrast"]
        ]
        single = [
            sentence_of_contrast(
                row,
                label,
                module.UNIT,
                same_order=SAME_ORDER in str(row.note),
                confidence=settings.compare_conditions.confidence,
            )
            + without_exercises(found, outcome, window, row.contrast)
            for row in chosen[comparable].itertuples()
        ]
        if not all(comparable):
            single.append(not_comparable(label, chosen["contrast"][[not c for c in comparable]]))
        last = chosen[chosen["contrast"].str.startswith(f"{conditions[-1]} - ")]
        is_whole = len(last) > 1 and all(comparable) and last["p"].notna().all()
        whole = ""
        if is_whole:
            in_order = last["note"].fillna("").str.contains(SAME_ORDER, regex=False).any()
            whole = sentence_against_others(last, label, conditions[-1], same_order=bool(in_order))
        if single:
            told.append((whole, single))
    return told


def without_exercises(found, outcome, window, contrast):
    """Says which exercises a contrast leaves out, for want of values in both conditions."""
    own = found[
        (found["outcome"] == outcome) & (found["window"] == window) & found["exercise"].notna()
    ]
    given = own[own["value"].notna()]
    in_both = set.intersection(
        *(set(given[given["condition"] == name]["exercise"]) for name in contrast.split(" - "))
    )
    left_out = [words_of(name) for name in own["exercise"].unique() if name not in in_both]
    if not left_out or not in_both:
        return ""
    return f" Left out: {', '.join(left_out)} (no values in both conditions)."


def n_secondary(compared):
    """Number of outcomes and windows that were compared beside the primary ones."""
    others = compared[compared["primary"] != "yes"]
    return len(others[["outcome", "window"]].drop_duplicates())


def failure_band(found, settings, default_settings):
    """How far the muscle desaturated, whether that reached the band, and whether sets then failed.

    A list of sentences: one for each condition, then the counts over all of them.
    """
    low, high = settings.protocol.failure_band_pct
    source = source_of("protocol", "failure_band_pct", settings, default_settings)
    outcomes = ["smo2_nadir_pct", "to_failure"]
    sets = found[(found["window"] == "set") & found["outcome"].isin(outcomes)]
    wide = sets.pivot_table(
        index=["participant_id", "session_id", "event_id", "condition"],
        columns="outcome",
        values="value",
    ).reindex(columns=outcomes)
    known = wide.dropna(subset="smo2_nadir_pct").reset_index("condition")
    reached = reached_band(known["smo2_nadir_pct"], low_pct=low, high_pct=high)
    sentences = []
    for condition in settings.study.conditions:
        own = known["condition"] == condition
        if own.any():
            nadirs = known.loc[own, "smo2_nadir_pct"]
            sentences.append(
                f"Condition {condition}: the lowest saturation of a set was {nadirs.min():.0f} % "
                f"(median {nadirs.median():.0f} %); {reached[own].sum()} of {own.sum()} sets "
                f"reached the band of {low:g} to {high:g} % that is said to mark failure "
                f"({source})."
            )
    failed, not_failed = known["to_failure"] == 1, known["to_failure"] == 0
    if failed.any():
        sentences.append(
            f"Does the band mark failure here? {reached[failed].sum()} of {failed.sum()} sets to "
            f"failure reached it, and {reached[not_failed].sum()} of {not_failed.sum()} other "
            "sets. These are counts of sets, several of one person, and not a test."
        )
    elif sentences:
        sentences.append(
            "No set with a saturation is noted as one to failure: whether the band marks failure "
            "cannot be told from this study."
        )
    if sentences:
        sentences.append(
            "A set reached the band when its nadir, the lowest mean saturation as defined in the "
            "methods, lay in it. Time in the band is an outcome of its own: it counts single "
            "readings, of which some may lie in the band where the nadir does not."
        )
    return sentences


def what_few_cannot_show(people, n_conditions, compared):
    """What a study of so few participants cannot test."""
    if people == 1 and compared["randomisation_p"].notna().any():
        return [
            "One participant: a randomisation test over repeated visits speaks of this participant "
            "in these visits only; intervals and claims about others are withheld."
        ]
    if people == 1:
        return [
            "One participant: with one session per condition, or without a stated schedule, "
            "condition cannot be told from day; values are described and nothing is tested."
        ]
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    pairs = people if leading["n_pairs"].isna().all() else int(leading["n_pairs"].min())
    smallest, n_contrasts = 2 / 2**pairs, n_conditions * (n_conditions - 1) // 2
    if not pairs or smallest * n_contrasts <= ALPHA:
        return []
    cannot = "reach .05" if smallest > ALPHA else f"pass a correction for {n_contrasts} contrasts"
    return [
        f"A contrast of a primary outcome rests on {counted(pairs, 'participant')} with both "
        f"conditions: the smallest p-value its sign-flip test can give is {smallest:.3f}, which "
        f"cannot {cannot}."
    ]


def limits(found, compared, settings):
    """What the data do not allow to say, from the tables."""
    sentences = []
    conditions = settings.study.conditions
    people = found[found["condition"].isin(conditions)]["participant_id"].nunique()
    sentences += what_few_cannot_show(people, len(conditions), compared)
    if same_order(compared):
        sentences.append(
            "Everybody had the conditions in the same order: an effect of pressure cannot be told "
            "from an effect of time, and is not claimed."
        )
    withheld = found[found["status"].isin(["refused", "missing"])]
    for window, own in withheld.groupby("window"):
        spectral = own[own["outcome"].isin(LOW_FREQUENCY)]
        asked = found[(found["window"] == window) & found["outcome"].isin(LOW_FREQUENCY)]
        if len(spectral):
            reason = spectral["reason"].mode().iloc[0]
            sentences.append(
                f"Low-frequency power and LF/HF in {words_of(window)}: withheld in {len(spectral)} "
                f"of {len(asked)} values, those of both outcomes together ({reason})."
            )
    for outcome, window in settings.study.primary:
        own = found[(found["outcome"] == outcome) & (found["window"] == window)]
        missing = own[own["status"].isin(["refused", "missing"])]
        if len(missing):
            reasons = missing["reason"].value_counts()
            listed = "; ".join(f"{reason} ({n})" for reason, n in reasons.head(3).items())
            sentences.append(
                f"{label_of(outcome)} in {words_of(window)}: {len(missing)} of {len(own)} values "
                f"{'is' if len(missing) == 1 else 'are'} absent: {listed}."
            )
    sentences += [
        "LF/HF is reported for comparison only and is not an index of sympathetic activity.",
        "A fall in RMSSD or in respiratory modulation is consistent with reduced cardiac vagal "
        "modulation; sympathetic activity cannot be read from beat intervals.",
        "Saturation is the balance of delivery and use under the sensor: it is not blood flow, and "
        "levels are not compared between muscles, sensors or people.",
        "Conditions cannot be blinded, and sets to failure differ in repetitions: effects of "
        "pressure include effects of unequal work.",
    ]
    return sentences


def same_order(compared):
    """Whether everybody had the conditions in one order, as the primary outcomes say."""
    # a sparse secondary outcome may come from people who happen to share an order
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    return bool(leading["note"].fillna("").str.contains(SAME_ORDER, regex=False).any())


def figure_of(path):
    """Title, description and picture of one figure."""
    module = figure_modules()[path.stem]
    return {
        "name": path.stem,
        "title": module.TITLE,
        "alt": module.ALT,
        "caption": " ".join(module.__doc__.split()),
        "svg": base64.b64encode(path.read_bytes()).decode(),
    }


def session_pages(recordings, found):
    """Everybody's session pages, each named with its conditions."""
    people = []
    for person, visits in recordings.groupby("participant_id"):
        pages = []
        for session_id in sorted(visits["session_id"].unique()):
            own = (found["participant_id"] == person) & (found["session_id"] == session_id)
            conditions = found.loc[own, "condition"].dropna().unique()
            named = f" ({', '.join(conditions)})" if len(conditions) else ""
            address = f"sessions/{person}/{session_id}.html"
            pages.append({"name": f"{session_id}{named}", "address": address})
        people.append({"name": person, "pages": pages})
    return people


def read_text_table(path):
    """A table as text, cell by cell as it stands in the file."""
    return pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)


def shown_table(table, caption):
    """What the template needs to show a table; a missing value is an empty cell."""
    rows = [
        ["" if cell in ("n/a", "") or cell is None else _as_shown(cell) for cell in row]
        for row in table.astype(object).to_numpy().tolist()
    ]
    return {"caption": caption, "columns": [words_of(c) for c in table.columns], "rows": rows}


def _as_shown(cell):
    return number(cell) if isinstance(cell, float) else str(cell)


def clocks_of(sync):
    """Offset, drift and verdict of every clock; an unknown drift is left empty."""
    columns = [
        *("participant_id", "session_id", "signal", "offset_s", "drift_ppm"),
        "n_marks",
        "status",
    ]
    notable = sync[columns].drop_duplicates()
    return notable.assign(
        offset_s=[f"{v:.3f}" for v in notable["offset_s"]],
        drift_ppm=[
            "" if "drift unknown" in status else f"{drift:.1f}"
            for drift, status in zip(notable["drift_ppm"], notable["status"], strict=True)
        ],
        n_marks=notable["n_marks"].astype(int),
    )


def quality_of(quality):
    columns = [
        *("participant_id", "session_id", "signal", "site", "usable_pct", "beats"),
        *("corrected_pct", "longest_repaired_run", "corrected_pct_without_edits", "reason"),
    ]
    return quality.loc[quality["segment"] == "recording", columns]


def coupling_of(coupling):
    return pd.DataFrame(
        {
            "saturation": [label_of(name) for name in coupling["saturation"]],
            "heart": [label_of(name) for name in coupling["heart"]],
            "sets": coupling["n_sets"],
            "r within participants": [
                "" if pd.isna(row.r) else f"{row.r:.2f} ({row.ci_low:.2f} to {row.ci_high:.2f})"
                for row in coupling.itertuples()
            ],
            "note": coupling["note"],
        }
    )


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


def setting_in_words(value):
    """A setting as people read it: lists and groups of settings without their brackets."""
    if isinstance(value, dict):
        return "; ".join(f"{path}: {setting_in_words(leaf)}" for path, leaf in _leaves(value))
    if isinstance(value, list):
        return ", ".join(setting_in_words(item) for item in value)
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _leaves(group, path=""):
    """Settings of a group with their full names; what is empty changes nothing."""
    for name, value in group.items():
        full = f"{path}.{name}" if path else str(name)
        if isinstance(value, dict):
            yield from _leaves(value, full)
        elif value not in (None, "", []):
            yield full, value


def paragraphs(markdown):
    """Paragraphs of the methods text, with their bold first words apart."""
    for block in markdown.split("\n\n"):
        block = block.strip()
        if block and not block.startswith("#"):
            head = re.match(r"\*\*(.+?)\*\*\s*", block)
            yield {"head": head[1] if head else "", "text": block[head.end() :] if head else block}
