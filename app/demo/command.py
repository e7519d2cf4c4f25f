"""`ullage demo`: makes the invented record, starts the service, and lets simulated instruments post to it.

Everything the demo writes lies in one folder; nothing else is touched. Stopping it stops all it started.
"""

import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from app.config import Settings, address_of, load_settings
from app.demo.climate import LOOKAHEAD_DAYS
from app.demo.fleet import DemoFleet, NoFleetFileError, read_fleet
from app.demo.history import DEFAULT_SEED, Demo
from app.demo.laboratory_file import write_recent_files
from app.demo.server import ServerError, refuse_busy_port, refuse_ended, running_server, wait_until_healthy
from app.demo.setup import SetupError, issue_keys, prepare
from app.demo.simulate import DEFAULT_SPEED, STORIES, Playback, play
from app.errors import RefusedError
from app.sender.errors import SenderError
from app.services.registering.load_fleet import FleetFileError
from app.signals import stopping_on_signals
from app.store.database import Database
from app.store.keeping import migrate

Say = Callable[[str], None]

STATE_FILE: Final = "demo.json"
OWN_FILES: Final = ("ullage.db", "ullage.db-wal", "ullage.db-shm", STATE_FILE, "server.log")
OWN_FOLDERS: Final = ("mail", "laboratory", "spool")


class DemoError(RefusedError):
    """The demo cannot run so; the text says why and what to do."""


@dataclass(frozen=True)
class DemoOptions:
    """How to run the demo.

    Attributes:
        host, port: where the service listens.
        folder: everything the demo writes.
        keep: go on with the record of the last demo in that folder instead of making a fresh one.
        speed: simulated seconds per second while the last sixty days are played.
    """

    host: str = "127.0.0.1"
    port: int = 8750
    folder: Path = Path("var/demo")
    keep: bool = False
    speed: float = DEFAULT_SPEED

    @property
    def url(self) -> str:
        return address_of(self.host, self.port)

    def settings(self) -> Settings:
        """The service's settings: a database, mail and log of the demo's own."""
        return load_settings(
            {
                "ULLAGE_DATABASE_URL": f"sqlite:///{self.folder.resolve() / 'ullage.db'}",
                "ULLAGE_HOST": self.host,
                "ULLAGE_PORT": str(self.port),
                "ULLAGE_MAIL_TRANSPORT": "folder",
                "ULLAGE_MAIL_FOLDER": str(self.folder.resolve() / "mail"),
                "ULLAGE_MAIL_FROM": "ullage@ysmarel.example",
                "ULLAGE_EMBEDDED_WORKER": "true",
            }
        )


def run_demo(options: DemoOptions, say: Say) -> None:
    """Run until SIGINT, SIGTERM or SIGHUP; then stop the instruments and the service.

    Raises:
        DemoError: the demo's own files are missing or wrong, there is no record to keep, the port is taken, or
            the service ended by itself.
    """
    stop = threading.Event()
    with stopping_on_signals(stop):
        try:
            refuse_busy_port(options.host, options.port)
            fleet = read_fleet()
            settings = options.settings()
            end, keys = _record(options, settings, fleet, say)
            log = options.folder / "server.log"
            with running_server(settings, log) as server:
                wait_until_healthy(server, options.url, log, stop)
                if not stop.is_set():
                    say(welcome(options))
                with simulating(options, end, keys, stop, say):
                    while not stop.wait(0.5):
                        refuse_ended(server, log)
                say("stopping")
        except (NoFleetFileError, FleetFileError, SetupError) as error:
            raise DemoError(str(error)) from None
        except ServerError as error:
            if not stop.is_set():  # a service that was interrupted together with us is no news
                raise DemoError(str(error)) from None
    say("stopped")


def _record(
    options: DemoOptions, settings: Settings, fleet: DemoFleet, say: Say
) -> tuple[datetime, dict[str, str]]:
    """Make the record, or find the kept one. Returns its end and the instruments' keys."""
    begun = time.monotonic()
    now = datetime.now(UTC)
    end = kept_end(options.folder, now) if options.keep else now
    if not options.keep:
        clear(options.folder)
    options.folder.mkdir(parents=True, exist_ok=True)
    database = Database(settings.database_url)
    try:
        migrate.upgrade(database)
        if not options.keep:
            demo = Demo(fleet.assets, fleet.service_events, end)
            count = prepare(database, fleet, demo, settings.public_url, say)
            write_recent_files(options.folder / "laboratory", demo, fleet)
            state = {"end": end.isoformat(), "seed": DEFAULT_SEED}
            (options.folder / STATE_FILE).write_text(json.dumps(state), encoding="utf-8")
            say(f"{count} samples recorded and judged in {time.monotonic() - begun:.0f} s")
        return end, issue_keys(database, fleet, now)
    finally:
        database.dispose()


def kept_end(folder: Path, now: datetime) -> datetime:
    """Where the kept record ends.

    Raises:
        DemoError: there is none, or it ended too long ago for its instruments to go on.
    """
    try:
        state = json.loads((folder / STATE_FILE).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DemoError(f"there is no demo to keep in {folder}; run it once without --keep") from None
    end = datetime.fromisoformat(state["end"])
    if now - end > timedelta(days=LOOKAHEAD_DAYS):
        raise DemoError(
            f"the demo in {folder} ended on {end:%Y-%m-%d}; run it without --keep for a fresh one"
        )
    return end


def clear(folder: Path) -> None:
    """Remove what an earlier demo wrote, by name; nothing else in the folder is touched."""
    for name in OWN_FILES:
        (folder / name).unlink(missing_ok=True)
    for name in OWN_FOLDERS:
        if (folder / name).is_dir():
            shutil.rmtree(folder / name)


@contextmanager
def simulating(
    options: DemoOptions, end: datetime, keys: Mapping[str, str], stop: threading.Event, say: Say
) -> Iterator[None]:
    """One thread per story while the block runs; they have ended when it ends."""

    def run(playback: Playback) -> None:
        try:
            play(playback, stop, say)
        except SenderError as error:
            say(f"{playback.instrument} stopped: {error}")

    threads = [
        threading.Thread(
            target=run,
            name=code,
            args=(
                Playback(
                    options.url, keys[code], story, end, options.speed, spool=options.folder / "spool" / code
                ),
            ),
        )
        for story, code in STORIES.items()
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def welcome(options: DemoOptions) -> str:
    """What to look at, printed when the service answers."""
    return f"""
Ullage runs at {options.url}   (Ctrl-C stops it)

  {options.url}/                  the fleet: QUE-T1 goes from status 1 to 2 to 3 within two minutes
  {options.url}/assets/QUE-T1     the unit whose fault develops
  {options.url}/mail              the mail that was sent about it; as files in {options.folder / "mail"}
  {options.url}/upload            bring a laboratory file: try one from {options.folder / "laboratory"}
"""
