"""The limit table, and the comparison of measured values with it."""
