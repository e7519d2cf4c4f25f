"""The demo's record: laboratory samples of six years and on-line samples, ready for record_samples."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np

from app.demo.climate import STEP_HOURS, Grid
from app.demo.generator import MAIN, Truth, make_truth, seed_of
from app.demo.measure import LABORATORY, METERS, PLAIN, biases, measure, significant
from app.demo.stories import LIVE_DAYS, PLANS, Plan
from app.domain.model import Asset, Preservation, Reading, Sample, ServiceEvent, Source

ONLINE_DAYS = 365
"""On-line record before the live part [days]."""
CONFIRMATION_DAYS = 21.0
AFTER_DEGASSING_DAYS = (20.0, 75.0)
APART_FROM_EVENT_DAYS = 45.0
"""No routine sample is taken this near to work on the tank."""
DEFAULT_SEED = 20_190_613


@dataclass(frozen=True)
class Demo:
    """The invented fleet at one time.

    Attributes:
        assets: every asset of the fleet that has a plan.
        events: service events of the fleet.
        end: end of the record; nothing is generated after it unless asked for.
        seed: one number behind all the scatter.
    """

    assets: Sequence[Asset]
    events: Sequence[ServiceEvent]
    end: datetime
    seed: int = DEFAULT_SEED

    @cached_property
    def grid(self) -> Grid:
        return Grid.until(self.end)

    def truth(self, asset_code: str) -> Truth:
        """What is truly in the oil. Raises KeyError for an unknown code."""
        if asset_code not in self._truths:
            self._truths[asset_code] = make_truth(self.asset(asset_code), self.events, self.grid, self.seed)
        return self._truths[asset_code]

    @cached_property
    def _truths(self) -> dict[str, Truth]:
        return {}

    def asset(self, code: str) -> Asset:
        for asset in self.assets:
            if asset.code == code:
                return asset
        known = ", ".join(a.code for a in self.assets)
        raise KeyError(f"the demo fleet has no asset {code!r}; it has {known}")

    def laboratory(self, source_code: str, asset_codes: Sequence[str]) -> list[Sample]:
        """Laboratory samples of these assets' main tanks, sorted by time."""
        samples = [s for code in asset_codes for s in self._laboratory_of(source_code, code)]
        return sorted(samples, key=lambda s: s.taken_at)

    def _laboratory_of(self, source_code: str, asset_code: str) -> Iterator[Sample]:
        rng = np.random.default_rng(seed_of(self.seed, "laboratory", asset_code))
        plan = PLANS[asset_code]
        for days, spoiled in self._sampling_days(asset_code, plan, rng):
            at = (self.grid.end - timedelta(days=days)).replace(
                hour=9, minute=int(rng.integers(0, 12)) * 5, second=0, microsecond=0
            )
            yield self.laboratory_sample(source_code, asset_code, at, rng, plan.spoiled if spoiled else None)

    def _sampling_days(
        self, asset_code: str, plan: Plan, rng: np.random.Generator
    ) -> list[tuple[float, bool]]:
        """Days before the end, oldest first, and whether that sample is spoiled."""
        interval = plan.months * 365.25 / 12.0
        count = int((-self.grid.hours[0] / 24.0 - plan.newest_days - 10.0) // interval) + 1
        shift = rng.uniform(-6.0, 6.0, count)
        days = [(plan.newest_days + k * interval + float(shift[k]) * (k > 0), False) for k in range(count)]
        if plan.spoiled:
            days[0] = (days[0][0], True)
            days.append((plan.newest_days - CONFIRMATION_DAYS, False))
        for event in self.events:
            since = (self.grid.end - event.at).total_seconds() / 86_400.0
            if event.asset_code == asset_code and event.kind.restarts_baseline:
                days = [d for d in days if abs(d[0] - since) > APART_FROM_EVENT_DAYS]
                days += [(since - d, False) for d in AFTER_DEGASSING_DAYS if 1.0 < since - d < 2_100.0]
        return sorted(days, reverse=True)

    def laboratory_sample(
        self,
        source_code: str,
        asset_code: str,
        at: datetime,
        rng: np.random.Generator,
        spoiled: tuple[str, float] | None = None,
    ) -> Sample:
        """One laboratory sample of the main tank taken at the grid time nearest to ``at``."""
        truth, asset = self.truth(asset_code), self.asset(asset_code)
        values = _at(truth, truth.grid.index(at))
        if spoiled:
            values[spoiled[0]] += spoiled[1]
        readings = measure(LABORATORY, values, dict.fromkeys(LABORATORY.limits, 1.0), rng)
        readings["oil_temperature"] = Reading("oil_temperature", value=round(values["oil_temperature"]))
        readings |= _oil_quality(asset, at, values["water"], rng)
        number = f"{at:%y}-{seed_of(self.seed, asset_code, at.isoformat()) % 10_000:04d}"
        return Sample(asset_code, MAIN, source_code, at, readings, laboratory_number=number)

    def online(self, instrument: Source, first_day: float, last_day: float) -> list[Sample]:
        """Every on-line sample with ``first_day < day <= last_day``, days counted from the end (negative before).

        A sample of a given time is the same whatever range is asked for.
        """
        asset_code = instrument.asset_code
        if asset_code is None:
            raise ValueError(f"{instrument.code} is no instrument: it is fitted to no asset")
        meter, truth = METERS[instrument.code], self.truth(asset_code)
        bias = biases(meter, seed_of(self.seed, "bias", instrument.code))
        hours = self.grid.hours
        samples = []
        for i in np.flatnonzero((hours > first_day * 24.0) & (hours <= last_day * 24.0)):
            step = int(hours[i]) // STEP_HOURS
            rng = np.random.default_rng(seed_of(self.seed, instrument.code, str(step)))
            values = _at(truth, int(i))
            readings = measure(meter, values, bias, rng)
            readings |= {q: Reading(q, value=significant(values[q], 3)) for q in PLAIN}
            samples.append(Sample(asset_code, MAIN, instrument.code, self.grid.time(int(i)), readings))
        return samples

    def online_history(self, instrument: Source) -> list[Sample]:
        """The on-line record up to where the simulated instruments take over."""
        return self.online(instrument, -LIVE_DAYS - ONLINE_DAYS, -LIVE_DAYS)


def _at(truth: Truth, index: int) -> dict[str, float]:
    return {name: float(column[index]) for name, column in truth.quantities.items()}


def _oil_quality(asset: Asset, at: datetime, water: float, rng: np.random.Generator) -> dict[str, Reading]:
    """Oil quality that worsens with age, faster where air gets in (invented)."""
    age = asset.age_years(at) or 0.0
    wear = age * (1.3 if asset.preservation is Preservation.FREE_BREATHING else 0.6)
    noise = 1.0 + 0.04 * rng.standard_normal(4)
    values = {
        "breakdown_voltage": round((72.0 - 0.9 * water) * noise[0], 1),
        "acidity": round((0.01 + 0.0011 * wear) * noise[1], 3),
        "interfacial_tension": round((44.0 - 0.14 * wear) * noise[2], 1),
        "dissipation_factor": round((0.001 + 0.00025 * wear) * noise[3], 5),
    }
    return {q: Reading(q, value=float(v)) for q, v in values.items()}
