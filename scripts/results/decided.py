"""At which level a contrast decides, and what stands against it."""

ALPHA = 0.05

SAME_ORDER = "everybody had the same order: condition and visit cannot be separated"
