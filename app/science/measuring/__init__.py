"""How far a measurement can be trusted: uncertainty, noise, slips, signs of a sensor's faults, agreement."""
