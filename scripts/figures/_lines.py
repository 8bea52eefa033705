"""Lines through means, drawn with seaborn."""

import sys


def _seaborn_alone():
    """seaborn without the parts of scipy that it asks for to draw densities and trees of clusters.

    It does without where they are absent. No figure needs them, and they take 0.6 s to import.
    """
    absent = [part for part in ("scipy.stats", "scipy.cluster") if part not in sys.modules]
    sys.modules |= dict.fromkeys(absent)
    try:
        import seaborn
    finally:
        for part in absent:
            del sys.modules[part]
    return seaborn


seaborn = _seaborn_alone()
