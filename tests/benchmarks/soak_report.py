"""The soak's report as a person reads it."""

from typing import Any


def readable(report: dict[str, Any]) -> str:
    """A page of text; every figure of it is in the JSON too."""
    server, record = report["server"], report["record"]
    slope = server["rss_slope_mb_per_hour"]
    lines = [
        f"Soak of {report['minutes']:g} minutes on {report['database']}: "
        f"{'passed' if report['passed'] else 'FAILED'}",
        f"  {report['machine']}",
        f"  {report['units']} units with {report['history_days']:g} days of history;"
        f" {report['samples_per_second_asked']:g} samples/s asked,"
        f" {report['samples_per_second_answered']:g} answered; {report['pages_per_second_asked']:g} pages/s;"
        f" seed {report['seed']}",
        f"  posts by kind: {_counts(report['kinds_of_posts'])}",
        "",
        *_requests("posts", report["posts"]),
        *_requests("pages", report["pages"]),
        f"  this client was at most {report['client_late_ms_max']:g} ms late by itself",
        "",
        "memory of the server's processes",
        f"  {server['rss_mb_begin']} MB at the beginning, {server['rss_mb_settled']} MB after"
        f" {server['settled_after_seconds'] / 60:.1f} min, {server['rss_mb_end']} MB at the end,"
        f" at most {server['rss_mb_max']} MB",
        "  slope after that: "
        + (
            f"{slope['slope']:+g} MB an hour (95 %: {slope['low']:+g} to {slope['high']:+g})"
            if slope
            else "too short a run to tell"
        ),
        f"  open files begin/most/end {server['files']}, threads {server['threads']}",
        f"  database {server['database_mb'][0]} -> {server['database_mb'][1]} MB,"
        f" log at most {server['wal_mb_max']} MB",
        "",
        "record",
        *(f"  {name.replace('_', ' ')}: {_told(value)}" for name, value in record.items()),
        f"  mail queue drained: {report['mail_queue_drained']};"
        f" exit code at SIGTERM: {report['exit_code_at_sigterm']}",
        "",
        "slowest pages, ms from when due (p50, p99, max)",
        *_pages(report["milliseconds_by_page"]),
    ]
    if report["failed"]:
        lines += ["", "FAILED", *(f"  {name}: {count}" for name, count in report["failed"].items())]
        lines += [f"  {text}" for kind in ("posts", "pages") for text in report[kind]["error_examples"]]
    if report["server_log_errors"]:
        lines += ["", "errors in the server's log", *(f"  {line}" for line in report["server_log_errors"])]
    return "\n".join(lines) + "\n"


def _requests(name: str, told: dict[str, Any]) -> list[str]:
    due, sent = told["milliseconds_from_when_due"], told["milliseconds_from_when_sent"]
    return [
        f"{name}: {told['sent']:,} sent; {_counts(told['outcomes'])}; errors {_counts(told['errors']) or 'none'}",
        f"  from when due  {_counts(due)} ms",
        f"  from when sent {_counts(sent)} ms",
    ]


def _pages(pages: dict[str, dict[str, float]]) -> list[str]:
    ordered = sorted(pages.items(), key=lambda item: -item[1].get("p99", 0))
    return [
        f"  {page:<50} {ms.get('p50', 0):>8} {ms.get('p99', 0):>8} {ms.get('max', 0):>8}"
        for page, ms in ordered
    ]


def _counts(counts: dict[str, Any]) -> str:
    return ", ".join(f"{name} {count:,}" for name, count in counts.items())


def _told(value: Any) -> str:
    return _counts(value) if isinstance(value, dict) else f"{value:,}"
