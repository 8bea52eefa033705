"""Files of invented studies, as recorders and people write them."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from recordings.writing import write_gzip, write_json, write_text

INVENTED = "Invented demonstration data, no person was measured"

RECORDING_COLUMNS = (
    "participant_id", "session_id", "signal", "file", "channel", "time_column", "unit",
    "sampling_rate_hz", "site", "side", "position", "clock_offset_s", "sync_marks_s",
)  # fmt: skip

# of an EDF channel its unit, its range and the range of its digits; an ECG has steps of 0.2 uV, as
# a 16-bit recorder with a range of 6.5 mV either way
_EDF = {
    "ecg": ("uV", (-6553.6, 6553.4), (-32768, 32767)),
    "muscle_oxygen": ("%", (0, 100), (0, 1000)),
    "cuff_pressure": ("mmHg", (0, 300), (0, 3000)),
}


def write_edf(
    path: Path,
    channels: Iterable[tuple[str, str, float, np.ndarray]],
    *,
    about: Sequence[str] = (),
    marks_s: Sequence[float] | None = None,
) -> None:
    """Write signals as EDF; each is its signal, label, rate in Hz and values.

    With `marks_s`, the times of sync marks on the file's clock, they are annotated: EDF+.
    """
    from edfio import Edf, EdfAnnotation, EdfSignal, Recording

    written = []
    for signal, label, rate_hz, samples in channels:
        unit, physical, digital = _EDF[signal]
        ranges = {"physical_range": physical, "digital_range": digital}
        samples = np.clip(samples, *physical)
        written.append(EdfSignal(samples, rate_hz, label=label, physical_dimension=unit, **ranges))
    annotations = None
    if marks_s is not None:
        # every data record is as wide as the longest annotation: short ones keep the file small
        annotations = [EdfAnnotation(0.0, None, "invented")]
        annotations += [EdfAnnotation(mark_s, None, "sync") for mark_s in marks_s]
    recording = Recording(equipment_code="invented", additional=about)
    edf = Edf(written, recording=recording, data_record_duration=1.0, annotations=annotations)
    path.parent.mkdir(parents=True, exist_ok=True)
    edf.write(path)


def write_physio(folder: Path, stem: str, ecg_uv: np.ndarray, rate_hz: float, about: str) -> str:
    """Write an ECG as BIDS physiology in whole microvolts; gives the name of the file."""
    samples_uv = np.rint(ecg_uv).astype(int)
    write_gzip("\n".join(map(str, samples_uv.tolist())) + "\n", folder / f"{stem}.tsv.gz")
    sidecar = {"SamplingFrequency": rate_hz, "StartTime": 0, "Columns": ["cardiac"]}
    sidecar["cardiac"] = {"Description": about, "Units": "uV"}
    write_json(sidecar, folder / f"{stem}.json")
    return f"{stem}.tsv.gz"


def write_intervals(path: Path, intervals_s: np.ndarray, *, unit: str = "ms", about: str = ""):
    """Write beat intervals, one per line, to a millisecond."""
    milliseconds = np.rint(1000.0 * intervals_s).astype(int).tolist()
    lines = [f"# {about}"] if about else []
    lines += [f"{ms / 1000:.3f}" if unit == "s" else str(ms) for ms in milliseconds]
    write_text("\n".join(lines) + "\n", path)


def text_of_columns(
    columns: Mapping[str, Iterable[str]],
    *,
    separator: str = ",",
    decimal: str = ".",
    newline: str = "\n",
    above: Sequence[str] = (),
) -> str:
    """Columns of numbers as delimited text, with lines above their names."""
    lines = [*above, separator.join(columns)]
    for cells in zip(*columns.values(), strict=True):
        lines.append(separator.join(cell.replace(".", decimal) for cell in cells))
    return newline.join(lines) + newline


def sensor(muscle: str) -> dict[str, object]:
    """Return the place of a saturation sensor: the right limb, below the cuff."""
    return {"signal": "muscle_oxygen", "site": muscle, "side": "right", "position": "distal"}


def marks(times_s: Iterable[float]) -> str:
    """Return sync marks as recordings.tsv holds them."""
    return ";".join(f"{time_s:.3f}" for time_s in times_s)


def tsv(table: pd.DataFrame, *, float_format: str | None = None) -> str:
    """Return a table as the text of a TSV file, `n/a` for what is missing."""
    return table.to_csv(
        sep="\t", index=False, na_rep="n/a", lineterminator="\n", float_format=float_format
    )


def write_table(
    table: pd.DataFrame | Sequence[Mapping], path: Path, columns: Sequence[str] | None = None
) -> None:
    """Write a table, or its rows, as TSV."""
    if not isinstance(table, pd.DataFrame):
        table = pd.DataFrame(table, columns=None if columns is None else list(columns))
    write_text(tsv(table), path)


def run_writer(write: Callable[..., None], about: str, *, seed: int, **counts: int) -> None:
    """The command of a writer of a study: where it goes, its seed, and whole numbers by name."""
    parser = argparse.ArgumentParser(description=about)
    for name, default in counts.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--into", type=Path, required=True, help="study folder to write")
    parser.add_argument("--seed", type=int, default=seed)
    chosen = vars(parser.parse_args())
    write(chosen.pop("into"), **chosen)
