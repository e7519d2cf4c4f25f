"""Clients that post as fast as they are answered, in a process of their own: `python door_clients.py SPEC.json`.

The specification names the port, the seconds, and of each client its key, its first time and how it posts; printed
is one JSON object with the latencies in milliseconds and what was answered.
"""

import http.client
import json
import random
import sys
import threading
import time
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

LEVELS = {
    "h2": 20.0,
    "ch4": 15.0,
    "c2h6": 12.0,
    "c2h4": 8.0,
    "c2h2": 0.3,
    "co": 300.0,
    "co2": 2500.0,
    "water": 8.0,
    "oil_temperature": 45.0,
}


def body(first: datetime, count: int, step: timedelta, noise: random.Random) -> bytes:
    """``count`` samples of nine quantities, two per cent about their levels."""
    return json.dumps(
        {
            "samples": [
                {"taken_at": (first + i * step).isoformat()}
                | {name: round(level * (1.0 + 0.02 * noise.gauss(0, 1)), 3) for name, level in LEVELS.items()}
                for i in range(count)
            ]
        }
    ).encode()


def _client(spec: dict[str, Any], client: dict[str, Any], until: float, said: Counter[str]) -> list[float]:
    connection = http.client.HTTPConnection("127.0.0.1", spec["port"], timeout=60)
    headers = {"Content-Type": "application/json", "Authorization": f"Bearer {client['key']}"}
    noise = random.Random(client["seed"])
    at, step = datetime.fromisoformat(client["first"]), timedelta(minutes=spec["step_minutes"])
    took = []
    while time.monotonic() < until:
        content = body(at, spec["samples"], step, noise)
        at += spec["samples"] * step
        began = time.perf_counter()
        connection.request("POST", spec["path"], content, headers)
        answer = connection.getresponse()
        text = answer.read()
        took.append((time.perf_counter() - began) * 1000.0)
        stored = text.count(b'"stored"') - text.count(b'"set_aside"')  # what is not judged does not count
        said[f"{answer.status}"] += 1
        said["stored"] += stored
    client["next"] = at.isoformat()
    return took


def main() -> None:
    """Read the specification, post, print."""
    spec = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    said: Counter[str] = Counter()
    found: list[list[float]] = [[] for _ in spec["clients"]]
    began = time.monotonic()
    until = began + spec["seconds"]

    def run(place: int) -> None:
        found[place] = _client(spec, spec["clients"][place], until, said)

    threads = [threading.Thread(target=run, args=(i,)) for i in range(len(found))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    seconds = time.monotonic() - began
    told = {
        "seconds": seconds,
        "latencies": [x for one in found for x in one],
        "said": said,
        "next": [client["next"] for client in spec["clients"]],
    }
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    main()
