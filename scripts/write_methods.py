"""Write the methods paragraph from the settings that ran."""

from importlib.metadata import version

from jinja2 import Environment, StrictUndefined

from engine.step import Input, Inputs, Output, run
from report.heart import delays_after_sets, delays_in_words
from report.methods import (
    NAMED,
    band,
    breathing_in_words,
    changed_rules,
    claims_in_words,
    comparison,
    occlusion_in_words,
    other_assumptions,
    recordings_in_words,
    smallest_effects,
    with_error,
)
from report.words import source_of
from results.provenance import own_version
from results.reader import Results
from results.words import words_of
from study.settings import Settings


def write_methods(
    template: Input,
    tables: Inputs,
    methods: Output,
    *,
    study: str,
    settings: Settings,
    default_settings: Settings,
):
    page = Environment(undefined=StrictUndefined, trim_blocks=True, keep_trailing_newline=True)
    page.filters |= {"plain": lambda v: f"{v:g}", "words": words_of, "band": band}
    results = Results(tables, study, settings, default_settings)
    clocks, quality, recordings = results.sync, results.quality, results.recordings
    whole = quality[quality["segment"] == "recording"]
    corrected = whole["corrected_pct"].dropna()
    text = page.from_string(template.read_text(encoding="utf-8")).render(
        title=settings.study.title,
        conditions=", ".join(settings.study.conditions),
        n_participants=recordings["participant_id"].nunique(),
        n_sessions=len(recordings[["participant_id", "session_id"]].drop_duplicates()),
        recordings=recordings_in_words(recordings),
        occlusion=occlusion_in_words(results.occlusion),
        n_clocks=len(clocks),
        without_marks=bool((clocks["n_marks"] == 0).all()),
        unknown_drift=int((clocks["n_marks"] < 2).sum()),
        flagged_clocks=int(clocks["status"].str.contains("flagged").sum()),
        detector=settings.find_beats.detector,
        has_rr=bool((recordings["signal"] == "rr").any()),
        corrected=f"{corrected.median():.2g}" if len(corrected) else "0",
        m=settings.measure_outcomes,
        protocol=settings.protocol,
        band_source=source_of("protocol", "failure_band_pct", settings, default_settings),
        breathing=breathing_in_words(recordings),
        counted_contractions=bool(results.outcomes["outcome"].eq("contraction_count").any()),
        errors=with_error(results.outcomes),
        rated=bool(
            (results.outcomes["outcome"].eq("rpe") & results.outcomes["value"].notna()).any()
        ),
        rpe_scale=settings.study.rpe_scale,
        delays=delays_in_words(delays_after_sets(results.events, quality), settings),
        other_assumptions=other_assumptions(results.sensitivity),
        power_pct=100 * settings.compare_conditions.power,
        planned=bool(results.planning["detectable"].notna().any()),
        related=bool(results.coupling["r"].notna().any()),
        dosed=bool(results.dose["value"].notna().any()),
        failed=bool((results.failure["n_failed"] > 0).any()),
        agreed=bool(len(results.repetition_agreement)),
        placed=bool(results.boundaries["proposed_s"].notna().any()),
        segmenting=settings.segment_oxygenation,
        n_rules=len(settings.quality_rules),
        changed_rules=changed_rules(settings, default_settings),
        comparison=comparison(results.contrasts, settings),
        claims=claims_in_words(
            results.claims, settings.plan, settings.compare_conditions.confidence
        ),
        fewest=settings.compare_conditions.fewest_participants,
        level_pct=100 * settings.compare_conditions.confidence,
        smallest_effects=smallest_effects(settings.compare_conditions.smallest_effect),
        version=own_version(),
        software=", ".join(f"{name} {version(name)}" for name in NAMED),
        seed=settings.study.seed,
    )
    methods.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    run(write_methods)
