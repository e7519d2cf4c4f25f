"""`ullage explain`: the trace of one sample, as a person would check it by hand with the tables open."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, TextIO

import numpy as np

from app.domain.findings import Assessment, Course
from app.domain.judging.course.states import STATE_MEANING, STEP_WORDS, State, Step, state_words
from app.domain.judging.engine import RULE_SET, Judgement
from app.domain.judging.methods import TITLES
from app.domain.judging.norms import NORM_SET_NAMES, NORM_SETS, norms_2019, span_column
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.reporting import sentences
from app.domain.judging.reporting.limits import column_words, level_citation
from app.domain.judging.rules.change import ACETYLENE
from app.domain.judging.verdict import verdict
from app.domain.writing import signed, written
from app.errors import UnknownError
from app.science.quantities import BY_NAME, NORM_GASES
from app.services.judging.context import judging_context
from app.services.judging.interpret import judge_csv
from app.services.judging.interpret_rows import CsvError
from app.services.judging.judge_online import judgement_at
from app.services.judging.laboratory_series import judgement_of, report_options
from app.services.judging.online_courses import online_course_of, with_course
from app.store.database import Database
from app.store.recording import samples

POINTS: Final = (
    "the last 3 to 6 points over 4 to 24 months; more where six span less than four months, and all of two years where "
    "only they are above"
)


@dataclass(frozen=True, slots=True)
class _Sample:
    """Which sample is explained, and what is known of its unit."""

    asset: str
    taken_at: datetime
    options: ReportOptions = field(default_factory=ReportOptions)
    online_course: Course | None = None
    """Of its series, where the sample is a reading."""


def explain_csv(file: TextIO, number: int) -> Iterator[str]:
    """Lines of text for row ``number`` (the first row below the header is 1).

    Raises:
        CsvError: for a file that cannot be read, or a row it does not have.
    """
    rows, judgement, place = judge_csv(file)
    if number > len(rows):
        raise CsvError([f"there is no row {number}: the file has {len(rows)}"])
    chosen = rows[number - 1]
    yield from _explain(judgement, place[number - 1], _Sample(chosen.asset, chosen.taken_at))


def explain_sample(database: Database, sample_id: int) -> Iterator[str]:
    """Lines of text for a stored sample, judged as it would be now.

    Raises:
        UnknownSampleError: no sample that counts has this id.
    """
    with database.read() as connection:
        place = samples.place_of(connection, sample_id)
        if place is None:
            raise UnknownSampleError(f"no sample that counts has the id {sample_id}")
        around = judging_context(connection, [place.compartment_id])
        context = around.contexts[place.compartment_id]
        found = (
            judgement_of(connection, place.compartment_id, around)
            if place.instrument_id is None
            else judgement_at(connection, place.compartment_id, place.instrument_id, place.taken_at)
        )
        course = online_course_of(connection, sample_id)
    if found is None:
        raise UnknownSampleError(f"no sample that counts has the id {sample_id}")
    window, judgement = found
    yield from _explain(
        judgement,
        window.ids.index(sample_id),
        _Sample(context.asset.code, place.taken_at, report_options(context), course),
    )


class UnknownSampleError(UnknownError):
    """There is no such sample, or it is excluded or an old revision."""


def _explain(judgement: Judgement, row: int, sample: _Sample) -> Iterator[str]:
    yield f"{sample.asset}, {sample.taken_at:%Y-%m-%d %H:%M} UTC, rule set {RULE_SET}"
    kind = "An on-line reading" if judgement.frame.online[row] else "A laboratory sample"
    yield f"{kind}, number {row - _start(judgement, row) + 1} of its series."
    yield ""
    yield from _levels(judgement, row)
    yield from _changes(judgement, row)
    yield from _confirmation(judgement, row)
    assessment = report(judgement, row, sample.options)
    if sample.online_course is not None:
        assessment = with_course(assessment, sample.online_course)
    yield from _methods(assessment)
    if assessment.course is not None:
        yield from _course(assessment.course)
    yield ""
    yield "7. Verdict" if assessment.course else "6. Verdict"
    for sentence in verdict(assessment):
        yield f"   {sentence.text}  [{'; '.join(sentence.sources)}]"


def _course(course: Course) -> Iterator[str]:
    yield ""
    yield f"6. Course of the unit, up to {'this sample' if course.as_of is None else course.as_of}"
    yield f"   {state_words(course)}: {STATE_MEANING[State(course.state)]}"
    for sentence in course.why:
        yield f"   {sentence}"
    if course.as_of is None:
        yield f"   with this sample: {', '.join(STEP_WORDS[Step(step)] for step in course.steps) or 'no step'}"


def _start(judgement: Judgement, row: int) -> int:
    return int(np.searchsorted(judgement.frame.series, judgement.frame.series[row]))


def _figure(value: float) -> str:
    return written(float(value), 6)


def _symbol(gas: str) -> str:
    return f"{BY_NAME[gas].symbol:<5}"


def _levels(judgement: Judgement, row: int) -> Iterator[str]:
    levels = judgement.levels
    report_set = NORM_SET_NAMES[NORM_SETS[levels.norm_set[row]]]
    yield f"1. Levels, by {report_set}: {column_words(judgement, row)}"
    words = ("not above the typical value", "above the typical value", "above the high value")
    for g, gas in enumerate(NORM_GASES):
        value = judgement.frame.values[row, g]
        if np.isnan(value):
            yield f"   {_symbol(gas)} not measured"
            continue
        sign = "<" if judgement.frame.below[row, g] else ""
        level = int(levels.level[row, g])
        result = "cannot be judged" if level < 0 else words[level]
        yield f"   {_symbol(gas)} {sign}{_figure(value)} µL/L against {_limits(judgement, row, g)}: {result}"


def _limits(judgement: Judgement, row: int, g: int) -> str:
    """The limits of a level, each with where it was read."""
    levels, found = judgement.levels, []
    for limits, high in ((levels.typical, False), (levels.high, True)):
        if np.isfinite(limits[row, g]):
            cite = level_citation(judgement, row, g, high=high)
            found.append(f"{_figure(limits[row, g])} [{cite.source}; {cite.provenance}]")
    return " and ".join(found) or "no limit"


def _changes(judgement: Judgement, row: int) -> Iterator[str]:
    changes, side = judgement.changes, int(judgement.levels.side[row])
    yield ""
    online = bool(judgement.frame.online[row])
    against = sentences.compared_with(online=online)
    yield f"2. Change {against} (Table 3)"
    for g, gas in enumerate(NORM_GASES):
        if np.isnan(changes.delta[row, g]):
            yield f"   {_symbol(gas)} no reference"
            continue
        limit = norms_2019().delta[side, g]
        norm = "any increase that can be measured" if g == ACETYLENE else f"{_figure(limit)} µL/L"
        result = "above" if changes.delta_exceeds[row, g] else "not above"
        yield (
            f"   {_symbol(gas)} {_figure(judgement.frame.values[row, g])} - {_figure(changes.reference[row, g])} = "
            f"{signed(float(changes.delta[row, g]), 6)} µL/L, {result} {norm}"
        )
    yield ""
    which = "daily medians of nine months, 30 at least, over 4 months at least" if online else POINTS
    yield f"3. Multi-point rate (Table 4): least squares x 365, {which}"
    for g, gas in enumerate(NORM_GASES):
        if np.isnan(changes.rate[row, g]):
            yield f"   {_symbol(gas)} no rate: too few points or too short a span"
            continue
        span = int(span_column(changes.rate_span[row, g : g + 1])[0])
        norm = (
            "any increasing rate that can be measured"
            if g == ACETYLENE
            else f"{_figure(norms_2019().rate[side, span, g])} µL/L a year"
        )
        result = "above" if changes.rate_exceeds[row, g] else "not above"
        used = int(changes.rate_points[row, g])
        if changes.rate_exceeds[row, g] and not changes.borne_out[row, g]:
            result += " (not borne out by its points)"
        yield (
            f"   {_symbol(gas)} {signed(float(changes.rate[row, g]))} µL/L a year from {used} points over "
            f"{changes.rate_span[row, g]:.0f} days, {result} {norm}"
        )
        if not judgement.frame.online[row]:
            yield "         points (days before, µL/L): " + ", ".join(
                f"({t:.0f}, {_figure(v)})" for t, v in _rate_points(judgement, row, g)
            )


def _rate_points(judgement: Judgement, row: int, g: int) -> Iterator[tuple[float, float]]:
    """The points of a laboratory's rate: days before (negative) and values [µL/L]."""
    frame, changes = judgement.frame, judgement.changes
    rows = np.arange(frame.since(row, float(changes.rate_span[row, g]) + 1e-6), row + 1)
    rows = rows[~changes.dropped[rows] & ~frame.below[rows, g] & ~np.isnan(frame.values[rows, g])]
    for one in rows[-int(changes.rate_points[row, g]) :]:
        yield float(frame.at[one] - frame.at[row]), float(frame.values[one, g])


def _confirmation(judgement: Judgement, row: int) -> Iterator[str]:
    changes = judgement.changes
    yield ""
    yield "4. Confirmation (6.1.2)"
    said = [
        (
            changes.suspect[row],
            "a change is above its norm, or cannot be explained, and was not confirmed before: suspect",
        ),
        (changes.confirmed[row], "the suspect change before it is still there: confirmed"),
        (changes.refuted[row], "the suspect change before it is gone: refuted, the suspect point is dropped"),
        (changes.dropped[row], "a later sample refuted this one: it takes no part in later rates"),
    ]
    found = [text for true, text in said if true]
    yield from (f"   {text}" for text in found or ["nothing to confirm"])
    yield f"   status {changes.status[row] or 'none'}: the worst of levels, changes and rates of any gas"


def _methods(assessment: Assessment) -> Iterator[str]:
    yield ""
    yield "5. Diagnostic methods"
    for name, call in assessment.methods.items():
        yield f"   {TITLES[name]}: {call.code or 'not applicable'} - {call.why}"
    for name, call in assessment.increments.items():
        method, since = name.split("/")
        words = sentences.new_gas(since, online=assessment.online)
        yield f"   {TITLES[method]}, {words}: {call.code or 'not applicable'} - {call.why}"
