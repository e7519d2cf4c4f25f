"""What stands around every endpoint: errors as answers, headers, hosts, logs, metrics, templates' set-up, the clock."""
