"""Who must know of what: conditions, what a sample shows of them, the decisions, what is said and not said of them."""
