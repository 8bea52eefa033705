"""At which level a contrast decides, and what stands against it."""

ALPHA = 0.05

SAME_ORDER = "everybody had the same order"

SAME_ORDER_OF_VISITS = f"{SAME_ORDER}: condition and visit cannot be separated"

SAME_ORDER_OF_SETS = (
    f"{SAME_ORDER} within a visit: condition and the order of the sets cannot be separated"
)
