"""Beats of generated exercise ECG with exact truth: found, timed, and the same however recorded."""

from functools import cache
from itertools import combinations, islice, product
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from benchmarks.scoring import score_beats
from demo.disturbed_ecg import disturbed, height_of, lone_spikes
from demo.exercise_ecg import (
    ECTOPIC,
    LEADS,
    SQUATS,
    NoiseMix,
    beat_times,
    exercise_ecg,
    exercise_noise,
    footfalls,
    noise_free_ecg,
    with_ectopic_beats,
)
from heart.detection import settings as detector
from heart.detection.detector import detect_beats
from heart.detection.even_pieces import EvenPiece
from heart.detection.interval_chain import chain_margins
from heart.quality import ACCEPTED, quality_by_span, seen_in_pauses

PLAIN = NoiseMix()
COURSE_BPM = (70, 75, 120, 150, 140, 100)


class Recording(NamedTuple):
    """A generated ECG with its true beats, and which of them are ectopic."""

    time_s: np.ndarray
    ecg_mv: np.ndarray
    beats: np.ndarray
    ectopic: np.ndarray | None = None

    def __hash__(self):
        return id(self.ecg_mv)

    def __eq__(self, another):
        return self.ecg_mv is another.ecg_mv


@cache
def recording(
    seed,
    *,
    rate_hz=250,
    snr_db=12.0,
    seconds=90.0,
    lead="lateral",
    ectopic_share=0.0,
    ectopic_shape="inverted",
    mix=PLAIN,
):
    generator = np.random.default_rng(seed)
    beats = beat_times(seconds, heart_rate_bpm=COURSE_BPM, generator=generator)
    beats, ectopic = with_ectopic_beats(
        beats, share=ectopic_share, prematurity=0.25, generator=generator
    )
    time_s, ecg_mv = exercise_ecg(
        beats,
        rate_hz=rate_hz,
        snr_db=snr_db,
        generator=generator,
        lead=lead,
        ectopic=ectopic,
        ectopic_shape=ectopic_shape,
        mix=mix,
    )
    return Recording(time_s, ecg_mv, beats, ectopic)


def f1_of(scores):
    hits = sum(s.true_positives for s in scores)
    misses = sum(s.false_negatives + s.false_positives for s in scores)
    return 200 * hits / (2 * hits + misses)


@cache
def _detected(record):
    return detect_beats(record.time_s, record.ecg_mv)


def detected_in(record):
    """Beats detected in a recording; several tests ask of the same one."""
    return _detected(record).copy()


def gross_f1(records):
    return f1_of([score_beats(r.beats, detected_in(r)["time_s"]) for r in records])


def test_at_6_db_beats_are_lost_in_no_lead():
    assert gross_f1([recording(n, snr_db=6.0, lead=lead) for n, lead in enumerate(LEADS)]) >= 99.9


def test_at_0_db_hardly_a_beat_is_lost():
    assert gross_f1([recording(n, snr_db=0.0, lead=lead) for n, lead in enumerate(LEADS)]) >= 99.7


def test_noise_in_the_band_of_the_qrs_is_the_same_at_every_rate():
    power = []
    for rate_hz in (130, 250, 1000):
        noise = exercise_noise(200 * rate_hz, rate_hz, generator=np.random.default_rng(8))
        frequency_hz, density = signal.welch(noise, rate_hz, nperseg=4 * rate_hz)
        power.append(density[(frequency_hz >= 5) & (frequency_hz <= 40)].mean())
    assert max(power) <= 1.1 * min(power)


@pytest.mark.parametrize("rate_hz", [130, 250, 1000])
def test_beats_are_timed_between_samples_at_every_rate(rate_hz):
    for snr_db, rms_ms in ((30.0, 0.10), (12.0, 0.35)):
        errors, excess_ms = [], []
        for seed, lead in enumerate(LEADS):
            record = recording(seed, rate_hz=rate_hz, snr_db=snr_db, lead=lead, seconds=60.0)
            detected_s = detected_in(record)["time_s"].to_numpy()
            errors.append(score_beats(record.beats, detected_s).rms_ms)
            assert len(detected_s) == len(record.beats)
            seen_ms, true_ms = (
                1000 * np.sqrt(np.mean(np.diff(beats_s, 2) ** 2))
                for beats_s in (detected_s, record.beats)
            )
            excess_ms.append(seen_ms - true_ms)
        assert np.median(errors) <= rms_ms
        # RMSSD is what jitter of beats inflates first.
        assert abs(np.median(excess_ms)) <= 0.1


def with_wide_beats(snr_db):
    """A recording in every lead with either ectopic shape, one beat in twenty ectopic."""
    for n, (lead, shape) in enumerate(product(LEADS, ECTOPIC)):
        words = {"lead": lead, "ectopic_share": 0.05, "ectopic_shape": shape}
        yield recording((4, n), snr_db=snr_db, **words)


# The hardest is a small lead whose ectopic T waves exceed its QRS.
@pytest.mark.parametrize(
    ("snr_db", "lowest_f1", "largest_share_missed"), [(12.0, 99.0, 0.005), (3.0, 99.3, 0.055)]
)
def test_wide_ectopic_beats_are_found_and_told_by_their_shape_in_every_lead(
    snr_db, lowest_f1, largest_share_missed
):
    records = list(with_wide_beats(snr_db))
    missed, shape_of_ectopic, shape_of_normal = [], [], []
    for record in records:
        detected, ectopic = detected_in(record), record.ectopic
        distance_s = np.abs(detected["time_s"].to_numpy()[:, None] - record.beats)
        is_found = distance_s.min(axis=0) <= 0.15
        shape = detected["shape"].to_numpy()[distance_s.argmin(axis=0)]
        missed.extend(~is_found[ectopic])
        shape_of_ectopic.extend(shape[ectopic & is_found])
        shape_of_normal.extend(shape[~ectopic & is_found])
    assert len(missed) > 80
    assert min(gross_f1([record]) for record in records) >= lowest_f1
    assert np.mean(missed) <= largest_share_missed
    assert np.mean(np.array(shape_of_ectopic) == "other") >= 0.95
    assert np.mean(np.array(shape_of_normal) == "normal") >= 0.99


def test_ectopic_beats_with_their_full_pause_cast_no_doubt_on_a_span():
    for record in islice(with_wide_beats(18.0), 4):
        spans = quality_by_span(record.time_s, record.ecg_mv, detected_in(record))
        assert (spans["verdict"] == ACCEPTED).mean() > 0.85


def test_with_one_percent_of_ectopic_beats_hardly_a_beat_is_lost_at_any_rate():
    for rate_hz in (130, 250, 500):
        records = [
            recording(n, rate_hz=rate_hz, lead=lead, ectopic_share=0.01)
            for n, lead in enumerate(LEADS)
        ]
        assert gross_f1(records) >= 99.9


def test_a_lone_spike_between_two_beats_that_are_due_is_no_beat():
    false = spikes = 0
    for n, lead in enumerate(LEADS):
        time_s, ecg_mv, beats, _ = recording((5, n), snr_db=18.0, lead=lead)
        generator = np.random.default_rng(n)
        spiked = ecg_mv + height_of(ecg_mv) * lone_spikes(
            time_s, beats, share=0.04, generator=generator
        )
        false += score_beats(beats, detect_beats(time_s, spiked)["time_s"]).false_positives
        spikes += 0.04 * len(beats)
    assert false <= 0.05 * spikes


@pytest.mark.parametrize(("snr_db", "filled"), [(12.0, 0.0), (6.0, 0.1)])
def test_a_pause_of_the_heart_is_not_filled(snr_db, filled):
    """T waves never become beats where the heart left one out, and noise seldom, at 6 dB."""
    false = pauses = 0
    for lead in LEADS:
        generator = np.random.default_rng(21)
        beats = beat_times(180.0, heart_rate_bpm=COURSE_BPM, generator=generator)
        left_out = np.zeros(len(beats), dtype=bool)
        left_out[20::15] = True
        time_s, ecg_mv = exercise_ecg(
            beats[~left_out], rate_hz=250, snr_db=snr_db, generator=generator, lead=lead
        )
        score = score_beats(beats[~left_out], detect_beats(time_s, ecg_mv)["time_s"])
        false += score.false_positives
        pauses += left_out.sum()
    assert pauses > 90
    assert false <= filled * pauses


EXERCISE = {
    "the rate doubles within 30 s": {"heart_rate_bpm": [70, 70, 150, 150], "at_s": [0, 30, 60, 90]},
    "squats move electrodes in bursts": {"mix": SQUATS},
    "bursts of four times the noise": {"mix": NoiseMix(bursts_per_min=6.0, burst_gain=4.0)},
    "the baseline wanders": {"mix": NoiseMix(baseline_wander=8.0)},
    "footfalls": {"mix": NoiseMix(impacts=0.1)},
}


@pytest.mark.parametrize("trouble", EXERCISE)
def test_what_exercise_does_to_an_ecg_costs_few_beats(trouble):
    words = {"heart_rate_bpm": COURSE_BPM, "at_s": None, "mix": PLAIN} | EXERCISE[trouble]
    records = []
    rates_hz = (100, 130, 250, 500, 1000, 2000)
    # Bursts fall on few beats: three recordings in each lead say what they cost.
    seeds = (17, 18, 19) if trouble == "bursts of four times the noise" else (17,)
    for seed, (n, lead) in product(seeds, enumerate(LEADS)):
        generator = np.random.default_rng([n, seed])
        beats = beat_times(
            90.0, heart_rate_bpm=words["heart_rate_bpm"], at_s=words["at_s"], generator=generator
        )
        time_s, ecg_mv = exercise_ecg(
            beats, rate_hz=rates_hz[n], snr_db=6.0, generator=generator, lead=lead, mix=words["mix"]
        )
        records.append(Recording(time_s, (-1) ** n * ecg_mv, beats))
    # The aim is 99.2 everywhere; under the strongest bursts 99.15 is reached.
    assert gross_f1(records) >= (99.1 if trouble == "bursts of four times the noise" else 99.2)


@cache
def shaken_by_footfalls(seed, lead, *, rate_hz, strength, resting_s=60.0, running_s=90.0):
    """Rest, then running in which footfalls of one shape a foot move the electrode."""
    generator = np.random.default_rng([41, seed])
    beats = beat_times(
        resting_s + running_s,
        heart_rate_bpm=(72, 72, 150, 158, 155) if resting_s else 155,
        at_s=(0.0, resting_s, resting_s + 15.0, resting_s + 30.0, resting_s + running_s)
        if resting_s
        else (0.0,),
        generator=generator,
    )
    time_s, ecg_mv = exercise_ecg(
        beats, rate_hz=rate_hz, snr_db=12.0, generator=generator, lead=lead
    )
    height_mv = np.ptp(noise_free_ecg(np.arange(-0.06, 0.06, 0.001), [0.0], lead=lead))
    shaken_mv = footfalls(time_s, every_hz=generator.uniform(2.3, 3.1), generator=generator)
    running = time_s >= resting_s
    return Recording(time_s, ecg_mv + strength * height_mv * running * shaken_mv, beats)


# Strength over the height of the QRS; 97.6 and 92.6 are reached. Before footfalls had shapes of
# their own 96.3 and 82.1, before they were looked at through a higher band 97.0 and 91.7.
@pytest.mark.parametrize(("strength", "f1"), [(1.0, 97.3), (1.5, 92.0)])
def test_footfalls_are_told_from_beats_by_what_the_beats_were_at_rest(strength, f1):
    records = [
        shaken_by_footfalls(seed, lead, rate_hz=rate_hz, strength=strength)
        for seed, (lead, rate_hz) in enumerate(zip(LEADS, (130, 250, 500) * 2, strict=True))
    ]
    assert gross_f1(records) >= f1


# 99.85 and 88.5 are reached; in the band of the QRS alone 96.1 and 78.4.
@pytest.mark.parametrize(("strength", "f1"), [(1.0, 99.5), (1.5, 87.0)])
def test_without_rest_beats_are_told_from_footfalls_by_their_steepness(strength, f1):
    records = [
        shaken_by_footfalls(seed, lead, rate_hz=250, strength=strength, resting_s=0.0)
        for seed, lead in enumerate(LEADS)
    ]
    assert gross_f1(records) >= f1


def accepted_and_wrong(records):
    """Share of accepted spans, and missed and false beats in them over true beats."""
    accepted, wrong, true = [], 0, 0
    for record in records:
        detected = detected_in(record)
        spans = quality_by_span(record.time_s, record.ecg_mv, detected)
        accepted.append((spans["verdict"] == ACCEPTED).mean())
        for span in spans[spans["verdict"] == ACCEPTED].itertuples():
            true_s, seen_s = (
                beats_s[(beats_s >= span.start_s) & (beats_s <= span.end_s)]
                for beats_s in (record.beats, detected["time_s"])
            )
            score = score_beats(true_s, seen_s, learning_s=0.0)
            wrong += score.false_negatives + score.false_positives
            true += len(true_s)
    return np.mean(accepted), wrong / max(true, 1)


def test_beats_that_footfalls_may_have_taken_the_place_of_are_not_accepted():
    accepted, wrong = accepted_and_wrong(
        shaken_by_footfalls(seed, lead, rate_hz=250, strength=1.5)
        for seed, lead in enumerate(LEADS)
    )
    # Rest stays accepted: 60 of 150 s.
    assert accepted > 0.35
    assert wrong < 0.02


def test_without_rest_strong_footfalls_leave_the_heart_unknown_and_noise_does_not():
    running = [
        shaken_by_footfalls(seed, lead, rate_hz=250, strength=1.5, resting_s=0.0)
        for seed, lead in enumerate(LEADS)
    ]
    assert accepted_and_wrong(running)[0] < 0.05
    noisy = [recording(n, snr_db=0.0, lead=lead) for n, lead in enumerate(LEADS)]
    assert accepted_and_wrong(noisy)[0] > 0.95


def best_chain(time_s, evidence, without=None):
    """Score of the best chain by trying every set of candidates."""
    own = [n for n in range(len(time_s)) if n != without]
    best = 0.0
    for size in range(1, len(own) + 1):
        for chosen in map(list, combinations(own, size)):
            intervals_s = np.diff(time_s[chosen])
            if (intervals_s < detector.SHORTEST_INTERVAL_S).any():
                continue
            # The best score by the interval that a next one would continue; None after a break.
            scores = {None: evidence[chosen].sum()}
            for interval_s in intervals_s:
                extended = {None: max(scores.values()) - detector.RESTART_COST}
                if interval_s <= detector.LONGEST_INTERVAL_S:
                    extended[interval_s] = max(
                        score - (change_cost(interval_s, last) if last else 0.0)
                        for last, score in scores.items()
                    )
                scores = extended
            best = max(best, *scores.values())
    return best


def change_cost(interval_s, last_s):
    return min(
        detector.CONTINUITY_CAP, detector.CONTINUITY_WEIGHT * np.log(interval_s / last_s) ** 2
    )


def test_the_margin_of_a_beat_is_what_an_exhaustive_search_loses_without_it():
    generator = np.random.default_rng(0)
    for _ in range(12):
        time_s = np.cumsum(generator.uniform(0.1, 0.6, 8))
        evidence = generator.normal(1.0, 2.0, 8)
        best = best_chain(time_s, evidence)
        lost = [best - best_chain(time_s, evidence, without=n) for n in range(8)]
        margin = chain_margins(time_s, evidence, np.zeros(8, int))
        np.testing.assert_allclose(margin, lost, atol=2e-3)


def half_a_minute():
    return recording(11, snr_db=10.0, seconds=30.0)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-1e3, 1e3), polarity=st.sampled_from([-1, 1]))
def test_gain_offset_and_polarity_do_not_matter(gain, offset, polarity):
    record = half_a_minute()
    beats = detect_beats(record.time_s, polarity * gain * record.ecg_mv + offset * gain)
    expected_s = detected_in(record)["time_s"]
    np.testing.assert_allclose(beats["time_s"], expected_s, atol=2e-4, rtol=0)


@settings(max_examples=5, deadline=None, derandomize=True)
@given(shift_s=st.floats(-1e4, 1e5))
def test_when_the_clock_began_does_not_matter(shift_s):
    record = half_a_minute()
    beats = detect_beats(record.time_s + shift_s, record.ecg_mv)
    expected_s = detected_in(record)["time_s"]
    np.testing.assert_allclose(beats["time_s"] - shift_s, expected_s, atol=2e-4, rtol=0)


def test_a_higher_sampling_rate_gives_the_same_beats():
    beats = half_a_minute().beats
    times_s = []
    for rate_hz in (250, 500, 2000):
        generator = np.random.default_rng(5)
        time_s, ecg_mv = exercise_ecg(beats, rate_hz=rate_hz, snr_db=None, generator=generator)
        times_s.append(detect_beats(time_s, ecg_mv)["time_s"].to_numpy())
    for other in times_s[1:]:
        np.testing.assert_allclose(other, times_s[0], atol=5e-4, rtol=0)


def test_a_gap_is_not_bridged_and_costs_only_its_own_beats():
    time_s, ecg_mv, beats, _ = recording(7)
    gap = (time_s > 40.0) & (time_s < 47.0)
    detected = detect_beats(time_s[~gap], ecg_mv[~gap])["time_s"]
    assert not detected.between(40.05, 46.95).any()
    inside = (beats > 39.5) & (beats < 47.5)
    score = score_beats(beats[~inside], detected[~detected.between(39.5, 47.5)])
    assert score.false_negatives + score.false_positives == 0


def test_samples_that_are_missing_within_the_axis_are_a_gap_as_well():
    time_s, ecg_mv, _, _ = recording(7)
    absent = np.where((time_s > 40.0) & (time_s < 47.0), np.nan, ecg_mv)
    kept = np.isfinite(absent)
    expected = detect_beats(time_s[kept], ecg_mv[kept])["time_s"]
    np.testing.assert_allclose(detect_beats(time_s, absent)["time_s"], expected, atol=1e-6)


def test_time_stamps_that_jitter_move_beats_by_their_jitter_and_no_more():
    time_s, ecg_mv, beats, _ = recording(8, snr_db=20.0)
    generator = np.random.default_rng(1)
    stamps = np.sort(time_s + generator.uniform(-0.0012, 0.0012, len(time_s)))
    score = score_beats(beats, detect_beats(stamps, ecg_mv)["time_s"])
    assert score.false_negatives + score.false_positives == 0
    assert score.rms_ms < 1.5


@pytest.mark.parametrize(
    "ecg_mv", [np.empty(0), np.zeros(5000), np.full(5000, 3.3), np.arange(400.0)]
)
def test_a_signal_without_beats_gives_an_empty_table(ecg_mv):
    beats = detect_beats(np.arange(len(ecg_mv)) / 250, ecg_mv)
    assert len(beats) == 0
    assert list(beats) == ["time_s", "template_correlation", "margin", "shape"]


def test_twenty_seconds_are_enough():
    time_s, ecg_mv, beats, _ = recording(9, seconds=20.0)
    score = score_beats(beats, detect_beats(time_s, ecg_mv)["time_s"], learning_s=0.0)
    assert score.false_negatives + score.false_positives <= 1


def wrong_beats_by_span(record):
    """Spans of a recording with their verdict, their true beats, and their missed + false beats."""
    detected, beats = detected_in(record), record.beats
    spans = quality_by_span(record.time_s, record.ecg_mv, detected)
    for span in spans.itertuples():
        true_s = beats[(beats >= span.start_s) & (beats < span.end_s)]
        seen_s = detected.loc[detected["time_s"].between(span.start_s, span.end_s), "time_s"]
        score = score_beats(true_s, seen_s, learning_s=0.0)
        yield span.verdict, len(true_s), score.false_negatives + score.false_positives


@pytest.mark.parametrize(("snr_db", "ectopic_share"), [(12.0, 0.05), (3.0, 0.05), (-3.0, 0.0)])
def test_accepted_spans_hold_at_most_one_percent_of_wrong_beats(snr_db, ectopic_share):
    wrong = total = 0
    for n, lead in enumerate(LEADS):
        shape = list(ECTOPIC)[n % 2]
        words = {"lead": lead, "ectopic_share": ectopic_share, "ectopic_shape": shape}
        record = recording(n, snr_db=snr_db, seconds=120.0, **words)
        for verdict, n_true, n_wrong in wrong_beats_by_span(record):
            if verdict == ACCEPTED:
                wrong += n_wrong
                total += n_true
    assert total > 300
    assert wrong / total <= 0.01


def test_of_spans_in_which_beats_are_wrong_nearly_all_are_doubted():
    faulty_spans = accepted_spans = 0
    for n, lead in enumerate(LEADS):
        record = recording(50 + n, snr_db=-6.0, lead=lead, seconds=120.0)
        for verdict, _, n_wrong in wrong_beats_by_span(record):
            faulty_spans += n_wrong > 0
            accepted_spans += n_wrong > 0 and verdict == ACCEPTED
    assert faulty_spans >= 10
    assert accepted_spans / faulty_spans <= 0.1


def faulty(change):
    time_s, ecg_mv, _, _ = recording(4)
    inside = (time_s > 30) & (time_s < 50)
    ecg_mv = np.where(inside, change(ecg_mv), ecg_mv)
    spans = quality_by_span(time_s, ecg_mv, detect_beats(time_s, ecg_mv))
    return spans[(spans["start_s"] >= 30) & (spans["end_s"] <= 50)]


def test_a_flat_line_is_named():
    spans = faulty(lambda ecg: np.zeros_like(ecg))
    assert set(spans["verdict"]) == {"rejected"}
    assert set(spans["reason"]) == {"flat line, lead off"}


def test_loss_of_contact_is_named():
    generator = np.random.default_rng(0)
    for size in (0.003, 60.0):
        spans = faulty(lambda ecg, size=size: size * generator.standard_normal(len(ecg)))
        assert set(spans["reason"]) == {"loss of contact"}


def test_clipping_is_named_and_not_accepted_where_the_beats_are_not_all_alike():
    spans = faulty(lambda ecg: np.clip(20 * ecg, -4.0, 4.0))
    assert spans["reason"].str.startswith("clipping").all()
    assert ACCEPTED not in set(spans["verdict"])


def test_noise_between_the_rails_is_rejected_however_many_beats_were_seen_in_it():
    time_s = np.arange(0.0, 60.0, 1 / 250)
    noise = np.clip(np.random.default_rng(5).standard_normal(time_s.size), -0.3, 0.3)
    seen = detect_beats(time_s, noise)
    assert len(seen) > 60
    spans = quality_by_span(time_s, noise, seen)
    assert set(spans["verdict"]) == {"rejected"}
    assert set(spans["reason"]) == {"clipping"}


def test_clipped_tips_cost_no_span_whose_beats_are_all_alike():
    """A recorder that shows 0.7 of the height: the tips are flat, the slopes are clear."""
    for n, lead in enumerate(("lateral", "tall_t", "chest_strap")):
        time_s, ecg_mv, beats, _ = recording(n, snr_db=18.0, lead=lead)
        middle, reach = np.median(ecg_mv), 0.35 * np.ptp(np.quantile(ecg_mv, [0.005, 0.995]))
        clipped = np.clip(ecg_mv, middle - reach, middle + reach)
        detected = detect_beats(time_s, clipped)
        assert score_beats(beats, detected["time_s"], match_s=0.05).f1_pct > 99.5
        spans = quality_by_span(time_s, clipped, detected)
        named = spans[spans["reason"] == "clipping, beats readable"]
        assert len(named) > 5
        assert (named["verdict"] == ACCEPTED).mean() > 0.8


def test_spans_that_are_accepted_though_clipped_to_half_hold_hardly_a_wrong_beat():
    """Half of the height stays: a T wave may stand as high as the QRS."""
    accepted, wrong, true = [], 0, 0
    for n, lead in enumerate(LEADS):
        time_s, ecg_mv, beats, _ = recording(n, snr_db=18.0, lead=lead)
        clipped = disturbed("clipped", time_s, ecg_mv, beats, seed=n)[1]
        for verdict, n_beats, n_wrong in wrong_beats_by_span(Recording(time_s, clipped, beats)):
            accepted.append(verdict == ACCEPTED)
            wrong += n_wrong * (verdict == ACCEPTED)
            true += n_beats * (verdict == ACCEPTED)
    assert np.mean(accepted) > 0.65
    assert wrong <= 0.005 * true


def test_a_second_detector_that_sees_steep_waves_in_pauses_casts_doubt_on_their_span():
    def seen(beat_s, second_s, height=1.0):
        time_s = np.arange(-1.0, 21.0, 0.004)
        waves = [(beat_s, 1.0), (np.setdiff1d(second_s, beat_s), height)]
        ecg = sum(
            size * np.exp(-0.5 * ((time_s[:, None] - at_s) / 0.015) ** 2).sum(axis=1)
            for at_s, size in waves
        )
        pieces = [EvenPiece(-1.0, 250.0, ecg)]
        return list(seen_in_pauses(pieces, beat_s, second_s, np.array([0.0, 10.0, 20.0])))

    beat_s, second_s = np.arange(0.0, 20.0, 2.0), np.arange(0.0, 20.0, 1.0)
    assert seen(beat_s, second_s) == seen(beat_s, second_s, height=0.5) == [5, 4]
    # a T wave is flat, a wave beside a beat belongs to it, and exercise knows no pauses
    assert seen(beat_s, second_s, height=0.3) == [0, 0]
    assert seen(beat_s, beat_s + 0.2) == [0, 0]
    assert seen(beat_s / 2, second_s / 2) == [0, 0]


def test_a_cable_that_is_off_for_some_seconds_is_no_clipping():
    time_s, ecg_mv, _, _ = recording(4)
    off = (time_s > 42) & (time_s < 46)
    lost = np.where(off, 9.0, ecg_mv)
    spans = quality_by_span(time_s, lost, detect_beats(time_s, lost)).set_index("start_s")
    assert list(spans.loc[[40.0], "reason"]) == ["flat line, lead off"]
    assert list(spans.loc[[40.0], "verdict"]) == ["rejected"]


def test_stamps_that_jitter_are_no_missing_samples():
    time_s, ecg_mv, _, _ = recording(4)
    generator = np.random.default_rng(3)
    stamps_s = np.round(np.sort(time_s + generator.uniform(-0.006, 0.006, time_s.size)), 3)
    spans = quality_by_span(stamps_s, ecg_mv, detect_beats(stamps_s, ecg_mv))
    assert (spans["verdict"] == ACCEPTED).mean() > 0.9


def test_one_reference_beat_is_matched_once():
    score = score_beats([10.0, 11.0], [10.01, 10.05, 11.0])
    assert (score.true_positives, score.false_negatives, score.false_positives) == (2, 0, 1)


STRANGE = {
    "noise": lambda time_s, rng: rng.standard_normal(time_s.size),
    "a drifting step": lambda time_s, rng: np.cumsum(rng.standard_normal(time_s.size)),
    "a square wave": lambda time_s, rng: np.sign(np.sin(2 * np.pi * rng.uniform(0.5, 8) * time_s)),
    "a tone": lambda time_s, rng: np.sin(2 * np.pi * rng.uniform(0.5, 20) * time_s),
    "few spikes": lambda time_s, rng: (rng.random(time_s.size) < 3 / time_s.size).astype(float),
    "missing samples": lambda time_s, rng: np.where(
        rng.random(time_s.size) < 0.02, np.nan, rng.standard_normal(time_s.size)
    ),
    "footfalls alone": lambda time_s, rng: footfalls(time_s, every_hz=2.7, generator=rng),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("signal_is", STRANGE)
def test_a_signal_without_a_heart_gives_a_table_and_no_warning(signal_is):
    for seed, (rate_hz, seconds) in enumerate(product((100, 250, 500), (4.0, 21.0))):
        generator = np.random.default_rng(seed)
        time_s = np.arange(int(seconds * rate_hz)) / rate_hz
        beats = detect_beats(time_s, STRANGE[signal_is](time_s, generator))["time_s"]
        assert np.isfinite(beats).all()
        assert (np.diff(beats) >= 0).all()
