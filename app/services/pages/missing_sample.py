"""What to tell of a sample id behind which nothing is stored."""

from app.store.database import Database
from app.store.keeping import retention


def why_missing(database: Database, sample_id: int) -> str:
    """Whether the raw reading has passed retention, or there never was such a sample."""
    with database.read() as connection:
        before = retention.ended_before(connection, sample_id)
    if before is None:
        return f"No sample has the id {sample_id}."
    return (
        f"Sample {sample_id} is not kept any more: its raw reading has passed retention (on-line readings taken"
        f" before {before:%Y-%m-%d} UTC are gone). The day's summary is kept, and so is what was said of alerts."
    )
