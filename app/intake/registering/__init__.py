"""What registers a fleet: the YAML file and the bodies of the interface."""
