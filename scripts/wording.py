"""Names of the tables as people read them."""

from catalogue import outcome_modules


def label_of(outcome):
    """Name of an outcome with its unit."""
    module = outcome_modules()[outcome]
    return f"{module.LABEL} ({module.UNIT})" if module.UNIT else module.LABEL


def words_of(name):
    """A name of the tables as words."""
    return str(name).replace("_", " ")
