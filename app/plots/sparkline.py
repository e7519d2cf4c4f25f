"""A sparkline as a small SVG: the course of one quantity, its last point marked."""

from collections.abc import Sequence

from app.plots.palette import mark

WIDTH, HEIGHT, PAD = 96.0, 22.0, 3.0


def sparkline(points: Sequence[tuple[float, float]], quantity: str, limit: float | None = None) -> str:
    """SVG text of a line through ``points`` (x, value); an empty string for fewer than two points.

    ``limit`` is drawn as a thin line when it is in or near the values' range. The drawing has no text and
    is decoration: the numbers stand beside it.
    """
    if len(points) < 2:
        return ""
    values = [y for _, y in points]
    low, high = min(values), max(values)
    if limit is not None and low <= limit <= 1.5 * high:
        high = max(high, limit)
    else:
        limit = None
    width = (points[-1][0] - points[0][0]) or 1.0
    height = (high - low) or 1.0

    def place(x: float, y: float) -> tuple[float, float]:
        across = PAD + (x - points[0][0]) / width * (WIDTH - 2 * PAD)
        return across, HEIGHT - PAD - (y - low) / height * (HEIGHT - 2 * PAD)

    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in (place(x, y) for x, y in points))
    end = place(*points[-1])
    rule = ""
    if limit is not None:
        level = place(points[0][0], limit)[1]
        rule = f'<line class="limit" x1="0" x2="{WIDTH:g}" y1="{level:.1f}" y2="{level:.1f}"/>'
    color = mark(quantity).color
    return (
        f'<svg class="spark" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" aria-hidden="true" focusable="false">{rule}'
        f'<polyline points="{line}" fill="none" stroke="{color}" stroke-width="1.5"/>'
        f'<circle cx="{end[0]:.1f}" cy="{end[1]:.1f}" r="2.4" fill="{color}"/></svg>'
    )
