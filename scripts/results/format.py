"""Numbers as people read them: p-values, estimates, intervals."""

import pandas as pd


def p_value(p):
    """A p-value to three digits, never zero; empty where missing."""
    if pd.isna(p):
        return ""
    return "< .001" if p < 0.001 else f"{p:.3f}".lstrip("0")


def p_in_words(p):
    """`p < .001` or `p = .012`."""
    shown = p_value(p)
    return f"p {shown}" if shown.startswith("<") else f"p = {shown}"


def three_digits(number):
    """A number with three digits; empty where missing."""
    return "" if pd.isna(number) else f"{number:.3g}"


def decimals(number, digits):
    """A number with so many decimals; empty where missing."""
    return "" if pd.isna(number) else f"{number:.{digits}f}"


def significant(number, *, signed=False):
    """Three significant digits with the zeros that are among them: `0.700`, `-12.0`, `1230`."""
    sign = "+" if signed else ""
    if abs(number) >= 999.5:
        return f"{number:{sign}.0f}"
    return f"{number:{sign}#.3g}".rstrip(".") if number else "0"


def interval(low, high):
    """`-15.9 to -12.0`."""
    return f"{significant(low)} to {significant(high)}"


def estimate_and_interval(estimate, low, high):
    """`-13.9 (-15.9 to -12.0)`; empty without an interval, which compares nothing."""
    if pd.isna(estimate) or pd.isna(low):
        return ""
    return f"{significant(estimate)} ({interval(low, high)})"
