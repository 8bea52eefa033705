"""Write the whole study on one page that opens offline."""

import base64
import io
import re
from pathlib import Path

import pandas as pd
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup
from PIL import Image

from analysis.evidence import ALPHA, sentence_above_intrinsic, sentence_of_evidence
from analysis.sentences import SAME_ORDER, as_decided, sentence_of_contrast
from catalogue import figure_modules, outcome_modules
from firmness import (
    detectable,
    left_out_ranges,
    other_assumptions,
    other_settings,
    primary_missing,
    without_a_change,
    work,
)
from session_sheet import table_of
from step import Input, Inputs, Output, run
from tabular import number, read_table
from wording import label_of, words_of

# outcomes whose evidence is spelt out, in the windows where they are read
EVIDENCE_SHOWN = (
    ("hf_modulation", "set"),
    ("hrr_60_bpm", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_steady"),
)
# comparable only from an equal heart rate at the end of exercise (Cole et al. 1999)
FALLS = ("hrr_30_bpm", "hrr_60_bpm")
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
TABLE_CELLS = (
    "<div class='scroll' tabindex='0' role='region' aria-label='{{ caption }}'>"
    "<table><caption>{{ caption }}</caption>"
    "<thead><tr>{% for name in columns %}<th scope='col'>{{ name }}</th>{% endfor %}</tr></thead>"
    "<tbody>{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>"
    "{% endfor %}</tbody></table></div>"
)


def write_report(
    template: Input,
    outcomes: Input,
    contrasts: Input,
    models: Input,
    missing: Input,
    sensitivity: Input,
    planning: Input,
    alternatives: Input,
    exclusions: Input,
    quality: Input,
    sync: Input,
    safety: Input,
    boundaries: Input,
    coupling: Input,
    repetition_agreement: Input,
    methods: Input,
    tables: Input,
    figures: Inputs,
    sessions: Inputs,
    report: Output,
    *,
    study: str,
    settings: dict,
    changed_settings: list,
):
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    cells = page.from_string(TABLE_CELLS)
    found, of_both = read_table(outcomes), read_table(contrasts)
    compared, tried = as_decided(of_both), read_table(alternatives)
    primary = [(p["outcome"], p["window"]) for p in settings["study"]["primary_outcomes"]]
    recordings = table_of(study, "recordings")
    text = page.from_string(template.read_text(encoding="utf-8")).render(
        title=settings["study"]["title"],
        conditions=settings["study"]["conditions"],
        n_participants=recordings["participant_id"].nunique(),
        n_sessions=len(recordings[["participant_id", "session_id"]].drop_duplicates()),
        sections=SECTIONS,
        findings=[*findings(found, compared, settings), *failure_band(found, settings)],
        limits=limits(found, compared, settings),
        heart=heart_in_words(found, compared, settings),
        figures=[figure_of(Path(path)) for path in figures],
        sessions=[
            {"name": f"{folder.name} {path.stem}", "png": small_picture(path)}
            for folder in sessions
            for path in sorted(folder.glob("*.png"))
        ],
        tables=[
            shown_table(read_text_table(path), caption_of(path))
            for path in sorted(Path(tables).glob("[123]*.tsv"))
        ],
        n_primary=len(primary),
        n_secondary=n_secondary(compared),
        left_out_ranges=shown_table(left_out_ranges(compared, primary), "Without one participant"),
        sensitivity=shown_table(
            other_assumptions(of_both, read_table(sensitivity), primary),
            "The same values under other assumptions",
        ),
        alternatives=shown_table(other_settings(tried, primary), "Under other settings"),
        unchanged=without_a_change(tried),
        work=shown_table(work(compared), "Work done: later minus earlier condition"),
        missing=shown_table(
            primary_missing(read_table(missing)), "Missing values of the primary outcomes"
        ),
        planning=shown_table(
            detectable(read_table(planning), primary),
            "Smallest true difference that n participants would show",
        ),
        power_pct=100 * settings["compare_conditions"]["power"],
        safety=shown_table(
            read_text_table(Path(tables) / "4_pressures.tsv"), "Pressures, shares and symptoms"
        ),
        clocks=shown_table(clocks_of(read_table(sync)), "Clocks of the recordings"),
        quality=shown_table(quality_of(read_table(quality)), "Whole recordings"),
        coupling=shown_table(coupling_of(read_table(coupling)), "Saturation and the heart"),
        repetitions=shown_table(
            read_table(repetition_agreement).round(2), "Contractions counted against those noted"
        ),
        boundaries=shown_table(
            boundaries_that_differ(read_table(boundaries)), "Boundaries that differ from the log"
        ),
        n_boundaries=len(read_table(boundaries)),
        n_supplied=supplied(read_table(boundaries)),
        exclusions=shown_table(read_text_table(exclusions), "What was left out"),
        methods=paragraphs(methods.read_text(encoding="utf-8")),
        changed=shown_table(
            pd.DataFrame(changed_settings, columns=["setting", "usual", "here"]),
            "Settings that differ from the usual ones",
        ),
        cautions=CAUTIONS,
        shown=lambda table: Markup(cells.render(table)),
    )
    report.write_text(text, encoding="utf-8")


def findings(found, compared, settings):
    """A sentence for every marginal contrast of a primary outcome, in the order of the study."""
    sentences = []
    for primary in settings["study"]["primary_outcomes"]:
        module = outcome_modules()[primary["outcome"]]
        chosen = compared[
            (compared["outcome"] == primary["outcome"])
            & (compared["window"] == primary["window"])
            & (compared["exercise"] == "all")
        ]
        label = f"{module.LABEL} ({words_of(primary['window'])})"
        for row in chosen.itertuples():
            if primary["outcome"] in FALLS and not rate_in_sets_is_equal(compared, row.contrast):
                sentences.append(not_comparable(label, row.contrast))
                continue
            sentences.append(
                sentence_of_contrast(
                    row,
                    label,
                    module.UNIT,
                    same_order=SAME_ORDER in str(row.note),
                    confidence=settings["compare_conditions"]["confidence"],
                )
                + without_exercises(found, primary, row.contrast)
            )
    return sentences


def without_exercises(found, primary, contrast):
    """Says which exercises a contrast leaves out, for want of values in both conditions."""
    own = found[
        (found["outcome"] == primary["outcome"])
        & (found["window"] == primary["window"])
        & found["exercise"].notna()
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


def heart_in_words(found, compared, settings):
    """What contrasts of heart outcomes may be called evidence of, in the permitted wording."""
    modules = outcome_modules()
    for name, window in EVIDENCE_SHOWN:
        rows = compared[
            (compared["outcome"] == name)
            & (compared["window"] == window)
            & (compared["exercise"] == "all")
        ]
        label = f"{modules[name].LABEL} ({words_of(window)})"
        for row in rows.itertuples():
            if name in FALLS and not rate_in_sets_is_equal(compared, row.contrast):
                yield not_comparable(label, row.contrast)
            else:
                yield sentence_of_evidence(row, label, modules[name].EVIDENCE)
    above = found[
        (found["outcome"] == "hr_above_intrinsic_bpm")
        & (found["window"] == "set")
        & found["value"].notna()
    ]
    for condition in settings["study"]["conditions"]:
        own = above[above["condition"] == condition]
        if len(own):
            yield sentence_above_intrinsic(own, condition)


def not_comparable(label, contrast):
    return (
        f"{label}, {contrast.replace(' - ', ' against ')}: not comparable, because heart rate in "
        "the sets was not shown to be equal; a fall from a higher rate is larger. (Equal is a "
        "difference within smallest_effect of mean_hr_bpm in the settings.)"
    )


def rate_in_sets_is_equal(compared, contrast):
    """Whether heart rate in the sets was shown to be equal within its smallest effect."""
    rate = compared[
        (compared["outcome"] == "mean_hr_bpm")
        & (compared["window"] == "set")
        & (compared["exercise"] == "all")
        & (compared["contrast"] == contrast)
    ]
    return bool((rate["reading"] == "equivalent").any())


def failure_band(found, settings):
    """How far the muscle desaturated in each condition, and whether that reached the band."""
    low, high = settings["measure_outcomes"]["failure_band_pct"]
    sets = found[(found["window"] == "set") & found["value"].notna()]
    for condition in settings["study"]["conditions"]:
        own = sets[sets["condition"] == condition]
        nadirs = own.loc[own["outcome"] == "smo2_nadir_pct", "value"]
        seconds = own.loc[own["outcome"] == "time_in_failure_band_s", "value"]
        if len(nadirs) and len(seconds):
            yield (
                f"Condition {condition}: the lowest saturation of a set was {nadirs.min():.0f} % "
                f"(median {nadirs.median():.0f} %); {int((seconds > 0).sum())} of {len(seconds)} "
                f"sets reached the band of {low:g} to {high:g} % that is said to mark failure "
                "(common practice, no source)."
            )


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
    smallest, n_contrasts = 2 / 2**people, n_conditions * (n_conditions - 1) // 2
    if not people or smallest * n_contrasts <= ALPHA:
        return []
    cannot = "reach .05" if smallest > ALPHA else f"pass a correction for {n_contrasts} contrasts"
    return [
        f"{people} participants: the smallest p-value a sign-flip test can give is {smallest:.3f}, "
        f"which cannot {cannot}."
    ]


def limits(found, compared, settings):
    """What the data do not allow to say, from the tables."""
    sentences = []
    conditions = settings["study"]["conditions"]
    people = found[found["condition"].isin(conditions)]["participant_id"].nunique()
    sentences += what_few_cannot_show(people, len(conditions), compared)
    # a sparse secondary outcome may come from people who happen to share an order
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    if leading["note"].fillna("").str.contains(SAME_ORDER, regex=False).any():
        sentences.append(
            "Everybody had the conditions in the same order: an effect of pressure cannot be told "
            "from an effect of time, and is not claimed."
        )
    withheld = found[found["status"].isin(["refused", "missing"])]
    for window, own in withheld.groupby("window"):
        spectral = own[own["outcome"].isin(["lf_power_ms2", "lf_hf_ratio"])]
        if len(spectral):
            reason = spectral["reason"].mode().iloc[0]
            sentences.append(
                f"Low-frequency power and LF/HF in {words_of(window)}: withheld in {len(spectral)} "
                f"values ({reason})."
            )
    for outcome, window in [
        (p["outcome"], p["window"]) for p in settings["study"]["primary_outcomes"]
    ]:
        own = found[(found["outcome"] == outcome) & (found["window"] == window)]
        missing = own[own["status"].isin(["refused", "missing"])]
        if len(missing):
            reasons = missing["reason"].value_counts()
            listed = "; ".join(f"{reason} ({n})" for reason, n in reasons.head(3).items())
            sentences.append(
                f"{label_of(outcome)} in {words_of(window)}: {len(missing)} of {len(own)} values "
                f"are absent: {listed}."
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


def small_picture(path):
    """A picture with few colours, so that a page for every session fits into one report."""
    picture = Image.open(path).convert("RGB")
    picture = picture.resize((picture.width * 3 // 5, picture.height * 3 // 5), Image.LANCZOS)
    few = picture.quantize(colors=32, method=Image.MEDIANCUT, dither=Image.NONE)
    content = io.BytesIO()
    few.save(content, "PNG", optimize=True)
    return base64.b64encode(content.getvalue()).decode()


def caption_of(path):
    return words_of(path.stem[2:]).capitalize()


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
    columns = [
        *("participant_id", "session_id", "signal", "offset_s", "drift_ppm"),
        "n_marks",
        "status",
    ]
    notable = sync[columns].drop_duplicates()
    return notable.assign(
        offset_s=[f"{v:.3f}" for v in notable["offset_s"]],
        drift_ppm=[f"{v:.1f}" for v in notable["drift_ppm"]],
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


def supplied(boundaries):
    """How many starts and ends of sets the sheet lacked and the recordings supplied."""
    return int(boundaries["reason"].fillna("").str.startswith("supplied").sum())


def boundaries_that_differ(boundaries):
    """Starts and ends of sets that the recordings do not confirm."""
    columns = [
        *("participant_id", "session_id", "site", "boundary", "log_s", "proposed_s"),
        *("difference_s", "confidence", "source", "status", "reason"),
    ]
    table = boundaries.loc[boundaries["status"] != "ok", columns].copy()
    for name in ("log_s", "proposed_s", "difference_s", "confidence"):
        table[name] = ["" if pd.isna(v) else f"{v:.1f}" for v in table[name].astype(float)]
    return table


def paragraphs(markdown):
    """Paragraphs of the methods text, with their bold first words apart."""
    for block in markdown.split("\n\n"):
        block = block.strip()
        if block and not block.startswith("#"):
            head = re.match(r"\*\*(.+?)\*\*\s*", block)
            yield {"head": head[1] if head else "", "text": block[head.end() :] if head else block}


if __name__ == "__main__":
    run(write_report)
