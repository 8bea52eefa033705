"""All numbers of the beat detector."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class DetectorSettings:
    """Settings of `detect_beats`; evidence and costs are in natural-logarithm units.

    The numbers are conventions of this project, chosen with all development recordings in view (16
    annotated records and generated exercise ECG), so scores on those are not a held-out test. Of
    those tried, two are delicate: `another_shape_below`, at 0.65 posture changes cost beats, and
    `quieter_below`, which weighs noise of electrodes against noise of muscles.
    """

    slope_band_hz: tuple[float, float] = (8.0, 24.0)
    waveform_band_hz: tuple[float, float] = (4.0, 38.0)
    envelope_s: float = 0.09
    candidate_spacing_s: float = 0.1
    # The chain: physiological limits of an interval, the cost of a change of interval
    # (weight x squared logarithm of the ratio, up to the cap), the cost of breaking off.
    shortest_interval_s: float = 0.27
    longest_interval_s: float = 2.2
    continuity_weight: float = 30.0
    continuity_cap: float = 1.5
    restart_cost: float = 2.0
    # How far around a candidate the usual strength of beats and of noise is learned.
    level_reach_s: float = 6.0
    noise_reach_s: float = 5.0
    # First pass: evidence of a peak by the logarithm of its strength over the local level.
    strength_weight: float = 1.5
    strength_evidence: float = 1.2
    # Second pass: candidates by likeness times strength (the strength counts up to so many levels),
    # evidence by the logarithm of that product over its local level and by the likeness.
    relative_most: float = 1.5
    fit_from: float = 0.02
    product_quantile: float = 0.85
    product_weight: float = 2.0
    likeness_weight: float = 3.0
    likeness_from: float = 0.3
    alike_evidence: float = 0.5
    # A complex of any shape counts when it exceeds this share of the usual beat and this multiple
    # of what is usual between beats; its evidence is bounded, so that no artefact outweighs all.
    standing_out_share: float = 0.2
    standing_out_noise: float = 3.0
    standing_out_gain: float = 4.0
    standing_out_most: float = 5.0
    # Two beats of known shape are due one after the other where their distance is the usual
    # interval within these limits (an interpolated beat delays the next one a little). A complex
    # between them loses so much of its margin for what its likeness lacks: of 363 false and 294
    # true complexes so placed in disturbed records, 171 and 9 fall to 0.
    due_again: tuple[float, float] = (0.8, 1.2)
    due_likeness: float = 0.8
    between_weight: float = 15.0
    between_likeness: float = 0.92
    # Beats less like the known shapes than this are searched for a further recurring shape.
    another_shape_below: float = 0.75
    # Of normal shape from this correlation, in quiet and in noise (noise over usual beat strength).
    normal_correlation: tuple[float, float] = (0.9, 0.65)
    noise_ratio: tuple[float, float] = (0.1, 0.35)
    most_shapes: int = 3
    # A wide ectopic beat is what an interval this much longer than usual still holds when the own
    # P and T are subtracted: above this share of the usual QRS and this multiple of what remains
    # of ordinary intervals around. After an early beat a long interval needs no explanation.
    long_interval: float = 1.4
    early_interval: float = 0.85
    remainder_share: float = 0.6
    remainder_noise: float = 2.5
    # Crowded: of the complexes above this share of the local level, within this reach, so large a
    # share stands closer together than beats can. Evidence there of a strong complex of any shape:
    # enough to bridge a gap between beats, too little to draw the chain.
    crowding_level: float = 0.35
    crowding_reach_s: float = 6.0
    crowded_from: float = 0.2
    bridging_share: float = 0.5
    bridging_evidence: float = 0.7
    # Footfalls: crowded for so long with more complexes a second than hearts give (170 a minute),
    # and so large a share of those that are too close for beats are of shapes that recur.
    footfall_stretch_s: float = 20.0
    footfall_rate_hz: float = 2.8
    recurring_likeness: float = 0.8
    recurring_share: float = 0.7
    # Slower than this nobody runs, and nothing hides the heart from the usual band.
    slowest_steps_hz: float = 2.2
    # Where noise is this strong beside beats (envelope between and at beats), and so much weaker
    # beside them in the higher bands, these are used, and for some seconds around.
    noisy_from: float = 0.25
    quieter_below: float = 0.8
    quieter_margin_s: float = 2.0
    # The higher bands, and a lower level for the smaller of two trains.
    steep_slope_band_hz: tuple[float, float] = (14.0, 32.0)
    steep_waveform_band_hz: tuple[float, float] = (16.0, 40.0)
    steep_crowding_level: float = 0.25
    # Beside so many beats that nothing crowds, the own QRS is learned from these and footfalls from
    # as many complexes that are unlike it.
    uncrowded_below: float = 0.03
    uncrowded_beats: int = 40
    unlike_own_below: float = 0.95
    fewest_footfalls: int = 20

    def steep(self) -> DetectorSettings:
        """The same with the bands and level for footfalls."""
        return replace(
            self,
            slope_band_hz=self.steep_slope_band_hz,
            waveform_band_hz=self.steep_waveform_band_hz,
            crowding_level=self.steep_crowding_level,
        )


DEFAULTS = DetectorSettings()
