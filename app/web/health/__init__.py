"""``/health``, its probes, and ``/metrics``."""
