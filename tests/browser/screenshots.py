"""The pictures of README, taken of the demo: ``make screenshots`` writes docs/fleet.png and docs/unit.png.

They are taken when the simulated instruments have reached the present: the fault of the unit QUE-T1 has developed.
"""

import io
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

FOLDER: Final = Path(__file__).parents[2] / "docs"
PICTURES: Final = (("fleet", "/", 760), ("unit", "/assets/QUE-T1", 880))
"""Name, page, height [px]."""
WIDTH: Final = 1280
COLOURS: Final = 256
INSTRUMENTS: Final = 4
READY: Final = "has reached the present"


@contextmanager
def demo(folder: Path) -> Iterator[str]:
    """The address of a demo whose instruments have reached the present. It is ended with the block."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = ["demo", "--port", str(port), "--folder", str(folder)]
    command = [sys.executable, "-u", "-c", "from app.cli.main import main; main()", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            left = INSTRUMENTS
            for line in process.stdout or ():
                sys.stderr.write(line)
                left -= READY in line
                if not left:
                    break
            else:
                raise RuntimeError("the demo ended before its instruments reached the present")
            yield f"http://127.0.0.1:{port}"
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate()


def picture(browser: Browser, address: str, height: int) -> Image.Image:
    """The upper part of a page, in few colours."""
    context = browser.new_context(viewport={"width": WIDTH, "height": height})
    page = context.new_page()
    page.goto(address)
    if page.locator("[data-trends]").count():
        page.wait_for_selector("html[data-charts=drawn]", timeout=60_000)
    shot = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    context.close()
    return shot.quantize(COLOURS, kmeans=1, dither=Image.Dither.NONE)


def main() -> None:
    """Run the demo, take the pictures, end it."""
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("Chromium is not installed; on Debian: apt-get install chromium")
    with (
        tempfile.TemporaryDirectory() as folder,
        demo(Path(folder)) as address,
        sync_playwright() as playwright,
    ):
        arguments = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
        browser = playwright.chromium.launch(executable_path=chromium, args=arguments)
        for name, path, height in PICTURES:
            target = FOLDER / f"{name}.png"
            picture(browser, address + path, height).save(target, optimize=True)
            sys.stdout.write(f"{target}: {target.stat().st_size // 1000} kB\n")
        browser.close()


if __name__ == "__main__":
    main()
