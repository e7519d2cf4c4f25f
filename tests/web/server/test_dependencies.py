"""Endpoints say what they need; one module knows where the application keeps it."""

import re

from fleet_cast import PROJECT

WEB = PROJECT / "app" / "web"


def test_only_one_module_reads_what_the_application_keeps() -> None:
    reading = {
        str(path.relative_to(WEB))
        for path in WEB.rglob("*.py")
        if re.search(r"\bapp\.state\b", path.read_text(encoding="utf-8"))
    }
    assert reading == {"app.py", "dependencies.py"}
