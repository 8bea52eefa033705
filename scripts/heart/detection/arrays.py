"""Names of the arrays that the detector passes on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Filtered traces: finer than any recorder resolves, and half as much to move.
Trace = NDArray[np.float32]
