"""A post as columns says the same as its samples one by one."""

from datetime import UTC, datetime

import numpy as np
import pytest

from app.domain.model import Quality, Reading, Rejection, Sample, SetAside
from app.domain.recording.columns import SampleColumns, columns_of
from app.science.quantities import INDEX

AT = datetime(2026, 3, 1, 6, tzinfo=UTC)


def test_values_limits_qualities_and_places_stand_in_columns() -> None:
    readings = {"h2": Reading("h2", value=40.0), "c2h2": Reading("c2h2", below=0.5)}
    doubted = {"h2": Reading("h2", value=41.0, quality=Quality.OLD)}
    batch: list[Sample | Rejection] = [
        Sample("T1", "main", "MON", AT, readings),
        Rejection("samples[1].h2", "no number", index=1),
        Sample("T1", "main", "MON", AT, doubted, set_aside=SetAside.MAINTENANCE),
    ]
    columns = columns_of(batch)
    assert (columns.size, len(columns), list(columns.place)) == (3, 2, [0, 2])
    assert columns.values[0, INDEX["c2h2"]] == 0.5
    assert columns.below[0, INDEX["c2h2"]]
    assert columns.below.sum() == 1
    assert np.isnan(columns.values[1, INDEX["c2h2"]])
    assert list(columns.qualities) == [None, {"h2": Quality.OLD}]
    assert list(columns.set_aside) == [None, SetAside.MAINTENANCE]
    assert [r.index for r in columns.rejections] == [1]


def test_columns_that_do_not_fit_are_refused() -> None:
    good = columns_of([Sample("T1", "main", "MON", AT, {"h2": Reading("h2", value=1.0)})])
    with pytest.raises(ValueError, match="shape"):
        SampleColumns(1, [0], ["main"], [AT], good.values[:, :3], good.below, [None], [None])
    with pytest.raises(ValueError, match="differ in length"):
        SampleColumns(1, [0], ["main"], [], good.values, good.below, [None], [None])
    with pytest.raises(ValueError, match="row or a rejection"):
        SampleColumns(2, [0], ["main"], [AT], good.values, good.below, [None], [None])
