"""Whether a server can listen somewhere, before it tries."""

import socket


def why_not(host: str, port: int) -> str | None:
    """Why nothing can listen there; None when it can."""
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            return f"cannot listen on {host} port {port}: {error.strerror}"
    return None
