"""Count zones under known faults and report, by cross-validation, how well the fault call is calibrated.

Run by hand from the root of the project when the labelled cases change:

    python tests/calibration/calibrate_fault_call.py LABELLED.csv [FOLDER]

It prints three tables, or writes them to FOLDER: ``fault_call_counts.csv`` and ``fault_call_parameters.csv`` (for
``app/science/tables``) and ``fault_call_cross_validation.csv`` (kept beside this file;
docs/decisions/fault-call.md quotes it). A run takes about a minute. The same cases give the same tables.

LABELLED.csv is UTF-8 with a header and at least these columns; others are ignored:

    source             ``IEEE Std C57.104-2019 ...`` or ``E. Li ... IEEE DataPort ...``; see CITATIONS
    case_id            unique per source; cases alike up to a hyphen (E.1-2, E.1-3) are samples of one unit, in order
    h2 ch4 c2h6 c2h4 c2h2    µL/L, numbers; a case with an empty cell is left out
    fault_label        PD, D1, D2, T1, T2, T1/T2 or T3; a case with another label (Normal) is left out

The data set is public: E. Li, Dissolved gas data in transformer oil, IEEE DataPort, 2019, doi 10.21227/h8g0-8z59
(rename its columns, and its labels: spark discharge is D1, arc discharge D2, low, middle and high-temperature
overheating T1, T2 and T3). The other cases are the inspected units of IEEE Std C57.104-2019, Annex E.

Method: one case per unit, the last sample. Twenty times: cases are dealt into ten folds, stratified by fault; for each
fold the smoothing is chosen on the other nine (least log loss when each case is left out of its own counts), and the
fold is predicted with their counts. The model "chosen in each fold" chooses the methods in the same way too. Nothing
about a case is known when it is predicted. The models "and acetylene" weigh in how many known cases of each fault
acetylene was not seen, where it was not; those are counted on the other nine folds as well.
"""

import csv
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from pathlib import Path
from typing import Final

import numpy as np
from labelled_cases import CITATIONS, SEED, ZONE_METHODS, Cases, Evidence, Floats, Ints, evidence, read_cases
from numpy.typing import NDArray

from app.science.diagnosis.fault_call import (
    ACETYLENE,
    FAULT_CLASSES,
    METHODS,
    combine,
    count_likelihoods,
    disagreement,
    one_hot,
    zone_likelihoods,
)

Bools = NDArray[np.bool_]

MODELS: Final = (
    ("duval_triangle_1",),
    ("duval_pentagon_1",),
    ("duval_triangle_1", "duval_pentagon_1"),
    ("duval_triangle_1", "duval_pentagon_2"),
)
PAIRS: Final = MODELS[2:]
CHOSEN: Final = "chosen in each fold"
AND_ACETYLENE: Final = " and acetylene"
PSEUDO_CASES: Final = (2.0, 4.0, 8.0, 16.0)
OWN_SHARES: Final = (0.0, 0.5)
POWERS: Final = (0.7, 0.85, 1.0)
REPEATS: Final = 20
FOLDS: Final = 10
BINS: Final = (0.0, 0.5, 0.7, 0.85, 0.95, 1.0)


@dataclass(frozen=True)
class Settings:
    """How zone counts become probabilities; see app/science/diagnosis/fault_call.py."""

    pseudo_cases: float
    own_share: float
    power: float


@dataclass(frozen=True)
class Result:
    """Predictions of one model (REPEATS, n, 5) for faults (n,)."""

    name: str
    asked: str
    predicted: Floats
    fault: Ints

    @property
    def right(self) -> Floats:
        """(REPEATS, n) 1 where the most probable fault is the known one."""
        return np.asarray(self.predicted.argmax(axis=-1) == self.fault, dtype=np.float64)

    @property
    def log_loss(self) -> Floats:
        """(REPEATS, n) minus the logarithm of the probability given to the known fault."""
        return np.asarray(-np.log(self.predicted[:, np.arange(len(self.fault)), self.fault]))

    @property
    def brier(self) -> Floats:
        """(REPEATS, n) squared distance from certainty of the known fault, 0 to 2."""
        known = np.eye(len(FAULT_CLASSES))[self.fault]
        return np.asarray(((self.predicted - known) ** 2).sum(axis=-1))


# --- the model ----------------------------------------------------------------------------------------------


def counts_of(part: Evidence, fault: Ints, among: NDArray[np.bool_]) -> Floats:
    """Cases (5, zones) by fault and zone."""
    return np.asarray(np.eye(len(FAULT_CLASSES))[fault[among]].T @ part.seen[among])


def predict(parts: Sequence[Evidence], counts: Sequence[Floats], settings: Settings, rows: Ints) -> Floats:
    """Probabilities (rows, 5), by the project's own function."""
    likelihoods = tuple(
        zone_likelihoods(c, p.zones, settings.pseudo_cases, settings.own_share)
        for p, c in zip(parts, counts, strict=True)
    )
    return combine(tuple(p.asked[rows] for p in parts), likelihoods, settings.power)


def choose(parts: Sequence[Evidence], fault: Ints, among: NDArray[np.bool_]) -> tuple[float, Settings]:
    """The least log loss when each case is left out of its own counts, and the settings that give it.

    Cases speak by their zones here, however they are asked later: how good a measurement was is no part of a count.
    """
    parts = [replace(part, asked=part.seen) for part in parts]
    powers = POWERS if len(parts) > 1 else (1.0,)
    grid = [Settings(*s) for s in product(PSEUDO_CASES, OWN_SHARES, powers)]
    losses = np.zeros(len(grid))
    counts = [counts_of(p, fault, among) for p in parts]
    # rows of one fault and the same zones leave the same counts behind
    alike: dict[tuple[int, ...], list[int]] = {}
    for row in np.flatnonzero(among):
        alike.setdefault((int(fault[row]), *(int(p.seen[row].argmax()) for p in parts)), []).append(int(row))
    for (known, *zones), rows in alike.items():
        without = [count.copy() for count in counts]
        for less, zone in zip(without, zones, strict=True):
            less[known, zone] -= 1
        for i, settings in enumerate(grid):
            losses[i] -= np.log(predict(parts, without, settings, np.array(rows))[:, known]).sum()
    return float(losses.min()), grid[int(losses.argmin())]


def without_acetylene(fault: Ints, seen: Bools, among: Bools) -> Floats:
    """(5,) P(no acetylene seen | fault), from the cases named."""
    counts = np.eye(len(FAULT_CLASSES))[fault[among]].T @ np.stack([~seen[among], seen[among]], axis=1)
    return np.asarray(count_likelihoods(counts)[:, 0])


def cross_validate(models: Mapping[str, Sequence[Evidence]], fault: Ints, seen: Bools) -> dict[str, Floats]:
    """Per model and for CHOSEN, alone and with acetylene ((n,) ``seen``): predictions (REPEATS, n, 5) of every case
    from folds it is not in."""
    generator = np.random.default_rng(SEED)
    shape = (REPEATS, len(fault), len(FAULT_CLASSES))
    names = [name + also for also in ("", AND_ACETYLENE) for name in (*models, CHOSEN)]
    predicted = {name: np.zeros(shape) for name in names}
    for repeat in range(REPEATS):
        fold = np.zeros(len(fault), dtype=np.int64)
        order = np.concatenate([generator.permutation(np.flatnonzero(fault == c)) for c in np.unique(fault)])
        fold[order] = np.arange(len(fault)) % FOLDS
        for held_out in np.unique(fold):
            among, rows = fold != held_out, np.flatnonzero(fold == held_out)
            losses = {}
            for name, parts in models.items():
                losses[name], settings = choose(parts, fault, among)
                counts = [counts_of(p, fault, among) for p in parts]
                predicted[name][repeat, rows] = predict(parts, counts, settings, rows)
            best = min(losses, key=lambda name: losses[name])
            predicted[CHOSEN][repeat, rows] = predicted[best][repeat, rows]
            factor = np.where(seen[rows][:, None], 1.0, without_acetylene(fault, seen, among))
            for name in (*models, CHOSEN):
                weighed = predicted[name][repeat, rows] * factor
                predicted[name + AND_ACETYLENE][repeat, rows] = weighed / weighed.sum(axis=1, keepdims=True)
    return predicted


# --- the report ---------------------------------------------------------------------------------------------


def reliability(result: Result) -> Iterator[tuple[float, float, float, float, float]]:
    """Per bin of the highest probability: from, to, cases (mean over repeats), mean probability, share right."""
    confidence, right = result.predicted.max(axis=-1), result.right
    for low, high in pairwise(BINS):
        held = (confidence >= low) & ((confidence < high) | (high == BINS[-1]))
        if held.any():
            yield low, high, held.sum() / len(held), float(confidence[held].mean()), float(right[held].mean())


def report(results: Sequence[Result], mixed: Mapping[str, Floats]) -> list[dict[str, str]]:
    """Rows of the cross-validation table: scores, differences from triangle 1 alone, reliability, contradiction."""
    table: list[dict[str, str]] = []

    def add(result: Result, figure: str, value: float, cases: float, error: float | None = None) -> None:
        table.append(
            {
                "model": result.name,
                "asked_with": result.asked,
                "figure": figure,
                "value": f"{value:.4f}",
                "standard_error": "" if error is None else f"{error:.4f}",
                "cases": f"{cases:.1f}",
            }
        )

    for result in results:
        n = len(result.fault)
        base = next(r for r in results if r.asked == result.asked and r.name == MODELS[0][0])
        for figure in ("right", "log_loss", "brier"):
            score: Floats = getattr(result, figure).mean(axis=0)
            add(result, figure, score.mean(), n, score.std(ddof=1) / np.sqrt(n))
            if result is not base:
                gain = score - getattr(base, figure).mean(axis=0)
                add(result, f"{figure} minus triangle 1 alone", gain.mean(), n, gain.std(ddof=1) / np.sqrt(n))
        if result.name.removesuffix(AND_ACETYLENE) in {" + ".join(pair) for pair in PAIRS}:
            for number, fault in enumerate(FAULT_CLASSES):
                known = result.fault == number
                add(result, f"right of known {fault}", result.right[:, known].mean(), known.sum())
            bins = list(reliability(result))
            for low, high, cases, confidence, right in bins:
                add(result, f"mean probability {low:g} to {high:g}", confidence, cases)
                add(result, f"share right {low:g} to {high:g}", right, cases)
            error = sum(cases * abs(confidence - right) for _, _, cases, confidence, right in bins) / n
            add(result, "expected calibration error", error, n)
            mixture = mixed[result.asked] >= 0.5
            for name, held in (("agree", ~mixture), ("contradict", mixture)):
                if held.any():
                    share = result.right[:, held].mean()
                    add(result, f"share right where the methods {name}", share, held.sum())
    return table


def counts_table(cases: Cases) -> Iterator[dict[str, str | int]]:
    """Rows of app/science/tables/fault_call_counts.csv."""
    seen = one_hot(cases.with_acetylene.astype(np.int64), ACETYLENE)
    parts = {method: evidence(cases, method, spread=False) for method in METHODS}
    for method, part in (parts | {"acetylene": Evidence(ACETYLENE, seen, seen)}).items():
        for known, (source, edition, clause, provenance) in CITATIONS.items():
            counts = counts_of(part, cases.fault, np.array([s == known for s in cases.source]))
            for fault, zone in product(FAULT_CLASSES, part.zones):
                number = int(counts[FAULT_CLASSES.index(fault), part.zones.index(zone)])
                if number:
                    yield {
                        "method": method,
                        "fault": fault,
                        "zone": zone,
                        "cases": number,
                        "source": source,
                        "edition": edition,
                        "clause": clause,
                        "provenance": provenance,
                        "note": "counted by tests/calibration/calibrate_fault_call.py",
                    }


def parameters_table(chosen: Mapping[str, Settings]) -> Iterator[dict[str, str | float]]:
    """Rows of app/science/tables/fault_call_parameters.csv."""
    why = "least log loss, each labelled case left out of its own counts (tests/calibration/calibrate_fault_call.py)"
    for pentagon, settings in chosen.items():
        for name, value, note in (
            ("pseudo_cases", settings.pseudo_cases, "imagined cases added to each fault"),
            ("own_share", settings.own_share, "part of them in the zones named like the fault"),
            ("power", settings.power, "below 1 because the methods share gases"),
        ):
            yield {
                "pentagon": pentagon,
                "parameter": name,
                "value": value,
                "unit": "1",
                "source": "common practice",
                "edition": "none",
                "clause": why,
                "provenance": "common practice",
                "note": note,
            }


def write(rows: Iterable[Mapping[str, object]], file_or_none: Path | None) -> None:
    """Rows as CSV to a file, or to the terminal."""
    table = list(rows)
    out = sys.stdout if file_or_none is None else file_or_none.open("w", encoding="utf-8", newline="")
    try:
        writer = csv.DictWriter(out, list(table[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(table)
    finally:
        if file_or_none is not None:
            out.close()


def main(arguments: Sequence[str]) -> int:
    if len(arguments) not in (1, 2):
        sys.stderr.write("usage: calibrate_fault_call.py LABELLED.csv [FOLDER]\n")
        return 2
    try:
        cases = read_cases(Path(arguments[0]))
    except (OSError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    everywhere = np.ones(len(cases), dtype=np.bool_)
    results, mixed = [], {}
    for asked in ("zones", "zone probabilities"):
        parts = {m: evidence(cases, m, spread=asked != "zones") for m in ZONE_METHODS}
        triangle_1, pentagon_2 = (parts[m].asked for m in PAIRS[1])
        mixed[asked] = disagreement(triangle_1, pentagon_2=pentagon_2)
        models = {" + ".join(model): [parts[m] for m in model] for model in MODELS}
        for name, predicted in cross_validate(models, cases.fault, cases.with_acetylene).items():
            results.append(Result(name, asked, predicted, cases.fault))
    chosen = {
        pair[1]: choose([evidence(cases, m, spread=False) for m in pair], cases.fault, everywhere)[1]
        for pair in PAIRS
    }
    folder = Path(arguments[1]) if len(arguments) == 2 else None
    for name, rows in (
        ("fault_call_counts", counts_table(cases)),
        ("fault_call_parameters", parameters_table(chosen)),
        ("fault_call_cross_validation", report(results, mixed)),
    ):
        write(rows, folder / f"{name}.csv" if folder else None)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
