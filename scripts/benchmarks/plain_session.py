"""One session as a plain script does it with neurokit2: ECG in, beats, HRV of every window out.

    python scripts/benchmarks/plain_session.py FILE.edf "ECG II" windows.tsv

`windows.tsv` holds start_s and end_s on the clock of the file. Imports nothing of this project: it
is what `benchmarks.cost` compares the price of a session with.
"""

import sys
import warnings
from pathlib import Path

import neurokit2
import numpy as np
import pandas as pd
from edfio import read_edf


def main(file, channel, windows):
    warnings.simplefilter("ignore")
    ecg = read_edf(file).get_signal(channel)
    rate_hz = ecg.sampling_frequency
    _, info = neurokit2.ecg_process(ecg.data, sampling_rate=rate_hz)
    beat_s = np.asarray(info["ECG_R_Peaks"]) / rate_hz
    tables = []
    for window in pd.read_csv(windows, sep="\t").itertuples():
        inside = beat_s[(beat_s >= window.start_s) & (beat_s < window.end_s)]
        peaks = np.rint((inside - window.start_s) * rate_hz).astype(int)
        tables.append(neurokit2.hrv(peaks, sampling_rate=rate_hz))
    pd.concat(tables).to_csv(Path(windows).with_suffix(".hrv.tsv"), sep="\t", index=False)


if __name__ == "__main__":
    main(*sys.argv[1:])
