"""Accuracy and speed of beat detection, against neurokit2 and sleepecg; one table out.

python3.11 scripts/launch.py benchmark beats [--annotated FOLDER] [--noise FOLDER] [--out table.tsv]

Generated exercise ECG with exact truth, and any folder of annotated WFDB records (first lead, beat
annotations of extension atr, ventricular flutter left out). Record by record first, then gross.
"""

import sys
import time
import tracemalloc
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from benchmarks.scoring import Score, outside, score_beats, wrong_beats_s
from demo.disturbed_ecg import (
    DISTURBANCES,
    MOVEMENT,
    MUSCLE,
    disturbed,
    generated_noise,
    height_of,
    recorded_noise,
)
from demo.exercise_ecg import (
    LEADS,
    SQUATS,
    NoiseMix,
    beat_times,
    exercise_ecg,
    footfalls,
    noise_free_ecg,
    with_ectopic_beats,
)
from engine.command_line import parser_of
from heart.detection.detector import detect_beats
from heart.detection.other_detectors import detect_with
from heart.quality import ACCEPTED, quality_by_span

DETECTORS = ("own", "sleepecg", "neurokit", "pantompkins1985", "rodrigues2021")

BEAT_SYMBOLS = set("NLRBAaJSVrFejnE/fQ?")

COURSE_BPM = (72, 80, 130, 165, 150, 110, 90)


def generated_records(rates_hz=(130, 250, 1000), snrs_db=(12, 6, 0, -6), seconds=120.0):
    """Exercise ECG in every lead, at several rates and noise levels, with its beat times."""
    for rate_hz in rates_hz:
        for snr_db in snrs_db:
            for n, lead in enumerate(LEADS):
                generator = np.random.default_rng([rate_hz, snr_db + 100, n])
                beats = beat_times(seconds, heart_rate_bpm=COURSE_BPM, generator=generator)
                beats, ectopic = with_ectopic_beats(
                    beats, share=0.01, prematurity=0.25, generator=generator
                )
                time_s, ecg_mv = exercise_ecg(
                    beats, rate_hz=rate_hz, snr_db=snr_db, generator=generator, lead=lead,
                    ectopic=ectopic,
                )  # fmt: skip
                yield f"generated {rate_hz} Hz {snr_db} dB", lead, time_s, ecg_mv, beats, []


TROUBLES = {
    "the rate doubles within 30 s": {"course_bpm": (70, 70, 150, 150)},
    "squats move electrodes in bursts": {"mix": SQUATS},
    "bursts of four times the noise": {"mix": NoiseMix(bursts_per_min=6.0, burst_gain=4.0)},
    "the baseline wanders": {"mix": NoiseMix(baseline_wander=8.0)},
    "impacts": {"mix": NoiseMix(impacts=0.1)},
}


def troubled_records(seeds=(17, 18, 19), rates_hz=(100, 130, 250, 500, 1000, 2000)):
    """What exercise does to an ECG, at 6 dB, in every lead and each at another rate."""
    for trouble, words in TROUBLES.items():
        for seed, (n, lead) in product(seeds, enumerate(LEADS)):
            generator = np.random.default_rng([n, seed])
            course_bpm = words.get("course_bpm", COURSE_BPM)
            beats = beat_times(90.0, heart_rate_bpm=course_bpm, generator=generator)
            time_s, ecg_mv = exercise_ecg(
                beats, rate_hz=rates_hz[n], snr_db=6.0, generator=generator, lead=lead,
                mix=words.get("mix", NoiseMix()),
            )  # fmt: skip
            yield trouble, f"{lead} {seed}", time_s, ecg_mv, beats, []


def shaken_records(strengths=(0.5, 1.0, 1.5, 2.0), rests_s=(60.0, 0.0), running_s=90.0):
    """Running with footfalls of so many times the height of the QRS, after rest and without."""
    for rest_s, strength in product(rests_s, strengths):
        course_s = (0.0, rest_s, rest_s + 15.0, rest_s + running_s)
        course_bpm = (72, 72, 150, 155) if rest_s else (155, 155, 150, 155)
        for n, lead in enumerate(LEADS):
            generator = np.random.default_rng([7, n])
            beats = beat_times(
                course_s[-1], heart_rate_bpm=course_bpm, at_s=course_s, generator=generator
            )
            time_s, ecg_mv = exercise_ecg(
                beats, rate_hz=250, snr_db=12, generator=generator, lead=lead
            )
            height_mv = np.ptp(noise_free_ecg(np.arange(-0.06, 0.06, 0.001), [0.0], lead=lead))
            moved = footfalls(time_s, every_hz=generator.uniform(2.3, 3.1), generator=generator)
            ecg_mv += strength * height_mv * moved * (time_s >= rest_s)
            group = f"footfalls {strength:g} times QRS, {rest_s:g} s of rest"
            yield group, lead, time_s, ecg_mv, beats, []


def changing_records(seconds=180.0, rate_hz=250):
    """A heart seen from two sides by turns, and one whose rate the cadence of the steps crosses."""
    for n, lead in enumerate(LEADS):
        generator = np.random.default_rng([23, n])
        beats = beat_times(seconds, heart_rate_bpm=COURSE_BPM, generator=generator)
        time_s, ecg_mv = exercise_ecg(
            beats, rate_hz=rate_hz, snr_db=18, generator=generator, lead=lead
        )
        next_lead = list(LEADS)[(n + 1) % len(LEADS)]
        there = time_s // 20 % 2 == 1
        from_there_mv = ecg_mv + noise_free_ecg(time_s, beats, lead=next_lead)
        from_there_mv -= noise_free_ecg(time_s, beats, lead=lead)
        two_views = np.where(there, from_there_mv, ecg_mv)
        yield "two QRS shapes by turns", f"{lead}, {next_lead}", time_s, two_views, beats, []
        steps = footfalls(time_s, every_hz=(2.0, 2.4, 2.9, 2.5), generator=generator)
        shaken_mv = ecg_mv + 0.5 * height_of(ecg_mv) * steps
        yield "cadence that drifts through the rate", lead, time_s, shaken_mv, beats, []


def wfdb_noise(folder):
    """Noise records `em` (electrode motion) and `ma` (muscle activity) of a folder."""
    import wfdb

    of_kind = {}
    for kind, name in ((MOVEMENT, "em"), (MUSCLE, "ma")):
        record = wfdb.rdrecord(str(folder / name), channels=[0])
        of_kind[kind] = record.p_signal[:, 0]
    return recorded_noise(of_kind, record.fs)


def disturbed_records(records, noise=generated_noise, seconds=300.0):
    """The first minutes of each record under every disturbance."""
    for number, (group, name, time_s, ecg_mv, beats, excluded) in enumerate(records):
        begin = time_s < time_s[0] + seconds
        time_s, ecg_mv, beats = time_s[begin], ecg_mv[begin], beats[beats < time_s[begin][-1]]
        for disturbance in DISTURBANCES:
            stamps_s, disturbed_mv, unseen = disturbed(
                disturbance, time_s, ecg_mv, beats, seed=number, noise=noise
            )
            unseen = [(start_s - 0.3, end_s + 0.3) for start_s, end_s in unseen]
            shown = f"{group.split()[0]}, {disturbance}"
            yield shown, name, stamps_s, disturbed_mv, beats, [*excluded, *unseen]


def annotated_records(folder):
    """First lead, reference beats and flutter spans of every WFDB record of a folder."""
    import wfdb

    for header in sorted(Path(folder).glob("*.hea")):
        path = str(header.with_suffix(""))
        record = wfdb.rdrecord(path, channels=[0])
        marks = wfdb.rdann(path, "atr")
        times_s = marks.sample / record.fs
        beats = times_s[[symbol in BEAT_SYMBOLS for symbol in marks.symbol]]
        starts = times_s[[symbol == "[" for symbol in marks.symbol]]
        ends = times_s[[symbol == "]" for symbol in marks.symbol]]
        ecg_mv = record.p_signal[:, 0]
        time_s = np.arange(len(ecg_mv)) / record.fs
        flutter = list(zip(starts, ends, strict=True))
        yield "annotated", header.stem, time_s, ecg_mv, beats, flutter


def accuracy(records):
    """One row per record and detector."""
    for group, name, time_s, ecg_mv, beats, excluded in records:
        for detector in DETECTORS:
            try:
                detected = detect_with(detector, time_s, ecg_mv)
            except Exception as failure:  # another library's crash is a result, too
                note = f"stopped with {type(failure).__name__}"
                yield {"group": group, "record": name, "detector": detector, "note": note}
                continue
            score = score_beats(beats, detected, excluded_s=excluded)
            # whichever point of a beat a detector marks, at 50 ms it must keep to it
            at_own_point = detected - np.nan_to_num(score.offset_ms) / 1000
            near = score_beats(beats, at_own_point, excluded_s=excluded, match_s=0.05)
            row = {"group": group, "record": name, "detector": detector}
            yield (
                row | _shown(score) | {name_50_ms: getattr(near, name) for name, name_50_ms in NEAR}
            )


COUNTS = ("true_positives", "false_negatives", "false_positives")

NEAR = tuple((name, f"{name}_50_ms") for name in COUNTS)


SHOWN = (*COUNTS, "sensitivity_pct", "predictivity_pct", "f1_pct", "offset_ms", "mad_ms", "rms_ms")


def _shown(score):
    return {name: getattr(score, name) for name in SHOWN}


def gross(table):
    """Counts added up per group and detector, timing as the median over records."""
    timing = ["offset_ms", "mad_ms", "rms_ms"]
    for (group, detector), of_detector in table.groupby(["group", "detector"], sort=False):
        total = Score(*of_detector[list(COUNTS)].sum().astype(int), *of_detector[timing].median())
        near = Score(*of_detector[[name for _, name in NEAR]].sum().astype(int), 0.0, 0.0, 0.0)
        row = {"group": group, "record": "gross", "detector": detector}
        yield row | _shown(total) | {"f1_50_ms_pct": near.f1_pct}


def reliability(records):
    """Share of wrong beats and of faultless spans in classes of span quality.

    Wrong are missed and false beats, over true beats. Quality is the expected share of faultless
    spans, so that the two columns beside each other are the reliability curve.
    """
    judged = []
    for group, _, time_s, ecg_mv, beats, excluded in records:
        detected = detect_beats(time_s, ecg_mv)
        spans = quality_by_span(time_s, ecg_mv, detected)
        wrong_s = np.concatenate(wrong_beats_s(beats, detected["time_s"]))
        true_s, wrong_s = outside(beats, excluded), outside(wrong_s, excluded)
        for span in spans.itertuples():
            middle = (span.start_s + span.end_s) / 2
            if span.start_s < 5 or any(a <= middle <= b for a, b in excluded):
                continue
            n_true, n_wrong = (
                np.count_nonzero((times_s >= span.start_s) & (times_s < span.end_s))
                for times_s in (true_s, wrong_s)
            )
            judged.append((group, span.verdict, span.quality, n_true, n_wrong))
    table = pd.DataFrame(judged, columns=["group", "verdict", "quality", "beats", "wrong"])
    classes = pd.cut(table["quality"], [-0.01, 0.2, 0.5, 0.7, 0.9, 0.95, 0.98, 1.0])
    first_word = table["group"].str.split(r"[ ,]", n=1).str[0]
    by_class = [*table.groupby([first_word, classes], observed=True)]
    for group, of_group in table.groupby("group", sort=False):
        accepted = of_group["verdict"] == ACCEPTED
        share_pct = 100 * accepted.mean()
        by_class.append(((group, f"{share_pct:.1f} % accepted"), of_group[accepted]))
    for (group, name), of_group in by_class:
        yield {
            "group": f"quality, {group}",
            "record": f"{name}",
            "detector": "own",
            "spans": len(of_group),
            "wrong_beats_pct": 100 * of_group["wrong"].sum() / max(of_group["beats"].sum(), 1),
            "expected_faultless_pct": 100 * of_group["quality"].mean(),
            "faultless_spans_pct": 100 * (of_group["wrong"] == 0).mean(),
        }


def speed(minutes=40.0):
    """CPU time and memory of each detector on 40 min of ECG at 250 and 1000 Hz."""
    for rate_hz in (250, 1000):
        generator = np.random.default_rng(rate_hz)
        beats = beat_times(60 * minutes, heart_rate_bpm=COURSE_BPM, generator=generator)
        time_s, ecg_mv = exercise_ecg(beats, rate_hz=rate_hz, snr_db=12, generator=generator)
        for detector in DETECTORS:
            detect_with(detector, time_s[: 20 * rate_hz], ecg_mv[: 20 * rate_hz])
            started = time.process_time()
            detect_with(detector, time_s, ecg_mv)
            cpu_ms = 1000 * (time.process_time() - started)
            tracemalloc.start()
            detect_with(detector, time_s, ecg_mv)
            peak_mib = tracemalloc.get_traced_memory()[1] / 2**20
            tracemalloc.stop()
            yield {
                "group": f"speed, {minutes:g} min at {rate_hz} Hz",
                "record": "",
                "detector": detector,
                "cpu_ms": cpu_ms,
                "peak_mib": peak_mib,
            }


def main():
    parser = parser_of("benchmark beats", __doc__)
    parser.add_argument("--annotated", type=Path, help="folder of annotated WFDB records")
    parser.add_argument("--noise", type=Path, help="folder of the WFDB noise records em and ma")
    parser.add_argument("--out", type=Path, help="table to write; printed when left out")
    words = parser.parse_args()
    records = [*generated_records(), *troubled_records(), *shaken_records(), *changing_records()]
    records += disturbed_records(generated_records((130,), (18,), 180.0))
    if words.annotated:
        annotated = list(annotated_records(words.annotated))
        noise = wfdb_noise(words.noise) if words.noise else generated_noise
        records += [*annotated, *disturbed_records(annotated, noise)]
    scored = pd.DataFrame(accuracy(records))
    parts = [scored, pd.DataFrame(gross(scored)), pd.DataFrame(reliability(records))]
    table = pd.concat([*parts, pd.DataFrame(speed())], ignore_index=True)
    out = words.out or sys.stdout
    table.to_csv(out, sep="\t", index=False, float_format="%.4g", na_rep="n/a")


if __name__ == "__main__":
    main()
