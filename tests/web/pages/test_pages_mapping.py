"""The mapping page and the decisions of a preview, over the pages: what is shown, kept, and refused."""

import random
import re
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import story
from fastapi.testclient import TestClient
from fleet_cast import HTML

from app.config import load_settings
from app.intake.text import UnreadableFileError
from app.services.files.map_columns import MappingError, profile_of, read_rows
from app.services.files.mapping_grid import Structure
from app.services.files.mapping_guess import guess
from app.store.database import Database
from app.web.app import create_app
from app.web.pages.mapping_form import decisions_of, shown_fields

DAY = (story.NOW - timedelta(days=2)).strftime("%d.%m.%Y")
FILE = f"""Laboratorio Ferrán;;;;;;;
Nº de muestra;Número de serie;Punto de muestreo;Fecha de muestreo;Hora;Hidrógeno (ppm);Acetileno (ppm);Color
F-881;S-BW-T2-417;Cuba;{DAY};09:10;22,5;n.d.;1,5
F-882;ZZ-1;Cuba;{DAY};10:25;410;12;2
""".encode("cp1252")
DECIDED = {
    "m-gas": "0",
    "m-is-0": "main",
    "m-role-7": "ignore",
    "m-limit-6": "0,5",
}
NEW_LABORATORY = {"m-code": "FERRAN", "m-name": "Laboratorio Ferrán", "author": "R. Oster"}


@pytest.fixture
def client(told_database: Database) -> Iterator[TestClient]:
    settings = load_settings({"ULLAGE_MAX_UPLOAD_BYTES": "100000", "ULLAGE_ALLOWED_HOSTS": "testserver"})
    with TestClient(create_app(settings, told_database, story.clock), headers=HTML) as client:
        yield client


def send(client: TestClient, step: str, fields: dict[str, str], content: bytes | None = FILE) -> Any:
    files = None if content is None else {"file": ("ferran.csv", content, "text/csv")}
    return client.post(f"/upload/{step}", data={"laboratory": "?", **fields}, files=files)


def words(answer: Any, status: int = 200) -> str:
    """The visible words of a page, tags taken out and space squeezed."""
    assert answer.status_code == status, answer.text
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text)))


def fields_of(answer: Any) -> dict[str, str]:
    """The form as the page fills it in and a browser would send it."""
    found = {}
    for tag in re.findall(r"<input [^>]+>", answer.text):
        name, value = (re.search(rf'{what}="([^"]*)"', tag) for what in ("name", "value"))
        if name and 'type="file"' not in tag and ('type="checkbox"' not in tag or " checked" in tag):
            found[name[1]] = unescape(value[1]) if value else ""
    for name, options in re.findall(r'<select name="([^"]+)"[^>]*>(.*?)</select>', answer.text, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)"(?: class="plain")? selected', options)
        first = re.search(r'<option(?: value="([^"]*)")?', options)
        found[name] = unescape(chosen[1] if chosen else (first[1] or "") if first else "")
    return found


def test_a_laboratory_that_is_not_listed_leads_to_proposals_that_are_not_applied(client: TestClient) -> None:
    answer = send(client, "preview", {})
    said = words(answer)
    assert "Map the columns of ferran.csv" in said
    assert "proposed from the file and not yet applied" in said
    fields = fields_of(answer)
    assert (fields["m-role-1"], fields["m-role-5"], fields["m-unit-5"]) == ("unit_serial", "h2", "ppm")
    assert (fields["m-decimal"], fields["m-day"], fields["m-clock"]) == (",", "%d.%m.%Y", "%H:%M")
    assert (fields["m-gas"], fields["m-role-7"]) == ("", "")  # what nothing says is left open
    assert (fields["m-word-0"], fields["m-means-0"]) == ("n.d.", "not_detected")
    assert "samples can be read" not in said


def test_what_is_not_decided_is_asked_for_and_what_was_decided_stays(client: TestClient) -> None:
    fields = fields_of(send(client, "preview", {})) | {"m-limit-6": "0,5"}
    answer = send(client, "map/rows", fields)
    said = words(answer, 422)
    assert "gas volumes: choose the temperature" in said
    assert "columns: decide what these are, or that they are not read: 'Color'" in said
    assert fields_of(answer)["m-limit-6"] == "0,5"
    assert "Save it as the profile" not in said


def test_the_rows_are_shown_as_they_would_be_stored_with_what_cannot_be_taken(client: TestClient) -> None:
    fields = fields_of(send(client, "preview", {})) | DECIDED
    said = words(send(client, "map/rows", fields))
    assert "2 samples can be read" in said
    assert "F-881" in said
    assert "< 0.5" in said
    without = words(send(client, "map/rows", fields | {"m-limit-6": ""}))
    assert "1 problem remains" in without
    assert "below which limit?" in without


def test_a_mapping_is_saved_only_as_it_was_shown(client: TestClient) -> None:
    rows = send(client, "map/rows", fields_of(send(client, "preview", {})) | DECIDED)
    fields = fields_of(rows) | NEW_LABORATORY
    changed = words(send(client, "map/save", fields | {"m-gas": "20"}), 422)
    assert "The mapping was changed: look at its rows again." in changed
    assert "FERRAN" not in client.get("/upload").text
    unseen = {k: v for k, v in fields.items() if k != "m-shown"}
    assert "look at its rows again" in words(send(client, "map/save", unseen), 422)
    saved = words(send(client, "map/save", fields))
    assert "The mapping is saved as the profile of FERRAN." in saved
    assert "1 unit of the file is not known" in saved
    assert "Laboratorio Ferrán (FERRAN)" in client.get("/upload").text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"author": ""}, "author: say who made the mapping"),
        ({"m-code": "two words"}, "'two words' cannot be a code"),
        ({"m-code": "lab-orrin"}, "lab-orrin has the profile quillfen"),
        ({"m-name": ""}, "name: say the name of the new laboratory"),
    ],
)
def test_a_profile_that_cannot_be_kept_is_told_with_the_form_as_it_was(
    client: TestClient, change: dict[str, str], said: str
) -> None:
    rows = send(client, "map/rows", fields_of(send(client, "preview", {})) | DECIDED)
    answer = send(client, "map/save", fields_of(rows) | NEW_LABORATORY | change)
    assert said in words(answer, 422)
    assert fields_of(answer)["m-role-5"] == "h2"


def mapped(client: TestClient) -> Any:
    rows = send(client, "map/rows", fields_of(send(client, "preview", {})) | DECIDED)
    return send(client, "map/save", fields_of(rows) | NEW_LABORATORY)


def test_an_unknown_unit_is_picked_and_the_file_imported(client: TestClient) -> None:
    fields = fields_of(mapped(client))
    assert fields["laboratory"] == "FERRAN"  # chosen in the form from now on
    looked = send(client, "units", fields | {"unit-is-0": "SP-R2"})
    assert "Import 2 rows" in words(looked)
    fields = fields_of(looked)
    assert (fields["unit-text-0"], fields["unit-is-0"]) == ("ZZ-1", "SP-R2")
    done = words(send(client, "import", fields | {"author": "R. Oster"}))
    assert "Imported by R. Oster" in done
    assert "2 new" in done
    assert "F-882" in client.get("/assets/SP-R2").text
    # the next file's unit is proposed as it was decided, and asked for all the same
    again = send(client, "preview", {"laboratory": "FERRAN"})
    assert "At an earlier import it was said to be SP-R2: proposed, not yet applied." in words(again)
    assert fields_of(again)["unit-is-0"] == "SP-R2"
    assert "Import 2 rows" not in words(again)


def test_an_unknown_unit_is_registered_on_the_spot(client: TestClient) -> None:
    new = {
        "unit-is-0": "?new",
        "unit-code-0": "SP-T11",
        "unit-name-0": "Sandry spare",
        "unit-year_energized-0": "2001",
    }
    fields = fields_of(mapped(client)) | new | {"unit-site-0": "sandry"}
    looked = send(client, "units", fields)
    said = words(looked)
    assert "Registered: SP-T11." in said
    assert "Import 2 rows" in said
    done = words(send(client, "import", fields_of(looked) | {"author": "R. Oster"}))
    assert "2 new" in done
    assert "energized 2001" in client.get("/assets/SP-T11").text
    # the column holds serial numbers, so the new unit has this one: the next file is read without asking
    again = words(send(client, "preview", {"laboratory": "FERRAN"}))
    assert "2 already known" in again


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"unit-site-0": ""}, "site"),
        ({"unit-site-0": "nowhere"}, "no site has the code 'nowhere'"),
        ({"unit-code-0": "BW-T1"}, "a unit with the code 'BW-T1' is registered; choose it above"),
        ({"unit-code-0": "two words"}, "'two words' is not a code"),
        ({"unit-kind-0": "windmill"}, "kind"),
        ({"unit-year_energized-0": "soon"}, "year_energized"),
    ],
)
def test_a_unit_that_cannot_be_registered_is_told_and_nothing_is_lost(
    client: TestClient, change: dict[str, str], said: str
) -> None:
    new = {
        "unit-is-0": "?new",
        "unit-code-0": "SP-T11",
        "unit-name-0": "Sandry spare",
        "unit-site-0": "sandry",
    }
    answer = send(client, "units", fields_of(mapped(client)) | new | change)
    told = words(answer, 422)
    assert said in told
    assert "1 unit of the file is not known" in told
    assert fields_of(answer)["unit-name-0"] == "Sandry spare"
    assert client.get("/assets/SP-T11").status_code == 404


def test_a_preview_shows_old_and_new_and_what_it_means_and_the_import_links_to_it(client: TestClient) -> None:
    row = story.GOOD_ROW.format(day=DAY, number="77")
    for text in (row, row.replace(";7,5;5,1;", ";900;450;").replace(";1,4;<0,5;", ";800;120;")):
        fields = {"laboratory": "lab-orrin", "author": "R. Oster"}
        content = story.laboratory_file(text)
        looked = send(client, "preview", fields, content)
        done = send(client, "import", fields_of(looked) | fields, content)
    before = words(looked)
    assert "1 would correct an earlier sample" in before
    assert "changes an earlier sample" in before
    assert re.search(r"7\.5 ?900", before)
    after = words(done)
    assert re.search(r"1 ?low.*3 ?high", after)
    assert "Gassing: normal → unacknowledged" in after
    for link in (r'href="/alerts/\d+"', r'href="/samples/\d+"', r'href="/files/\d+"', r'href="/assets/BW-T3'):
        assert re.search(link, done.text), link


def test_a_doubtful_row_says_why(client: TestClient) -> None:
    """Equal to the report before it in every figure: it may be a copy (science/slips, identical repeat)."""
    row = story.GOOD_ROW.format(day=DAY, number="77")
    earlier = (story.NOW - timedelta(days=5)).strftime("%d.%m.%Y")
    content = story.laboratory_file(story.GOOD_ROW.format(day=earlier, number="70"), row)
    said = words(send(client, "preview", {"laboratory": "lab-orrin"}, content))
    assert "1 of them in doubt" in said
    assert "doubtful Every figure equals the report before it" in said


def test_a_row_that_is_known_and_excluded_says_so(client: TestClient) -> None:
    content = story.laboratory_file(story.GOOD_ROW.format(day=DAY, number="77"))
    fields = {"laboratory": "lab-orrin", "author": "R. Oster"}
    done = send(client, "import", fields_of(send(client, "preview", fields, content)) | fields, content)
    link = re.search(r'href="(/samples/\d+)"', done.text)
    assert link
    client.post(f"{link[1]}/exclude", data={"author": "R. Oster", "reason": "air bubble"})
    again = send(client, "preview", fields, content)
    assert "known and excluded by R. Oster: air bubble. It stays so" in words(again)
    assert f'href="{link[1]}"' in again.text


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"no table at all", "The file cannot be mapped"),
        (b"", "The file cannot be mapped: the file is empty"),
        (None, "Choose the file."),
    ],
)
def test_what_cannot_be_mapped_is_refused_in_words(
    client: TestClient, content: bytes | None, said: str
) -> None:
    for step in ("map", "map/rows"):
        assert said in words(send(client, step, {}, content), 422)


@pytest.mark.parametrize(
    "fields",
    [
        {"m-header": "99999999999"},
        {"m-header": "-1"},
        {"m-delimiter": "wall"},
        {"m-encoding": "rot13"},
        {"m-role-0": "x" * 5000, "m-decimal": ";"},
        {"m-day": "%Q", "m-decimal": ","},
        {"m-day": "%Y", "m-clock": "%", "m-decimal": ","},
        {"m-gas": "1e400", "m-decimal": ","},
        {"m-zone": "../../etc/passwd", "m-decimal": ","},
        {"m-word-0": "\0", "m-means-0": "not_measured", "m-decimal": ","},
        {"m-is-0": "nowhere", "m-part-0": "Cuba", "m-decimal": ","},
        {"unit-text-0": "ZZ-1", "unit-is-0": "\0"},
    ],
)
def test_a_form_that_no_browser_sends_is_answered_in_words(
    client: TestClient, fields: dict[str, str]
) -> None:
    start = fields_of(send(client, "preview", {})) | DECIDED
    for step in ("map", "map/rows", "map/save", "units"):
        answer = send(client, step, start | NEW_LABORATORY | fields)
        assert answer.status_code in {200, 422}, (step, answer.text)


def test_a_file_of_another_kind_is_offered_the_mapping(client: TestClient) -> None:
    said = words(send(client, "preview", {"laboratory": "lab-orrin"}))
    assert "Map its columns by hand" in said


# --- damaged files ----------------------------------------------------------------------------------------

SAMPLES = Path(__file__).parents[3] / "sample_data" / "laboratory"
PIECES = (
    b";",
    b",",
    b'"',
    b"\t",
    b"|",
    b"\n",
    b"\r\n",
    b"<",
    b"\0",
    b"\xff\xfe",
    b"H2",
    b"1e309",
    b"\xc2\xa0",
)


def damaged(content: bytes, chance: random.Random) -> bytes:
    """A file with bytes changed, cut out, put in or repeated."""
    mutable = bytearray(content)
    for _ in range(chance.choice((1, 1, 3, 10, 40))):
        at = chance.randrange(len(mutable) + 1)
        match chance.randrange(4):
            case 0:
                mutable[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                del mutable[at : at + chance.randrange(1, 30)]
            case 2:
                mutable[at:at] = chance.choice(PIECES)
            case _:
                mutable[at:at] = mutable[: chance.randrange(1, 80)]
    return bytes(mutable)


@pytest.mark.fuzz
def test_damaged_files_are_proposed_read_or_refused_in_words() -> None:
    """1,000 damaged files through proposals, decisions and the import's reader: no other exception gets out."""
    chance = random.Random(61850)
    files = [p.read_bytes()[:6000] for p in sorted(SAMPLES.iterdir()) if p.suffix in {".csv", ".txt"}]
    outcomes: Counter[str] = Counter()
    for _ in range(1000):
        content = damaged(chance.choice(files), chance)
        try:
            found = guess(content, Structure())
        except UnreadableFileError as error:
            outcomes["unreadable"] += bool(str(error))
            continue
        fields = shown_fields({}, found) | {"m-gas": "20", "m-rest": "1", "m-assumed": "12:00"}
        fields |= {"m-decimal": fields["m-decimal"] or ".", "m-day": fields["m-day"] or "%d/%m/%Y"}
        decisions = decisions_of(shown_fields(fields, found), found.grid)
        try:
            profile = profile_of(decisions, found.grid)
        except MappingError as error:
            outcomes["not decided"] += bool(error.problems)
            continue
        mapped = read_rows(content, profile)
        assert mapped.count or mapped.problems
        outcomes["read" if mapped.count else "refused"] += 1
    assert min(outcomes[what] for what in ("unreadable", "not decided", "read", "refused")) >= 20, outcomes
