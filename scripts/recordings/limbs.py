"""Places on the body: whether two may be one limb, and how they are called in a sentence."""

import pandas as pd


def same_limb(limb: object, side: object, other_limb: object, other_side: object) -> bool | None:
    """Whether two places on the body may be one limb; None where neither limb nor side tells.

    `both` sides hold either side.
    """
    limbs = _agree(limb, other_limb)
    sides = True if "both" in (side, other_side) else _agree(side, other_side)
    if limbs is False or sides is False:
        return False
    return None if limbs is None and sides is None else True


def _agree(noted: object, recorded: object) -> bool | None:
    return None if pd.isna(noted) or pd.isna(recorded) else noted == recorded


def limb_in_words(row):
    """Side and limb in words."""
    words = [row[name] for name in ("side", "limb") if isinstance(row[name], str)]
    return " ".join(words) or "limb that is not named"
