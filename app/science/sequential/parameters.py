"""The constants of the on-line watch, from ``tables/online_watch.csv``."""

from dataclasses import dataclass
from functools import cache
from typing import Self

from app.science.tables import rows


@dataclass(frozen=True, slots=True)
class WatchParameters:
    """One row of the table each, by the same name; ``limits`` are (days learned, limit [sd]) by case, rising."""

    weight: float
    huber_c: float
    clip: float
    clip_phi: float
    least_spread: float
    most_phi: float
    measured_share: float
    known_share: float
    carried: int
    gap: int
    relearn: int
    begin_share: float
    release_share: float
    release_days: int
    relevel_days: int
    time_constants: tuple[float, ...]
    limits: dict[str, tuple[tuple[int, float], ...]]

    @classmethod
    @cache
    def read(cls) -> Self:
        """As the table has them, read once."""
        table = rows("online_watch")
        one = {row["parameter"]: float(row["value"]) for row in table}
        limits: dict[str, tuple[tuple[int, float], ...]] = {}
        for row in table:
            if row["parameter"] == "limit":
                step = (int(row["from_days"]), float(row["value"]))
                limits[row["case"]] = (*limits.get(row["case"], ()), step)
        return cls(
            weight=one["lambda"],
            huber_c=one["huber_c"],
            clip=one["clip"],
            clip_phi=one["clip_phi"],
            least_spread=one["least_spread"],
            most_phi=one["most_phi"],
            measured_share=one["measured_share"],
            known_share=one["known_share"],
            carried=int(one["carried"]),
            gap=int(one["gap"]),
            relearn=int(one["relearn"]),
            begin_share=one["begin_share"],
            release_share=one["release_share"],
            release_days=int(one["release_days"]),
            relevel_days=int(one["relevel_days"]),
            time_constants=tuple(float(r["value"]) for r in table if r["parameter"] == "time_constant"),
            limits=limits,
        )

    def limit(self, case: str, learned: int) -> float | None:
        """The limit [sd] after so many days learned; None while it is blind."""
        return next((value for days, value in reversed(self.limits[case]) if learned >= days), None)

    def learning(self, case: str) -> tuple[int, ...]:
        """After how many days learned something changes in a case."""
        return tuple(days for days, _ in self.limits[case])


@dataclass(frozen=True, slots=True)
class StepParameters:
    """The coarse step: ``factor`` times the median of ``window`` days before, on ``days`` days in a row."""

    factor: float
    days: int
    window: int
    fewest: int
    detection_limits: float
    release_share: float
    release_days: int

    @classmethod
    @cache
    def read(cls) -> Self:
        """As the table has them, read once."""
        one = {row["parameter"]: float(row["value"]) for row in rows("online_watch")}
        return cls(
            factor=one["step_factor"],
            days=int(one["step_days"]),
            window=int(one["step_window"]),
            fewest=int(one["step_fewest"]),
            detection_limits=one["step_detection_limits"],
            release_share=one["release_share"],
            release_days=int(one["release_days"]),
        )
