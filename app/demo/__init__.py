"""The demo: an invented fleet, its invented history, simulated instruments and the `ullage demo` command.

Every number that is made here is invented. The generator exists to have something to look at and to test with;
it is no model of a transformer.
"""
