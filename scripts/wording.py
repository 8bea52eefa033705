"""Names of the tables as people read them."""

from catalogue import outcome_modules


def label_of(outcome):
    """Name of an outcome with its unit as it is printed."""
    module = outcome_modules()[outcome]
    unit = {"ms2": "ms\N{SUPERSCRIPT TWO}"}.get(module.UNIT, module.UNIT)
    return f"{module.LABEL} ({unit})" if unit else module.LABEL


# Names whose parts are no words.
SPELT_OUT = {"ecg": "ECG", "rr": "beat intervals"}


def words_of(name):
    """A name of the tables as words."""
    return SPELT_OUT.get(str(name), str(name).replace("_", " "))
