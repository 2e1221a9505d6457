"""Query parameters that routes share."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from coilbook.api.models import Severity
from fastapi import Path, Query

SiteId = Annotated[str, Path(description="the site's id", examples=["dale-017"], max_length=200)]
Area = Annotated[str | None, Query(description="only sites of this area", max_length=200)]
SeverityQuery = Annotated[Severity | None, Query(description="only this severity")]
Rule = Annotated[str | None, Query(description="only this rule", examples=["missed_window"], max_length=100)]
First = Annotated[date | None, Query(description="first local date, included", examples=["2026-03-01"])]
Last = Annotated[date | None, Query(description="last local date, included", examples=["2026-03-31"])]
Limit = Annotated[int, Query(ge=1, le=500, description="most rows to return")]
