"""The courses of on-line series for whoever shows them. They are told once a day, and say as of which day."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from app.domain.alerting.shown import gravity_alone
from app.domain.findings import Assessment, Course
from app.domain.judging.course.sentences import newer_sentence
from app.domain.judging.course.states import graver
from app.domain.model import SourceKind, utc_day
from app.store.database import Connection
from app.store.pages.view_samples import SampleView, samples_by_id
from app.store.watching import online_courses
from app.store.watching.online_courses import OnlineCourse


def online_courses_of(
    connection: Connection, compartment_ids: Sequence[int]
) -> dict[int, list[OnlineCourse]]:
    """What the newest look at each instrument's days found, the gravest first; compartments without any left out."""
    return online_courses.courses_of(connection, compartment_ids)


def gravest_of(found: Sequence[OnlineCourse]) -> Course | None:
    """The gravest of the courses of one compartment's instruments."""
    return graver(one.found.course for one in found)


def with_online_courses(connection: Connection, views: Mapping[int, SampleView]) -> dict[int, SampleView]:
    """The views, each reading with the course of its series, where the newest look did not go beyond its day.

    An older reading stays without one: what is known today is not what was known then.
    """
    told = _courses_with(connection, [v for v in views.values() if v.assessment])
    return {
        i: replace(v, assessment=with_course(v.assessment, told.get(i)))
        if v.assessment and v.assessment.online
        else v
        for i, v in views.items()
    }


def with_online_course(connection: Connection, sample_id: int, assessment: Assessment) -> Assessment:
    """What is said of one sample, with the course that goes with it where it is a reading."""
    return (
        with_course(assessment, online_course_of(connection, sample_id)) if assessment.online else assessment
    )


def online_course_of(connection: Connection, sample_id: int) -> Course | None:
    """The course that goes with one reading; None of a laboratory sample."""
    return _courses_with(connection, samples_by_id(connection, [sample_id]).values()).get(sample_id)


def with_course(assessment: Assessment, course: Course | None) -> Assessment:
    """A reading with its course; a graver reading makes the course as grave, since it is newer."""
    alone = gravity_alone(assessment)
    if course is not None and alone > course.gravity:
        course = replace(course, gravity=alone, why=(*course.why, newer_sentence(alone)))
    return replace(assessment, course=course)


def _courses_with(connection: Connection, views: Iterable[SampleView]) -> dict[int, Course]:
    online = [v for v in views if v.source_kind is SourceKind.INSTRUMENT and v.counts]
    courses = online_courses.courses_of(connection, sorted({v.compartment_id for v in online}))
    own = {(c, one.source_code): one for c, some in courses.items() for one in some}
    found = {}
    for view in online:
        one = own.get((view.compartment_id, view.source_code))
        if one is not None and one.day <= utc_day(view.taken_at):
            found[view.id] = one.found.course
    return found
