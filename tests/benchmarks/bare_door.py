"""The baseline of the door: an endpoint that parses a post and stores its rows in the same table with the same
driver, one commit a post, and judges nothing. `python bare_door.py DATABASE_URL PORT SOURCE_ID=COMPARTMENT_ID...`
"""

import sys
from datetime import UTC, datetime
from typing import Annotated, Any

import uvicorn
from fastapi import Depends, FastAPI, Request
from pydantic import BaseModel

from app.science.quantities import NAMES
from app.store.bulk import insert_rows
from app.store.database import Database
from app.store.partitions import ensure_months
from app.store.recording.online_rows import next_ids
from app.store.schema import samples


class BareSample(BaseModel):
    taken_at: datetime
    h2: float
    ch4: float
    c2h6: float
    c2h4: float
    c2h2: float
    co: float
    co2: float
    water: float
    oil_temperature: float


class BareBatch(BaseModel):
    samples: list[BareSample]


FIXED = {
    "revision": 1,
    "current": True,
    "online": True,
    "suspect": False,
    "below": 0,
    "unjudged": 0,
}
QUANTITIES = [name for name in NAMES if name in BareSample.model_fields]
COLUMNS = ["id", "compartment_id", "source_id", "taken_at", "received_at", *FIXED, *QUANTITIES]


async def _bytes(request: Request) -> bytes:
    return await request.body()


def make(database: Database, compartments: dict[str, tuple[int, int]]) -> FastAPI:
    """The application; the key of a post is its source's id."""
    app = FastAPI()

    @app.post("/bare")
    def bare(content: Annotated[bytes, Depends(_bytes)], request: Request) -> dict[str, Any]:
        batch = BareBatch.model_validate_json(content)
        source, compartment = compartments[request.headers["authorization"].removeprefix("Bearer ")]
        now = datetime.now(UTC)
        with database.write() as connection:
            ensure_months(connection, (one.taken_at for one in batch.samples))
            rows = [
                (
                    sample_id,
                    compartment,
                    source,
                    one.taken_at,
                    now,
                    *FIXED.values(),
                    *(getattr(one, name) for name in QUANTITIES),
                )
                for sample_id, one in zip(
                    next_ids(connection, len(batch.samples)), batch.samples, strict=True
                )
            ]
            insert_rows(connection, samples, COLUMNS, rows)
        return {"outcomes": [{"result": "stored", "sample_id": row[0]} for row in rows]}

    return app


def main() -> None:
    """Serve until killed."""
    url, port, *pairs = sys.argv[1:]
    served = {}
    for pair in pairs:
        source, compartment = pair.split("=")
        served[source] = (int(source), int(compartment))
    uvicorn.run(make(Database(url), served), host="127.0.0.1", port=int(port), log_level="warning")


if __name__ == "__main__":
    main()
