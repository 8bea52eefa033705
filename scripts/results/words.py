"""Names of the tables, numbers of things and lists as words in a sentence."""

# Names whose parts are no words.
SPELT_OUT = {
    "ecg": "ECG",
    "rr": "beat intervals",
    "doppler": "Doppler ultrasound",
    "oscillometric": "an oscillometric device",
    "estimated": "estimated, not measured",
    **{size: size for size in ("d_av", "g_av", "d_z", "g_z")},
}


def words_of(name):
    """A name of the tables as words."""
    return SPELT_OUT.get(str(name), str(name).replace("_", " "))


def counted(n, singular, many=None):
    """A number with its noun: `1 value`, `2 values`."""
    return f"{n} {singular if n == 1 else many or singular + 's'}"


def in_words(names: list[str], last: str = "and", *, both: bool = False) -> str:
    """Names as a list in a sentence."""
    if len(names) == 1:
        return names[0]
    lead = "both " if both and len(names) == 2 else ""
    return f"{lead}{', '.join(names[:-1])} {last} {names[-1]}"
