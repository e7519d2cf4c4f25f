"""The worker's pulse, and what probes and metrics read."""
