"""What must hold for any samples at all: no failure, no look into the future, no dependence on the company."""

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
from engine_cast import START, join
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.alerting.advice import advice
from app.domain.findings import Assessment
from app.domain.judging.engine import RULES, Judgement, assess
from app.domain.judging.frame import SampleFrame, to_days
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.domain.model import Asset
from app.science.quantities import INDEX, NAMES, NORM_GASES, QUANTITIES

LEVELS = st.one_of(
    st.just(float("nan")),
    st.just(0.0),
    st.floats(0.0, 5.0),
    st.floats(0.0, 500.0),
    st.floats(0.0, 1e6),
    st.floats(1e-300, 1e-200),
)
"""Not measured, nothing, near detection, ordinary, as much as intake lets through, and almost nothing."""


@st.composite
def series_frames(
    draw: st.DrawFn, number: int = 0, *, most: int = 9, online: bool | None = None
) -> SampleFrame:
    """One series with anything intake lets through, at any times, several perhaps at the same one."""
    count = draw(st.integers(1, most))
    days = sorted(draw(st.lists(st.floats(0.0, 1500.0), min_size=count, max_size=count)))
    values = np.full((count, len(NAMES)), np.nan)
    for name in (*NORM_GASES, "o2", "n2", "water"):
        values[:, INDEX[name]] = draw(st.lists(LEVELS, min_size=count, max_size=count))
    values[:, INDEX["oil_temperature"]] = draw(st.one_of(st.just(float("nan")), st.floats(-60.0, 250.0)))
    values[:, INDEX["furfural"]] = draw(LEVELS)
    for q, quantity in enumerate(QUANTITIES):
        if quantity.maximum is not None:
            np.minimum(values[:, q], quantity.maximum, out=values[:, q])
    below = np.array(
        draw(st.lists(st.lists(st.booleans(), min_size=9, max_size=9), min_size=count, max_size=count))
    )
    marks = np.zeros(values.shape, dtype=np.bool_)
    marks[:, :9] = below & ~np.isnan(values[:, :9])
    return SampleFrame(
        series=np.full(count, number, dtype=np.int64),
        at=to_days(START) + np.array(days),
        values=values,
        below=marks,
        age=np.full(count, draw(st.sampled_from([float("nan"), 0.0, 0.4, 5.0, 9.99, 10.0, 31.0, 200.0]))),
        online=np.full(count, draw(st.booleans()) if online is None else online),
        oxygen_ratio=np.full(count, draw(st.sampled_from([float("nan"), 0.1, 0.2, 5.0]))),
    )


def columns(part: Any, row_count: int, path: str = "") -> dict[str, np.ndarray]:
    """Every column of a judgement by its path."""
    if isinstance(part, np.ndarray):
        return {path: part} if len(part) == row_count else {}
    inside: Mapping[str, Any] = {}
    if isinstance(part, Judgement):
        inside = {rule.name: getattr(part, rule.name) for rule in RULES}
    elif isinstance(part, Mapping):
        inside = part
    elif is_dataclass(part):
        inside = {one.name: getattr(part, one.name) for one in fields(part)}
    found: dict[str, np.ndarray] = {}
    for name, value in inside.items():
        found |= columns(value, row_count, f"{path}.{name}".lstrip("."))
    return found


def told(judgement: Judgement, row: int) -> Assessment:
    return report(judgement, row, ReportOptions(draws=5, oil_volume_l=20_000.0))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.data())
def test_no_sample_makes_the_engine_fail_or_tell_what_is_no_number(data: st.DataObject) -> None:
    frame = join([data.draw(series_frames(number)) for number in range(data.draw(st.integers(1, 3)))])
    judgement = assess(frame)
    unit = Asset("X", "X", "X")
    for row in range(len(frame)):
        found = told(judgement, row)
        text = json.dumps(found.to_json(), allow_nan=False)
        assert Assessment.from_json(json.loads(text)) == found
        nothing = bool((judgement.levels.level[row] < 0).all())
        assert found.status is None if nothing else found.status or judgement.levels.blind[row].any()
        assert all(sentence.text and sentence.sources for sentence in verdict(found))
        assert advice(found, unit, START).actions


@settings(max_examples=100, deadline=None, derandomize=True)
@given(series_frames(most=10), st.data())
def test_a_judgement_does_not_depend_on_what_comes_later(whole: SampleFrame, data: st.DataObject) -> None:
    """Except ``dropped``, which a later sample decides (6.1.2)."""
    kept = data.draw(st.integers(1, len(whole)))
    part = columns(assess(whole.take(np.arange(kept))), kept)
    full = columns(assess(whole), len(whole))
    assert set(part) <= set(full)
    assert len(part) > 40
    for name in set(part) - {"changes.dropped"}:
        np.testing.assert_allclose(full[name][:kept], part[name], rtol=1e-9, atol=1e-9, err_msg=name)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.data())
def test_a_series_is_judged_alike_in_any_company_and_order(data: st.DataObject) -> None:
    frames = [data.draw(series_frames(number, most=6)) for number in range(3)]
    order = data.draw(st.permutations(range(3)))
    alone = [columns(assess(frame), len(frame)) for frame in frames]
    renumbered = [renumber(frames[which], place) for place, which in enumerate(order)]
    together = columns(assess(join(renumbered)), sum(len(f) for f in frames))
    for name in together:
        expected = np.concatenate([alone[which][name] for which in order])
        np.testing.assert_allclose(together[name], expected, rtol=1e-9, atol=1e-9, err_msg=name)


def renumber(frame: SampleFrame, number: int) -> SampleFrame:
    rest = {f.name: getattr(frame, f.name) for f in fields(frame)}
    return SampleFrame(**(rest | {"series": np.full(len(frame), number, dtype=np.int64)}))


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(0.0, 3000.0), min_size=7, max_size=7),
    st.integers(0, 6),
    st.floats(0.0, 5000.0),
    st.sampled_from([float("nan"), 5.0, 20.0, 40.0]),
)
def test_more_of_a_gas_never_lowers_the_status_of_a_first_sample(
    levels: list[float], gas: int, more: float, age: float
) -> None:
    """On its levels alone; a later sample may fall back by a lower delta or rate."""
    both = []
    for extra in (0.0, more):
        values = np.full((1, len(NAMES)), np.nan)
        values[0, : len(levels)] = levels
        values[0, gas] += extra
        frame = SampleFrame(
            np.zeros(1, np.int64),
            np.array([to_days(START)]),
            values,
            np.zeros(values.shape, np.bool_),
            np.array([age]),
            np.zeros(1, np.bool_),
            np.array([np.nan]),
        )
        both.append(int(assess(frame).changes.status[0]))
    assert both[1] >= both[0]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(series_frames(most=6))
def test_a_suspect_or_doubtful_sample_is_the_only_one_that_can_be_dropped(frame: SampleFrame) -> None:
    judgement = assess(frame)
    changes = judgement.changes
    assert not (changes.dropped & ~changes.suspect).any()
    assert not (changes.confirmed & changes.refuted).any()
    for row in np.flatnonzero(changes.dropped):
        later = frame.series[row + 1 :] == frame.series[row]
        assert (changes.refuted[row + 1 :] & later).any()


def test_an_empty_frame_is_an_empty_judgement() -> None:
    nothing = SampleFrame(
        np.zeros(0, np.int64),
        np.zeros(0),
        np.zeros((0, len(NAMES))),
        np.zeros((0, len(NAMES)), np.bool_),
        np.zeros(0),
        np.zeros(0, np.bool_),
        np.zeros(0),
    )
    assert all(len(column) == 0 for column in columns(assess(nothing), 0).values())
