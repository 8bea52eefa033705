"""What the terms of the report mean."""

from report.words import source_of

ORDER = 80

TITLE = "Terms"

NEEDS = ()


def section(results):
    source = source_of("protocol", "failure_band_pct", results.settings, results.default_settings)
    return {"band_source": source}
