"""Default settings as the functions of the muscle take them, so that benchmarks judge what runs."""

from study.settings_files import default_settings

_SETTINGS = default_settings()
_MEASURING = _SETTINGS.measure_outcomes
_PROTOCOL = _SETTINGS.protocol

BASELINE_S = _MEASURING.saturation_baseline_s
NADIR_S = _MEASURING.nadir_window_s
SLOPE_S = _MEASURING.slope_window_s
BAND_PCT = _PROTOCOL.failure_band_pct
HYSTERESIS_PCT = _MEASURING.failure_band_hysteresis_pct


def _of_segmentation(*names):
    return {name: getattr(_SETTINGS.segment_oxygenation, name) for name in names}


LEAST_USABLE = _MEASURING.smallest_usable_pct / 100
CLEANING = _of_segmentation("stuck_s", "slip_pct_per_s", "dropout_jump_pct", "leak_longest_s")
COURSE = _of_segmentation("ripple_window_s", "shortest_phase_s", "bend_reach_s", "steep_pct_per_s")
CADENCES = {
    "slowest_hz": _PROTOCOL.slowest_cadence_hz,
    "fastest_hz": _PROTOCOL.fastest_cadence_hz,
    "min_samples_per_contraction": _PROTOCOL.samples_per_contraction,
}
RECOVERY_FIT = {
    "longest_delay_s": _MEASURING.longest_recovery_delay_s,
    "min_r2": _MEASURING.smallest_recovery_r2,
    "largest_se_share": _MEASURING.largest_tau_error,
}
