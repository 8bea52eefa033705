"""Write the methods paragraph from the settings that ran."""

from importlib.metadata import version

from jinja2 import Environment, StrictUndefined

from engine.step import Input, Output, run
from report.heart import delays_after_sets, delays_in_words
from report.methods import (
    NAMED,
    band,
    breathing_in_words,
    changed_gates,
    comparison,
    occlusion_in_words,
    other_assumptions,
    own_version,
    recordings_in_words,
    smallest_effects,
    with_error,
)
from report.words import source_of, words_of
from results.tables import read_table
from study.session_sheet import events_of, table_of
from study.settings import Settings


def write_methods(
    template: Input,
    sync: Input,
    quality: Input,
    models: Input,
    outcomes: Input,
    sensitivity: Input,
    planning: Input,
    coupling: Input,
    repetition_agreement: Input,
    boundaries: Input,
    methods: Output,
    *,
    study: str,
    settings: Settings,
    default_settings: Settings,
):
    page = Environment(undefined=StrictUndefined, trim_blocks=True, keep_trailing_newline=True)
    page.filters |= {"plain": lambda v: f"{v:g}", "words": words_of, "band": band}
    clocks, judged, found = read_table(sync), read_table(quality), read_table(outcomes)
    recordings = table_of(study, "recordings")
    whole = judged[judged["segment"] == "recording"]
    corrected = whole["corrected_pct"].dropna()
    text = page.from_string(template.read_text(encoding="utf-8")).render(
        title=settings.study.title,
        conditions=", ".join(settings.study.conditions),
        n_participants=recordings["participant_id"].nunique(),
        n_sessions=len(recordings[["participant_id", "session_id"]].drop_duplicates()),
        recordings=recordings_in_words(recordings),
        occlusion=occlusion_in_words(table_of(study, "occlusion")),
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
        counted_contractions=bool(found["outcome"].eq("contraction_count").any()),
        errors=with_error(found),
        rated=bool((found["outcome"].eq("rpe") & found["value"].notna()).any()),
        rpe_scale=settings.study.rpe_scale,
        delays=delays_in_words(delays_after_sets(events_of(study), judged), settings),
        other_assumptions=other_assumptions(read_table(sensitivity)),
        power_pct=100 * settings.compare_conditions.power,
        planned=bool(read_table(planning)["detectable"].notna().any()),
        related=bool(read_table(coupling)["r"].notna().any()),
        agreed=bool(len(read_table(repetition_agreement))),
        placed=bool(read_table(boundaries)["proposed_s"].notna().any()),
        segmenting=settings.segment_oxygenation,
        n_gates=len(settings.measure_outcomes.gates),
        changed_gates=changed_gates(settings, default_settings),
        comparison=comparison(read_table(models), settings),
        n_primary=len(settings.study.primary_outcomes),
        adjustment=settings.compare_conditions.adjustment,
        largest_sd_ratio=settings.compare_conditions.largest_sd_ratio,
        smallest_effects=smallest_effects(settings.compare_conditions.smallest_effect),
        version=own_version(),
        software=", ".join(f"{name} {version(name)}" for name in NAMED),
        seed=settings.study.seed,
    )
    methods.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    run(write_methods)
