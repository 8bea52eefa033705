"""Arrays of numbers as few bytes, for a page that a browser unpacks itself.

Values become whole multiples of a quantum, and these differences. The highest eight bits of all
differences come first, as bytes; each lower bit follows as a plane of its own, because noise fills
these evenly and deflating them with the others would only lengthen both. All arrays together are
deflated.
"""

import base64
import json
import re
import zlib

import numpy as np

# more than this is a waveform
WAVEFORM_BYTES = 200_000


class PackedArrays:
    """Arrays packed one after the other; `text()` gives them all as base64 of a zlib stream."""

    def __init__(self):
        self._parts = []
        self._size = 0

    def add(self, numbers, quantum):
        """Pack one array of numbers, shape (n,), to the nearest multiple of `quantum`.

        Returns what a reader needs: `at` (where it begins), `n`, `low_bits` (planes of lower bits),
        `first` (in multiples), `quantum`, and `gaps`, start and length of each run of values that
        are not finite. Raises ValueError where a difference does not fit into 32 bits.
        """
        numbers = np.asarray(numbers, dtype=float)
        known = np.isfinite(numbers)
        steps = np.rint(np.where(known, numbers, 0.0) / quantum)
        if not known.all():
            # a gap repeats what stands before it, so that differences stay small
            before = np.maximum.accumulate(np.where(known, np.arange(numbers.size), -1))
            lead = steps[known][0] if known.any() else 0.0
            steps = np.where(before < 0, lead, steps[before])
        first = float(steps[0]) if numbers.size else 0.0
        return self._added(np.diff(steps, prepend=first)) | {
            "n": numbers.size,
            "first": int(first),
            "quantum": quantum,
            "gaps": [int(limit) for limit in _runs(~known).ravel()],
        }

    def add_bytes(self, numbers):
        """Pack values from 0 to 255 as they are; returns where they begin and how many."""
        return self._append(np.asarray(numbers, dtype=np.uint8).tobytes())

    def text(self):
        """All arrays, deflated (RFC 1950), as base64."""
        return deflated(b"".join(self._parts))

    def _added(self, differences):
        largest = np.abs(differences).max(initial=0)
        if largest >= 2**31:
            raise ValueError(f"a difference of {largest:g} quanta does not fit into 32 bits")
        whole = differences.astype(np.int32)
        low_bits = max(0, int(largest).bit_length() - 7)
        planes = [np.packbits(whole >> bit & 1) for bit in range(low_bits)]
        high = (whole >> low_bits).astype(np.int8)
        part = b"".join(plane.tobytes() for plane in (high, *planes))
        return self._append(part) | {"low_bits": low_bits}

    def _append(self, part):
        at = self._size
        self._parts.append(part)
        self._size += len(part)
        return {"at": at, "n": len(part)}


def packed_texts(texts):
    """Texts as a JSON list, deflated (RFC 1950), as base64: a script takes a third of its size."""
    return deflated(json.dumps(texts, ensure_ascii=False).encode())


def texts_within(page):
    """The texts that `packed_texts` put into a page; none where it has none."""
    packed = re.search(r'id="texts">([^<]*)<', page)
    return json.loads(zlib.decompress(base64.b64decode(packed[1]))) if packed else []


def deflated(content):
    """Bytes, deflated (RFC 1950), as base64."""
    # a waveform is noise in which no string pays but that of a flat line
    strategy = zlib.Z_RLE if len(content) > WAVEFORM_BYTES else zlib.Z_DEFAULT_STRATEGY
    deflating = zlib.compressobj(6, zlib.DEFLATED, 15, 9, strategy)
    return base64.b64encode(deflating.compress(content) + deflating.flush()).decode()


def _runs(flags):
    """Start and length of each run of true flags, shape (n_runs, 2)."""
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0)).reshape(-1, 2)
    return np.column_stack([edges[:, 0], edges[:, 1] - edges[:, 0]])


def quantum_of(numbers, shares=2000):
    """A round number (1, 2 or 5 times a power of ten) that no screen tells from the values.

    About a two-thousandth of the range that holds 99 % of them; 0.001 where all are equal.
    """
    numbers = numbers[:: max(1, len(numbers) // 100_000)]
    numbers = numbers[np.isfinite(numbers)]
    if not len(numbers):
        return 0.001
    low, high = np.quantile(numbers, [0.005, 0.995])
    span = high - low or np.ptp(numbers)
    if span <= 0:
        return 0.001
    power = 10.0 ** np.floor(np.log10(span / shares))
    factor = max(f for f in (1, 2, 5) if f * power <= span / shares * (1 + 1e-9))
    return float(f"{factor * power:.0e}")
