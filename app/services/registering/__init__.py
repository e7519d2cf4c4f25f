"""Sites, units, instruments, laboratories, contacts, keys and maintenance are written down here. Not: what is said of
samples because of it (rejudging)."""
