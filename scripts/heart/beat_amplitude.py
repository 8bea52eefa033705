"""How tall the QRS of every beat is; breathing shows in it."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from heart.detection.even_pieces import even_pieces
from heart.filters import band_pass, without_delay

BAND_HZ = (3.0, 40.0)

MARGIN_SAMPLES = 15  # by which a piece is continued at its ends before it is filtered


def beat_amplitudes(
    time_s: ArrayLike, ecg_mv: ArrayLike, beat_time_s: ArrayLike
) -> NDArray[np.float64]:
    """Size of the main deflection at each beat time (s), in the ECG's unit; shape as the beats.

    The lead is band-passed from 3 to 40 Hz and read between samples with a cubic spline. NaN where
    no sample surrounds a beat. Amplitudes follow breathing (Moody et al. 1985, Comput Cardiol
    12:113); the band is convention.
    """
    beats = np.asarray(beat_time_s, dtype=float)
    amplitude = np.full(beats.shape, np.nan)
    for piece in even_pieces(time_s, ecg_mv):
        position = (beats - piece.start_s) * piece.rate_hz
        inside = (position >= 0) & (position <= len(piece.samples) - 1)
        if inside.any():
            highest_hz = min(BAND_HZ[1], 0.45 * piece.rate_hz)
            band = band_pass(BAND_HZ[0], highest_hz, piece.rate_hz)
            filtered = without_delay(band, piece.samples, margin=MARGIN_SAMPLES)
            amplitude[inside] = map_coordinates(filtered, [position[inside]], order=3)
    return amplitude
