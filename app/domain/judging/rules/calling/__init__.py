"""The machinery of :mod:`..trend_calls`: which samples a look sees, what the tests say of them, where a rise began."""
