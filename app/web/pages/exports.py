"""Files to take away: samples, assessments and alerts of a unit, a site or the fleet, as CSV, xlsx or Parquet."""

import re
from collections.abc import Iterator
from tempfile import SpooledTemporaryFile
from typing import Annotated, BinaryIO, cast

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import StreamingResponse

from app.services.exporting.export_files import Format, NoParquetError, Wanted, export
from app.services.exporting.export_tables import Kind, UnknownScopeError
from app.store.exporting.exports import Scope
from app.web.dependencies import Store
from app.web.inputs.parameters import PrintableText

router = APIRouter()

IN_MEMORY = 4 * 1024 * 1024
BLOCK = 256 * 1024
TYPES: dict[Format, str] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
Code = Annotated[PrintableText | None, Query(min_length=1, max_length=200)]


@router.get("/exports/{kind}.{form}")
def take_away(
    database: Store, kind: Kind, form: Format, asset: Code = None, site: Code = None
) -> StreamingResponse:
    """The file, written whole before the first byte is sent: a failure is told and never half a file."""
    if asset is not None and site is not None:
        raise HTTPException(422, "Ask for an asset or for a site, not for both.")
    # closed by whoever sends it
    written = cast(BinaryIO, SpooledTemporaryFile(max_size=IN_MEMORY))  # noqa: SIM115
    try:
        export(database, Wanted(kind, Scope(asset, site), form), written)
    except UnknownScopeError as error:
        written.close()
        raise HTTPException(404, f"{error}.") from None
    except NoParquetError as error:
        written.close()
        raise HTTPException(501, f"{error}.") from None
    of = re.sub(r"[^A-Za-z0-9._-]", "_", asset or site or "fleet")
    headers = {"Content-Disposition": f'attachment; filename="ullage-{of}-{kind}.{form}"'}
    return StreamingResponse(_blocks(written), media_type=TYPES[form], headers=headers)


def _blocks(written: BinaryIO) -> Iterator[bytes]:
    with written:
        written.seek(0)
        while block := written.read(BLOCK):
            yield block
