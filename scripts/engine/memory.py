"""Memory that was freed goes back to the system."""

from contextlib import suppress


def give_back_memory():
    """Return what was freed, where the C library can: jobs let it keep much (engine/rules.py)."""
    import ctypes

    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
