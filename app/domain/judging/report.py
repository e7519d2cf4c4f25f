"""One sample's columns made into an Assessment: numbers first, then sentences made from the numbers."""

from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from app.domain.findings import Assessment, Certainty
from app.domain.judging.engine import RULE_SET, Judgement
from app.domain.judging.methods import METHODS
from app.domain.judging.norms import NORM_SETS
from app.domain.judging.reporting.course import course_of
from app.domain.judging.reporting.details import Details, details_of
from app.domain.judging.reporting.fault import fault_of
from app.domain.judging.reporting.findings import findings_of, status_reasons
from app.domain.judging.reporting.methods import increments_of, methods_of
from app.domain.judging.reporting.numbers import deltas_of, number, numbers_of, rates_of
from app.domain.judging.reporting.oil import oil_findings
from app.domain.judging.reporting.own_record import own_record_findings
from app.domain.judging.reporting.paper import paper_findings
from app.domain.judging.reporting.water import water_findings
from app.domain.judging.reporting.without_status import looked_at
from app.domain.judging.rules.certainty import DRAWS, Certainties
from app.domain.judging.rules.trend import judge_trends
from app.science.quantities import NORM_GASES

LEAST_TOLD: Final = 0.01
"""Zones less probable than this are not told."""


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """How much to work out for a row.

    Attributes:
        detailed: trends and probabilities too; costlier, and wanted for newest and laboratory samples.
        oil_volume_l: for gas generation in mL/day.
        draws: number of draws under measurement uncertainty.
        communicating: the tap changer shares oil or gas with the tank.
        time_zone: of the site, for the days that sentences name.
    """

    detailed: bool = True
    oil_volume_l: float | None = None
    draws: int = DRAWS
    communicating: bool = False
    time_zone: str = "UTC"


def report(
    judgement: Judgement, row: int, options: ReportOptions | None = None, details: Details | None = None
) -> Assessment:
    """The assessment of one row of a judgement; ``details`` of the row where they were worked out with others'."""
    options = options or ReportOptions()
    zone = ZoneInfo(options.time_zone)
    findings = (
        *findings_of(judgement, row, zone),
        *own_record_findings(judgement, row),
        *water_findings(judgement, row),
        *oil_findings(judgement, row),
        *paper_findings(judgement, row),
    )
    if options.detailed and details is None:
        one = np.array([row], dtype=np.int64)
        details = details_of(judgement, one, options.draws, communicating=options.communicating)[0]
    certainties = None if details is None else details.certainties
    fault, no_fault = fault_of(judgement, row, certainties)
    doubtful = bool(judgement.quality.doubtful[row])
    trends = judge_trends(judgement, row, options.oil_volume_l) if options.detailed else {}
    return Assessment(
        status=int(judgement.changes.status[row]) or None,
        suspect=(bool(judgement.changes.suspect[row]) or doubtful) and not judgement.changes.dropped[row],
        online=bool(judgement.frame.online[row]),
        waiting=bool(judgement.changes.waiting[row]),
        judged_gases=tuple(
            g for g, level in zip(NORM_GASES, judgement.levels.level[row].tolist(), strict=True) if level >= 0
        ),
        doubtful=doubtful,
        looked_at=looked_at(judgement, row),
        doubted_gases=tuple(
            g
            for g, unsure in zip(NORM_GASES, judgement.quality.doubted[row], strict=True)
            if unsure and doubtful
        ),
        status_reasons=status_reasons(judgement, row, findings),
        norm_set=NORM_SETS[judgement.levels.norm_set[row]],
        rule_set=RULE_SET,
        methods=methods_of(judgement, row),
        increments=increments_of(judgement, row),
        rates=rates_of(judgement, row),
        deltas=deltas_of(judgement, row),
        nei_oil=number(judgement.nei_oil[row], 3),
        relative_saturation=number(judgement.relative_saturation[row], 2),
        numbers=numbers_of(judgement, row),
        trends=trends,
        course=course_of(judgement, row, zone, trends),
        certainty=None if certainties is None else _certainty(certainties, options.draws),
        fault=fault,
        no_fault=no_fault,
        findings=findings,
        norm_sets={} if details is None else details.norm_sets,
    )


def _certainty(found: Certainties, draws: int) -> Certainty:
    zones = {m.name: (m.codes, found.zones[m.name][0]) for m in METHODS if m.name in found.zones}
    return Certainty(
        draws=draws,
        status={str(s): round(float(p), 3) for s, p in enumerate(found.status[0], start=1)},
        zones={
            method: {
                name: round(float(p), 3) for name, p in zip(names, chances, strict=True) if p >= LEAST_TOLD
            }
            for method, (names, chances) in zones.items()
            if chances.any()
        },
        rising={
            gas: round(float(p), 3)
            for gas, p in zip(NORM_GASES, found.rising[0], strict=True)
            if not np.isnan(p)
        },
    )
