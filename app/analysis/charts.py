"""The charts of the pages, of a data frame."""

import pandas as pd

from app.domain.model import SourceKind
from app.plots.figure import Chart
from app.plots.readings import TrendPoint
from app.plots.trend import TrendInput, trend
from app.services.exporting.frames import BELOW


def chart(samples: pd.DataFrame, quantity: str, *, time_zone: str = "UTC") -> Chart:
    """The trend of one quantity of one compartment, as its page draws it but without norms and service events.

    Args:
        samples: as :func:`app.analysis.samples` gives them.
        quantity: a column, for instance ``h2``.
        time_zone: in which times are drawn, for instance ``Europe/Helsinki``.

    Returns:
        A plotly figure: ``chart(frame, "h2").show()`` draws it in a notebook.

    Raises:
        ValueError: the frame holds no reading of the quantity, or those of more than one compartment.
    """
    measured = samples[samples[quantity].notna()]
    places = measured[[name for name in ("asset", "compartment") if name in measured]].drop_duplicates()
    if len(places) != 1:
        raise ValueError(f"a chart shows {quantity} of one compartment; the frame has it of {len(places)}")
    if "source_kind" in measured:
        online = measured["source_kind"] == SourceKind.INSTRUMENT
    else:
        online = pd.Series(False, index=measured.index)
    times = measured["taken_at"]
    return trend(
        TrendInput(
            quantity=quantity,
            laboratory=_points(measured[~online], quantity),
            online=_points(measured[online], quantity),
            norms=(),
            events=(),
            window=(times.min().to_pydatetime(), times.max().to_pydatetime()),
            time_zone=time_zone,
        )
    )


def _points(measured: pd.DataFrame, quantity: str) -> list[TrendPoint]:
    columns = measured[["taken_at", quantity, quantity + BELOW]].sort_values("taken_at")
    return [
        TrendPoint(at.to_pydatetime(), float(value), bool(below)) for at, value, below in columns.to_numpy()
    ]
