"""Figures as JSON, for the page's own script."""

import json
from typing import Any

from fastapi.responses import JSONResponse

from app.plots.figure import plain


class FigureResponse(JSONResponse):
    """JSON in which a plotly figure may stand anywhere."""

    def render(self, content: Any) -> bytes:
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=plain)
        return text.encode()
